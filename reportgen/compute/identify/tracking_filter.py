"""What a tracking filter does to the envelope of a mode before it is logged.

A filter of bandwidth B that follows the drive is, to the envelope, a low-pass of −3 dB at B/2: F′ = πB (E − F), late by
1/(πB). Between rows E is the cubic through its values and its slopes, which the envelope equation gives exactly.
"""

from __future__ import annotations

import numpy as np

from reportgen.compute.identify.envelope import Complexes, recurrence
from reportgen.records.log import Floats

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)
_X, _W = 0.5 * (_NODES + 1.0), 0.5 * _WEIGHTS
_MEMORY = 30.0


def filtered(value: Complexes, slope: Complexes, step: Floats, bandwidth_hz: Floats) -> Complexes:
    """F at the rows for E and E′ at the rows, all (n,); ``step`` (n−1,) seconds; started settled."""
    rate = np.pi * 0.5 * (bandwidth_hz[1:] + bandwidth_hz[:-1])
    length = np.minimum(step, _MEMORY / rate)
    share = np.divide(length, step, out=np.ones_like(step), where=step > 0)
    x = 1.0 - share[:, None] * (1.0 - _X)
    cubic = (
        value[:-1, None] * (1 + 2 * x) * (1 - x) ** 2
        + value[1:, None] * x * x * (3 - 2 * x)
        + step[:, None] * (slope[:-1, None] * x * (1 - x) ** 2 - slope[1:, None] * x * x * (1 - x))
    )
    kernel = np.exp(-(rate * length)[:, None] * (1.0 - _X)) * (rate * length)[:, None] * _W
    load = np.sum(kernel * cubic, axis=1)
    late = np.asarray(value[0] - slope[0] / (np.pi * bandwidth_hz[0]))
    start = complex(late)
    return np.concatenate([[start], recurrence(np.exp(-rate * step).astype(complex), load, start)])
