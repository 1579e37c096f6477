"""The version, where it can be read before anything else is imported."""

__version__ = "0.1.0"
