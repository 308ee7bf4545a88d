"""Why a candidate is no mode, and the sentence for each fact that the identification states.

The sentences stand here and nowhere else in the identification.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

from reportgen.records.identified_fact import FactCode, IdentifiedFact


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


def texts(facts: Iterable[IdentifiedFact]) -> tuple[str, ...]:
    """The sentence of each, in order."""
    return tuple(
        _TEXTS[fact.code].format(
            rows=fact.rows,
            least_rows=fact.least_rows,
            bandwidth_hz=fact.bandwidth_hz,
            share=None if fact.share is None else 100 * fact.share,
        )
        for fact in facts
    )


_TEXTS = {
    FactCode.TOO_FEW_ROWS: "{rows} usable rows, at least {least_rows} are needed to identify modes",
    FactCode.NOTHING_READ: "no channel has readings",
    FactCode.NO_TIME: "no time column: steady state assumed",
    FactCode.STEADY_STATED: "responses to steady vibration, as the job or the form of the log says",
    FactCode.STEADY_ROWS: "the rows show steady vibration, not a moving sweep: fitted as steady state",
    FactCode.FILTER_UNSTATED: "the responses show a tracking filter of about {bandwidth_hz:.2g} Hz that the job "
    "does not state: it was taken into the model, and the uncertainties are wider for it",
    FactCode.FILTER_SUSPECTED: "a tracking filter of about {bandwidth_hz:.2g} Hz that the job does not state would "
    "explain more than chance: the uncertainties are wider for it",
    FactCode.PHASE_TURNED: "phases of this log count a lag as positive: read with the opposite sign",
    FactCode.MAINS_LINES: "mains lines are in the responses: recognised and kept out of the modes",
    FactCode.COMPLEX_RESIDUES: "the responses ask for complex residues: instruments, or damping that is not "
    "proportional, turn their phase",
    FactCode.MISFIT_SHARE: "{share:.1f} % of the response at the modes stays unexplained; the uncertainties are "
    "wider for it",
    FactCode.SEARCH_BROKEN_OFF: "the search for modes was broken off: what the responses show could not be "
    "explained to the end",
    FactCode.LEVEL_DEPENDENT: "depends on level: its frequency changes by {share:.2g} % over the levels of this run",
    FactCode.NO_READINGS: "no readings",
    FactCode.NO_PHASE: "no phase: magnitudes alone were fitted",
    FactCode.NOISE_ROWS: "{rows} rows that read noise alone were left out of the fit",
    FactCode.NO_PEAK: "no peak of its own on this channel: amplification is that at the natural frequency",
    FactCode.AT_RANGE_END: "within two bandwidths of an end of the swept range",
    FactCode.OVERLAPS_NEIGHBOUR: "overlaps a neighbouring mode",
    FactCode.PEAK_REDUCED: "the sweep held the recorded peak to {share:.0f} % of the steady one",
    FactCode.CALIBRATION_UNSTATED: "uncertainty of calibration not stated",
    FactCode.MISFIT: "the fit leaves more than noise here: uncertainties are inflated accordingly",
}
