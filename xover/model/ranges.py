"""The number types of the preset: each carries its range and its unit.

One place for every limit: decoding, the fault messages and the published schema all read
them from here. Quantities without a limit of their own are only finite.
"""

from __future__ import annotations

from typing import Annotated, Any

from msgspec import Meta


def _meta(
    unit: str, *, ge: float | None = None, gt: float | None = None, le: float | None = None
) -> Meta:
    if gt is not None:
        return Meta(extra={"unit": unit}, gt=gt, le=le)
    return Meta(extra={"unit": unit}, ge=ge, le=le)


Gain = Annotated[float, _meta("dB", ge=-60.0, le=60.0)]
RouteGain = Annotated[float, _meta("dB", ge=-120.0, le=20.0)]
Attenuation = Annotated[float, _meta("dB", ge=-60.0, le=0.0)]
LevelDbu = Annotated[float, _meta("dBu", ge=-60.0, le=60.0)]
SplDb = Annotated[float, _meta("dB SPL", ge=0.0, le=200.0)]
MagnitudeDb = Annotated[float, _meta("dB", ge=-1000.0, le=1000.0)]
EdgeDb = Annotated[float, _meta("dB", ge=-30.0, le=-1.0)]
DelayMs = Annotated[float, _meta("ms", ge=0.0, le=10_000.0)]
TraceDelayMs = Annotated[float, _meta("ms", ge=-60_000.0, le=60_000.0)]
TimeConstantMs = Annotated[float, _meta("ms", ge=0.0, le=60_000.0)]
Q = Annotated[float, _meta("", ge=0.05, le=100.0)]
FilterFrequencyHz = Annotated[float, _meta("Hz", ge=1.0, le=188_160.0)]
"""The upper limit that always holds; the rules ask for less than 0.49 of the sample rate."""
FrequencyHz = Annotated[float, _meta("Hz", gt=0.0, le=1_000_000.0)]
SampleRateHz = Annotated[float, _meta("Hz", ge=8_000.0, le=384_000.0)]
TemperatureC = Annotated[float, _meta("°C", ge=-30.0, le=60.0)]
HumidityPercent = Annotated[float, _meta("%", ge=0.0, le=100.0)]
PressureKpa = Annotated[float, _meta("kPa", ge=50.0, le=120.0)]
CoordinateM = Annotated[float, _meta("m", ge=-10_000.0, le=10_000.0)]
LengthM = Annotated[float, _meta("m", gt=0.0, le=100_000.0)]
AreaMm2 = Annotated[float, _meta("mm²", gt=0.0, le=10_000.0)]
PowerW = Annotated[float, _meta("W", gt=0.0, le=1_000_000.0)]
ImpedanceOhm = Annotated[float, _meta("ohm", gt=0.0, le=1_000_000.0)]
VoltageV = Annotated[float, _meta("V", gt=0.0, le=1_000.0)]
AzimuthDeg = Annotated[float, _meta("°", ge=-360.0, le=360.0)]
ElevationDeg = Annotated[float, _meta("°", ge=-90.0, le=90.0)]
CoverageDeg = Annotated[float, _meta("°", gt=0.0, le=360.0)]
PhaseDeg = Annotated[float, _meta("°", ge=-1e9, le=1e9)]
Coherence = Annotated[float, _meta("", ge=0.0, le=1.0)]
Count = Annotated[int, _meta("", ge=1, le=10_000)]
ChannelNumber = Annotated[int, _meta("", ge=1, le=100_000)]

PositionM = tuple[CoordinateM, CoordinateM, CoordinateM]
"""x to the right, y into the audience, z up, in metres."""

NAME_LENGTH = 120
Name = Annotated[str, Meta(min_length=1, max_length=NAME_LENGTH, extra={"text": "name"})]
"""Trimmed, NFC, no control characters, unique within its list after case folding."""
LINE_LENGTH = 10_000
Line = Annotated[str, Meta(max_length=LINE_LENGTH, extra={"text": "line"})]
"""One line of free text: no control characters."""
PROSE_LENGTH = 1_000_000
Prose = Annotated[str, Meta(max_length=PROSE_LENGTH, extra={"text": "prose"})]
"""Free text that may hold line breaks and tabs."""


def limits_of(kind: Any) -> tuple[float, float]:
    """The least and the greatest value of one of these types."""
    meta = kind.__metadata__[0]
    return float(meta.ge if meta.ge is not None else meta.gt), float(meta.le)


FILTER_NYQUIST_FRACTION = 0.49
"""Filter frequencies stay below this fraction of the sample rate."""
TRACE_POINTS_MAX = 100_000
"""The most points one trace may hold in a preset."""
