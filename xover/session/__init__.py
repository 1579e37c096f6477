"""One open preset without a screen: what a workbench does, minus the workbench.

Edits as named steps, undo, journal and recovery, saving, curves under edit. Loads no textual.
"""
