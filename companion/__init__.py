"""Release Companion: walks the maker of a sampled instrument through a release."""

__version__ = "0.1.0"
