"""Sums over cells for the sine fit: every product of two terms of the model, and of a term and a sample.

A cell is a stretch of half or whole cycles of the drive. Its terms are powers of u = −1 … 1 times e^{iφ}, harmonics
e^{ikφ} and a constant. Products of the powers p and q depend on p + q alone, so that each term needs to be multiplied
with the fixed terms (constant and harmonics), with the powers 0 and the highest, and with the samples: one product of
two matrices a cell. Cells are then joined to windows by rewriting u in the window's v = α u + β (binomial theorem).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import comb
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import BlockSource, Floats, StoredSource, TimeHistory

HARMONICS = 5
"""Highest harmonic that is fitted."""
ENVELOPE = 4
"""Degree of the envelope's polynomial."""
_BATCH_SAMPLES = 1 << 13
_FETCH_VALUES = 1 << 20


class Phase(Protocol):
    """Phase of the drive against time."""

    def taylor(self, time_s: Floats) -> Floats:
        """Phase, cycles, and its first three derivatives over 1, 1, 2, 6 at given times; shape (4, n)."""
        ...


@dataclass(frozen=True, slots=True)
class Model:
    """What is fitted: a constant, the fundamental with an envelope of a degree, harmonics up to one."""

    envelope: int = ENVELOPE
    harmonics: int = HARMONICS

    @property
    def terms(self) -> int:
        """Unknowns of the fit."""
        return self.harmonic(self.harmonics + 1)

    @property
    def fixed(self) -> int:
        """Terms that no power of u belongs to: the constant and the harmonics."""
        return 1 + 2 * (self.harmonics - 1)

    @property
    def powers(self) -> slice:
        """Rows of the fundamental's terms: cosine and sine of each power."""
        return slice(1, 3 + 2 * self.envelope)

    def harmonic(self, k: int) -> int:
        """Row of the cosine of harmonic k; its sine follows."""
        return 3 + 2 * self.envelope + 2 * (k - 2)


FULL_MODEL = Model()


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """Of cells, each about its own middle, or of windows. Samples count as terms beyond the model's."""

    power: Floats
    """Of power s times two of cosine and sine, shape (n, 2 envelope + 1, 4)."""
    mixed: Floats
    """Of a power times cosine or sine, with fixed terms and samples, shape (n, envelope + 1, 2 (fixed + channels))."""
    fixed: Floats
    """Of fixed terms with fixed terms and samples, shape (n, fixed, fixed + channels)."""
    energy: Floats
    """Of squared samples, shape (n, channels)."""


def cell_polynomials(phase: Phase, edges: Floats) -> Floats:
    """Phase, cycles, in each cell as a cubic in u = −1 … 1; shape (4, cells); the constant is taken modulo 1."""
    middle, half = (edges[1:] + edges[:-1]) / 2.0, np.diff(edges) / 2.0
    coefficients = phase.taylor(middle) * half ** np.arange(4)[:, None]
    coefficients[0] %= 1.0
    return coefficients


def cell_sums(
    history: TimeHistory, edges: Floats, borders: NDArray[np.int64], polynomial: Floats, model: Model
) -> Sums:
    """Sums of consecutive cells. ``edges`` are in seconds, ``borders`` the first sample of each cell and the end."""
    channels = len(history.channels)
    products = np.empty((len(edges) - 1, model.terms, _columns(model) + channels))
    energy = np.empty((len(edges) - 1, channels))
    for begin, end in _runs(borders, max(_BATCH_SAMPLES, _FETCH_VALUES // channels)):
        stored = stored_numbers(history.source, int(borders[begin]), int(borders[end]))
        for low, high in _runs(borders[begin : end + 1], _BATCH_SAMPLES):
            cells, edged = slice(begin + low, begin + high), slice(begin + low, begin + high + 1)
            basis = _basis(history.sample_rate_hz, edges[edged], borders[edged], polynomial[:, cells], model)
            offset = borders[begin + low] - borders[begin]
            y = stored[offset : offset + basis.shape[1]]
            _add_up(basis, y, borders[edged] - borders[begin + low], model, products[cells], energy[cells])
    factors = history.source.factors if isinstance(history.source, StoredSource) else (1.0,) * channels
    products[:, :, _columns(model) :] *= factors
    return _sorted(products, energy * np.square(factors), model)


def stored_numbers(source: BlockSource, start: int, stop: int) -> NDArray[np.generic]:
    """Samples as the file holds them, where the source hands them out: to scale sums is less work than samples."""
    parts = list(source.stored(start, stop) if isinstance(source, StoredSource) else source.blocks(start, stop))
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _runs(borders: NDArray[np.int64], samples: int) -> Iterator[tuple[int, int]]:
    """Runs of whole cells of about so many samples."""
    begin, last = 0, len(borders) - 1
    while begin < last:
        end = int(np.searchsorted(borders, borders[begin] + samples, side="right")) - 1
        end = min(max(end, begin + 1), last)
        yield begin, end
        begin = end


def _basis(rate_hz: float, edges: Floats, borders: NDArray[np.int64], polynomial: Floats, model: Model) -> Floats:
    """Terms of the fit at every sample, shape (terms, samples)."""
    lengths = np.diff(borders)
    middle, half = (edges[1:] + edges[:-1]) / 2.0, np.diff(edges) / 2.0
    number = np.arange(borders[0], borders[-1])
    u = (number - np.repeat(middle * rate_hz, lengths)) * np.repeat(1.0 / (half * rate_hz), lengths)
    p = [np.repeat(each, lengths) for each in polynomial]
    turn = p[0] + u * (p[1] + u * (p[2] + u * p[3]))
    # reduced to half a turn in double precision, single-precision sine and cosine are good to 1e-7
    angle = (turn - np.rint(turn)).astype(np.float32) * np.float32(2.0 * np.pi)
    basis = np.empty((model.terms, len(number)))
    basis[0] = 1.0
    basis[1] = np.cos(angle)
    np.negative(np.sin(angle), out=basis[2])
    for row in range(3, model.harmonic(2), 2):
        np.multiply(basis[row - 2 : row], u, out=basis[row : row + 2])
    _lay_harmonics(basis, model)
    return basis


def _lay_harmonics(basis: Floats, model: Model) -> None:
    """Rows of the harmonics from the fundamental's: e^{ikφ} = 2 cos φ e^{i(k−1)φ} − e^{i(k−2)φ}."""
    twice = 2.0 * basis[1]
    one, before = basis[1:3], np.array([[1.0], [0.0]])
    for k in range(2, model.harmonics + 1):
        here = basis[model.harmonic(k) : model.harmonic(k) + 2]
        np.multiply(one, twice, out=here)
        here -= before
        one, before = here, one


def _columns(model: Model) -> int:
    """Terms that all terms are multiplied with: the fixed ones, power 0 and, where it is another, the highest."""
    return model.fixed + (4 if model.envelope else 2)


def _add_up(
    basis: Floats, y: NDArray[np.generic], borders: NDArray[np.int64], model: Model, products: Floats, energy: Floats
) -> None:
    """Products of one batch of cells, written into the last two arguments."""
    with_them = np.empty((len(y), _columns(model) + y.shape[1]))
    fixed, highest = model.fixed, 1 + 2 * model.envelope
    with_them[:, 0] = 1.0
    with_them[:, 1:fixed] = basis[highest + 2 :].T
    with_them[:, fixed : fixed + 2] = basis[1:3].T
    if model.envelope:
        with_them[:, fixed + 2 : fixed + 4] = basis[highest : highest + 2].T
    with_them[:, _columns(model) :] = y
    squares, ones = np.square(with_them[:, _columns(model) :]), basis[0]
    for cell, (a, b) in enumerate(pairwise(borders.tolist())):
        np.dot(basis[:, a:b], with_them[a:b], out=products[cell])
        np.dot(ones[a:b], squares[a:b], out=energy[cell])


def _sorted(products: Floats, energy: Floats, model: Model) -> Sums:
    """Products of all terms with some, by kind."""
    n, e, fixed = len(products), model.envelope, model.fixed
    powers = products[:, model.powers].reshape(n, e + 1, 2, -1)
    low, high = powers[..., fixed : fixed + 2], powers[:, 1:, :, fixed + 2 : fixed + 4]
    power = np.concatenate([low, high], axis=1) if e else low
    others = np.r_[0:fixed, _columns(model) : products.shape[2]]
    return Sums(
        power=power.reshape(n, 2 * e + 1, 4),
        mixed=powers[..., others].reshape(n, e + 1, -1),
        fixed=products[:, np.r_[0, model.powers.stop : model.terms]][..., others],
        energy=energy,
    )


def joined(sums: Sums, edges: Floats, first: NDArray[np.int64], cells: int, model: Model) -> Sums:
    """Sums of windows of so many cells that begin with the cells ``first``."""
    begin, end = edges[first], edges[first + cells]
    middle, half = (begin + end) / 2.0, (end - begin) / 2.0
    total = Sums(*(np.zeros((len(first), *getattr(sums, name).shape[1:])) for name in Sums.__slots__))
    for k in range(cells):
        cell = first + k
        alpha = (edges[cell + 1] - edges[cell]) / 2.0 / half
        beta = ((edges[cell + 1] + edges[cell]) / 2.0 - middle) / half
        shift = _shift(alpha, beta, 2 * model.envelope + 1)
        total.power[:] += shift @ sums.power[cell]
        total.mixed[:] += shift[:, : model.envelope + 1, : model.envelope + 1] @ sums.mixed[cell]
        total.fixed[:] += sums.fixed[cell]
        total.energy[:] += sums.energy[cell]
    return total


def _shift(alpha: Floats, beta: Floats, powers: int) -> Floats:
    """Powers of α u + β from those of u, shape (n, powers, powers)."""
    shift = np.zeros((len(alpha), powers, powers))
    of_alpha, of_beta = (each[:, None] ** np.arange(powers) for each in (alpha, beta))
    for p in range(powers):
        binomial = np.array([comb(p, q) for q in range(p + 1)])
        shift[:, p, : p + 1] = binomial * of_alpha[:, : p + 1] * of_beta[:, p::-1]
    return shift


def normal_equations(sums: Sums, model: Model) -> tuple[Floats, Floats]:
    """Matrix (n, terms, terms) and right sides (n, terms, channels) of the least-squares fit."""
    n, e, fixed = len(sums.energy), model.envelope, model.fixed
    gram = np.empty((n, model.terms, model.terms))
    moment = np.empty((n, model.terms, sums.energy.shape[1]))
    for p in range(e + 1):
        rows = slice(1 + 2 * p, 3 + 2 * p)
        for q in range(e + 1):
            gram[:, rows, 1 + 2 * q : 3 + 2 * q] = sums.power[:, p + q].reshape(n, 2, 2)
    mixed = sums.mixed.reshape(n, 2 * (e + 1), -1)
    still = np.r_[0, model.powers.stop : model.terms]
    gram[:, model.powers, still] = mixed[..., :fixed]
    gram[:, still, model.powers] = mixed[..., :fixed].transpose(0, 2, 1)
    gram[:, still[:, None], still] = sums.fixed[..., :fixed]
    moment[:, model.powers] = mixed[..., fixed:]
    moment[:, still] = sums.fixed[..., fixed:]
    return gram, moment
