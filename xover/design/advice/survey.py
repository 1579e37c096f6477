"""What several rules ask of one preset, computed once: bands, boxes, splits, places in the file.

An output is judged by its loudest routed input and as if it were not muted, so that advice does
not hang on what happens to be played.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from functools import cached_property
from typing import Final

import numpy as np
from msgspec.structs import replace

from xover.acoustics.arrivals import PASS_BAND_DB
from xover.design.limits import Limits, limits
from xover.design.splits import Split, splits
from xover.dsp.axis import Axis, ComplexArray, FloatArray
from xover.dsp.response import input_stage, output_stage
from xover.model.drive import drive_of
from xover.model.preset import Preset
from xover.model.rig import Loudspeaker
from xover.model.units import ratio_from_db

LOWEST_HZ: Final = 5.0
"""How far down outputs are looked at."""


class Survey:
    """One preset and what its rules share."""

    def __init__(self, preset: Preset) -> None:
        self.preset = preset
        grid = Axis.log(sample_rate_hz=preset.sample_rate_hz, low_hz=LOWEST_HZ)
        self.axis = with_frequencies(grid, _filter_frequencies_hz(preset))
        self._levels: dict[str, FloatArray] = {}

    @cached_property
    def splits(self) -> tuple[Split, ...]:
        """Every handing over between neighbouring outputs; inputs played alike count as one."""
        drive = drive_of(self.preset)
        return splits(self.preset, alike=tuple(drive.levels_db) if drive.correlated else ())

    @cached_property
    def limits(self) -> Limits:
        """What every box and amplifier bears, and every channel's load."""
        return limits(self.preset)

    @cached_property
    def places(self) -> dict[str, str]:
        """The place in the file of every output, by name."""
        return {item.name: f"outputs[{at}]" for at, item in enumerate(self.preset.outputs)}

    def boxes(self, output: str) -> tuple[Loudspeaker, ...]:
        """The kinds of box that an output feeds, each once, in file order."""
        names = dict.fromkeys(source.loudspeaker for source in self.preset.sources_of(output))
        return tuple(self.preset.loudspeaker(name) for name in names)

    def relative_db(self, output: str) -> FloatArray:
        """The electrical response re its largest, in dB, shape (n,) on `axis`."""
        if output not in self._levels:
            item = self.preset.output(output)
            magnitude = np.abs(output_stage(replace(item, muted=False), self.axis))
            rows = [
                np.abs(self._inputs[name]) * ratio_from_db(route_db)
                for name, route_db in item.inputs.items()
            ]
            if rows:
                magnitude = magnitude * np.max(rows, axis=0)
            self._levels[output] = in_db(magnitude / np.max(magnitude))
        return self._levels[output]

    def band_hz(self, output: str) -> tuple[float, float]:
        """The lowest and the highest frequency within 10 dB of the output's largest response."""
        inside = self.axis.frequency_hz[self.relative_db(output) >= PASS_BAND_DB]
        return float(inside[0]), float(inside[-1])

    def driven_down_to_hz(self, output: str, from_hz: float) -> float | None:
        """How far below `from_hz` the output stays within 10 dB of its largest response.

        None where it is not within 10 dB at `from_hz` itself, or that lies below the axis.
        """
        at = int(np.searchsorted(self.axis.frequency_hz, from_hz, side="right")) - 1
        within = self.relative_db(output) >= PASS_BAND_DB
        if at < 0 or not within[at]:
            return None
        while at > 0 and within[at - 1]:
            at -= 1
        return float(self.axis.frequency_hz[at])

    @cached_property
    def _inputs(self) -> dict[str, ComplexArray]:
        return {item.name: input_stage(item, self.axis) for item in self.preset.inputs}


def octaves(low_hz: float, high_hz: float) -> float:
    """From one frequency up to another, in octaves; negative where it goes down."""
    return math.log2(high_hz) - math.log2(low_hz)


def with_frequencies(axis: Axis, frequencies_hz: Iterable[float]) -> Axis:
    """The axis with further frequencies on it, as far as they lie within its ends."""
    low_hz, high_hz = axis.frequency_hz[0], axis.frequency_hz[-1]
    inside = {one for one in frequencies_hz if low_hz < one < high_hz}
    together = sorted(inside.union(axis.frequency_hz.tolist()))
    return Axis(np.array(together), axis.sample_rate_hz)


def _filter_frequencies_hz(preset: Preset) -> Iterator[float]:
    """Where filters have their corners and centres: figures are told at these, not beside them."""
    for item in preset.inputs:
        yield from (section.frequency_hz for section in item.eq)
    for output in preset.outputs:
        yield from (section.frequency_hz for section in output.eq)
        for crossover in (output.high_pass, output.low_pass):
            if crossover is not None:
                yield crossover.frequency_hz


def in_db(magnitude: FloatArray) -> FloatArray:
    """20·log10 of magnitudes, shape kept; −inf at 0."""
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(magnitude))
