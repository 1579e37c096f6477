"""Putting a capture into a preset: as a measurement of an output at a listener, or as a box's own.

A capture belongs to the settings in force when it was made; those are stored beside it, so that a
prediction can divide them out. What they were is asked, never assumed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
from msgspec.structs import replace

from xover.acoustics.air import speed_of_sound_m_s
from xover.dsp.captured import CapturedResponse, bulk_delay_ms
from xover.dsp.impulse_window import window_told
from xover.dsp.thinning import thinned, with_needed_delay
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.ranges import TRACE_POINTS_MAX
from xover.model.rig import (
    CapturedPositions,
    CapturedSettings,
    Measurement,
    OwnResponse,
    Provenance,
    Trace,
)
from xover.model.words import Captured


def to_trace(
    captured: CapturedResponse,
    *,
    session: str | None = None,
    provenance: Provenance | None = None,
    full: bool = False,
) -> Trace:
    """The trace a preset keeps: at most 96 points an octave unless `full`.

    `session` names the capture chain and time it shares with others. A bulk delay is taken out of
    the phase column where that is too coarse for it; the response is unchanged by this. A phase
    that is an estimate is left to whoever uses the trace, who marks it as such. What
    thinning did is added to the provenance's note. Raises `Refused` above 100,000 points.
    """
    said = len(captured.understood)
    if captured.estimate:
        captured = replace(captured, phase_deg=None, delay_ms=0.0).saying(
            "kept without phase: the preset makes the same estimate where it needs one and marks it"
        )
    kept = with_needed_delay(captured if full else thinned(captured))
    if kept.frequency_hz.size > TRACE_POINTS_MAX:
        raise Refused.at(
            "",
            f"{kept.frequency_hz.size} points are more than the {TRACE_POINTS_MAX} that a preset "
            "holds; " + ("leave out --full" if full else "shorten the capture with --window"),
        )
    provenance = provenance or Provenance()
    added = kept.understood[said:]
    if added:
        note = "\n".join(part for part in (provenance.note, *added) if part)
        provenance = replace(provenance, note=note)
    return Trace(
        frequency_hz=tuple(kept.frequency_hz.tolist()),
        magnitude_db=tuple(kept.magnitude_db.tolist()),
        phase_deg=None if kept.phase_deg is None else tuple(kept.phase_deg.tolist()),
        coherence=None if kept.coherence is None else tuple(kept.coherence.tolist()),
        delay_ms=kept.delay_ms,
        level=kept.level,
        session=session,
        provenance=provenance,
    )


def attach_measurement(
    preset: Preset,
    *,
    output: str,
    listener: str,
    trace: Trace,
    captured: Captured,
    settings_from: Preset | None = None,
    driven: Mapping[str, float] | None = None,
    captured_input_dbu: float | None = None,
) -> Preset:
    """`preset` with `trace` as the measurement of `output` at `listener`; the pair's old one goes.

    `captured` "settings" stores the output and the inputs routed to it, as they are in
    `settings_from` (a preset of the settings then in force) or else in `preset`; `driven` (exact
    names to dB) is needed there where several inputs are routed, and belongs nowhere else.
    `captured_input_dbu` is the level at the driven inputs that gave the SPL of an "spl" trace.
    Sample rate, air and positions are filled with the preset's own (the sample rate with
    `settings_from`'s, whose filters ran at it). Raises `Refused`.
    """
    _known(output, [item.name for item in preset.outputs], "output")
    _known(listener, [item.name for item in preset.listeners], "listener")
    if captured != "settings":
        for given, option in ((driven, "--driven"), (settings_from, "--settings-from")):
            if given is not None:
                raise Refused.at("", f"{option} belongs to --captured settings, not {captured}")
    if captured_input_dbu is not None and trace.level != "spl":
        raise Refused.at(
            "", "--captured-input-dbu needs a trace in SPL; give --spl-calibration as well"
        )
    in_force = settings_from or preset
    settings, driven_db = None, dict[str, float]()
    if captured == "settings":
        settings = _settings_in_force(in_force, output)
        driven_db = _driven(settings, preset, driven)
    _refuse_other_window(preset, output, listener, trace)
    measurement = Measurement(
        output=output,
        listener=listener,
        trace=trace,
        captured=captured,
        captured_settings=settings,
        driven_inputs=driven_db,
        captured_input_dbu=captured_input_dbu,
        captured_sample_rate_hz=in_force.sample_rate_hz,
        captured_air=preset.air,
        captured_positions_m=CapturedPositions(
            sources={source.name: source.position_m for source in preset.sources_of(output)},
            listener=preset.listener(listener).position_m,
        ),
    )
    kept = list(preset.measurements)
    for index, old in enumerate(kept):
        if (old.output, old.listener) == (output, listener):
            kept[index] = measurement
            break
    else:
        kept.append(measurement)
    return replace(preset, measurements=tuple(kept))


def attach_loudspeaker(
    preset: Preset,
    *,
    loudspeaker: str,
    trace: Trace,
    distance_m: float = 1.0,
    drive_v: float = 2.83,
    flight_removed: bool | None = None,
) -> Preset:
    """`preset` with `trace` as the own response of `loudspeaker`, captured at `distance_m`.

    `flight_removed` says whether the flight over that distance is out of the trace already; None
    settles it by evidence: without phase there is no flight to remove, and with phase the flight
    is inside where the bulk delay is at least half as long. Raises `Refused` for an unknown
    loudspeaker, a distance or voltage that is not above 0, or phase too coarse to settle it.
    """
    _known(loudspeaker, [item.name for item in preset.loudspeakers], "loudspeaker")
    if not 0.0 < distance_m <= 100_000.0:
        raise Refused.at("", f"the distance must be above 0 m, not {distance_m:g}")
    if not 0.0 < drive_v <= 1_000.0:
        raise Refused.at("", f"the drive must be above 0 V, not {drive_v:g}")
    if flight_removed is None:
        if trace.delay_ms == 0.0 and _turns_too_far(trace):
            raise Refused.at(
                "",
                "the phase turns by more than a third of a circle from point to point, so it does "
                "not show whether the flight to the microphone is in it; say --flight removed or "
                "--flight included",
            )
        flight_ms = 1000.0 * distance_m / speed_of_sound_m_s(preset.air)
        flight_removed = trace.phase_deg is None or _bulk_delay_ms(trace) < 0.5 * flight_ms
    own = OwnResponse(
        trace=trace, distance_m=distance_m, flight_removed=flight_removed, drive_v=drive_v
    )
    return replace(
        preset,
        loudspeakers=tuple(
            replace(item, response=own) if item.name == loudspeaker else item
            for item in preset.loudspeakers
        ),
    )


def _refuse_other_window(preset: Preset, output: str, listener: str, trace: Trace) -> None:
    """Refuse a trace whose session holds impulse responses cut by another window.

    A window leaves out what comes later, so that two of one session compare only under one window
    on the time axis that they share. Traces of another kind carry no window and are let be.
    """
    told = window_told(trace.provenance.note)
    if trace.session is None or told is None:
        return
    for held in preset.measurements:
        other = held.trace
        pair = (held.output, held.listener)
        if other.session != trace.session or pair == (output, listener):
            continue
        theirs = window_told(other.provenance.note)
        if theirs is not None and theirs != told:
            raise Refused.at(
                "",
                f"one session needs one window on its time axis: {held.output} at {held.listener} "
                f"of session “{trace.session}” was read with {_short(theirs)}, this one with "
                f"{_short(told)}; read all of them with the same --window, or the same "
                "--gate or --cycles and --onset, or give this one a session of its own",
            )


def _short(window: str) -> str:
    return f"a {re.split(', (?:its|the) last', window)[0]}" if window else "no window"


def _turns_too_far(trace: Trace) -> bool:
    """Whether wrapped phase steps are too large to follow a delay by: over 120° somewhere."""
    if trace.phase_deg is None or len(trace.phase_deg) < 2:
        return False
    step = np.abs(np.diff(np.array(trace.phase_deg)))
    folded = np.minimum(step % 360.0, 360.0 - step % 360.0)
    return bool(np.max(folded) > 120.0)


def _bulk_delay_ms(trace: Trace) -> float:
    if trace.delay_ms != 0.0 or trace.phase_deg is None:
        return trace.delay_ms
    return bulk_delay_ms(
        CapturedResponse(
            np.array(trace.frequency_hz), np.array(trace.magnitude_db), np.array(trace.phase_deg)
        )
    )


def _known(name: str, names: list[str], kind: str) -> None:
    if name not in names:
        known = ", ".join(names) if names else "none yet"
        raise Refused.at("", f"there is no {kind} “{name}”; the preset has {known}")


def _settings_in_force(in_force: Preset, output: str) -> CapturedSettings:
    _known(output, [item.name for item in in_force.outputs], "output")
    held = in_force.output(output)
    if held.muted:
        raise Refused.at(
            "", f"output “{output}” is muted in the captured settings: nothing could be captured"
        )
    inputs = tuple(item for item in in_force.inputs if item.name in held.inputs)
    if not inputs:
        raise Refused.at(
            "",
            f"no input is routed to “{output}” in the captured settings; use --captured flat if it "
            "was driven straight",
        )
    return CapturedSettings(output=held, inputs=inputs)


def _driven(
    settings: CapturedSettings, preset: Preset, driven: Mapping[str, float] | None
) -> dict[str, float]:
    """The inputs that carried the test signal, in dB."""
    routed = [item.name for item in settings.inputs]
    if not driven:
        if len(routed) > 1:
            raise Refused.at(
                "",
                f"{len(routed)} inputs are routed to “{settings.output.name}” "
                f"({', '.join(routed)}); say which carried the test signal with --driven INPUT",
            )
        driven = {routed[0]: 0.0}
    for name in driven:
        if name not in routed:
            raise Refused.at(
                "",
                f"input “{name}” is not routed to “{settings.output.name}” in the captured "
                f"settings; routed are {', '.join(routed)}",
            )
        _known(name, [item.name for item in preset.inputs], "input")
    return dict(driven)
