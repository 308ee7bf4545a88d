"""From a count of nodes to the number of the bending mode, and when such a count cannot be taken at its word.

Rule by boundary, supports not counted: clamped-free, clamped-pinned, clamped-clamped, pinned-pinned: nodes + 1;
free-free: nodes − 1 (elastic modes). It follows from the shapes of Blevins, Table 8-1; the tests count their zeros.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reportgen.compute.modes.beam import newborn_node, nodes
from reportgen.records.job import Boundary
from reportgen.records.message import Message, message

POSITION_TOLERANCE = 0.02
"""Of the length: how well a node can be placed by eye or by granules."""
HIDDEN_BY_CLAMP = 0.10
"""Of the length: nearer to the clamp a new node is hardly told from the clamp itself (own judgement, no source)."""
HIDDEN_BY_TIP_MASS = 0.95
"""Of the length: beyond this a node lies under what is fixed to the tip."""
AT_SUPPORT = 0.01
TIPS_LOOKED_AT = (0.0, 0.1, 0.3, 1.0, 3.0, 10.0)
"""Tip mass ratios tried where none is stated."""
PAST_PEAK_DEG = 45.0
"""Phase has turned by this at the half-power points (single degree of freedom)."""

SUPPORTED_ENDS: dict[Boundary, tuple[float, ...]] = {
    Boundary.CLAMPED_FREE: (0.0,),
    Boundary.CLAMPED_PINNED: (0.0, 1.0),
    Boundary.CLAMPED_CLAMPED: (0.0, 1.0),
    Boundary.PINNED_PINNED: (0.0, 1.0),
    Boundary.FREE_FREE: (),
}
"""Where clamps and pins stand, x/L."""


@dataclass(frozen=True, slots=True)
class Numbering:
    """A mode number, or why there is none; ``flags`` say what weighs on it."""

    mode: int | None
    nodes: int | None
    """Interior nodes of the mode shape, supports and newborn nodes taken off."""
    flags: tuple[Message, ...] = ()
    newborn: bool = False
    """True where the node nearest the clamp was taken off as one of absolute motion."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """A count of nodes at a drive frequency, beside the resonance it belongs to."""

    nodes: int
    drive_hz: float
    positions: tuple[float, ...] = ()
    """Fractions of the length."""
    resonance_hz: float | None = None
    half_bandwidth_hz: float = 0.0
    """f/(2Q) of the resonance."""
    reading_hz: float = 0.0
    """Standard uncertainty of the drive frequency as read and of the resonance."""
    phase_turned_deg: float | None = None
    """How far the response has turned from its phase at the resonance, positive beyond it; None without phase."""
    resonances_below: int | None = None
    """Bending resonances that the logs of the axis show below this one; None where that says nothing."""


def mode_from_count(boundary: Boundary, count: int, *, supports_counted: bool = False) -> Numbering:
    """Number of the bending mode that has ``count`` nodes.

    >>> mode_from_count(Boundary.CLAMPED_FREE, 2).mode
    3
    >>> mode_from_count(Boundary.FREE_FREE, 2).mode
    1
    """
    supports = len(SUPPORTED_ENDS[boundary]) if supports_counted else 0
    interior = count - supports
    if interior < 0:
        short = message("count.fewer-than-supports", nodes=count, boundary=boundary, supports=supports)
        return Numbering(None, None, (short,))
    if boundary is Boundary.FREE_FREE:
        if interior < 2:
            return Numbering(None, interior, (message("count.rigid-body", nodes=interior),))
        return Numbering(interior - 1, interior)
    return Numbering(interior + 1, interior)


def nodes_of_mode(boundary: Boundary, mode: int) -> int:
    """Interior nodes of a bending mode."""
    return mode + 1 if boundary is Boundary.FREE_FREE else mode - 1


def number_count(
    boundary: Boundary, count: Count, *, supports_counted: bool = False, tip_mass_ratio: float | None = None
) -> Numbering:
    """Mode number from a count, with the trap of base drive looked into.

    What strobe, granules and touch show of a specimen driven at its clamp is absolute motion. A node of it is born at
    the clamp just above each resonance and wanders outward, so that past a peak the count is that of the mode above. A
    count taken past the peak is therefore held against the place where the new node stands there: where a node was
    seen at that place it is taken off; where no place was noted, the number stands only if the logs show as many
    resonances below as it asks for, and is left open otherwise. A clamped-free beam whose tip
    mass is not known (``tip_mass_ratio`` None) is looked at from no tip mass to ten times its own.
    """
    at_support = _at_support(boundary, count.positions)
    if at_support is not None and not supports_counted:
        return Numbering(None, None, (message("count.node-at-support", position=at_support),))
    plain = mode_from_count(boundary, count.nodes, supports_counted=supports_counted)
    if plain.mode is None or plain.nodes is None or not _past_peak(boundary, count) or plain.nodes == 0:
        return plain
    assert count.resonance_hz is not None
    ratio = count.drive_hz / count.resonance_hz
    tips = _tips(boundary, tip_mass_ratio)
    born = [newborn_node(boundary, plain.mode - 1, ratio, tip) for tip in tips]
    seen = [each for each in born if each is not None and each >= HIDDEN_BY_CLAMP]
    if not seen:
        return plain
    matched = any(match_nodes(count.positions, nodes(boundary, plain.mode, tip)) for tip in tips)
    return _weigh(count, plain, (min(seen), max(seen)), ratio, matched)


def _tips(boundary: Boundary, tip_mass_ratio: float | None) -> tuple[float, ...]:
    if boundary is not Boundary.CLAMPED_FREE:
        return (0.0,)
    return TIPS_LOOKED_AT if tip_mass_ratio is None else (tip_mass_ratio,)


def _at_support(boundary: Boundary, positions: Sequence[float]) -> float | None:
    """A position that is a clamp or pin rather than a node."""
    return next((each for each in positions for end in SUPPORTED_ENDS[boundary] if abs(each - end) <= AT_SUPPORT), None)


def _past_peak(boundary: Boundary, count: Count) -> bool:
    if boundary not in (Boundary.CLAMPED_FREE, Boundary.CLAMPED_PINNED, Boundary.CLAMPED_CLAMPED):
        return False
    if count.resonance_hz is None:
        return False
    above = count.drive_hz - count.resonance_hz
    turned = count.phase_turned_deg is not None and count.phase_turned_deg > PAST_PEAK_DEG
    return above > count.half_bandwidth_hz + 2.0 * count.reading_hz or (turned and above > 0)


def _weigh(count: Count, plain: Numbering, born: tuple[float, float], ratio: float, matched: bool) -> Numbering:
    """Whether the newborn node, which stands at ``born`` (from, to), is among those counted."""
    assert plain.mode is not None
    assert plain.nodes is not None
    where = _counted_above(ratio, count.phase_turned_deg)
    place = _place(born)
    lower = plain.mode - 1
    if not count.positions and count.resonances_below == plain.nodes:
        agrees = message("count.logs-agree", where=where, below=count.resonances_below, mode=plain.mode)
        return Numbering(plain.mode, plain.nodes, (agrees,))
    if not count.positions:
        open_count = message("count.may-be-one-high", where=where, place=place, mode=plain.mode, lower=lower)
        return Numbering(None, None, (open_count,))
    if matched:
        fits = message("count.positions-agree", where=where, mode=plain.mode)
        return Numbering(plain.mode, plain.nodes, (fits,))
    near_root = min(count.positions)
    if born[0] - 2.0 * POSITION_TOLERANCE <= near_root <= born[1] + 2.0 * POSITION_TOLERANCE:
        taken_off = message("count.new-node-taken-off", where=where, position=near_root, place=place)
        return Numbering(lower, plain.nodes - 1, (taken_off,), newborn=True)
    undecided = message("count.positions-undecided", where=where, place=place, mode=plain.mode, lower=lower)
    return Numbering(None, None, (undecided,))


def _counted_above(ratio: float, phase_turned_deg: float | None) -> Message:
    if phase_turned_deg is None:
        return message("count.above-resonance", above=ratio - 1)
    return message("count.above-resonance-turned", above=ratio - 1, turned_deg=phase_turned_deg)


def _place(born: tuple[float, float]) -> Message:
    """Where the new node stands; from and to where it depends on an unknown tip mass."""
    if born[1] - born[0] < 0.01:
        return message("count.place", position=born[0])
    return message("count.place-range", start=born[0], end=born[1])


def match_nodes(seen: Sequence[float], expected: Sequence[float], tolerance: float = POSITION_TOLERANCE) -> bool:
    """True where every node seen stands at an expected one, each at its own."""
    free = list(expected)
    for position in sorted(seen):
        near = min(free, key=lambda x: abs(x - position), default=None)
        if near is None or abs(near - position) > tolerance:
            return False
        free.remove(near)
    return True


def misplaced_nodes(
    seen: Sequence[float], spans: Sequence[tuple[float, float]], tolerance: float = POSITION_TOLERANCE
) -> tuple[tuple[float, float | None], ...]:
    """Nodes seen farther than the tolerance from where any is expected, with the nearest place expected."""
    found: list[tuple[float, float | None]] = []
    for position in seen:
        nearest = [min(max(position, low), high) for low, high in spans]
        near = min(nearest, key=lambda x: abs(x - position), default=None)
        if near is None or abs(near - position) > tolerance:
            found.append((position, near))
    return tuple(found)


def node_spans(boundary: Boundary, mode: int, tip_mass_ratio: float | None) -> tuple[tuple[float, float], ...]:
    """From where to where each node can lie: a point where the tip mass is known, else for none up to ten times."""
    shapes = [nodes(boundary, mode, tip) for tip in _tips(boundary, tip_mass_ratio)]
    return tuple((min(each), max(each)) for each in zip(*shapes, strict=True))
