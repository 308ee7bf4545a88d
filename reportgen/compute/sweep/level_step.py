"""Steps in level: the drive turned up or down by hand, told from resonances by being sudden and lasting."""

from __future__ import annotations

import numpy as np

from reportgen.compute.sweep.profile import jumps, profile_level
from reportgen.records.job import Profile
from reportgen.records.log import Floats

SMALLEST_STEP_DB = 2.0
"""Smaller steps are within what a controller does by itself (IEC 60068-2-6 allows ±15 %, 2.6 dB from one side to the
other)."""
WINDOW_OCTAVES = 1.0 / 6.0
"""The level before and after is the median over this much of the sweep."""
SUDDEN_ROWS = 4
"""A step is over within this many rows (or 0.5 % of the frequency), where a resonance rises over its bandwidth."""
SUDDEN_OCTAVES = 0.0072
END_ROWS = 10
"""Rows whose median is the level at the end of one piece of a sweep and at the beginning of the next."""
SHARE_AT_ONCE = 0.7
MOST_AT_ONCE = 1.4
"""Shares of the lasting change that have to come at once; a resonance beside an antiresonance changes by far more."""
SCATTER_SHARE = 0.2
"""The course on both sides scatters by less than this share of the step."""


def level_steps(
    frequency_hz: Floats, control_level: Floats, profile: Profile | None
) -> tuple[tuple[float, float], ...]:
    """(frequency Hz, step dB) of lasting, sudden changes of the control, shape (n,) both; in the order of the log.

    Held against the profile, so that its own jumps, slopes and agreed notches are none; without one against its own
    course.
    """
    return steps_of(frequency_hz, _course_db(frequency_hz, control_level, profile))


def step_between(
    f: Floats, control_level: Floats, profile: Profile | None, before: slice, after: slice
) -> float | None:
    """dB by which the control of one piece of a sweep begins above the end of another; None where it goes on."""
    course = _course_db(f, control_level, profile)
    ends = [course[before][-END_ROWS:], course[after][:END_ROWS]]
    known = [each[np.isfinite(each)] for each in ends]
    if not all(each.size for each in known):
        return None
    step = float(np.median(known[1]) - np.median(known[0]))
    return step if abs(step) >= SMALLEST_STEP_DB else None


def _course_db(f: Floats, level: Floats, profile: Profile | None) -> Floats:
    known = np.isfinite(level) & (level > 0)
    course = np.full(f.shape, np.nan)
    reference = profile_level(profile, f) if profile is not None else np.ones(f.shape)
    if profile is not None:
        for jump_hz in jumps(profile):
            reference[np.abs(f - jump_hz) <= 0.01 * jump_hz] = np.nan
        for notch in profile.notches:
            reference[(f >= notch.from_hz) & (f <= notch.to_hz)] = np.nan
    known &= np.isfinite(reference)
    course[known] = 20.0 * np.log10(level[known] / reference[known])
    return course


def steps_of(frequency_hz: Floats, course_db: Floats) -> tuple[tuple[float, float], ...]:
    """Sudden lasting steps of any course in dB over the sweep, shape (n,); NaN rows are left out."""
    rows = np.flatnonzero(np.isfinite(course_db))
    f, y = frequency_hz[rows], course_db[rows]
    n = len(y)
    if n < 6 * SUDDEN_ROWS:
        return ()
    octave_per_row = abs(float(np.log2(f[-1] / f[0]))) / (n - 1)
    smeared = int(SUDDEN_OCTAVES / octave_per_row / 2) if octave_per_row > 0 else 0
    gap = min(max(SUDDEN_ROWS, smeared), n // 8)
    window = int(np.clip(WINDOW_OCTAVES / octave_per_row if octave_per_row > 0 else n // 8, 3 * gap, n // 3))
    sudden = np.zeros(n)
    sudden[gap : n - gap] = y[2 * gap :] - y[: n - 2 * gap]
    found: list[tuple[float, float]] = []
    candidates = np.flatnonzero(np.abs(sudden) >= SHARE_AT_ONCE * SMALLEST_STEP_DB)
    for group in np.split(candidates, np.flatnonzero(np.diff(candidates) > 1) + 1):
        if not group.size:
            continue
        step = _lasting_step(y, int(group[np.argmax(np.abs(sudden[group]))]), gap, window, sudden)
        if step is not None:
            row = int(group[np.argmax(np.abs(sudden[group]))])
            found.append((float(f[row]), step))
    return tuple(found)


def _lasting_step(y: Floats, row: int, gap: int, window: int, sudden: Floats) -> float | None:
    """Step in dB at a row, or None where the change comes back, builds up slowly or is lost in scatter."""
    before, after = y[max(0, row - gap - window) : row - gap + 1], y[row + gap : row + gap + window]
    if min(len(before), len(after)) < max(3, gap):
        return None
    step = float(np.median(after) - np.median(before))
    at_once = float(sudden[row])
    scatter = max(_scatter(before), _scatter(after))
    if abs(step) < SMALLEST_STEP_DB or at_once * step <= 0 or scatter > SCATTER_SHARE * abs(step):
        return None
    near = float(np.median(y[row + gap : row + 3 * gap]) - np.median(y[max(0, row - 3 * gap) : row - gap + 1]))
    if not all(
        SHARE_AT_ONCE * abs(step) <= each * np.sign(step) <= MOST_AT_ONCE * abs(step) for each in (at_once, near)
    ):
        return None
    return step


def _scatter(y: Floats) -> float:
    return float(1.4826 * np.median(np.abs(y - np.median(y))))
