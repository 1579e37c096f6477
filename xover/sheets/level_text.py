"""A listener's levels as text for people: bands, sums, headroom, times.

The same words wherever levels are shown. Computes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from xover.acoustics.exposure import WHO_VENUE_DB
from xover.model.units import plain, show_dbu, show_hz
from xover.sheets.wording import drive_sentence, sentence_case

if TYPE_CHECKING:
    from xover.design.level import LevelAnswer

DAY_MIN = 24.0 * 60.0


def level_text(answers: Sequence[LevelAnswer]) -> str:
    """The answers for several listeners to one noise, in lines; names are as in the preset."""
    one = answers[0]
    kind = {"pink": "pink noise", "programme": "programme-like noise"}[one.spectrum]
    blocks = [
        f"{sentence_case(kind)}, {show_dbu(one.input_level_dbu)} rms at the driven inputs, "
        f"crest factor {plain(one.crest_db, 1)} dB; levels in dB SPL",
        "\n".join(_bands(answers)),
        "\n".join(["Headroom", *_headroom(one)]),
    ]
    if one.first is not None:
        heard = ", ".join(
            f"{plain(each.first.a_weighted_db, 1)} dB(A) at {each.listener}"
            for each in answers
            if each.first is not None
        )
        blocks.append(
            f"First to act: the {one.first.limiter} limiter of {one.first.output}, at "
            f"{show_dbu(one.first.input_level_dbu)} at the inputs: {heard}."
        )
    blocks.append("\n".join(_permitted(answers)))
    cautions = dict.fromkeys(caution for each in answers for caution in each.cautions)
    blocks.append("\n".join(f"Caution: {sentence_case(caution)}." for caution in cautions))
    notes = dict.fromkeys(note for each in answers for note in each.notes)
    if notes:
        blocks.append("\n".join(f"Note: {sentence_case(note)}." for note in notes))
    blocks.append(sentence_case(drive_sentence(one.drive)))
    return "\n\n".join(blocks)


def _bands(answers: Sequence[LevelAnswer]) -> list[str]:
    width = max(len("octave"), *(len(each.listener) for each in answers))
    heads = [_hz(band.frequency_hz) for band in answers[0].bands]
    lines = [
        f"  {'octave':<{width}}{''.join(f'{head:>6}' for head in heads)}"
        f"{'dB(A)':>8}{'dB(C)':>7}{'dB':>7}"
    ]
    for each in answers:
        lines.append(
            f"  {each.listener:<{width}}"
            + "".join(f"{_db(band.spl_db):>6}" for band in each.bands)
            + f"{_db(each.a_weighted_db):>8}{_db(each.c_weighted_db):>7}"
            + f"{_db(each.unweighted_db):>7}"
            + ("  estimated" if each.estimated else "")
        )
    return lines


def _headroom(answer: LevelAnswer) -> list[str]:
    width = max(len(each.output) for each in answer.headroom)
    rows = [f"  {'':<{width}}{'level':>13}{'to rms limit':>15}{'to peak limit':>15}"]
    for each in answer.headroom:
        level = "silent" if each.level_dbu is None else show_dbu(each.level_dbu)
        rows.append(
            f"  {each.output:<{width}}{level:>13}{_room(each.rms_db):>15}{_room(each.peak_db):>15}"
        )
    return rows


def _permitted(answers: Sequence[LevelAnswer]) -> list[str]:
    width = max(len(each.listener) for each in answers)
    lines = [
        "Permitted in a day, by NIOSH (85 dB(A) for 8 h, 3 dB halves) and OSHA (90 dB(A) for 8 h, "
        f"5 dB halves), and against the WHO's {plain(WHO_VENUE_DB, 0)} dB LAeq over 15 min for "
        "venues",
        f"  {'':<{width}}{'NIOSH':>17}{'OSHA':>17}   WHO",
    ]
    for each in answers:
        over = each.a_weighted_db is not None and each.a_weighted_db > WHO_VENUE_DB
        lines.append(
            f"  {each.listener:<{width}}{_time(each.niosh_min):>17}{_time(each.osha_min):>17}   "
            f"{'above' if over else 'not above'}"
        )
    return lines


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
