"""The checks of the sound step."""
