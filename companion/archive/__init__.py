"""The archive: plan, build, prove."""
