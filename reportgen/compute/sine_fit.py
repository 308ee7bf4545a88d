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
from math import comb
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import Floats, TimeHistory

Complexes = NDArray[np.complex128]
HARMONICS = 5
"""Highest harmonic that is fitted."""
CELLS_A_WINDOW = 6
CELLS_A_ROW = 2
ENVELOPE = 4
"""Degree of the envelope's polynomial."""
NOISE_BANDWIDTH = {2: 9.0 / 4.0, 4: 225.0 / 64.0}
"""Degree of the envelope to the equivalent noise bandwidth of a₀, times the window's length."""
_BATCH_SAMPLES = 1 << 14
_PIECE_VALUES = 1 << 22
_FETCH_VALUES = 1 << 20


class Phase(Protocol):
    """Phase of the drive against time."""

    def taylor(self, time_s: Floats) -> Floats:
        """Phase, cycles, and its first three derivatives over 1, 1, 2, 6 at given times; shape (4, n)."""
        ...


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


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """Normal equations of consecutive cells, each about its own middle."""

    gram: Floats
    moment: Floats
    energy: Floats


@dataclass(frozen=True, slots=True)
class Model:
    """What is fitted: a constant, the fundamental with an envelope of a degree, harmonics up to one."""

    envelope: int = ENVELOPE
    harmonics: int = HARMONICS

    @property
    def terms(self) -> int:
        """Unknowns of the fit."""
        return self.harmonic(self.harmonics + 1)

    def harmonic(self, k: int) -> int:
        """Row of the cosine of harmonic k; its sine follows."""
        return 3 + 2 * self.envelope + 2 * (k - 2)


def fit_rows(
    history: TimeHistory,
    phase: Phase,
    edges_s: Floats,
    *,
    model: Model = Model(),
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
    step_s = _PIECE_VALUES / max(1, len(history.channels)) / history.sample_rate_hz
    starts = edges_s[: rows * CELLS_A_ROW : CELLS_A_ROW]
    cuts = np.searchsorted(starts, np.arange(starts[0], starts[-1], step_s)[1:])
    bounds = np.unique(np.concatenate([[0], cuts, [rows]]))
    return pairwise(bounds.tolist())


def _fit_piece(history: TimeHistory, phase: Phase, edges_s: Floats, piece: tuple[int, int], model: Model) -> Rows:
    first = piece[0] * CELLS_A_ROW
    edges = edges_s[first : (piece[1] - 1) * CELLS_A_ROW + CELLS_A_WINDOW + 1]
    borders = np.ceil(edges * history.sample_rate_hz - 1e-6).astype(np.int64).clip(0, history.samples)
    taylor = _cell_polynomials(phase, edges)
    sums = _cell_sums(history, edges, borders, taylor, model)
    return _solve_windows(history, edges, borders, taylor[1] / np.diff(edges) * 2.0, sums, model)


def _cell_polynomials(phase: Phase, edges: Floats) -> Floats:
    """Phase, cycles, in each cell as a cubic in u = −1 … 1; shape (4, cells); the constant is taken modulo 1."""
    middle, half = (edges[1:] + edges[:-1]) / 2.0, np.diff(edges) / 2.0
    coefficients = phase.taylor(middle) * half ** np.arange(4)[:, None]
    coefficients[0] %= 1.0
    return coefficients


def _cell_sums(
    history: TimeHistory, edges: Floats, borders: NDArray[np.int64], polynomial: Floats, model: Model
) -> _Sums:
    cells, channels, n = len(edges) - 1, len(history.channels), model.terms
    sums = _Sums(np.empty((cells, n, n)), np.empty((cells, n, channels)), np.empty((cells, channels)))
    per_fetch = max(_BATCH_SAMPLES, _FETCH_VALUES // channels)
    for begin, end in _runs(borders, per_fetch):
        y = history.read(int(borders[begin]), int(borders[end]))
        for low, high in _runs(borders[begin : end + 1], _BATCH_SAMPLES):
            inside = slice(begin + low, begin + high + 1)
            basis = _basis(history, edges[inside], borders[inside], polynomial[:, begin + low : begin + high], model)
            offset = borders[begin + low] - borders[begin]
            _add_up(basis, y[offset:], borders[inside] - borders[begin + low], begin + low, sums)
    return sums


def _runs(borders: NDArray[np.int64], samples: int) -> Iterator[tuple[int, int]]:
    """Runs of whole cells of about so many samples."""
    begin, last = 0, len(borders) - 1
    while begin < last:
        end = int(np.searchsorted(borders, borders[begin] + samples, side="right")) - 1
        end = min(max(end, begin + 1), last)
        yield begin, end
        begin = end


def _basis(history: TimeHistory, edges: Floats, borders: NDArray[np.int64], polynomial: Floats, model: Model) -> Floats:
    """Terms of the fit at every sample, shape (terms, samples)."""
    lengths = np.diff(borders)
    middle, half = (edges[1:] + edges[:-1]) / 2.0, np.diff(edges) / 2.0
    number = np.arange(borders[0], borders[-1])
    u = (number - np.repeat(middle * history.sample_rate_hz, lengths)) / np.repeat(
        half * history.sample_rate_hz, lengths
    )
    p = [np.repeat(each, lengths) for each in polynomial]
    turn = p[0] + u * (p[1] + u * (p[2] + u * p[3]))
    # reduced to half a turn in double precision, single-precision sine and cosine are good to 1e-7
    angle = (turn - np.rint(turn)).astype(np.float32) * np.float32(2.0 * np.pi)
    basis = np.empty((model.terms, len(number)))
    basis[0] = 1.0
    cosine, sine = basis[1], basis[2]
    cosine[:] = np.cos(angle)
    np.negative(np.sin(angle), out=sine)
    for row in range(3, model.harmonic(2), 2):
        np.multiply(basis[row - 2 : row], u, out=basis[row : row + 2])
    before = basis[1:3]
    for k in range(2, model.harmonics + 1):
        here = basis[model.harmonic(k) : model.harmonic(k) + 2]
        here[0] = before[0] * cosine - before[1] * sine
        here[1] = before[1] * cosine + before[0] * sine
        before = here
    return basis


def _add_up(basis: Floats, y: Floats, borders: NDArray[np.int64], first: int, sums: _Sums) -> None:
    for cell, (a, b) in enumerate(pairwise(borders.tolist()), first):
        part, data = basis[:, a:b], y[a:b]
        # one row left out keeps BLAS from its symmetric product, which is slower for matrices so flat
        np.dot(part[:-1], part.T, out=sums.gram[cell, :-1])
        sums.gram[cell, -1, :-1] = sums.gram[cell, :-1, -1]
        sums.gram[cell, -1, -1] = np.dot(part[-1], part[-1])
        np.dot(part, data, out=sums.moment[cell])
        sums.energy[cell] = np.einsum("ij,ij->j", data, data)


def _solve_windows(
    history: TimeHistory,
    edges: Floats,
    borders: NDArray[np.int64],
    cell_frequency: Floats,
    sums: _Sums,
    model: Model,
) -> Rows:
    first = np.arange(0, len(edges) - CELLS_A_WINDOW, CELLS_A_ROW)
    begin, end = edges[first], edges[first + CELLS_A_WINDOW]
    middle, half = (begin + end) / 2.0, (end - begin) / 2.0
    gram, moment, energy = _joined(edges, first, middle, half, sums, model)
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
        time_s=middle,
        window_s=end - begin,
        samples=counts,
        amplitude=solution[:, 1] + 1j * solution[:, 2],
        harmonic=overtones,
        residual=np.sqrt(np.maximum(energy - explained, 0.0) / freedom),
    )


def _joined(
    edges: Floats, first: NDArray[np.int64], middle: Floats, half: Floats, sums: _Sums, model: Model
) -> tuple[Floats, Floats, Floats]:
    """Sums of windows: each cell's powers of u are rewritten in the window's v = α u + β, then added."""
    n = sums.gram.shape[1]
    gram = np.zeros((len(first), n, n))
    moment = np.zeros((len(first), n, sums.moment.shape[2]))
    energy = np.zeros((len(first), sums.energy.shape[1]))
    for k in range(CELLS_A_WINDOW):
        cell = first + k
        alpha = (edges[cell + 1] - edges[cell]) / 2.0 / half
        beta = ((edges[cell + 1] + edges[cell]) / 2.0 - middle) / half
        shift = np.broadcast_to(np.eye(n), gram.shape).copy()
        for p in range(1, model.envelope + 1):
            for q in range(p + 1):
                part = comb(p, q) * alpha**q * beta ** (p - q)
                shift[:, 1 + 2 * p, 1 + 2 * q] = shift[:, 2 + 2 * p, 2 + 2 * q] = part
        gram += shift @ sums.gram[cell] @ shift.transpose(0, 2, 1)
        moment += shift @ sums.moment[cell]
        energy += sums.energy[cell]
    return gram, moment, energy


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
