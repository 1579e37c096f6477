"""A listener's levels as text for people: bands, sums, headroom, times.

The same words wherever levels are shown. Computes nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from xover.acoustics.exposure import WHO_VENUE_DB
from xover.model.units import plain, show_dbu, show_hz
from xover.sheets.wording import drive_sentence, sentence_case

if TYPE_CHECKING:
    from xover.design.level import LevelAnswer

DAY_MIN = 24.0 * 60.0


def level_text(answer: LevelAnswer) -> str:
    """The whole answer in lines; names are as they are in the preset."""
    kind = {"pink": "pink noise", "programme": "programme-like noise"}[answer.spectrum]
    lines = [
        f"{answer.listener}: {kind}, {show_dbu(answer.input_level_dbu)} rms at the driven inputs, "
        f"crest factor {plain(answer.crest_db, 1)} dB",
        f"  {'octave':<9}" + "".join(f"{_hz(band.frequency_hz):>7}" for band in answer.bands),
        f"  {'dB SPL':<9}" + "".join(f"{_db(band.spl_db):>7}" for band in answer.bands),
        f"  A-weighted {_db(answer.a_weighted_db)} dB(A), C-weighted {_db(answer.c_weighted_db)} "
        f"dB(C), unweighted {_db(answer.unweighted_db)} dB"
        + (" (estimated)" if answer.estimated else ""),
    ]
    width = max(len(each.output) for each in answer.headroom)
    rows = [f"  {'':<{width}}{'level':>13}{'to rms limit':>15}{'to peak limit':>15}"]
    for each in answer.headroom:
        level = "silent" if each.level_dbu is None else show_dbu(each.level_dbu)
        rows.append(
            f"  {each.output:<{width}}{level:>13}{_room(each.rms_db):>15}{_room(each.peak_db):>15}"
        )
    blocks = ["\n".join(lines), "\n".join(["Headroom", *rows])]
    if answer.first is not None:
        first = answer.first
        blocks.append(
            f"First to act: the {first.limiter} limiter of {first.output}, at "
            f"{show_dbu(first.input_level_dbu)} at the inputs and {plain(first.a_weighted_db, 1)} "
            "dB(A) here."
        )
    over = answer.a_weighted_db is not None and answer.a_weighted_db > WHO_VENUE_DB
    blocks.append(
        f"Permitted in a day: {_time(answer.niosh_min)} by NIOSH (85 dB(A) for 8 h, 3 dB halves), "
        f"{_time(answer.osha_min)} by OSHA (90 dB(A) for 8 h, 5 dB halves). "
        f"WHO, venues: {plain(WHO_VENUE_DB, 0)} dB LAeq over 15 min; this is "
        f"{'above' if over else 'not above'} it."
    )
    blocks.append("\n".join(f"Caution: {sentence_case(one)}." for one in answer.cautions))
    if answer.notes:
        blocks.append("\n".join(f"Note: {sentence_case(one)}." for one in answer.notes))
    blocks.append(sentence_case(drive_sentence(answer.drive)))
    return "\n\n".join(blocks)


def _hz(frequency_hz: float) -> str:
    return show_hz(frequency_hz).removesuffix(" Hz").replace(" kHz", "k")


def _db(value: float | None) -> str:
    return "–" if value is None else plain(value, 1)


def _room(value: float | None) -> str:
    return "–" if value is None else f"{plain(value, 1)} dB"


def _time(minutes: float | None) -> str:
    if minutes is None:
        return "not known"
    if minutes > DAY_MIN:
        return "more than a day"
    if minutes >= 60.0:
        hours = int(minutes // 60.0)
        return f"{hours} h {plain(minutes - 60.0 * hours, 0)} min"
    return f"{plain(minutes, 1)} min" if minutes >= 1.0 else f"{plain(60.0 * minutes, 0)} s"
