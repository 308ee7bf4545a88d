"""What a natural frequency and a Q are uncertain by beyond the noise of their fit.

The fit tells how well the record fixes them, and what a tracking filter leaves open. The record itself is written by a
clock, of a structure that no model follows to the last digit: JCGM 100:2008, 4.3 and 5.1.2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from reportgen.compute.identification.stated_filter import FILTER_WITHIN
from reportgen.records.job import ASSUMED_CLOCK, Clock, Job, RunKind
from reportgen.records.log import Floats
from reportgen.records.message import Message, message
from reportgen.records.result import ChannelResult, FrequencyBudget, Resonance, RunResult
from reportgen.records.rounding import CLOCK_DIGITS

FLOOR = 2e-5
"""Least relative standard uncertainty of a frequency: a tenth of a kelvin moves that of a metal structure by so much,
Young's modulus of steel and aluminium falling by 0.03 % to 0.05 % a kelvin (handbook values, from memory)."""
Q_FLOOR = 1e-3
"""Least relative standard uncertainty of Q: cables, glue and air add damping that is not the specimen's, and a viscous
model tells it no better."""
NEAR = 1.0
"""Half-power bandwidths on both sides of a resonance in which the model is compared with the record."""
LEAST_ROWS = 8
"""Rows from which the course of what is left over can be told from its noise."""


def with_uncertainties(run: RunResult, clock: Clock) -> RunResult:
    """The run with the uncertainties of its frequencies and Q enlarged by clock, misfit and floor."""
    shares = _misfit_shares(run.channels)
    return replace(
        run,
        channels=tuple(
            replace(channel, resonances=tuple(_enlarged(each, clock, shares) for each in channel.resonances))
            for channel in run.channels
        ),
    )


def _enlarged(each: Resonance, clock: Clock, shares: dict[float, float]) -> Resonance:
    if each.frequency_std_hz is None:
        return each
    share = shares.get(each.frequency_hz, 0.0)
    budget = FrequencyBudget(
        fit=math.sqrt(max(0.0, each.frequency_std_hz**2 - each.frequency_std_filter_hz**2)),
        clock=each.frequency_hz * clock.relative_std,
        clock_stated=clock.stated,
        filter=each.frequency_std_filter_hz,
        misfit=misfit_std(each.frequency_hz, each.q, share),
        floor=FLOOR * each.frequency_hz,
    )
    q_std = each.q_std
    if q_std is not None and each.q is not None:
        q_std = max(math.hypot(q_std, share * each.q), Q_FLOOR * each.q)
    return replace(each, frequency_std_hz=budget.combined, frequency_budget=budget, q_std=q_std)


def misfit_std(frequency_hz: float, q: float | None, share: float) -> float:
    """A share of the response at a peak that the model does not follow moves the peak by that of half its bandwidth.

    Near resonance a relative change s of the response turns its phase by up to s, and a phase of 1 rad is half a
    half-power bandwidth f/(2Q) (any single degree of freedom).

    >>> round(misfit_std(100.0, 50.0, 0.01), 4)
    0.01
    """
    return 0.0 if not q else share * frequency_hz / (2.0 * q)


def _misfit_shares(channels: tuple[ChannelResult, ...]) -> dict[float, float]:
    """Frequency of each mode to the share of its peak that the model leaves, over the channels that show it.

    A channel weighs by how far its peak stands out of its noise: so much it decides the fit.
    """
    told: dict[float, list[tuple[float, float]]] = {}
    for channel in channels:
        for each in channel.resonances:
            share = misfit_share(channel, each)
            if share is not None and each.amplification:
                told.setdefault(each.frequency_hz, []).append(
                    (share, each.amplification / (channel.noise_floor or each.amplification))
                )
    return {f: sum(s * w for s, w in some) / sum(w for _, w in some) for f, some in told.items()}


def misfit_share(channel: ChannelResult, each: Resonance) -> float | None:
    """Share of the recorded peak that the model does not follow and that does not change from row to row as noise does.

    Noise of one row tells nothing of the next; what the model lacks changes slowly. The mean product of neighbouring
    residuals holds the second alone. None where too few rows show it.
    """
    model = channel.fitted_swept if channel.fitted_swept is not None else channel.fitted
    if model is None or not each.q:
        return None
    near = np.abs(channel.frequency_hz / each.frequency_hz - 1.0) <= NEAR / each.q
    near &= np.isfinite(model) & np.isfinite(channel.magnitude)
    rest: Floats = (channel.magnitude - model)[near]
    if len(rest) < LEAST_ROWS:
        return None
    lasting = float(np.mean(rest[1:] * rest[:-1]))
    return math.sqrt(max(lasting, 0.0)) / float(np.max(model[near]))


def assumptions(job: Job, runs: Sequence[RunResult]) -> tuple[Message, ...]:
    """What stated uncertainties rest on because the job does not say it, each with the key that would."""
    plans = [plan for plan in (job.run(run.id) for run in runs) if plan is not None]
    swept = [plan for plan in plans if plan.kind in (RunKind.SURVEY, RunKind.SWEEP) and not plan.steady_state]
    unclocked = tuple(plan.id for plan in plans if not job.clock_of(plan).stated)
    loose = tuple(p.id for p in swept if p.tracking_filter is not None and p.tracking_filter.tolerance is None)
    unfiltered = tuple(p.id for p in swept if p.tracking_filter is None)
    told = []
    if unclocked:
        told.append(message("assumed.clock", runs=unclocked, ppm=1e6 * ASSUMED_CLOCK, digits=CLOCK_DIGITS))
    if loose:
        told.append(message("assumed.filter-bandwidth", runs=loose, factor=FILTER_WITHIN))
    if unfiltered:
        told.append(message("assumed.no-filter", runs=unfiltered))
    return tuple(told)
