"""`xover limits`: thresholds from ratings with their working, loads, taps, cable."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import click
from msgspec.structs import replace

from xover.cli.common import (
    apply_options,
    check_apply,
    example,
    json_option,
    open_preset,
    preset_argument,
    save_changed,
    write_result,
)
from xover.cli.outcome import Exit, print_json, say, tell
from xover.model.names import find
from xover.model.problems import Refused

if TYPE_CHECKING:
    from xover.design.adapting.thresholds import DeviceThreshold
    from xover.design.limits import Limits, OutputLimits, Threshold
    from xover.design.loads import ChannelLoad
    from xover.model.preset import Preset


@click.command(epilog=example("xover limits presets/harbour-hall.json"))
@preset_argument
@click.option("--brief", is_flag=True, help="Leave out the working.")
@click.option(
    "--new-times",
    is_flag=True,
    help="Propose attack and release even where the preset has them.",
)
@click.option(
    "--cable",
    "cables",
    multiple=True,
    metavar="CHANNEL=METRES,SIZE",
    help="What if: this run, SIZE in mm² or as AWG 12 (repeatable). Never written.",
)
@click.option(
    "--wiring",
    metavar="FILE",
    help="Write the wiring table for the rack door into FILE.txt, .md, .csv or .html; - prints it.",
)
@click.option("--processor", metavar="PROFILE", help="Thresholds as typed into this processor too.")
@apply_options
@json_option
def command(
    preset: str,
    brief: bool,
    new_times: bool,
    cables: tuple[str, ...],
    wiring: str | None,
    processor: str | None,
    apply_: bool,
    output_file: str | None,
    force: bool,
    as_json: bool,
) -> int:
    """Limiter thresholds from what boxes and amplifiers bear, and every amplifier's load.

    Peak thresholds are the rms of the sine with that peak. Exit code 1 where a load, a tap or a
    bound needs attention.
    """
    check_apply(apply_, output_file)
    if wiring is not None:
        from xover.sheets.wiring import wiring_format

        kind = wiring_format(wiring)
        if wiring == "-" and (as_json or output_file == "-"):
            raise Refused.at("", "--wiring - writes to stdout, and so does the other; choose one")
    from xover.design.limits import apply_limits, limits, raised, settings

    loaded = open_preset(preset)
    answer = limits(_with_cables(loaded, cables), new_times=new_times)
    device = None if processor is None else _on_device(loaded, answer, processor)
    if apply_:
        written = list(settings(loaded, answer))
        saved = save_changed(apply_limits(loaded, answer), preset, output_file, force=force)
        say(f"applied to {', '.join(written) or 'nothing'}, saved in {saved}", whole=[saved])
        higher = raised(loaded, answer)
        if higher:
            say(
                f"raised: {'; '.join(higher)}; look at the makers' data sheets before it is loud, "
                "3 dB are twice the power"
            )
    if wiring is not None:
        import datetime

        from xover.sheets.wiring import wiring_bytes, wiring_of

        table = wiring_of(loaded, answer, date=datetime.date.today().isoformat())
        write_result(wiring_bytes(table, kind), wiring, force=force)
    if as_json:
        print_json(document(answer, device))
    elif wiring != "-" and output_file != "-":
        from xover.sheets.limits_text import limits_text

        tell(limits_text(answer, working=not brief))
        if device is not None:
            tell("\n" + _device_text(device))
    return int(Exit.ATTENTION if answer.cautions else Exit.DONE)


def _with_cables(preset: Preset, typed: tuple[str, ...]) -> Preset:
    """The preset with other cables, to ask what they would cost."""
    from xover.model.cable_size import read_area_mm2, show_area
    from xover.model.rig import Cable

    names = [channel.name for channel in preset.amplifier_channels]
    for text in typed:
        name, _, run = text.rpartition("=")
        length, comma, size = run.replace(";", ",").partition(",")
        length = length.strip().removesuffix("m").strip()
        try:
            length_m = float(length)
        except ValueError:
            length_m = 0.0
        if not comma or not 0.0 < length_m <= 100_000.0:
            raise Refused.at(
                "",
                f"--cable “{text}” is not a run; write “Amp 1 A=30,2.5” for 30 m one way of "
                "2.5 mm², or “Amp 1 A=30,AWG 12”",
            )
        wanted = find(names, name, kind="amplifier channel")
        cable = Cable(length_m=length_m, area_mm2=read_area_mm2(size))
        say(f"what if: {wanted} over {length_m:g} m of {show_area(cable.area_mm2)}; not written")
        preset = replace(
            preset,
            amplifier_channels=tuple(
                replace(channel, cable=cable) if channel.name == wanted else channel
                for channel in preset.amplifier_channels
            ),
        )
    return preset


Device = dict[tuple[str, str], "DeviceThreshold"]
"""What is typed into a processor, by output and kind of limiter."""


def _on_device(preset: Preset, answer: Limits, processor: str) -> Device:
    from xover.cli.common import open_profile
    from xover.design.adapting.thresholds import device_threshold

    profile = open_profile(processor)
    say(f"as typed into {profile.name}, rounded down to its steps")
    return {
        (each.output, kind): device_threshold(
            threshold.dbu,
            kind,
            output_gain_db=preset.output(each.output).gain_db,
            profile=profile,
        )
        for each in answer.outputs
        for kind, threshold in _kinds(each)
        if threshold.dbu is not None
    }


def _kinds(each: OutputLimits) -> tuple[tuple[Literal["rms", "peak"], Threshold], ...]:
    return (("rms", each.rms), ("peak", each.peak))


def _device_text(device: Device) -> str:
    lines = ["As typed into the processor"]
    for (output, kind), one in device.items():
        lines.append(f"  {output}, {kind}: {one.text or one.problem}")
        if one.text and one.problem:
            lines.append(f"    {one.problem}")
    return "\n".join(lines)


def document(answer: Limits, device: Device | None = None) -> dict[str, Any]:
    """The answer as JSON. `threshold_dbfs` is for a processor whose full scale is known."""
    from xover.sheets.wording import POWER_CAUTIONS

    return {
        "outputs": [
            {
                "output": each.output,
                **{
                    kind: _threshold(threshold, (device or {}).get((each.output, kind)))
                    for kind, threshold in _kinds(each)
                },
                "working": list(each.working),
            }
            for each in answer.outputs
        ],
        "channels": [_channel(load) for load in answer.channels],
        "cautions": list(answer.cautions),
        "notes": list(answer.notes),
        "safety": list(POWER_CAUTIONS),
    }


def _threshold(threshold: Threshold, device: DeviceThreshold | None) -> dict[str, Any]:
    return {
        "threshold_dbu": threshold.dbu,
        "threshold_v": threshold.volts,
        "threshold_dbfs": None if device is None else device.dbfs,
        "typed": None if device is None else device.typed,
        "typed_unit": None if device is None else device.unit,
        "bound_by": threshold.bound_by,
        "bound_at": threshold.bound_at,
        "attack_ms": threshold.attack_ms,
        "release_ms": threshold.release_ms,
    }


def _channel(load: ChannelLoad) -> dict[str, Any]:
    return {
        "channel": load.channel.name,
        "amplifier": load.amplifier.name,
        "output": load.channel.output,
        "load_ohm": load.load_ohm,
        "rated_load_ohm": load.rated_load_ohm,
        "minimum_load_ohm": load.amplifier.minimum_load_ohm,
        "tap_total_w": load.tap_total_w,
        "available_w": load.available_w,
        "cable_loss_db": load.cable_loss_db,
        "spread_loss_db": load.spread_loss_db,
        "damping": load.damping,
        "working": list(load.working),
    }
