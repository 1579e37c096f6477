"""Equalisation common to all outputs of an input may stand at the input, where bands are left.

Only where every routed output shares it; the sound stays the same to the last digit.
"""

from __future__ import annotations

from msgspec.structs import replace

from xover.model.preset import Preset
from xover.model.processing import EqSection
from xover.model.profile import Profile


def moved_to_inputs(preset: Preset, profile: Profile) -> tuple[Preset, list[str]]:
    """The preset with common sections at the inputs where outputs have too few bands, and notes.

    Sections that are bypassed take no band and are left out of the count; locked equalisers stay.
    """
    notes: list[str] = []
    limit = profile.eq.bands_per_output
    for inputs, outputs in _islands(preset):
        members = [preset.output(name) for name in outputs]
        heads = [preset.input(name) for name in inputs]
        if not members or not heads or any("eq" in item.locked for item in members):
            continue
        excess = max(len(_active(item.eq)) for item in members) - limit
        room = min(profile.eq.bands_per_input - len(_active(item.eq)) for item in heads)
        common = [
            section
            for section in _active(members[0].eq)
            if all(section in item.eq for item in members[1:])
        ]
        count = min(excess, room, len(common))
        if count <= 0:
            continue
        moving = common[:count]
        preset = replace(
            preset,
            inputs=tuple(
                replace(item, eq=(*item.eq, *moving)) if item.name in inputs else item
                for item in preset.inputs
            ),
            outputs=tuple(
                replace(item, eq=_stilled(item.eq, moving)) if item.name in outputs else item
                for item in preset.outputs
            ),
        )
        bands = "band" if count == 1 else "bands"
        notes.append(
            f"{count} {bands} that {', '.join(outputs)} share stand at {', '.join(inputs)} "
            f"instead, since an output has only {limit}"
        )
    return preset, notes


def _islands(preset: Preset) -> list[tuple[list[str], list[str]]]:
    """Inputs and outputs that are joined by routes, each set once."""
    left = [item.name for item in preset.outputs if item.inputs]
    found = []
    while left:
        outputs, inputs = {left[0]}, set(preset.output(left[0]).inputs)
        grown = True
        while grown:
            grown = False
            for item in preset.outputs:
                if item.name not in outputs and inputs & set(item.inputs):
                    outputs.add(item.name)
                    inputs |= set(item.inputs)
                    grown = True
        left = [name for name in left if name not in outputs]
        found.append(
            (
                [item.name for item in preset.inputs if item.name in inputs],
                [item.name for item in preset.outputs if item.name in outputs],
            )
        )
    return found


def _active(eq: tuple[EqSection, ...]) -> list[EqSection]:
    return [section for section in eq if not section.bypassed]


def _stilled(eq: tuple[EqSection, ...], moving: list[EqSection]) -> tuple[EqSection, ...]:
    """The sections with one of each that moves bypassed, so that places stay what they were."""
    left = list(moving)
    result = []
    for section in eq:
        if section in left:
            left.remove(section)
            section = replace(section, bypassed=True)
        result.append(section)
    return tuple(result)
