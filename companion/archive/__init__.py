"""The archive: planned, built, read back and judged by rules, proven; its update archives and release records."""
