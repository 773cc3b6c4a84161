"""Every version kept: snapshots, restore, compare."""
