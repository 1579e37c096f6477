"""The archive: every revision of every preset, by venue, as plain files in a folder.

Loads nothing by itself, so that listing stays quick.
"""
