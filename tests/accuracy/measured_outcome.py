"""Found against true on the kinds of ``measured_kinds``: missed, invented, and whether the intervals hold."""

from __future__ import annotations

import sys
import time
import traceback
from dataclasses import dataclass

from reportgen.compute.identification import identify_modes
from reportgen.compute.identification.swept_response import Identification
from reportgen.records.result import Resonance
from tests.accuracy.measured_kinds import MEASURED, MeasuredRun, Truth
from tests.identified import frequencies_of

NEAR = 0.005
"""Relative distance, beside 0.7 bandwidths, within which a mode found is the true one; as for the linear kinds."""
WITHIN = 1.959964
G = 9.80665


@dataclass(frozen=True)
class Interval:
    """One value with its 95 % interval against truth."""

    quantity: str
    truth: float
    found: float
    std: float | None

    @property
    def holds(self) -> bool:
        return self.std is not None and abs(self.found - self.truth) <= WITHIN * self.std


@dataclass(frozen=True)
class MeasuredOutcome:
    """What came of one run."""

    run: MeasuredRun
    missed: tuple[float, ...]
    invented: tuple[float, ...]
    unexplained: tuple[float, ...]
    """Peaks that nothing explains, of all channels without a fault."""
    intervals: tuple[Interval, ...]
    seconds: float

    def coverage(self, quantity: str) -> tuple[int, int]:
        """(intervals that hold, intervals)."""
        mine = [each.holds for each in self.intervals if each.quantity == quantity and each.std is not None]
        return sum(mine), len(mine)


def outcome(run: MeasuredRun) -> MeasuredOutcome:
    """Identify and compare."""
    begin = time.process_time()
    found = identify_modes(run.swept)
    seconds = time.process_time() - begin
    pairs, invented = _pair(run, frequencies_of(found))
    missed = tuple(t.frequency_hz for k, t in enumerate(run.truths) if t.must and k not in pairs.values())
    intervals = [each for i, k in pairs.items() for each in _intervals(run, found, frequencies_of(found)[i], k)]
    unexplained = tuple(
        p.frequency_hz for fit in found.channels if fit.channel not in run.spoiled for p in fit.unexplained
    )
    return MeasuredOutcome(run, missed, invented, unexplained, tuple(intervals), seconds)


def _pair(run: MeasuredRun, found: tuple[float, ...]) -> tuple[dict[int, int], tuple[float, ...]]:
    gaps = sorted(
        (abs(f / t.frequency_hz - 1.0), i, k)
        for i, f in enumerate(found)
        for k, t in enumerate(run.truths)
        if abs(f / t.frequency_hz - 1.0) < max(NEAR, 0.7 / t.q) or _beyond(run, f, t)
    )
    pairs: dict[int, int] = {}
    for _, i, k in gaps:
        if i not in pairs and k not in pairs.values():
            pairs[i] = k
    return pairs, tuple(f for i, f in enumerate(found) if i not in pairs)


def _beyond(run: MeasuredRun, f: float, truth: Truth) -> bool:
    """A mode beyond the range is there, and whatever is said of it out there is not invented."""
    last = float(run.swept.frequency_hz.max())
    return truth.frequency_hz > last and f > last


def _intervals(run: MeasuredRun, found: Identification, frequency_hz: float, k: int) -> list[Interval]:
    truth = run.truths[k]
    if not truth.must:
        return []
    seen = _resonance(run, found, frequency_hz)
    if seen is None:
        return []
    f, q = _true_at(truth, seen)
    out = [Interval("frequency", f, seen.frequency_hz, seen.frequency_std_hz)]
    return out if seen.q is None else [*out, Interval("Q", q, seen.q, seen.q_std)]


def _resonance(run: MeasuredRun, found: Identification, frequency_hz: float) -> Resonance | None:
    every = [
        r for fit in found.channels if fit.channel not in run.spoiled for r in fit.resonances
        if abs(r.frequency_hz / frequency_hz - 1.0) < 1e-3
    ]  # fmt: skip
    return min(every, key=lambda r: abs(r.frequency_hz - frequency_hz), default=None)


def _true_at(truth: Truth, seen: Resonance) -> tuple[float, float]:
    """True frequency and Q, at the level that the mode is given at where it depends on one."""
    if truth.moving is None or seen.backbone is None or seen.level is None:
        return truth.frequency_hz, truth.q
    share = dict(truth.shares)[seen.backbone.channel]
    return truth.moving.backbone(seen.level * G / abs(share))


def line(kind: str, outcomes: list[MeasuredOutcome]) -> str:
    """One line of the table."""
    missed, invented = sum(len(o.missed) for o in outcomes), sum(len(o.invented) for o in outcomes)
    clean = sum(not o.missed and not o.invented for o in outcomes)
    parts = []
    for quantity in ("frequency", "Q"):
        held = [o.coverage(quantity) for o in outcomes]
        parts.append(f"{sum(a for a, _ in held):3d}/{sum(n for _, n in held):3d}")
    seconds, left = max(o.seconds for o in outcomes), sum(bool(o.unexplained) for o in outcomes)
    counts = f"{len(outcomes):3d} {clean:3d} {missed:3d} {invented:3d} {left:3d}"
    return f"{kind:17s} {counts}  {parts[0]}  {parts[1]}  {seconds:5.1f}"


def main(kinds: str, seeds: str) -> None:
    """Print a line a kind, and what fell short run by run."""
    first, _, last = seeds.partition("-")
    for kind in kinds.split(",") if kinds != "all" else list(MEASURED):
        outcomes = []
        for seed in range(int(first), int(last or first) + 1):
            try:
                one = outcome(MEASURED[kind](seed))
            except Exception:
                print(f"  {kind} {seed}: {traceback.format_exc()}", flush=True)
                continue
            outcomes.append(one)
            off = [f"{i.quantity} {i.found:.5g} ± {i.std or 0:.2g} for {i.truth:.5g}" for i in one.intervals
                   if not i.holds]  # fmt: skip
            if one.missed or one.invented or one.unexplained or off:
                print(f"  {kind} {seed}: missed {one.missed} invented {one.invented} unexplained {one.unexplained}; "
                      f"{'; '.join(off)}", flush=True)  # fmt: skip
        if outcomes:
            print(line(kind, outcomes), flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:3])
