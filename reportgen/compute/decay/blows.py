"""Blows within a free decay: what linear prediction does not foresee.

Samples of a structure that rings freely follow from those after them, as from those before, by fixed weights (Prony's
method; S. L. Marple, Digital Spectral Analysis, 1987, ch. 11, from memory). A force from outside breaks that for as
long as it acts, however large the motion is on which it falls; what noise or a joint adds does not stand out, because
it is there all along. Each sample is told from those after it, so that a hammer in contact at the beginning shows, too.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from reportgen.compute.decay.decay_candidates import FALSE_ALARM
from reportgen.records.log import Floats

_ORDER = 48
"""Samples that one is told from: two a mode, and as many again for noise, of twelve modes. What more modes leave falls
as they do; a higher order would take a blow for longer than it lasts."""
_SHARE = 12
"""Of the samples: an order of more would fit what it should show."""
_LONGEST = 1 << 16
"""Samples looked through from the release on; what comes later is found by its height alone."""
_FITTED = 1 << 13
"""Samples that the weights are fitted to, of as many: they are the same all along."""
_PARTS = 4
"""Blocks a cycle of the strongest line: friction strikes twice a cycle, in every other of them."""
_AROUND = 32
"""Blocks on either side, eight cycles, that say what is usual."""
_USUAL = 0.8
"""Share of them that the usual error is not below: with friction half of them are struck."""
_MOST_BLOWS = 8
"""Times that blocks are looked at anew: a hammer comes down again less often."""
_LEAST_LEFT = 1e-6
"""Least share of a direction that fitting leaves: what is less is rounding."""
_STANDS_OUT = 2.0
"""6 dB over the largest that noise alone brings. Experience: joints (friction, slip, square damping, cubic springs)
stood up to 1.6 times that, 12 to 40 modes of like size 1.9 (once 2.2), a third blow of a quarter of the first 2.2 to
2.8."""
_FEWEST = 8
"""Blocks that say what is usual, at least."""


def blows_in(samples: Floats, cycle: int) -> list[tuple[int, int]]:
    """First and one-past-last sample of each blow in a free decay of shape (n, channels) that begins at its release.

    ``cycle`` is one of the strongest line, in samples. A blow ends where prediction holds again; it begins later than
    said by what a sample is told from.
    """
    x = samples[:_LONGEST]
    order = min(_ORDER, len(x) // _SHARE)
    block = max(4, cycle // _PARTS)
    if order < 4 or len(x) < (2 * _FEWEST + 1) * block + order:
        return []
    error = _unforeseen(x, order)
    whole = len(error) // block * block
    height = error[:whole].reshape(-1, block).max(axis=1)
    by_chance = _by_chance(whole, block, int(np.sum(np.ptp(x, axis=0) > 0)))
    struck = _struck(height, _STANDS_OUT * by_chance, -(-order // block))
    return _joined([(int(k) * block, int(k + 1) * block) for k in struck], max(order, cycle))


def _struck(height: Floats, above: float, smeared: int) -> NDArray[np.int64]:
    """Blocks that stand out of what is usual around them; others are looked at anew without these.

    As many blocks as ``smeared`` before a blow are told from samples that hold it, and say nothing of what is usual.
    """
    kept, found = np.ones(len(height), dtype=bool), np.zeros(len(height), dtype=bool)
    for _ in range(_MOST_BLOWS):
        places = np.flatnonzero(kept)
        new = places[height[places] > above * _usual(height[places], smeared)]
        if not len(new):
            break
        found[new] = True
        for block in new:
            kept[max(block - smeared, 0) : block + 1] = False
    return np.flatnonzero(found)


def _unforeseen(x: Floats, order: int) -> Floats:
    """Root sum square over the channels of what linear prediction leaves, over its median; shape (n − order,)."""
    total = np.zeros(len(x) - order)
    for column in (x - np.mean(x, axis=0)).T:
        if not np.any(column):
            continue
        after = np.lib.stride_tricks.sliding_window_view(column[1:], order)
        told = column[: len(after)]
        left = np.abs(_left_by_prediction(after, told))
        total += (left / max(float(np.median(left)), 1e-300)) ** 2
    return np.asarray(np.sqrt(total))


def _left_by_prediction(after: Floats, told: Floats) -> Floats:
    """What prediction leaves of each sample, over how well it could be fitted away, shape (n,).

    A blow is among the samples that the weights are fitted to, and two modes leave most of the weights free to follow
    it. Of a stretch of residuals e with the part H of the hat matrix, (I − H)^(−½) e is as scattered as the noise
    (studentized residuals of a block; R. D. Cook and S. Weisberg, Residuals and Influence in Regression, 1982, from
    memory), and a blow within it stands out as if it had hardly been fitted to.
    """
    few = slice(None, None, max(1, len(after) // _FITTED))
    weights = np.linalg.lstsq(after[few], told[few], rcond=None)[0]
    left: Floats = told - after @ weights
    if few.step > 1:
        return left  # each row is one of so many that none draws the weights to itself
    basis = np.linalg.qr(after)[0]
    reach, found = after.shape[1], left.copy()
    for middle in range(0, len(left), reach):
        first = max(middle - reach // 2, 0)
        part = slice(first, middle + reach + reach // 2)
        shares, turned = np.linalg.eigh(np.eye(len(left[part])) - basis[part] @ basis[part].T)
        sized = turned @ ((turned.T @ left[part]) / np.sqrt(np.maximum(shares, _LEAST_LEFT)))
        found[middle : middle + reach] = sized[middle - first : middle - first + reach]
    return found


def _by_chance(readings: int, block: int, channels: int) -> float:
    """The largest of all readings of normal noise over what is usual of the largest in blocks of so many.

    Root sums of squares over the channels follow the χ distribution; the largest is exceeded with a chance of
    FALSE_ALARM.
    """
    largest, usual = chdtri(max(channels, 1), [FALSE_ALARM / readings, 1.0 - _USUAL ** (1.0 / block)])
    return float(np.sqrt(largest / usual))


def _usual(height: Floats, smeared: int) -> Floats:
    """What errors are usual around each block: the larger of those before it and those after it.

    Before it without as many blocks as ``smeared``: what they are told from holds the blow already.
    """
    before = np.concatenate([np.full(smeared, -np.inf), _beside(height, _upper)])[: len(height)]
    return np.asarray(np.fmax(before, _beside(height[::-1], _upper_of_fallen)[::-1]))


def _beside(height: Floats, usual: Callable[[Floats], Floats]) -> Floats:
    """What is usual of the blocks before each, (m,); −∞ where these are too few to say it."""
    found = np.full(len(height), -np.inf)
    for k in range(_FEWEST, min(_AROUND, len(height))):
        found[k] = usual(height[:k])
    if len(height) > _AROUND:
        found[_AROUND:] = usual(np.lib.stride_tricks.sliding_window_view(height[:-1], _AROUND))
    return found


def _upper(height: Floats) -> Floats:
    """What a share of _USUAL is not above, along the last axis."""
    place = int(_USUAL * (height.shape[-1] - 1))
    return np.asarray(np.partition(height, place, axis=-1)[..., place])


def _upper_of_fallen(height: Floats) -> Floats:
    """The same of later blocks, the next one last, as it was before it fell exponentially to there.

    The share that is above it is the nearest blocks where errors fall; halves are half of them apart.
    """
    half = height.shape[-1] // 2
    near, far = _upper(height[..., -half:]), _upper(height[..., :half])
    fell = np.divide(near, far, out=np.ones_like(near), where=far > 0)
    return np.asarray(_upper(height) * np.maximum(fell, 1.0) ** (2.0 * (1.0 - _USUAL)))


def _joined(found: list[tuple[int, int]], near: int) -> list[tuple[int, int]]:
    """Stretches closer together than ``near`` as one."""
    joined: list[tuple[int, int]] = []
    for begin, end in found:
        if joined and begin - joined[-1][1] <= near:
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((begin, end))
    return joined
