"""`xover verify`: what was entered against what was meant, and the likeliest slips by name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from xover.cli.common import (
    Figure,
    json_option,
    open_preset,
    open_profile,
    output_names,
    preset_argument,
)
from xover.cli.outcome import Exit, print_json
from xover.model.problems import Refused

if TYPE_CHECKING:
    from xover.design.verifying.points import Points
    from xover.design.verifying.verification import Verified
    from xover.model.preset import Preset


@click.command(
    epilog="Example: xover verify evening.json --drive Left --output “Top L” sub.wav",
)
@preset_argument
@click.option("--processor", metavar="PROFILE", help="The processor's profile.")
@click.option(
    "--output",
    "captures",
    nargs=2,
    multiple=True,
    required=True,
    metavar="NAME CAPTURE",
    help="An output and what was captured from it (repeatable, of one session).",
)
@click.option("--loop", metavar="CAPTURE", help="The interface alone, its output into its input.")
@click.option("--drive", "driven", metavar="INPUT", help="The input that carried the signal.")
@click.option(
    "--channel", type=click.IntRange(1), metavar="N", help="Which channel of the audio files."
)
@click.option("--sweep", metavar="SWEEP", help="Recordings: the sweep file that was played.")
@click.option(
    "--time-zero",
    type=click.Choice(["direct", "file"]),
    help="With a sweep: the direct sound (default), or the recorder started with the file.",
)
@click.option(
    "--reference",
    type=click.IntRange(1),
    metavar="CH",
    help="Two channels of any programme: which one is the signal that was played.",
)
@click.option(
    "--limiter",
    "steps",
    metavar="STEPS",
    help="Captures are recordings of this file of `signal steps`: test the limiter instead.",
)
@click.option(
    "--full-scale-dbu",
    type=Figure(-40.0, 40.0),
    metavar="X",
    help="With --limiter: the level of the player's 0 dBFS at the processor's input.",
)
@json_option
def command(
    preset: str,
    processor: str | None,
    captures: tuple[tuple[str, str], ...],
    loop: str | None,
    driven: str | None,
    channel: int | None,
    sweep: str | None,
    time_zero: str | None,
    reference: int | None,
    steps: str | None,
    full_scale_dbu: float | None,
    as_json: bool,
) -> int:
    """Compare what was captured at the processor's outputs with what PRESET means.

    A capture is a text trace with phase, an impulse response, with --sweep a recording of a played
    sweep, or with --reference two channels of any programme, taken from the processor's line
    output back into the interface. Latency and gain of that loop are fitted; an output's own
    delay and gain are tested with --loop, or between several outputs of one session. What does
    not match gives exit code 1, with the likeliest slips by name.

    Amplifiers disconnected: only line-level signals go to an interface, never a power output or
    a 70/100 V line.
    """
    from xover.design.adapting.adaptation import adapt
    from xover.design.verifying.sessions import judge_session
    from xover.design.verifying.verification import verify_output

    loaded = open_preset(preset)
    profile = None if processor is None else open_profile(processor)
    names = output_names(loaded, [name for name, _ in captures])
    if len(set(names)) != len(names):
        raise Refused.at("", "an output is named twice; give one capture of each")
    inputs = [_driven(loaded, name, driven) for name in names]
    held = loaded if profile is None else adapt(loaded, profile).preset
    if steps is not None:
        if sweep is not None or reference is not None or loop is not None:
            raise Refused.at("", "--limiter goes without --sweep, --reference and --loop")
        return _limiters(held, names, captures, inputs, steps, full_scale_dbu, channel, as_json)
    if full_scale_dbu is not None:
        raise Refused.at("", "--full-scale-dbu belongs to --limiter STEPS, which is not given")
    top_hz = 0.45 * held.sample_rate_hz
    how = _Reading(channel, sweep, time_zero, reference, top_hz)
    alone = None if loop is None else how.points(loop, None)
    results = []
    for (_, path), name, source in zip(captures, names, inputs, strict=True):
        points = how.points(path, name)
        if alone is not None:
            from xover.design.verifying.points import divided

            points = divided(points, alone)
        results.append(
            verify_output(
                held,
                name,
                points,
                driven=source,
                loop_known=alone is not None,
                profile=profile,
            )
        )
    results = judge_session(
        held,
        results,
        driven=inputs,
        loop_known=alone is not None,
        profile=profile,
        shares_time=how.shares_time,
    )
    if as_json:
        print_json({"outputs": [_document(one) for one in results]})
    else:
        from xover.sheets.verification_text import verification_text

        for line in verification_text(held, results):
            click.echo(line)
    return int(Exit.DONE if all(one.matches for one in results) else Exit.ATTENTION)


def _limiters(
    held: Preset,
    names: tuple[str, ...],
    captures: tuple[tuple[str, str], ...],
    inputs: list[str],
    steps: str,
    full_scale_dbu: float | None,
    channel: int | None,
    as_json: bool,
) -> int:
    """Test limiters on recordings of a staircase."""
    from xover.design.verifying.limiters import verify_limiter
    from xover.files.step_recordings import read_steps
    from xover.sheets.verification_text import limiter_text

    results = []
    for (_, path), name, source in zip(captures, names, inputs, strict=True):
        recording = read_steps(path, steps, channel=channel)
        results.append(
            verify_limiter(
                held, name, recording, driven=source, player_full_scale_dbu=full_scale_dbu
            )
        )
    if as_json:
        import msgspec

        print_json({"outputs": [msgspec.to_builtins(one) for one in results]})
    else:
        for one in results:
            for line in limiter_text(one):
                click.echo(line)
    return int(Exit.DONE if all(one.matches for one in results) else Exit.ATTENTION)


class _Reading:
    """How the files of one verification are read."""

    def __init__(
        self,
        channel: int | None,
        sweep: str | None,
        time_zero: str | None,
        reference: int | None,
        top_hz: float,
    ) -> None:
        if time_zero is not None and sweep is None:
            raise Refused.at("", "--time-zero belongs to --sweep SWEEP, which is not given")
        self.channel, self.reference, self.top_hz = channel, reference, top_hz
        self.sweep, self.time_zero = sweep, time_zero
        self.takes: tuple[str, ...] = ()
        if sweep is not None:
            from xover.files.sweep_recordings import take_names

            self.takes = tuple(take_names(sweep))

    @property
    def shares_time(self) -> bool:
        """Whether the files of several outputs have one time zero."""
        return (
            self.sweep is None
            or self.time_zero == "file"
            or self.reference is not None
            or len(self.takes) > 1
        )

    def points(self, path: str, output: str | None) -> Points:
        """The points of a capture; of a file with several sweeps that of the output's name."""
        from typing import Literal, cast

        from xover.cli.progress import progress
        from xover.design.verifying.points import condense
        from xover.files.captures import AudioAnswers, read_capture
        from xover.files.paths import shown_path
        from xover.files.sweep_recordings import SweepAnswers
        from xover.model.names import fold

        answers = None
        if self.sweep is not None:
            named = fold(output) if output is not None else None
            take = next((name for name in self.takes if fold(name) == named), None)
            zero = cast("Literal['direct', 'file']", self.time_zero or "direct")
            answers = SweepAnswers(self.sweep, take, zero)
        audio = AudioAnswers(channel=self.channel, reference=self.reference, sweep=answers)
        with progress("reading") as told:
            captured, _ = read_capture(path, audio=audio, progress=told)
        return condense(captured, top_hz=self.top_hz, name=shown_path(path))


def _driven(preset: Preset, output: str, asked: str | None) -> str:
    """The input that carried the signal: the one named, or the only one routed."""
    from xover.model.names import find, listed

    routed = list(preset.output(output).inputs)
    if asked is not None:
        name = find([item.name for item in preset.inputs], asked, kind="input")
        if name not in routed:
            raise Refused.at("", f"“{output}” is not fed by “{name}”; it is by {listed(routed)}")
        return name
    if not routed:
        raise Refused.at("", f"“{output}” is fed by no input, so there is nothing to compare")
    if len(routed) > 1:
        raise Refused.at(
            "",
            f"“{output}” is fed by {listed(routed)}; name the one that carried the signal with "
            "--drive",
        )
    return routed[0]


def _document(one: Verified) -> dict[str, Any]:
    return {
        "output": one.output,
        "matches": one.matches,
        "residual_db_rms": one.residual_db_rms,
        "residual_deg_rms": one.residual_deg_rms,
        "latency_ms": one.latency_ms,
        "gain_offset_db": one.gain_offset_db,
        "tolerance_db": one.tolerance_db,
        "tolerance_deg": one.tolerance_deg,
        "range_hz": [one.frequency_hz[0], one.frequency_hz[-1]],
        "explanations": [
            {
                "slips": [
                    {
                        "where": slip.where,
                        "meant": slip.meant,
                        "looks_like": slip.looks_like,
                        "sentence": slip.sentence,
                    }
                    for slip in each.slips
                ],
                "residual_db_rms": each.residual_db_rms,
                "residual_deg_rms": each.residual_deg_rms,
                "confidence": each.confidence,
            }
            for each in one.explanations
        ],
        "not_testable": list(one.not_testable),
        "notes": list(one.notes),
    }
