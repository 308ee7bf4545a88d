"""One channel of a log as the tests of its quality see it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from reportgen.compute.sweep.transmissibility import magnitude_ratio
from reportgen.records.log import Floats, SweepLog, Trace

BLOCKS = 30
"""Parts of a log whose scatter is compared."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Amplitude of a channel, its ratio to the control and the course of that in dB, all of shape (n,)."""

    trace: Trace
    frequency_hz: Floats
    ratio: Floats
    ratio_db: Floats
    is_control: bool

    @property
    def amplitude_db(self) -> Floats:
        """Course of the amplitude itself, dB, NaN where it reads nothing; shape (n,)."""
        return decibels(self.trace.amplitude)

    def rows(self, rows: slice) -> Seen:
        """The channel on some rows of the log."""
        phase = self.trace.phase_deg
        trace = replace(
            self.trace,
            amplitude=self.trace.amplitude[rows],
            phase_deg=None if phase is None else phase[rows],
            distortion=None,
            residual=None,
        )
        return replace(
            self,
            trace=trace,
            frequency_hz=self.frequency_hz[rows],
            ratio=self.ratio[rows],
            ratio_db=self.ratio_db[rows],
        )


def see(log: SweepLog, trace: Trace, control_level: Floats | None, is_control: bool) -> Seen:
    """A channel against the control, m/s² peak, shape (n,); against nothing where there is none."""
    f = log.frequency_hz
    reference = control_level if control_level is not None else np.ones(f.shape)
    ratio = magnitude_ratio(trace, reference, f)
    return Seen(trace=trace, frequency_hz=f, ratio=ratio, ratio_db=decibels(ratio), is_control=is_control)


def decibels(values: Floats) -> Floats:
    """20 lg of values, NaN where they are not above 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(values > 0, 20.0 * np.log10(values), np.nan)


def bend(y: Floats) -> Floats:
    """Absolute second differences, scaled so that their median is the standard deviation of independent rows.

    A smooth curve leaves next to nothing: √6 is the norm of (1, −2, 1), 1.4826 takes a median to a deviation.
    """
    return np.asarray(np.abs(np.diff(y, 2)) * 1.4826 / np.sqrt(6.0))


def blocks(seen: Seen) -> tuple[Floats, Floats, Floats] | None:
    """First frequency, scatter in dB and scatter in the response's own unit, block by block along the sweep."""
    rows = np.flatnonzero(np.isfinite(seen.ratio_db))
    if len(rows) < 4 * BLOCKS:
        return None
    scatter = bend(seen.ratio_db[rows])
    amplitude = seen.trace.amplitude[rows][1:-1]
    edges = np.linspace(0, len(scatter), BLOCKS + 1).astype(int)
    parts = [slice(a, b) for a, b in pairwise(edges)]
    relative = np.array([float(np.median(scatter[part])) for part in parts])
    absolute = np.array([float(np.median(scatter[part] * amplitude[part])) for part in parts])
    return seen.frequency_hz[rows][1:-1][edges[:-1]], relative, absolute
