"""DOOR 2, the terminal workbench: the settings sheet with live curves above it.

Widgets show values and post requests; the app alone changes state, through one session. Only this
room imports textual.
"""
