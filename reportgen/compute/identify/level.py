"""The level that really drove the specimen, from a control reading that has noise of its own.

Scatter of the control from row to row is either real, and then every response follows it, or it is noise of the
reading, and then none does. The share that the responses follow is kept; the rest is smoothed away where a smooth
course is what the readings show, and never across a step or a notch.
"""

from __future__ import annotations

import numpy as np

from reportgen.compute.identify.envelope import Complexes
from reportgen.records.log import Floats

_HALF_WIDTHS = (12, 8, 5, 3)
_LEAST_SCATTER = 2e-4
"""Relative scatter of the control from row to row below which it is taken as it is."""


def drive_level(control: Floats, responses: Complexes | Floats) -> Floats:
    """Control amplitude with its reading noise smoothed away, shape (n,); responses (n, c), NaN where none."""
    if len(control) < 2 * _HALF_WIDTHS[-1] + 5:
        return control
    own = _fourth(np.log(control))
    scatter = 1.4826 * float(np.median(np.abs(own)))
    if scatter < _LEAST_SCATTER:
        return control
    followed = _share_followed(own, np.abs(responses), scatter)
    if followed > 0.9:
        return control
    smooth = _smooth(control, scatter)
    return np.asarray(smooth + followed * (control - smooth))


def _fourth(values: Floats) -> Floats:
    """Fourth differences scaled to the standard deviation of white noise."""
    fourth = values[:-4] - 4 * values[1:-3] + 6 * values[2:-2] - 4 * values[3:-1] + values[4:]
    return np.asarray(fourth / np.sqrt(70.0))


def _share_followed(own: Floats, responses: Floats, scatter: float) -> float:
    """Share of the control's scatter that the responses follow: the largest regression slope, within 0 … 1."""
    slopes = [0.0]
    typical = np.abs(own) < 4.0 * scatter
    for c in range(responses.shape[1]):
        reading = np.where(responses[:, c] > 0, responses[:, c], np.nan)
        theirs = _fourth(np.log(reading))
        quiet = 1.4826 * np.nanmedian(np.abs(theirs)) if np.isfinite(theirs).any() else np.nan
        use = typical & (np.abs(theirs) < 4.0 * quiet)
        if use.sum() >= 30:
            slopes.append(float(theirs[use] @ own[use] / (own[use] @ own[use])))
    return float(np.clip(np.median(slopes[1:] or [0.0]), 0.0, 1.0))


def _smooth(control: Floats, scatter: float) -> Floats:
    """Local quadratic over the widest stretch that it follows within the scatter; elsewhere the reading itself."""
    smooth = control.copy()
    done = np.zeros(len(control), bool)
    for half in _HALF_WIDTHS:
        if 2 * half + 1 >= len(control):
            continue
        value, spread = _local_quadratic(control, half)
        good = ~done & (spread < 1.5 * scatter * control)
        smooth[good] = value[good]
        done |= good
    return smooth


def _local_quadratic(control: Floats, half: int) -> tuple[Floats, Floats]:
    """Value at each row of the quadratic through its 2·half+1 neighbours, and the rms misfit of that stretch."""
    size = 2 * half + 1
    t = np.linspace(-1.0, 1.0, size)
    basis = np.linalg.qr(np.stack([np.ones(size), t, t * t], axis=1))[0]
    windows = np.lib.stride_tricks.sliding_window_view(control, size)
    weights = windows @ basis
    spread = np.sqrt(np.maximum(np.sum(windows**2, axis=1) - np.sum(weights**2, axis=1), 0.0) / (size - 3))
    at = np.clip(np.arange(len(control)) - half, 0, len(windows) - 1)
    place = np.clip(np.arange(len(control)) - at, 0, size - 1)
    return np.sum(weights[at] * basis[place], axis=1), spread[at]
