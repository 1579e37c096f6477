"""A preset on a processor, for a screen: profiles, and what each cell becomes.

Pure but for the files it is asked to read; safe in any thread. What is computed is `design`'s.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from msgspec import UNSET
from msgspec.structs import replace

from xover.files.profile_json import load_profile
from xover.files.shipped import presets_folder
from xover.model.entry import show
from xover.model.entry_text import NOTHING
from xover.model.names import fold
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Input, Limit, Output
from xover.session.cells import Cell, PlainRow, Row, Side, Value, entry_row, value_of

if TYPE_CHECKING:
    from xover.design.adapting.result import Adaptation, Adapted
    from xover.design.verifying.verification import Verified
    from xover.dsp.axis import FloatArray
    from xover.model.profile import Profile

POINTS = 240
"""Of a difference against frequency, 20 Hz to 20 kHz."""
PASSES = 0.03
"""An output below this part of its loudest (−30 dB) is not compared."""
_ROWS: dict[Side, tuple[PlainRow, ...]] = {
    "output": ("route", "gain", "polarity", "delay", "high_pass", "low_pass", "rms", "peak"),
    "input": ("gain", "polarity", "delay"),
}


class Course(NamedTuple):
    """A difference in dB, NaN where it says nothing, at frequencies in Hz; both of shape (n,)."""

    frequency_hz: FloatArray
    difference_db: FloatArray


class Fitted(NamedTuple):
    """A preset on a processor: the answer, what each cell that changes becomes, as shown.

    `courses` tell, by output, how far its level is from the preset's.
    """

    preset: Preset
    answer: Adaptation
    becomes: dict[Cell, str]
    courses: dict[str, Course]


def shipped_profiles() -> tuple[str, ...]:
    """Whole paths of the profiles that come with the program."""
    return tuple(sorted(str(path) for path in (presets_folder() / "processors").glob("*.json")))


def open_profile(path: str) -> Profile:
    """The profile in a file. Raises `Refused` with every fault found."""
    return load_profile(path)


def profile_named(name: str) -> Profile | None:
    """The shipped profile of this name, None where there is none."""
    for path in shipped_profiles():
        profile = load_profile(path)
        if fold(profile.name) == fold(name):
            return profile
    return None


def fit(preset: Preset, profile: Profile) -> Fitted:
    """A preset as a processor can hold it. Computes; not for the way of a key."""
    from xover.design.adapting.adaptation import adapt

    answer = adapt(preset, profile)
    becomes: dict[Cell, str] = {}
    pairs: list[tuple[Side, Sequence[Input | Output], Sequence[Adapted]]] = [
        ("input", preset.inputs, answer.inputs),
        ("output", preset.outputs, answer.outputs),
    ]
    for side, items, adapted in pairs:
        for item, one in zip(items, adapted, strict=True):
            for row in _ROWS[side]:
                cell = Cell(item.name, row, side)
                text = _shown(row, value_of(answer.preset, cell))
                if text != _shown(row, value_of(preset, cell)):
                    becomes[cell] = text
            becomes.update(_bands(preset, answer.preset, item, one, side))
    return Fitted(preset, answer, becomes, _courses(preset, answer.preset))


def _courses(preset: Preset, held: Preset) -> dict[str, Course]:
    """Each output's level on the processor against the preset's, where that lets enough through."""
    import numpy as np

    from xover.dsp.axis import Axis
    from xover.dsp.response import output_stage

    rate_hz = min(preset.sample_rate_hz, held.sample_rate_hz)
    top_hz = min(20_000.0, 0.45 * rate_hz)
    f = np.geomspace(20.0, top_hz, POINTS)
    courses = {}
    for meant, typed in zip(preset.outputs, held.outputs, strict=True):
        one, other = (
            np.abs(output_stage(replace(item, muted=False), Axis(f, rate)))
            for item, rate in ((meant, preset.sample_rate_hz), (typed, held.sample_rate_hz))
        )
        passes = (one > one.max() * PASSES) & (other > 0.0)
        difference_db = np.full(f.shape, np.nan)
        difference_db[passes] = 20.0 * np.log10(other[passes] / one[passes])
        courses[meant.name] = Course(f, difference_db)
    return courses


def _bands(
    preset: Preset, held: Preset, item: Input | Output, one: Adapted, side: Side
) -> dict[Cell, str]:
    """What EQ sections become; they are entered in their order, those that find no band not."""
    places = one.bands
    eq = (held.input(item.name) if side == "input" else held.output(item.name)).eq
    becomes: dict[Cell, str] = {}
    for at in range(max([len(item.eq), *(place + 1 for place in places)])):
        before = item.eq[at] if at < len(item.eq) else None
        if before is not None and before.bypassed:
            continue
        number = places.index(at) if at in places else None
        text = NOTHING
        if number is not None and number < len(eq):
            text = _shown(("eq", at), eq[number])
        if text != _shown(("eq", at), before):
            becomes[Cell(item.name, ("eq", at), side)] = text
    return becomes


def _shown(row: Row, value: Value) -> str:
    """A value as people read it: what a processor makes of one has more digits than that."""
    return show(entry_row(row), _rounded(value))


def _rounded(value: Value) -> Value:
    if isinstance(value, float):
        return round(value, 3)
    if isinstance(value, Crossover):
        return replace(value, frequency_hz=_significant(value.frequency_hz, 4))
    if isinstance(value, EqSection):
        gain_db = value.gain_db if value.gain_db is UNSET else round(value.gain_db, 2)
        q = value.q if value.q is UNSET else _significant(value.q, 3)
        frequency_hz = _significant(value.frequency_hz, 4)
        return replace(value, frequency_hz=frequency_hz, gain_db=gain_db, q=q)
    if isinstance(value, Limit):
        return replace(
            value,
            threshold_dbu=round(value.threshold_dbu, 2),
            attack_ms=_significant(value.attack_ms, 3),
            release_ms=_significant(value.release_ms, 3),
        )
    if isinstance(value, Mapping):
        return {name: round(gain_db, 2) for name, gain_db in value.items()}
    return value


def _significant(value: float, digits: int) -> float:
    return float(f"{value:.{digits}g}")


def course_of(one: Verified) -> Course:
    """What was captured over what was meant, in dB."""
    import numpy as np

    return Course(np.array(one.frequency_hz), np.array(one.difference_db))
