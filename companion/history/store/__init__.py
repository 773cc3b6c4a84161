"""A small git store: objects in packs, names in one file, nothing of the maker's computer able to change it.

``companion.history.history.store.Store`` is the door; the verbs of the history stand on it.
"""
