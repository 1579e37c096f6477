"""DOOR 1, the command line: everything the engine computes, as commands that can be scripted.

Results on stdout, talk on stderr. No command computes anything itself.
"""
