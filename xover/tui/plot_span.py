"""The frequencies a plot spans, and how zooming and panning move them.

Pure. It never leaves 1 Hz to half the sample rate, never closes to nothing, and a window that
meets an end keeps its width.
"""

from __future__ import annotations

import math

from msgspec import Struct

from xover.sheets.scales import HIGH_HZ, LOW_HZ

LOWEST_HZ = 1.0
NARROWEST = 2.0 ** (1.0 / 6.0)
"""The smallest ratio of the ends: a sixth of an octave."""


class Span(Struct, frozen=True):
    """From `low_hz` to `high_hz`."""

    low_hz: float = LOW_HZ
    high_hz: float = HIGH_HZ

    @property
    def middle_hz(self) -> float:
        """The middle on a logarithmic axis."""
        return math.sqrt(self.low_hz * self.high_hz)

    def holds(self, frequency_hz: float) -> bool:
        """Whether a frequency lies inside."""
        return self.low_hz <= frequency_hz <= self.high_hz

    def zoomed(self, factor: float, about_hz: float, limit_hz: float) -> Span:
        """The width times `factor` (on a log axis), `about_hz` staying where it is."""
        low, high = math.log(self.low_hz), math.log(self.high_hz)
        share = min(1.0, max(0.0, (math.log(max(about_hz, LOWEST_HZ)) - low) / (high - low)))
        width = (high - low) * factor
        return _between(low + share * (high - low - width), width, limit_hz)

    def panned(self, share: float, limit_hz: float) -> Span:
        """Moved by a share of its width, up where positive."""
        return self.moved((self.high_hz / self.low_hz) ** share, limit_hz)

    def moved(self, ratio: float, limit_hz: float) -> Span:
        """Every frequency times `ratio`, as far as that goes."""
        width = math.log(self.high_hz / self.low_hz)
        return _between(math.log(self.low_hz * ratio), width, limit_hz)

    def within(self, limit_hz: float) -> Span:
        """The same as far as `limit_hz` lets it."""
        return self if self.high_hz <= limit_hz else self.panned(0.0, limit_hz)


def home(limit_hz: float) -> Span:
    """20 Hz to 20 kHz, or to `limit_hz`."""
    return Span(LOW_HZ, max(min(HIGH_HZ, limit_hz), LOW_HZ * NARROWEST))


def _between(low: float, width: float, limit_hz: float) -> Span:
    """The window of `width` (in nats) at `low`, moved and narrowed as the ends demand."""
    bottom = math.log(LOWEST_HZ)
    top = max(math.log(limit_hz), bottom + math.log(NARROWEST))
    width = min(max(width, math.log(NARROWEST)), top - bottom)
    low = min(max(low, bottom), top - width)
    return Span(math.exp(low), math.exp(low + width))
