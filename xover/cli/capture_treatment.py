"""What is done to captures once they are read: calibrated, put together, finished.

In this order, whatever the order of the options; what does not go together is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import click

from xover.cli.capture_options import Options
from xover.cli.common import Figure, group
from xover.model.problems import Refused

if TYPE_CHECKING:
    from pathlib import Path

    from xover.files.captures import Calibration, Finish, Read

treatment_options = group(
    click.option(
        "--mic-correction", metavar="FILE", help="The microphone's own response, taken out."
    ),
    click.option(
        "--spl-calibration",
        metavar="DB|FILE",
        help="The SPL of 0 dB of the file, or a recording of a calibrator.",
    ),
    click.option(
        "--calibrator-db",
        type=Figure(60.0, 140.0),
        metavar="DB",
        help="The calibrator's level in dB SPL (default 94).",
    ),
    click.option(
        "--calibrator-hz",
        type=Figure(20.0, 20_000.0),
        metavar="HZ",
        help="The calibrator's tone (default 1000).",
    ),
    click.option(
        "--calibrator-channel",
        type=click.IntRange(1),
        metavar="N",
        help="The channel of its recording (default: the one captured).",
    ),
    click.option(
        "--average",
        type=click.Choice(["power", "complex"]),
        help="All files as one response: their mean of power, or complex mean (with --session).",
    ),
    click.option("--splice", "splice_far", metavar="FAR", help="FILE below, this one above."),
    click.option(
        "--splice-at",
        "splice_at_hz",
        type=Figure(1.0, 100_000.0),
        metavar="HZ",
        help="Where the far capture takes over.",
    ),
    click.option(
        "--splice-octaves",
        type=Figure(0.1, 4.0),
        metavar="N",
        help="Over how many octaves about it (default 1).",
    ),
    click.option(
        "--remove-delay",
        "without_delay",
        is_flag=True,
        help="Take the bulk delay out of the response.",
    ),
    click.option(
        "--smooth",
        "smooth_fraction",
        metavar="1/N",
        help="Smooth over 1/N octave, N from 1 to 48.",
    ),
    click.option(
        "--smooth-of",
        type=click.Choice(["power", "complex"]),
        help="What is smoothed (default: power).",
    ),
    click.option(
        "--minimum-phase",
        is_flag=True,
        help="Minimum phase of the magnitude in place of phase: an estimate.",
    ),
)
"""What is done to a response once it is read."""


def calibration(options: Options) -> Calibration:
    """What brings each file to sound pressure."""
    from xover.dsp.calibrator import CALIBRATOR_HZ, CALIBRATOR_SPL_DB
    from xover.files.captures import Calibration

    return Calibration(
        mic_correction=options["mic_correction"],
        spl=_spl(options["spl_calibration"]),
        calibrator_db=options["calibrator_db"] or CALIBRATOR_SPL_DB,
        calibrator_hz=options["calibrator_hz"] or CALIBRATOR_HZ,
        calibrator_channel=options["calibrator_channel"],
    )


def finish(options: Options) -> Finish:
    """What is done last to each response, or to the one that was put together."""
    from xover.files.captures import Finish

    return Finish(
        without_delay=options["without_delay"],
        smooth_fraction=_smoothing(options["smooth_fraction"]),
        smooth_of=options["smooth_of"] or "power",
        minimum_phase=options["minimum_phase"],
    )


def check_treatment(files: Sequence[str], options: Options) -> None:
    """Refuse, before anything is read, what does not go together."""
    from xover.design.capture_rules import check_together

    check_together({**options, "spl_calibration": _spl(options["spl_calibration"])})
    if options["splice_far"] is not None and len(files) != 1:
        raise Refused.at("", "--splice takes one near file and one far one")


def put_together(
    files: Sequence[str], read: Callable[[str | Path], Read], options: Options
) -> list[Read]:
    """The responses of all files, or the one made of them, finished. `read` does not finish."""
    done = finish(options)
    if options["average"] is not None:
        from xover.files.capture_sets import read_average

        session = options["session"]
        return [read_average(files, options["average"], read, session=session, finish=done)]
    if options["splice_far"] is not None:
        from xover.files.capture_sets import Splice, read_splice

        splice = Splice(
            options["splice_far"], options["splice_at_hz"], options["splice_octaves"] or 1.0
        )
        return [read_splice(files[0], splice, read, finish=done)]
    from xover.files.captures import finished

    return [finished(read(name), done) for name in files]


def _spl(text: str | None) -> float | str | None:
    """The SPL of 0 dB, or the name of a calibrator's recording."""
    if text is None:
        return None
    try:
        return float(text.replace("−", "-"))
    except ValueError:
        return text


def _smoothing(text: str | None) -> int | None:
    from xover.design.capture_rules import smoothing_fraction

    if text is None:
        return None
    fraction = smoothing_fraction(text)
    if fraction is None:
        raise Refused.at("", f"--smooth {text}: write 1/N with N from 1 to 48, such as 1/6")
    return fraction
