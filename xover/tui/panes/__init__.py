"""Companion panes, one a file: what stands beside the sheet, one at a time."""
