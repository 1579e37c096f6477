"""`xover verify`: what was entered against what was meant, and the likeliest slips by name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, cast

import click

from xover.cli.common import (
    Figure,
    example,
    json_option,
    open_preset,
    open_profile,
    output_names,
    preset_argument,
)
from xover.cli.outcome import Exit, print_json
from xover.cli.progress import progress
from xover.model.problems import Refused

if TYPE_CHECKING:
    from xover.design.verifying.verification import Verified
    from xover.model.preset import Preset


PAIR = 'an output\'s name and its capture, one after the other: --output "Top L" top.wav'


class _Verify(click.Command):
    """The command, which says what --output takes where its two words do not stand together."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """As every command, with the sentence of `--output` for words that are left or missing."""
        try:
            return super().parse_args(ctx, args)
        except click.BadOptionUsage as problem:
            if problem.option_name != "--output":
                raise
            raise click.UsageError(f"--output takes {PAIR}", ctx) from problem
        except click.UsageError as problem:
            if type(problem) is not click.UsageError:
                raise
            text = problem.format_message().strip().rstrip(".")
            words = f"{text}; --output takes {PAIR}, a name of several words in quotes"
            raise click.UsageError(words, ctx) from problem


def _apart(
    ctx: click.Context, option: click.Parameter, pairs: tuple[tuple[str, str], ...]
) -> tuple[tuple[str, str], ...]:
    """The pairs as typed; raises `Refused` where an option was taken for a name or a capture."""
    known = {word for each in ctx.command.params for word in (*each.opts, *each.secondary_opts)}
    known.update(ctx.help_option_names)
    for pair in pairs:
        for word, part in zip(pair, ("name", "capture"), strict=True):
            if word.partition("=")[0] in known and not ctx.resilient_parsing:
                raise Refused.at("", f"--output takes {PAIR}; {word} stands where the {part} goes")
    return pairs


@click.command(
    cls=_Verify,
    epilog=example('xover verify evening.json --drive Left --output "Top L" sub.wav'),
)
@preset_argument
@click.option("--processor", metavar="PROFILE", help="The processor's profile.")
@click.option(
    "--output",
    "captures",
    nargs=2,
    multiple=True,
    required=True,
    callback=_apart,
    metavar="NAME CAPTURE",
    help="An output and what was captured from it (repeatable, of one session).",
)
@click.option("--loop", metavar="CAPTURE", help="The interface alone, its output into its input.")
@click.option(
    "--loop-channel",
    type=click.IntRange(1),
    metavar="N",
    help="Which channel of the loop's file, where another than --channel.",
)
@click.option(
    "--drive",
    "driven",
    multiple=True,
    metavar="INPUT",
    help="The input that carried the signal (repeatable: of each output the one that feeds it).",
)
@click.option(
    "--channel",
    "channels",
    type=click.IntRange(1),
    multiple=True,
    metavar="N",
    help="Which channel of the audio files: once for all, or once for each --output in order.",
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
    loop_channel: int | None,
    driven: tuple[str, ...],
    channels: tuple[int, ...],
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
    from xover.session.verifying import (
        Capture,
        Loop,
        Reading,
        driver_of,
        refuse_twice,
        verify,
    )

    loaded = open_preset(preset)
    profile = None if processor is None else open_profile(processor)
    names = output_names(loaded, [name for name, _ in captures])
    refuse_twice(names)
    inputs = [driver_of(loaded, name, driven, how="with --drive") for name in names]
    of_files = _channels(channels, len(captures))
    if steps is not None:
        if sweep is not None or reference is not None or loop is not None:
            raise Refused.at("", "--limiter goes without --sweep, --reference and --loop")
        held = loaded
        if profile is not None:
            from xover.design.adapting.adaptation import adapt

            held = adapt(loaded, profile).preset
        return _limiters(held, names, captures, inputs, steps, full_scale_dbu, of_files, as_json)
    if full_scale_dbu is not None:
        raise Refused.at("", "--full-scale-dbu belongs to --limiter STEPS, which is not given")
    if loop_channel is not None and loop is None:
        raise Refused.at("", "--loop-channel belongs to --loop CAPTURE, which is not given")
    taken = [
        Capture(name, path, source, channel)
        for name, (_, path), source, channel in zip(names, captures, inputs, of_files, strict=True)
    ]
    shared = channels[0] if len(channels) == 1 else None
    alone = None if loop is None else Loop(loop, loop_channel or shared)
    zero = cast("Literal['direct', 'file'] | None", time_zero)
    results = verify(
        loaded,
        profile,
        taken,
        loop=alone,
        reading=Reading(sweep, zero, reference),
        told=progress,
    )
    if as_json:
        print_json({"outputs": [_document(one) for one in results]})
    else:
        from xover.sheets.verification_text import verification_text

        for line in verification_text(loaded, results):
            click.echo(line)
    return int(Exit.DONE if all(one.matches for one in results) else Exit.ATTENTION)


def _limiters(
    held: Preset,
    names: tuple[str, ...],
    captures: tuple[tuple[str, str], ...],
    inputs: list[str],
    steps: str,
    full_scale_dbu: float | None,
    channels: tuple[int | None, ...],
    as_json: bool,
) -> int:
    """Test limiters on recordings of a staircase."""
    from xover.design.verifying.limiters import verify_limiter
    from xover.files.step_recordings import read_steps
    from xover.sheets.verification_text import limiter_text

    results = []
    for (_, path), name, source, channel in zip(captures, names, inputs, channels, strict=True):
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


def _channels(asked: tuple[int, ...], captures: int) -> tuple[int | None, ...]:
    """The channel of each capture: one for all, or one each in their order."""
    if not asked:
        return (None,) * captures
    if len(asked) == 1:
        return asked * captures
    if len(asked) != captures:
        raise Refused.at(
            "",
            f"--channel is given {len(asked)} times for {captures} captures; give it once for all, "
            "or once for each --output in the same order",
        )
    return asked


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
