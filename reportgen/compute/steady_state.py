"""Steady-state response straight from a record, by averaged cross spectra: a check on what the sweep analysis says.

H₁ = Σ Y X* / Σ |X|² over half-overlapping Hann segments, coherence |Σ Y X*|² / (Σ |X|² Σ |Y|²) (Bendat and Piersol,
*Random Data*, from memory). The sweep passes each line in some segments and not in others; a line counts where the
control has power there and the two signals cohere. A segment must be long against the decay of the modes: with a
resolution of r Hz a mode of half-power bandwidth b is flattened by about r/b, so r ≤ b/20 is wanted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ComputeError
from reportgen.records.log import Floats, TimeHistory

LEAST_COHERENCE = 0.95
_LEAST_POWER = 1e-5
"""Of the control's median power in its band: a line with less was not driven."""


@dataclass(frozen=True, slots=True, eq=False)
class SteadyState:
    """Response over control, line by line."""

    frequency_hz: Floats
    """Shape (m,)."""
    response: NDArray[np.complex128]
    """Shape (m, channels); NaN where not allowed."""
    coherence: Floats
    """Shape (m, channels)."""
    allowed: NDArray[np.bool_]
    """Lines that the control drove and that cohere; shape (m, channels)."""
    channels: tuple[str, ...]
    segments: int
    flags: tuple[str, ...]


def steady_state_response(
    history: TimeHistory, control: str, channels: tuple[str, ...], *, resolution_hz: float, band_hz: tuple[float, float]
) -> SteadyState:
    """|response/control| and phase at lines ``resolution_hz`` apart or closer, in a band.

    Raises ComputeError where the record is shorter than two segments.
    """
    length = 1 << int(np.ceil(np.log2(history.sample_rate_hz / resolution_hz)))
    if history.samples < 2 * length:
        raise ComputeError(
            f"{history.path}: {history.samples} samples hold no two segments of {length}, as {resolution_hz:g} Hz needs"
        )
    lines = np.fft.rfftfreq(length, 1.0 / history.sample_rate_hz)
    inside = (lines >= band_hz[0]) & (lines <= band_hz[1])
    shape = (int(np.count_nonzero(inside)), len(channels))
    cross, driven, answered = np.zeros(shape, np.complex128), np.zeros((shape[0], 1)), np.zeros(shape)
    window = np.hanning(length + 1)[:-1, None]
    segments = 0
    for part in _segments(history.only((control, *channels)), length):
        spectrum = np.fft.rfft((part - part.mean(axis=0)) * window, axis=0)[inside]
        x, y = spectrum[:, :1], spectrum[:, 1:]
        cross += y * np.conj(x)
        driven += np.abs(x) ** 2
        answered += np.abs(y) ** 2
        segments += 1
    return _judged(lines[inside], cross, driven, answered, channels, segments)


def _segments(history: TimeHistory, length: int) -> Iterator[Floats]:
    """Half-overlapping segments, shape (length, channels)."""
    step = length // 2
    before = history.read(0, step)
    for start in range(step, history.samples - step + 1, step):
        after = history.read(start, start + step)
        yield np.concatenate([before, after])
        before = after


def _judged(
    lines: Floats,
    cross: NDArray[np.complex128],
    driven: Floats,
    answered: Floats,
    channels: tuple[str, ...],
    segments: int,
) -> SteadyState:
    power = driven * answered
    coherence = np.divide(np.abs(cross) ** 2, power, out=np.zeros_like(power), where=power > 0)
    strong = driven > _LEAST_POWER * np.median(driven)
    allowed = strong & (coherence >= LEAST_COHERENCE)
    response = np.full(cross.shape, complex(np.nan, np.nan))
    response[allowed] = (cross / np.where(driven > 0, driven, 1.0))[allowed]
    flags = [f"{channel}: no line coheres" for channel, any_ in zip(channels, allowed.any(axis=0), strict=True) if not any_]
    if not strong.all():
        flags.append(f"{np.count_nonzero(~strong)} of {len(lines)} lines were not driven")
    return SteadyState(lines, response, coherence, allowed, channels, segments, tuple(flags))
