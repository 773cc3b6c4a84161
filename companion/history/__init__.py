"""Every version kept: snapshots, restore, compare; ``companion.history.history.History`` is the door."""
