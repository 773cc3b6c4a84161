"""The drawer of snapshots: listing, taking, comparing, restoring."""
