"""Steady-state response straight from a record: a check on what the analysis of the swept rows says.

For a linear structure the Fourier transforms of the whole passage through a band obey Y(f) = H(f) X(f), however fast the
sweep, as long as the record holds the ring-down. So a band is shifted to zero frequency, thinned out and transformed in
one piece (zoom), and neighbouring lines are joined: H = Σ Y X* / Σ |X|², coherence |Σ Y X*|² / (Σ |X|² Σ |Y|²) (Bendat
and Piersol, *Random Data*, from memory). Joining lines over a width r flattens a mode of half-power bandwidth b by about
(r/b)²/3 at its peak.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ComputeError
from reportgen.records.log import Floats, TimeHistory

Complexes = NDArray[np.complex128]
LEAST_COHERENCE = 0.95
_LEAST_POWER = 1e-3
"""Of the control's median power in the band: a line with less was not driven."""
_FEWEST_LINES = 4
_TAPS = 8
"""Lengths of the thinning low-pass in thinned samples."""
_RATE_PER_BAND = 4.0
_PASSAGE = 1e-2
"""Of the control's largest reading in the band: where the passage begins and ends."""


@dataclass(frozen=True, slots=True, eq=False)
class SteadyState:
    """Response over control, line by line."""

    frequency_hz: Floats
    """Shape (m,)."""
    response: Complexes
    """Shape (m, channels); NaN where not allowed."""
    coherence: Floats
    """Shape (m, channels)."""
    allowed: NDArray[np.bool_]
    """Lines that the control drove and that cohere; shape (m, channels)."""
    channels: tuple[str, ...]
    flags: tuple[str, ...]


def steady_state_response(
    history: TimeHistory, control: str, channels: tuple[str, ...], *, band_hz: tuple[float, float], resolution_hz: float
) -> SteadyState:
    """Response over control in a band, at lines ``resolution_hz`` apart.

    Raises ComputeError where the band is none, or the record too short for four lines in ``resolution_hz``.
    """
    low, high = band_hz
    if not 0.0 < low < high < history.sample_rate_hz / 2.0 or not 0.0 < resolution_hz < (high - low) / 4.0:
        raise ComputeError(f"{history.path}: no response can be taken from {low:g} Hz to {high:g} Hz")
    thin = max(1, int(history.sample_rate_hz / (_RATE_PER_BAND * (high - low))))
    centre = (low + high) / 2.0
    zoomed = _zoomed(history.only((control, *channels)), centre, thin)
    rate = history.sample_rate_hz / thin
    passage = _passage(np.abs(zoomed[:, 0]), int(rate * 0.25 / resolution_hz))
    lines = (passage.stop - passage.start) / rate * resolution_hz
    if lines < _FEWEST_LINES:
        raise ComputeError(
            f"{history.path}: the passage through {low:g} Hz to {high:g} Hz is too short for {resolution_hz:g} Hz"
        )
    spectrum = np.fft.fft(zoomed[passage], axis=0)
    frequency = centre + np.fft.fftfreq(len(spectrum), 1.0 / rate)
    return _joined_lines(frequency, spectrum, channels, band_hz, resolution_hz)


def _zoomed(history: TimeHistory, centre_hz: float, thin: int) -> Complexes:
    """Every channel shifted down by ``centre_hz`` and thinned, shape (n, channels)."""
    tap = np.arange(_TAPS * thin) - (_TAPS * thin - 1) / 2.0
    low_pass = np.sinc(tap / (2.0 * thin)) * np.hanning(_TAPS * thin + 2)[1:-1]
    shift = np.exp(-2j * np.pi * centre_hz * tap / history.sample_rate_hz)
    weights = (low_pass / low_pass.sum() * shift).reshape(_TAPS, thin)
    found, frames, at = [], np.empty((0, thin, len(history.channels))), 0
    step = thin * max(_TAPS, (1 << 18) // thin)
    for start in range(0, history.samples - thin + 1, step):
        y = history.read(start, min(start + step, history.samples))
        whole = len(y) // thin
        frames = np.concatenate([frames, y[: whole * thin].reshape(whole, thin, -1)])
        count = len(frames) - _TAPS + 1
        if count < 1:
            continue
        total = np.zeros((count, frames.shape[2]), np.complex128)
        for k in range(_TAPS):
            total += np.einsum("ntc,t->nc", frames[k : k + count], weights[k])
        middle = (at + np.arange(count)) * thin + (_TAPS * thin - 1) / 2.0
        found.append(total * np.exp(-2j * np.pi * np.mod(centre_hz * middle / history.sample_rate_hz, 1.0))[:, None])
        frames, at = frames[count:], at + count
    return np.concatenate(found) if found else np.empty((0, len(history.channels)), np.complex128)


def _passage(level: Floats, margin: int) -> slice:
    """Where the drive is in the band, with a margin for the structure to ring down."""
    inside = np.flatnonzero(level > _PASSAGE * level.max()) if len(level) else np.zeros(0, np.int64)
    if not len(inside):
        return slice(0, 0)
    return slice(max(0, int(inside[0]) - margin), min(len(level), int(inside[-1]) + margin + 1))


def _joined_lines(
    frequency: Floats, spectrum: Complexes, channels: tuple[str, ...], band_hz: tuple[float, float], width: float
) -> SteadyState:
    """Lines joined into bins of the resolution."""
    bins = int((band_hz[1] - band_hz[0]) / width)
    which = np.floor((frequency - band_hz[0]) / width).astype(np.int64)
    inside = (which >= 0) & (which < bins)
    order = np.argsort(which[inside], kind="stable")
    starts = np.searchsorted(which[inside][order], np.arange(bins))
    x, y = spectrum[inside][order, :1], spectrum[inside][order, 1:]
    cross = np.add.reduceat(y * np.conj(x), starts, axis=0)
    driven = np.add.reduceat(np.abs(x) ** 2, starts, axis=0)
    answered = np.add.reduceat(np.abs(y) ** 2, starts, axis=0)
    middle = band_hz[0] + (np.arange(bins) + 0.5) * width
    power = driven * answered
    coherence = np.divide(np.abs(cross) ** 2, power, out=np.zeros_like(power), where=power > 0)
    strong = driven > _LEAST_POWER * np.median(driven)
    allowed = strong & (coherence >= LEAST_COHERENCE)
    response = np.full(cross.shape, complex(np.nan, np.nan))
    response[allowed] = (cross / np.where(driven > 0, driven, 1.0))[allowed]
    return SteadyState(middle, response, coherence, allowed, channels, _flags(channels, strong, allowed))


def _flags(channels: tuple[str, ...], strong: NDArray[np.bool_], allowed: NDArray[np.bool_]) -> tuple[str, ...]:
    flags = [f"{each}: no line coheres with the control" for k, each in enumerate(channels) if not allowed[:, k].any()]
    if not strong.all():
        flags.append(f"{np.count_nonzero(~strong)} of {len(strong)} lines were not driven")
    return tuple(flags)
