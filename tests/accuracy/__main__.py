"""Run scenarios and print found against true: ``python -m tests.accuracy KIND[,KIND] SEED[-SEED]``."""

from __future__ import annotations

import sys
import time
import traceback

import numpy as np

from reportgen.compute.identification import identify_modes
from tests.accuracy.compare import Outcome, compare
from tests.accuracy.reach import shortfalls, summary
from tests.accuracy.scenarios import KINDS, eta


def run(kind: str, seed: int) -> tuple[Outcome | None, str, float]:
    """Outcome of one scenario, one line about it, seconds of the identification."""
    scenario = KINDS[kind](seed)
    recording = scenario.recording()
    swept = scenario.swept(recording)
    begin = time.perf_counter()
    try:
        identification = identify_modes(swept)
    except Exception:
        return None, f"{kind} {seed}: {traceback.format_exc().splitlines()[-1]}", time.perf_counter() - begin
    seconds = time.perf_counter() - begin
    outcome = compare(scenario, recording, identification)
    return outcome, f"{kind} {seed}: {'; '.join(shortfalls(outcome)) or 'holds'}", seconds


def describe(outcome: Outcome) -> None:
    """Print one scenario in full."""
    t = np.linspace(0.0, outcome.scenario.course.duration_s, 20_001)
    f = outcome.scenario.course.frequency(t)
    rate = np.abs(np.gradient(f, t))
    upward = np.argsort(f, kind="stable")
    for k, mode in enumerate(outcome.scenario.structure.modes):
        here = float(np.interp(mode.frequency_hz, f[upward], rate[upward]))
        print(f"  true {k}: {mode.frequency_hz:.4f} Hz, Q {mode.q:.2f}, eta {eta(mode, here):.3g}")
    for e in outcome.errors:
        stated = "nothing" if e.stated is None else f"{100 * e.stated:.4f} %"
        off = f"{100 * e.error:+.4f} %, stated {stated}, bound {100 * e.bound:.4f} %"
        print(f"  {e.channel} mode {e.mode} {e.quantity}: {off}")


def main() -> None:
    kinds = list(KINDS) if sys.argv[1] == "all" else sys.argv[1].split(",")
    first, _, last = sys.argv[2].partition("-")
    seeds = range(int(first), int(last or first) + 1)
    outcomes = []
    for kind in kinds:
        for seed in seeds:
            outcome, line, seconds = run(kind, seed)
            print(f"{line}  ({seconds:.1f} s)", flush=True)
            if outcome:
                outcomes.append(outcome)
                if len(kinds) * len(seeds) == 1:
                    describe(outcome)
    print(summary(outcomes))


if __name__ == "__main__":
    main()
