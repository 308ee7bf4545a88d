"""A mode that the engineer asks for: fitted where the search saw none, with all others kept and refitted.

What the data say for and against it is stated; nothing is added where nothing can be fitted, and the reason is given.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identification.candidates import ResonanceCandidate
from reportgen.compute.identification.elimination import objection
from reportgen.compute.identification.findings import RejectionReason
from reportgen.compute.identification.least_squares import FitProblem, refine
from reportgen.compute.identification.modal_model import DAMPING_RANGE
from reportgen.compute.identification.mode_evidence import LEAST_Q, ModeEvidence, score_of
from reportgen.compute.identification.mode_placement import (
    ModePlacement,
    first_coefficients,
    joined,
    local_fit,
    neighbours,
    refined_around,
)
from reportgen.compute.identification.mode_report import ModeReport
from reportgen.compute.identification.search_state import SearchState
from reportgen.compute.identification.stated_filter import delay_doubt
from reportgen.records.log import Floats
from reportgen.records.message import Message, message
from reportgen.records.result import AskedFor

REACH = 0.02
"""A frequency that the engineer names is read off a plot: to this share of it. Holds for every decision."""
STANDS_OUT = 3.0
"""Times noise and misfit from which a mode is seen on a channel: 10 dB."""
KNOWN = 0.5
"""Standard uncertainty of a frequency, in half-power bandwidths, from which nobody knows where the mode lies."""
UNDAMPED = 0.5
"""Relative standard uncertainty of a damping ratio from which none at all lies within the expanded one (k = 2)."""
_TWIN = 0.5
"""Half-power bandwidths, of the narrower, within which two modes of a fit are one."""
_STARTS = (4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 512.0)
"""Q to begin from: the fit finds its own within a factor of two (that of the bank of shapes)."""


@dataclass(frozen=True, slots=True)
class Asked:
    """Where a mode is asked for, and on which channels."""

    frequency_hz: float
    channels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Refused:
    """What was asked for and cannot be had."""

    asked: Asked
    why: Message


def off_the_rows(problem: FitProblem, columns: Sequence[int], frequency_hz: float) -> Message | None:
    """Why nothing can be fitted at a frequency, Hz, on some channels: it was not swept, or there is no reading."""
    frequency = problem.drive.omega / (2 * np.pi)
    low, high = float(frequency.min()), float(frequency.max())
    if not low <= frequency_hz <= high:
        return message("asked.outside", low_hz=low, high_hz=high)
    read = problem.readings.valid[:, list(columns)].any(axis=1)
    if not np.any(read & (np.abs(frequency / frequency_hz - 1.0) <= REACH)):
        return message("asked.no-row")
    return None


def strayed(asked_hz: float, frequency_hz: float, q: float) -> Message | None:
    """Why what was fitted is not the mode that was asked for, or no mode at all."""
    if 0.5 / q <= 1.01 * DAMPING_RANGE[0]:
        return message("asked.no-damping", frequency_hz=frequency_hz)
    if q < LEAST_Q:
        return message("asked.no-peak", q=q)
    if abs(frequency_hz / asked_hz - 1.0) > max(REACH, 0.5 / q):
        return message("asked.elsewhere", frequency_hz=frequency_hz)
    return None


def merged(frequency_hz: Floats, q: Floats, k: int) -> Message | None:
    """Why mode k of a fit is none of its own: another is closer than the narrower of both."""
    narrower = frequency_hz / np.maximum(q, q[k])
    close = np.abs(frequency_hz - frequency_hz[k]) < _TWIN * narrower
    close[k] = False
    return message("asked.twin", frequency_hz=float(frequency_hz[close][0])) if close.any() else None


def displaced(before_hz: Floats, before_q: Floats, after_hz: Floats) -> Message | None:
    """Why a fit is not one mode more: one of the others went away by more than half its bandwidth; all (m,)."""
    moved = np.abs(after_hz - before_hz) > 0.5 * before_hz / before_q
    return message("asked.displaces", frequency_hz=float(before_hz[moved][0])) if moved.any() else None


def with_asked_mode(report: ModeReport, asked: Asked) -> ModeReport | Message:
    """The end of a search with one mode more, or with a pole of its own that it took for none; else why not."""
    columns = [c for c, name in enumerate(report.sweep.channels) if name in asked.channels]
    refused = off_the_rows(report.problem, columns, asked.frequency_hz)
    if refused is not None:
        return refused
    known = _pole_there(report, asked.frequency_hz)
    if known is not None and known in report.reported() and all(report.shown(known)[c] for c in columns):
        return message("asked.there-already", frequency_hz=float(report.solution.poles.frequency_hz[known]))
    if known is not None:
        return replace(report, asked=also_asked(report.asked, known, asked, columns))
    fitted = _fitted(report.state, asked.frequency_hz)
    if isinstance(fitted, Message):
        return fitted
    new = len(fitted.poles) - 1
    again = ModeReport.of(report.sweep, report.rows, fitted)
    std = again.spread.of_pole(2 * new + 1, again.evidence.inflation_of(new))
    if std > UNDAMPED:
        return message("asked.no-damping", frequency_hz=float(fitted.poles.frequency_hz[new]))
    return replace(again, asked=also_asked(report.asked, new, asked, columns))


def also_asked(
    before: Mapping[int, Mapping[int, float]], k: int, asked: Asked, columns: Sequence[int]
) -> dict[int, Mapping[int, float]]:
    """With what is asked for of pole k on some channels; what was asked for before on a channel stays."""
    return {**before, k: {**dict.fromkeys(columns, asked.frequency_hz), **before.get(k, {})}}


def _pole_there(report: ModeReport, frequency_hz: float) -> int | None:
    """The pole of the model within whose half-power band a frequency lies, the nearest; None where there is none."""
    poles = report.solution.poles
    apart = np.abs(poles.frequency_hz - frequency_hz)
    there = np.flatnonzero((apart <= 0.5 * poles.frequency_hz / poles.q) & (poles.q >= LEAST_Q))
    return int(there[np.argmin(apart[there])]) if len(there) else None


def _fitted(state: SearchState, frequency_hz: float) -> SearchState | Message:
    """One mode more, all of them moved to the least cost, the noise weighed anew; or why that is no mode there."""
    before, new = state.poles, len(state.poles)
    placement = _placed(state, frequency_hz)
    if isinstance(placement, Message):
        return placement
    state = refined_around(joined(state, placement).with_signs_turned(), np.array([new]))
    refused = _refused(state, frequency_hz)
    if refused is not None:
        return refused
    state = state.refined(iterations=_SETTLED).reweighed().refined(iterations=_SETTLED)
    moved = displaced(before.frequency_hz, before.q, state.poles.frequency_hz[:new])
    return _refused(state, frequency_hz) or moved or _with_doubt(state)


_SETTLED = 10
"""Steps after which a fit that began close to its end is there; one that is not goes elsewhere."""


def _refused(state: SearchState, frequency_hz: float) -> Message | None:
    """Why the last mode of a fit is not the one that was asked for."""
    poles = state.poles
    away = strayed(frequency_hz, float(poles.frequency_hz[-1]), float(poles.q[-1]))
    return away or merged(poles.frequency_hz, poles.q, len(poles) - 1)


def _placed(state: SearchState, frequency_hz: float) -> ModePlacement | Message:
    """The best of fits from several Q on the rows around, all else held, that stay there; why there is none."""
    found = sorted((_from(state, frequency_hz, q) for q in _STARTS), key=lambda each: -each.gain)
    refused = [strayed(frequency_hz, each.frequency_hz, each.q) for each in found]
    return next((each for each, why in zip(found, refused, strict=True) if why is None), refused[0] or found[0])


def _from(state: SearchState, frequency_hz: float, q: float) -> ModePlacement:
    drive = state.problem.drive
    row = int(np.argmin(np.abs(drive.omega / (2 * np.pi) - frequency_hz)))
    width = max(1.0 / q, float(np.sqrt(abs(drive.omega_dot[row]) / (2 * np.pi))) / frequency_hz)
    around = neighbours(state.poles, frequency_hz, width)
    shape = ResonanceCandidate(-1, frequency_hz, q, width)
    problem, start = local_fit(state.problem, state.solution, around, shape)
    poles = state.poles.only(around)
    without = problem.solve(poles, start, free=np.zeros(len(poles), bool))
    more = poles.joined(frequency_hz, q)
    free = np.arange(len(more)) == len(more) - 1
    best = refine(problem, more, first_coefficients(problem, without, more), free=free, iterations=12, tolerance=0.5)
    own = [float(x[-1]) for x in best.coefficients]
    at, gain = best.poles, without.cost - best.cost
    return ModePlacement(float(at.frequency_hz[-1]), float(at.q[-1]), own, gain, at.events)


def _with_doubt(state: SearchState) -> SearchState:
    """With what a stated tracking filter leaves open of the new mode, the last, as of the others."""
    found, poles, drive = state.filter, state.poles, state.problem.drive
    if found.doubt is None:
        return state
    doubt = np.zeros(len(poles.parameters))
    before = 2 * (len(poles) - 1)
    doubt[:before] = found.doubt[:before]
    if found.open_s is not None and drive.bandwidth_hz is not None:
        late = found.open_s * np.pi * float(np.median(drive.bandwidth_hz))
        doubt[before] = delay_doubt(drive, late, poles.frequency_hz[-1:])[0]
    return replace(state, filter=replace(found, doubt=doubt))


_SAID = {
    RejectionReason.OUTSIDE_RANGE: message("asked.against-range"),
    RejectionReason.TOO_SMALL: message("asked.against-small"),
    RejectionReason.TOO_FEW_ROWS: message("asked.against-rows"),
    RejectionReason.MAINS: message("asked.against-mains"),
    RejectionReason.ONLY_AT_EVENT: message("asked.against-event"),
}


def evidence_on(report: ModeReport, c: int, k: int, *, std_hz: float, own_peak: bool) -> AskedFor:
    """What the data say of mode k on channel c, ``std_hz`` being the uncertainty of its frequency."""
    state, found = report.state, report.evidence
    score = float(score_of(found.gain[k], state.searched, 1 + int(state.poles.complex_residue[k])))
    _, reason, _ = objection(state, k, found)
    width = float(state.poles.frequency_hz[k] / state.poles.q[k])
    return weighed(
        asked_hz=report.asked[k][c], gain=float(found.gain[k].sum()), score=score,
        objection=None if reason in (None, RejectionReason.NOISE) else _SAID[reason],
        over_noise=_over_noise(report, found, c, k), std_share=std_hz / width, own_peak=own_peak,
    )  # fmt: skip


def _over_noise(report: ModeReport, found: ModeEvidence, c: int, k: int) -> float:
    """Largest part of mode k in the response of channel c, in standard deviations of noise and misfit there."""
    problem, solution = report.problem, report.solution
    basis = problem.bases(solution.poles)[problem.readings.kinds[c]]
    own = basis.mode == k
    part = np.abs(solution.coefficients[c][own] @ basis.values[own])
    return float(np.max(part * problem.weights.along[:, c], initial=0.0) / np.sqrt(found.inflation[k, c]))


def weighed(
    *, asked_hz: float, gain: float, score: float, objection: Message | None, over_noise: float, std_share: float,
    own_peak: bool,
) -> AskedFor:  # fmt: skip
    """Each thing that the data say, on the side that it speaks for.

    ``gain``: χ² that the mode explains; ``score``: the same over what chance would explain; ``std_share``: standard
    uncertainty of its frequency in half-power bandwidths.
    """
    told = (
        (score >= 1.0, message("asked.for-chance", gain=gain, score=score),
         message("asked.against-chance", gain=gain, score=score)),
        (over_noise >= STANDS_OUT, message("asked.for-noise", times=over_noise),
         message("asked.against-noise", times=over_noise)),
        (std_share < KNOWN, message("asked.for-known", share=std_share),
         message("asked.against-known", share=std_share)),
        (own_peak, message("asked.for-peak"), message("asked.against-peak")),
    )  # fmt: skip
    against = tuple(con for holds, _, con in told if not holds)
    return AskedFor(
        frequency_hz=asked_hz,
        meets_criterion=score >= 1.0 and objection is None,
        over_noise=over_noise,
        speaks_for=tuple(pro for holds, pro, _ in told if holds),
        speaks_against=(*against, *((objection,) if objection is not None else ())),
    )
