"""The commands by name, with their line of help: knowing them costs no import."""

from __future__ import annotations

COMMANDS: dict[str, str] = {
    "new": "a minimal valid preset to start from",
    "check": "validate a preset and give advice about it",
    "response": "electrical response of an output, or the sum at a listener",
    "align": "polarity and delay that sum best through the overlap",
    "distance": "delay by time of flight",
    "array": "subwoofer arrays: places, delays and levels to start from",
    "map": "level over the audience in one band",
    "limits": "limiter thresholds from ratings, loads, taps and cable",
    "level": "octave bands and A-weighted SPL at a listener, headroom, exposure",
    "signal": "test signals at a low level: sweep, pink, click, polarity, steps",
    "trace": "read a measured response, and attach it to a preset",
    "adapt": "the preset as one kind of processor can hold it",
    "sheet": "the entry sheet to type from",
    "verify": "what was entered against what was meant, with the likeliest slips",
    "archive": "every revision kept: save, list, search, compare, restore",
    "schema": "the JSON Schema of the file format",
}
"""Every command with its line of help."""
