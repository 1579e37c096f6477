"""Dialogs, one a file: each asks one thing and returns a typed answer."""
