"""Lines of the mains in a log: additive, at a fixed frequency, and no resonance."""

from __future__ import annotations

import numpy as np

from reportgen.compute.identification.drive import Drive
from reportgen.compute.identification.envelope import Complexes
from reportgen.records.log import Floats

LINES_HZ = (50.0, 60.0)
"""Nominal mains frequencies; multiples count as well."""
_LEAST_HALF_WIDTH = 1.0
"""Hz: the mains wander by some tenths, and detectors average for about a second."""
_ROWS = 1.5
"""Rows on either side of a line that it may show on at least: the nearest row, and half of the next step."""


def nearest_line(frequency_hz: float) -> float:
    """Nearest multiple of 50 Hz or 60 Hz.

    >>> nearest_line(121.0)
    120.0
    """
    multiples = [line * max(1.0, round(frequency_hz / line)) for line in LINES_HZ]
    return min(multiples, key=lambda line: abs(line - frequency_hz))


def half_width(frequency: Floats, line_hz: float) -> float:
    """Half width (Hz) of the narrowest band in which a line can show: a few rows; ``frequency`` of the rows, (n,)."""
    step = np.abs(np.diff(frequency))
    near = np.argsort(np.abs(frequency[1:] - line_hz), kind="stable")[:5]
    return max(_LEAST_HALF_WIDTH, _ROWS * float(np.median(step[near])))


def line_columns(drive: Drive, line_hz: float, bandwidth_hz: float) -> Complexes:
    """A line of unit amplitude as a filter of bandwidth B that follows the drive sees it, real and imaginary, (2, n).

    In the frame of the drive the line turns with e^{i(2πLt − φ(t))} and is weakened by 1/(1 + i(2πL − ω)/(πB)).
    """
    phase = np.concatenate([[0.0], np.cumsum(drive.advance)])
    turning = np.exp(1j * (2 * np.pi * line_hz * (drive.time_s - drive.time_s[0]) - phase))
    column = turning / (1.0 + 1j * (2 * np.pi * line_hz - drive.omega) / (np.pi * bandwidth_hz))
    return np.stack([column, 1j * column])
