"""A listener's levels as text for people: bands, sums, headroom, times.

The same words wherever levels are shown. Computes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from xover.acoustics.exposure import WHO_VENUE_DB
from xover.model.units import plain, show_dbu, show_hz
from xover.sheets.cells import table
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
        "\n".join(_sums(answers)),
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
    heads = ["octave", *(_hz(band.frequency_hz) for band in answers[0].bands)]
    rows = [[each.listener, *(_db(band.spl_db) for band in each.bands)] for each in answers]
    return table([heads, *rows], "<" + ">" * len(answers[0].bands))


def _sums(answers: Sequence[LevelAnswer]) -> list[str]:
    rows = [
        (
            each.listener,
            _db(each.a_weighted_db),
            _db(each.c_weighted_db),
            _db(each.unweighted_db),
            "estimated" if each.estimated else "",
        )
        for each in answers
    ]
    return table([("all bands", "dB(A)", "dB(C)", "dB", ""), *rows], "<>>><")


def _headroom(answer: LevelAnswer) -> list[str]:
    rows = [
        (
            each.output,
            "silent" if each.level_dbu is None else show_dbu(each.level_dbu),
            _room(each.rms_db),
            _room(each.peak_db),
        )
        for each in answer.headroom
    ]
    return table([("", "level", "to rms limit", "to peak limit"), *rows], "<>>>")


def _permitted(answers: Sequence[LevelAnswer]) -> list[str]:
    over = [
        each.a_weighted_db is not None and each.a_weighted_db > WHO_VENUE_DB for each in answers
    ]
    rows = [
        (
            each.listener,
            _time(each.niosh_min),
            _time(each.osha_min),
            "above" if loud else "not above",
        )
        for each, loud in zip(answers, over, strict=True)
    ]
    return [
        "Permitted in a day, by NIOSH (85 dB(A) for 8 h, 3 dB halves) and OSHA (90 dB(A) for 8 h, "
        f"5 dB halves), and against the WHO's {plain(WHO_VENUE_DB, 0)} dB LAeq over 15 min for "
        "venues",
        *table([("", "NIOSH", "OSHA", "WHO"), *rows], "<>><"),
    ]


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
