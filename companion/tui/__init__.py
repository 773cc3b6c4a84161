"""The terminal app. It shows and asks; it decides nothing."""
