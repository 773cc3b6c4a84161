"""Every version kept: snapshots, restore, compare.

``companion.history.store.History`` is the door; nothing heavy is imported until it is used.
"""
