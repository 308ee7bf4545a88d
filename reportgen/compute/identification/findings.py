"""Why a candidate is no mode, and the message of each fact that the identification states."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum
from typing import Any

from reportgen.records.identified_fact import FactCode, IdentifiedFact
from reportgen.records.message import Message, message


class RejectionReason(StrEnum):
    """Why a candidate is not a mode."""

    NOISE = "noise"
    OUTSIDE_RANGE = "outside range"
    TOO_SMALL = "too small"
    """It cannot be told from the rest of the response."""
    TOO_FEW_ROWS = "too few rows"
    MAINS = "mains"
    ONLY_AT_EVENT = "only at event"
    """It is seen only within a few rows of a turn of the level or of the start."""
    NEIGHBOUR_SUFFICES = "neighbour suffices"


def stated(facts: Iterable[IdentifiedFact]) -> tuple[Message, ...]:
    """The message of each, in order."""
    return tuple(_message(fact) for fact in facts)


def of_resonance(facts: Sequence[IdentifiedFact]) -> dict[str, Any]:
    """Fields of a resonance that follow from what is stated of it."""
    codes = {fact.code for fact in facts}
    return {
        "flags": stated(facts),
        "facts": tuple(facts),
        "has_peak": FactCode.NO_PEAK not in codes,
        "calibration_stated": FactCode.CALIBRATION_UNSTATED not in codes,
    }


def _message(fact: IdentifiedFact) -> Message:
    match fact.code:
        case FactCode.TOO_FEW_ROWS:
            return message("identified.too-few-rows", rows=fact.rows, least_rows=fact.least_rows)
        case FactCode.NOTHING_READ:
            return message("identified.nothing-read")
        case FactCode.NO_TIME:
            return message("identified.no-time")
        case FactCode.STEADY_STATED:
            return message("identified.steady-stated")
        case FactCode.STEADY_ROWS:
            return message("identified.steady-rows")
        case FactCode.FILTER_UNSTATED:
            return message("identified.filter-unstated", bandwidth_hz=fact.bandwidth_hz)
        case FactCode.FILTER_SUSPECTED:
            return message("identified.filter-suspected", bandwidth_hz=fact.bandwidth_hz)
        case FactCode.FILTER_REFITTED:
            return message("identified.filter-refitted", bandwidth_hz=fact.bandwidth_hz, poles=fact.poles)
        case FactCode.FILTER_DELAY_OPEN:
            return message("identified.filter-delay-open", delay_ms=1e3 * (fact.delay_std_s or 0.0))
        case FactCode.PHASE_TURNED:
            return message("identified.phase-turned")
        case FactCode.MAINS_LINES:
            return message("identified.mains-lines")
        case FactCode.COMPLEX_RESIDUES:
            return message("identified.complex-residues")
        case FactCode.MISFIT_SHARE:
            return message("identified.misfit-share", share=fact.share)
        case FactCode.SEARCH_BROKEN_OFF:
            return message("identified.search-broken-off")
        case FactCode.LEVEL_DEPENDENT:
            return message("identified.level-dependent", share=fact.share)
        case FactCode.NO_READINGS:
            return message("identified.no-readings")
        case FactCode.NO_PHASE:
            return message("identified.no-phase")
        case FactCode.NOISE_ROWS:
            return message("identified.noise-rows", rows=fact.rows)
        case FactCode.NO_PEAK:
            return message("identified.no-peak")
        case FactCode.AT_RANGE_END:
            return message("identified.at-range-end")
        case FactCode.OVERLAPS_NEIGHBOUR:
            return message("identified.overlaps-neighbour")
        case FactCode.PEAK_REDUCED:
            return message("identified.peak-reduced", share=fact.share)
        case FactCode.CALIBRATION_UNSTATED:
            return message("identified.calibration-unstated")
        case FactCode.MISFIT:
            return message("identified.misfit")
