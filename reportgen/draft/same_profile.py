"""Which runs followed one profile: alike within what a control leaves, or over a section of another's range."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from reportgen.draft.seen_runs import Seen
from reportgen.errors import ComputeError
from reportgen.records.job import Profile

if TYPE_CHECKING:
    from reportgen.compute.sweep.profile_as_swept import Corner

ALIKE = 0.12
"""Share within which two profiles or rates are one: rounding and a control within its tolerance move them so far."""
END = 0.02
"""Share by which a section may reach beyond the profile it is one of: ends of rows, and rounding."""

CORNERS = 0.05
"""Share of a range over which two logs of one profile may differ by more than that: corners are read off rows."""
POINTS = 48
"""Frequencies, evenly spaced in octaves, at which a level is held against a given profile: six an octave of the widest
ranges in use, 10 Hz to 2 kHz, so that no stretch of a third of an octave is passed over."""


def grouped(runs: Sequence[Seen]) -> dict[str, list[Seen]]:
    """Runs by the profile that their control followed, under a name for each."""
    groups: list[list[Seen]] = []
    for run in runs:
        if run.corners:
            same = next((each for each in groups if _alike(each[0], run)), None)
            groups.append([run]) if same is None else same.append(run)
    named: dict[str, list[Seen]] = {}
    for group in _without_sections(groups):
        name, number = str(group[0].kind).upper(), 1
        while (own := name if number == 1 else f"{name}-{number}") in named:
            number += 1
        named[own] = group
    return named


def typical(runs: Sequence[Seen]) -> Seen:
    """The run of a group whose corners tell its profile best: the fewest, a displacement where others see a velocity.

    Over a short stretch below a crossover the two cannot be told apart; specifications cross over from displacement.
    """
    return min(runs, key=lambda run: (len(run.corners), run.corners[0].dimension != "displacement"))


def _alike(one: Seen, other: Seen) -> bool:
    """Whether two runs of one kind followed one profile: over the same range, at one rate and level all along."""
    if one.kind is not other.kind or min(len(one.corners), len(other.corners)) < 2:
        return False
    low, high = one.corners[0].frequency_hz, one.corners[-1].frequency_hz
    ends = ((low, other.corners[0].frequency_hz), (high, other.corners[-1].frequency_hz))
    rates = [each.facts.rate for each in (one, other) if each.facts is not None and each.facts.rate is not None]
    if not all(_near(*pair) for pair in ends) or (len(rates) == 2 and not _near(*rates)):
        return False
    at_hz = [low * (high / low) ** ((place + 0.5) / POINTS) for place in range(POINTS)]
    levels = [(_level_at(one.corners, f), _level_at(other.corners, f)) for f in at_hz]
    return sum(_near(*pair) for pair in levels) >= (1.0 - CORNERS) * POINTS


def _without_sections(groups: Sequence[list[Seen]]) -> list[list[Seen]]:
    """Groups of runs, those that ran only a section of another's profile joined to it: stopped, or resumed."""
    wholes = [each for each in groups if not any(is_section(each[0], other[0]) for other in groups)]
    joined = [[*each] for each in wholes]
    for group in groups:
        if group not in wholes:
            into = next((each for each in joined if is_section(group[0], each[0])), None)
            joined.append([*group]) if into is None else into.extend(group)
    return joined


def is_section(part: Seen, whole: Seen) -> bool:
    """Whether a run followed the profile of another one of its kind over a narrower range."""
    if part.kind is not whole.kind or len(part.corners) < 2 or len(whole.corners) < 2:
        return False
    rates = [each.facts.rate for each in (part, whole) if each.facts is not None and each.facts.rate is not None]
    low, high = part.corners[0].frequency_hz, part.corners[-1].frequency_hz
    from_hz, to_hz = whole.corners[0].frequency_hz, whole.corners[-1].frequency_hz
    narrower = high / low < (1.0 - ALIKE) * to_hz / from_hz
    inside = low > (1.0 - END) * from_hz and high < (1.0 + END) * to_hz
    if not (narrower and inside) or (len(rates) == 2 and not _near(*rates)):
        return False
    between = [(a.frequency_hz * b.frequency_hz) ** 0.5 for a, b in pairwise(part.corners)]
    return all(_near(_level_at(part.corners, at_hz), _level_at(whole.corners, at_hz)) for at_hz in between)


def followed(run: Seen, profile: Profile) -> bool:
    """Whether a run followed a given profile: over its whole range, at its rate, and its level all along."""
    import numpy as np

    from reportgen.compute.sweep.profile import profile_level, profile_range

    if len(run.corners) < 2:
        return False
    low, high = run.corners[0].frequency_hz, run.corners[-1].frequency_hz
    try:
        from_hz, to_hz = profile_range(profile)
        at_hz = [from_hz * (to_hz / from_hz) ** ((place + 0.5) / POINTS) for place in range(POINTS)]
        required = profile_level(profile, np.asarray(at_hz))
    except ComputeError:
        return False
    if abs(low / from_hz - 1.0) > END or abs(high / to_hz - 1.0) > END or not _same_rate(run, profile):
        return False
    pairs = zip(at_hz, required, strict=True)
    return all(_near(_level_at(run.corners, f), float(level)) for f, level in pairs if math.isfinite(level))


def _same_rate(run: Seen, profile: Profile) -> bool:
    """Whether a run went at the rate of a profile; where one of them has none, nothing speaks against it."""
    asked = profile.sweep_rate
    if asked is None or run.facts is None or run.facts.rate is None:
        return True
    return asked.unit == run.facts.rate_unit and _near(asked.value, run.facts.rate)


def _level_at(corners: Sequence[Corner], at_hz: float) -> float:
    """Acceleration, m/s² peak, of a profile at a frequency; beyond its ends, that of its outer piece."""
    from reportgen.compute.sweep.profile_as_swept import SLOPES

    pieces = [(a, b) for a, b in pairwise(corners) if b.frequency_hz > a.frequency_hz]
    left, right = next((piece for piece in pieces if at_hz <= piece[1].frequency_hz), pieces[-1])
    share = math.log(at_hz / left.frequency_hz) / math.log(right.frequency_hz / left.frequency_hz)
    amplitude = left.amplitude * (right.amplitude / left.amplitude) ** share
    return float(amplitude * (2.0 * math.pi * at_hz) ** SLOPES[left.dimension])


def _near(a: float, b: float) -> bool:
    return abs(a - b) <= ALIKE * max(abs(a), abs(b))
