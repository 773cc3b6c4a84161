"""A small git store: objects in packs, names in one file, nothing of the maker's computer able to change it."""
