"""What `xover trace` prints of captures: a summary in words or JSON, a table, a picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import click

from xover.cli.capture_options import Options
from xover.cli.common import terminal_size, write_result
from xover.cli.outcome import on_terminal
from xover.cli.plots import check_plot, plot_format
from xover.model.names import inert
from xover.model.problems import Refused
from xover.model.units import show_hz, show_ms

if TYPE_CHECKING:
    from xover.dsp.captured import CapturedResponse
    from xover.files.captures import Read

SUMMARY_WIDTH = 80


def check_show(files: Sequence[str], options: Options) -> None:
    """Refuse, before anything is read, what cannot be shown or written."""
    plot, output_file = options["plot"], options["output_file"]
    to_stdout = "--json" if options["as_json"] else "-o -" if output_file == "-" else ""
    check_plot(plot, stdout_taken_by=to_stdout)
    if output_file is None or options["attach"] is not None:
        return
    if output_file == "-" and options["as_json"]:
        raise Refused.at("", "-o - and --json both write to stdout; choose one")
    if output_file != "-" and PurePath(output_file).suffix.lower() != ".csv":
        raise Refused.at(
            "",
            f"-o {output_file}: without --attach the response is written as CSV; name a file that "
            "ends in .csv, or -",
        )
    if len(files) != 1 and options["average"] is None:
        raise Refused.at("", "-o writes one response; name one file, or --average them")


def write_table(captured: CapturedResponse, output_file: str, *, force: bool) -> None:
    """The response as CSV: every point as read, phase wrapped with all delay in it."""
    import numpy as np

    columns: list[tuple[str, Any]] = [
        ("frequency_hz", captured.frequency_hz),
        ("magnitude_db", captured.magnitude_db),
    ]
    if captured.phase_deg is not None:
        from xover.dsp.captured import wrapped_deg

        turns = captured.frequency_hz * (captured.delay_ms * 1e-3)
        turns -= np.rint(turns)
        columns.append(("phase_deg", wrapped_deg(captured.phase_deg - 360.0 * turns)))
    if captured.coherence is not None:
        columns.append(("coherence", captured.coherence))
    lines = [",".join(name for name, _ in columns)]
    lines += [
        ",".join(map(repr, row))
        for row in zip(*(column.tolist() for _, column in columns), strict=True)
    ]
    write_result(("\n".join(lines) + "\n").encode(), output_file, force=force)


def draw(captures: Sequence[Read], plot: str, *, force: bool) -> None:
    """The curves on the terminal (“-”) or into a file."""
    from xover.sheets.capture_plot import figure_of, terminal_plot

    named = [(provenance.file, captured) for captured, provenance in captures]
    if plot == "-":
        width, height = terminal_size()
        click.echo(terminal_plot(named, width, height, colour=on_terminal()))
        return
    write_result(figure_of(named, plot_format(plot)), plot, force=force)


def document(read: Read) -> dict[str, Any]:
    """One capture as a JSON answer."""
    captured, provenance = read
    return {
        "points": int(captured.frequency_hz.size),
        "range_hz": [float(captured.frequency_hz[0]), float(captured.frequency_hz[-1])],
        "has_phase": captured.phase_deg is not None,
        "has_coherence": captured.coherence is not None,
        "delay_ms": float(captured.delay_ms),
        "level": captured.level,
        "estimate": captured.estimate,
        "impulse": _impulse(captured),
        "sweep": _sweep(captured),
        "provenance": provenance,
        "understood": list(captured.understood),
    }


def _impulse(captured: CapturedResponse) -> dict[str, Any] | None:
    figures = captured.impulse
    if figures is None:
        return None
    return {
        "onset_ms": figures.onset_ms,
        "polarity": "positive" if figures.positive else "negative",
        "polarity_in_doubt": figures.polarity_in_doubt,
        "noise_floor_db": figures.noise_floor_db,
        "decay_end_ms": figures.decay_end_ms,
    }


def _sweep(captured: CapturedResponse) -> dict[str, Any] | None:
    found = captured.sweep
    if found is None:
        return None
    return {
        "playings": found.playings,
        "clock_ppm": found.clock_ppm,
        "clipped_percent": found.clipped_percent,
        "signal_to_noise_db": found.signal_to_noise_db,
        "distortion": [
            {"order": order, "frequency_hz": at_hz, "level_db": level_db, "noise_db": noise_db}
            for order, at_hz, level_db, noise_db in found.distortion
        ],
    }


def summary(read: Read) -> str:
    """One capture in words, 80 columns wide at most."""
    from xover.sheets.cells import wrapped

    captured, provenance = read
    phase = "no phase" if captured.phase_deg is None else "phase"
    facts = [
        f"{captured.frequency_hz.size} points, {show_hz(float(captured.frequency_hz[0]))} to "
        f"{show_hz(float(captured.frequency_hz[-1]))}, "
        + ("phase estimated" if captured.estimate else phase)
        + (", coherence" if captured.coherence is not None else "")
        + f", {'dB SPL' if captured.level == 'spl' else 'relative level'}",
        f"bulk delay {show_ms(captured.delay_ms, 3)}",
        *captured.understood,
    ]
    lines = wrapped(inert(provenance.file), SUMMARY_WIDTH)
    for fact in facts:
        first, *rest = wrapped(inert(fact), SUMMARY_WIDTH - 4)
        lines += [f"  {first}", *(f"    {line}" for line in rest)]
    return "\n".join(lines)
