"""ROOM 1, the words of the trade: frozen structures, their ranges and rules.

No arrays, no numpy, no files. Everything above speaks in these types.
"""
