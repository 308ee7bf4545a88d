"""Least-squares sine fit with a swept phase: sums by cell, then windows of cells, then one small solve a row.

In a window of T seconds each channel is fitted, all terms at once, with

    y(t) = c + Re[(a₀ + a₁ v + … + a₄ v⁴) e^{iφ(t)}] + Σₖ Re[hₖ e^{ikφ(t)}],   k = 2 … 5,   v = 2 (t − t_mid)/T,

φ being the phase of the drive as it really ran. a₀ is the amplitude at the middle of the window. Without a₁ … a₄ and
with φ = 2πft this is the three-parameter fit of IEEE Std 1057 (clause on three-parameter sine fitting, from memory);
the further terms follow an envelope that changes inside the window, so that neither a resonance nor the beat after it
is flattened: the error at a peak passed in x = T |df/dt| Q/f half-power bandwidths is 720 x⁶/33264 (0.03 % at x = 0.5)
instead of x²/3. The equivalent noise bandwidth of a₀ is 225/(64 T), both sides of the drive frequency together; for an
envelope of second degree it is 9/(4T).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.demodulation.cell_sums import (
    FULL_MODEL,
    Model,
    Phase,
    Sums,
    cell_polynomials,
    cell_sums,
    joined,
    normal_equations,
)
from reportgen.records.log import Floats, TimeHistory

Complexes = NDArray[np.complex128]
CELLS_A_WINDOW = 6
CELLS_A_ROW = 2
NOISE_BANDWIDTH = {2: 9.0 / 4.0, 4: 225.0 / 64.0}
"""Degree of the envelope to the equivalent noise bandwidth of a₀, times the window's length."""
_PIECE_VALUES, _PIECE_SAMPLES = 1 << 22, 1 << 18


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """What the fit found, row by row."""

    time_s: Floats
    """Middle of each window, from the first sample; shape (n,)."""
    window_s: Floats
    """Length of each window."""
    samples: NDArray[np.int64]
    amplitude: Complexes
    """Fundamental against the phase given, peak, shape (n, channels)."""
    harmonic: Floats
    """Root sum square of harmonics 2 to 5 below half the sample rate, peak, shape (n, channels); NaN where none is."""
    residual: Floats
    """Rms of what no term of the fit explains, shape (n, channels)."""


def fit_rows(
    history: TimeHistory,
    phase: Phase,
    edges_s: Floats,
    *,
    model: Model = FULL_MODEL,
    workers: int = 1,
    progress: Callable[[float], None] | None = None,
) -> Rows:
    """Fit windows of six cells, a row every two cells.

    ``edges_s`` are the edges of the cells in seconds from the first sample, rising, shape (cells + 1,), an even number
    of cells. The result does not depend on ``workers``: the work is cut at places that depend on the record alone.
    """
    cells = (len(edges_s) - 1) // CELLS_A_ROW * CELLS_A_ROW
    rows = (cells - CELLS_A_WINDOW) // CELLS_A_ROW + 1
    if rows < 1:
        return _no_rows(len(history.channels))
    pieces = list(_pieces(edges_s, rows, history))

    def one(piece: tuple[int, int]) -> Rows:
        return _fit_piece(history, phase, edges_s, piece, model)

    found: list[Rows] = []
    if workers <= 1 or len(pieces) == 1:
        for piece in pieces:
            found.append(one(piece))
            _report(progress, len(found), len(pieces))
    else:
        with ThreadPoolExecutor(workers) as pool:
            for result in pool.map(one, pieces):
                found.append(result)
                _report(progress, len(found), len(pieces))
    return Rows(*(np.concatenate([getattr(each, name) for each in found]) for name in Rows.__slots__))


def _report(progress: Callable[[float], None] | None, done: int, of: int) -> None:
    if progress is not None:
        progress(done / of)


def _no_rows(channels: int) -> Rows:
    empty, wide = np.empty(0), np.empty((0, channels))
    return Rows(empty, empty, np.empty(0, np.int64), wide.astype(np.complex128), wide, wide)


def _pieces(edges_s: Floats, rows: int, history: TimeHistory) -> Iterator[tuple[int, int]]:
    """Ranges of rows that take about as many values each."""
    step_s = min(_PIECE_SAMPLES, _PIECE_VALUES / max(1, len(history.channels))) / history.sample_rate_hz
    starts = edges_s[: rows * CELLS_A_ROW : CELLS_A_ROW]
    cuts = np.searchsorted(starts, np.arange(starts[0], starts[-1], step_s)[1:])
    bounds = np.unique(np.concatenate([[0], cuts, [rows]]))
    return pairwise(bounds.tolist())


def _fit_piece(history: TimeHistory, phase: Phase, edges_s: Floats, piece: tuple[int, int], model: Model) -> Rows:
    first = piece[0] * CELLS_A_ROW
    edges = edges_s[first : (piece[1] - 1) * CELLS_A_ROW + CELLS_A_WINDOW + 1]
    borders = np.ceil(edges * history.sample_rate_hz - 1e-6).astype(np.int64).clip(0, history.samples)
    polynomial = cell_polynomials(phase, edges)
    sums = cell_sums(history, edges, borders, polynomial, model)
    return _solve_windows(history, edges, borders, polynomial[1] / np.diff(edges) * 2.0, sums, model)


def _solve_windows(
    history: TimeHistory,
    edges: Floats,
    borders: NDArray[np.int64],
    cell_frequency: Floats,
    sums: Sums,
    model: Model,
) -> Rows:
    first = np.arange(0, len(edges) - CELLS_A_WINDOW, CELLS_A_ROW)
    begin, end = edges[first], edges[first + CELLS_A_WINDOW]
    windows = joined(sums, edges, first, CELLS_A_WINDOW, model)
    gram, moment = normal_equations(windows, model)
    counts = borders[first + CELLS_A_WINDOW] - borders[first]
    highest = np.max([cell_frequency[first + k] for k in range(CELLS_A_WINDOW)], axis=0)
    kept = _leave_out_aliases(gram, moment, highest, history.sample_rate_hz, model)
    few = counts <= model.terms
    gram[few], moment[few] = np.eye(model.terms), 0.0
    solution = np.linalg.solve(gram, moment)
    explained = np.einsum("nij,nij->nj", solution, moment)
    freedom = np.maximum(counts - 1 - 2 * (model.envelope + kept), 1)[:, None]
    overtones = np.sqrt(np.sum(solution[:, model.harmonic(2) :] ** 2, axis=1))
    overtones[kept < 2] = np.nan
    return Rows(
        time_s=(begin + end) / 2.0,
        window_s=end - begin,
        samples=counts,
        amplitude=solution[:, 1] + 1j * solution[:, 2],
        harmonic=overtones,
        residual=np.sqrt(np.maximum(windows.energy - explained, 0.0) / freedom),
    )


def _leave_out_aliases(
    gram: Floats, moment: Floats, frequency_hz: Floats, rate_hz: float, model: Model
) -> NDArray[np.int64]:
    """Take out harmonics that the sample rate does not hold; the highest harmonic kept, shape (n,)."""
    kept = np.clip((0.47 * rate_hz / frequency_hz).astype(np.int64), 1, model.harmonics)
    for k in range(2, model.harmonics + 1):
        out = np.flatnonzero(kept < k)
        for row in (model.harmonic(k), model.harmonic(k) + 1):
            gram[out, row, :] = 0.0
            gram[out, :, row] = 0.0
            gram[out, row, row] = 1.0
            moment[out, row, :] = 0.0
    return kept
