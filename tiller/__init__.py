"""tiller: a tillering assistant for the maker of wooden bows."""

__version__ = "0.1.0"
