"""What a profile asks of the exciter against what the exciter can do, and what a run really used."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from reportgen.compute.sweep.profile import segments
from reportgen.records.job import Exciter, Job, Profile
from reportgen.records.log import Floats
from reportgen.records.message import Message, message
from reportgen.records.result import ExciterUse, RunResult
from reportgen.units import Quantity

_QUANTITIES = (("force", "N"), ("stroke", "m"), ("velocity", "m/s"), ("acceleration", "m/s²"))
Demand = dict[str, tuple[float, float]]
"""Quantity to (largest value, frequency where)."""


def exciter_check(job: Job, runs: Sequence[RunResult]) -> tuple[ExciterUse, ...]:
    """One row for every run and every ability of the exciter; nothing where the job names no exciter.

    Of a sinusoid of peak acceleration a: force (moving mass + specimen) · a, stroke 2a/(2πf)² peak to peak, velocity
    a/(2πf).
    """
    if job.exciter is None:
        return ()
    return tuple(use for run in runs for use in _run_uses(job, job.exciter, run))


def _run_uses(job: Job, exciter: Exciter, run: RunResult) -> list[ExciterUse]:
    plan = job.run(run.id)
    profile = job.profile(plan.profile) if plan is not None else None
    mass, mass_reason = _moved_mass(exciter, job.specimen.mass)
    needed = profile_demand(profile, mass) if profile is not None else {}
    used = {}
    if run.control is not None and run.control.dimension != "force":
        used = level_demand(run.control.frequency_hz, run.control.level, mass)
    rows = []
    for quantity, unit in _QUANTITIES:
        rated: Quantity | None = getattr(exciter, quantity)
        if not needed and not used:
            continue
        need, use = needed.get(quantity), used.get(quantity)
        rows.append(
            ExciterUse(
                run=run.id,
                quantity=quantity,
                unit=unit,
                rated=None if rated is None else rated.si,
                needed=need and need[0],
                needed_at_hz=need and need[1],
                used=use and use[0],
                used_at_hz=use and use[1],
                reason=_reason(quantity, rated, profile, mass_reason),
            )
        )
    return rows


def _reason(
    quantity: str, rated: Quantity | None, profile: Profile | None, mass_reason: Message | None
) -> Message | None:
    if quantity == "force" and mass_reason:
        return mass_reason
    if rated is None:
        return message("exciter.no-rating", quantity=quantity)
    return message("run.no-profile") if profile is None else None


def _moved_mass(exciter: Exciter, specimen: Quantity | None) -> tuple[float | None, Message | None]:
    if exciter.moving_mass is None:
        return None, message("exciter.no-moving-mass")
    if specimen is None:
        return None, message("exciter.no-specimen-mass")
    return exciter.moving_mass.si + specimen.si, None


def profile_demand(profile: Profile, mass: float | None) -> Demand:
    """What a profile asks: every segment is a power law, so that its ends hold its largest values."""
    parts = segments(profile)
    f = np.array([each for part in parts for each in (part.from_hz, part.to_hz)])
    level = np.array([float(part.at(each)) for part in parts for each in (part.from_hz, part.to_hz)])
    return level_demand(f, level, mass)


def level_demand(frequency_hz: Floats, level: Floats, mass: float | None) -> Demand:
    """What accelerations at frequencies ask, shape (n,) both; rows without a reading ask nothing."""
    known = np.isfinite(level) & (frequency_hz > 0)
    if not known.any():
        return {}
    f, a = frequency_hz[known], level[known]
    omega = 2.0 * math.pi * f
    demands = {"stroke": 2.0 * a / omega**2, "velocity": a / omega, "acceleration": a}
    if mass is not None:
        demands["force"] = mass * a
    return {name: (float(each.max()), float(f[each.argmax()])) for name, each in demands.items()}
