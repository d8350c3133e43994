"""The version of the library, stated once."""

__version__ = "0.1.0"
