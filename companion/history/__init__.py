"""Every version kept: snapshots, restore, compare.

``companion.history.history.History`` is the door; nothing heavy is imported until it is used.
"""
