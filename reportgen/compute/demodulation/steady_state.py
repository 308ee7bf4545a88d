"""Steady-state response straight from a record: a check on what the analysis of the swept rows says.

For a linear structure the Fourier transforms of the whole passage through a band obey Y(f) = H(f) X(f), however fast
the sweep, as long as the record holds the ring-down. So a band is shifted to zero frequency, thinned out and
transformed in one piece (zoom); H = Y/X line by line, lines 1/T apart. Noise is taken from the same band while the
drive is elsewhere; with line powers Pₓ, P_y over noise powers Nₓ, N_y the relative standard uncertainty of |H| is
√((Nₓ/Pₓ + N_y/P_y)/2) (Bendat and Piersol, *Random Data*, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ComputeError
from reportgen.records.log import Floats, TimeHistory
from reportgen.records.message import Message, message

Complexes = NDArray[np.complex128]
LARGEST_UNCERTAINTY = 0.02
"""Relative standard uncertainty up to which a line is given."""
_TAPS = 8
"""Length of the thinning low-pass in thinned samples."""
_RATE_PER_BAND = 4.0
_PASSAGE = 0.3
"""Of the control's largest reading in the band: where the passage begins and ends; harmonics stay below it."""
_LEAST_ELSEWHERE = 0.1
"""Share of the record in which the drive must be out of the band, for noise to be known."""


@dataclass(frozen=True, slots=True, eq=False)
class SteadyState:
    """Response over control, line by line."""

    frequency_hz: Floats
    """Shape (m,)."""
    response: Complexes
    """Shape (m, channels); NaN where the record does not allow it."""
    uncertainty: Floats
    """Relative standard uncertainty of its magnitude, shape (m, channels)."""
    channels: tuple[str, ...]
    flags: tuple[Message, ...]


def steady_state_response(
    history: TimeHistory, control: str, channels: tuple[str, ...], *, band_hz: tuple[float, float], ring_down_s: float
) -> SteadyState:
    """Response over control in a band that the sweep passes through.

    ``ring_down_s`` is how long the structure rings after the drive has left the band, some Q/f of its modes; the
    passage is taken with so much before and after. Raises ComputeError where the band is none, the drive does not pass
    it, or it never leaves it, so that noise is not known.
    """
    low, high = band_hz
    if not 0.0 < low < high < history.sample_rate_hz / 2.0:
        no_band = message("steady-state.no-band", low_hz=low, high_hz=high)
        raise ComputeError(message("error.at", where=history.path, what=no_band))
    thin = max(1, int(history.sample_rate_hz / (_RATE_PER_BAND * (high - low))))
    rate, centre = history.sample_rate_hz / thin, (low + high) / 2.0
    zoomed = _zoomed(history.only((control, *channels)), centre, thin)
    passage = _passage(np.abs(zoomed[:, 0]), int(rate * ring_down_s))
    elsewhere = np.concatenate([zoomed[: passage.start], zoomed[passage.stop :]])
    inside = passage.stop - passage.start
    if inside < 8 or len(elsewhere) < _LEAST_ELSEWHERE * len(zoomed):
        no_passage = message("steady-state.no-passage", low_hz=low, high_hz=high)
        raise ComputeError(message("error.at", where=history.path, what=no_passage))
    # the median of an exponentially distributed power is ln 2 times its mean
    noise = np.median(np.abs(elsewhere) ** 2, axis=0) / np.log(2.0) * inside
    spectrum = np.fft.fft(zoomed[passage], axis=0)
    frequency: Floats = centre + np.fft.fftfreq(inside, 1.0 / rate).astype(np.float64)
    order = np.argsort(frequency)
    kept = order[(frequency[order] >= low) & (frequency[order] <= high)]
    return _judged(frequency[kept], spectrum[kept], noise, channels)


def _zoomed(history: TimeHistory, centre_hz: float, thin: int) -> Complexes:
    """Every channel shifted down by ``centre_hz`` and thinned, shape (n, channels)."""
    tap = np.arange(_TAPS * thin) - (_TAPS * thin - 1) / 2.0
    low_pass = np.sinc(tap / (2.0 * thin)) * np.hanning(_TAPS * thin + 2)[1:-1]
    shift = np.exp(-2j * np.pi * centre_hz * tap / history.sample_rate_hz)
    weights = (low_pass / low_pass.sum() * shift).reshape(_TAPS, thin)
    both = np.concatenate([weights.real, weights.imag])
    found, frames, at = [], np.empty((0, 2 * _TAPS, len(history.channels))), 0
    step = thin * max(_TAPS, (1 << 18) // thin)
    for start in range(0, history.samples - thin + 1, step):
        y = history.read(start, min(start + step, history.samples))
        whole = len(y) // thin
        # every frame under every part of the low-pass, real and imaginary
        frames = np.concatenate([frames, both @ y[: whole * thin].reshape(whole, thin, -1)])
        count = len(frames) - _TAPS + 1
        if count < 1:
            continue
        total = np.zeros((count, frames.shape[2]), np.complex128)
        for k in range(_TAPS):
            total += frames[k : k + count, k] + 1j * frames[k : k + count, _TAPS + k]
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


def _judged(frequency: Floats, spectrum: Complexes, noise: Floats, channels: tuple[str, ...]) -> SteadyState:
    power = np.maximum(np.abs(spectrum) ** 2, 1e-300)
    share = noise / power
    uncertainty = np.sqrt((share[:, :1] + share[:, 1:]) / 2.0)
    response = spectrum[:, 1:] / np.where(spectrum[:, :1] == 0, 1.0, spectrum[:, :1])
    allowed = uncertainty <= LARGEST_UNCERTAINTY
    flags = tuple(
        message(
            "steady-state.noisy-lines", channel=each, noisy=int(np.count_nonzero(~allowed[:, k])), lines=len(frequency)
        )
        for k, each in enumerate(channels)
        if not allowed[:, k].all()
    )
    return SteadyState(frequency, np.where(allowed, response, complex(np.nan, np.nan)), uncertainty, channels, flags)
