"""ln H of many sections at once, phase continuous over frequency: for searches that add logs.

Products of responses become sums, and a section that changes alone changes one summand. The
responses themselves, to the last digit and at nulls, are `dsp.biquad`'s.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from xover.dsp.axis import Axis, ComplexArray
from xover.dsp.biquad import Section, prewarped

FLOOR = 1e-12
"""The least |N|² and |D|², so that the middle of a null has a logarithm."""


def section_logs(sections: Sequence[Section], axis: Axis) -> ComplexArray:
    """Ln H of each section on the axis, shape (m, n), complex; phase without jumps but at nulls.

    N = n1 + j·(n2·u − n0/u) and D alike, u = tan(πf/fs)/tan(πf₀/fs), as in `dsp.biquad`. For
    n1 ≥ 0 the phase of N stays within ±π/2; for n1 < 0 (an all-pass) it is π less that of −N̄.
    """
    if not sections:
        return np.zeros((0, len(axis)), dtype=np.complex128)
    table = np.array(sections, dtype=np.float64)
    corner = np.array([prewarped(one.frequency_hz, axis.sample_rate_hz) for one in sections])
    u = axis.tangent[None, :] / corner[:, None]
    over = 1.0 / u
    n0, n1, n2, d0, d1, d2 = (table[:, k, None] for k in range(1, 7))
    above = n2 * u - n0 * over
    below = d2 * u - d0 * over
    level = 0.5 * (
        np.log(np.maximum(n1 * n1 + above * above, FLOOR))
        - np.log(np.maximum(d1 * d1 + below * below, FLOOR))
    )
    zeros = np.arctan2(above, np.abs(n1))
    phase = np.where(n1 < 0.0, np.pi - zeros, zeros) - np.arctan2(below, d1)
    return np.asarray(level + 1j * phase, dtype=np.complex128)
