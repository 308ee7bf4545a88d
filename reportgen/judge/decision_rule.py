"""How a measured value with uncertainty meets a limit: JCGM 106:2012 and ILAC-G8:09/2019.

Simple acceptance has no guard band: pass or fail on the measured value. Guarded acceptance has a guard band as wide
as the expanded uncertainty U on both sides of the limit and four results for a measured value: pass, conditional
pass, conditional fail, fail; the fifth, not evaluated, is for what carries no evidence.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from reportgen.records.job import DecisionRule
from reportgen.records.message import Message, message
from reportgen.records.rounding import FLOATING_POINT, coverage_factor
from reportgen.records.verdict import Outcome

_NORMAL = NormalDist()


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """Limits of what conforms, either may be absent; a value on a limit conforms."""

    low: float | None = None
    high: float | None = None

    def excess(self, value: float) -> float:
        """How far a value lies beyond the nearest limit; negative inside."""
        above = -math.inf if self.high is None else value - self.high
        below = -math.inf if self.low is None else self.low - value
        excess = max(above, below)
        arithmetic = FLOATING_POINT * max(abs(self.low or 0.0), abs(self.high or 0.0))
        return 0.0 if 0.0 < excess <= arithmetic else excess

    def use(self, value: float) -> float:
        """Share of the limits that a value uses: 1 on a limit, above 1 beyond; comparable between units."""
        if self.low is not None and self.high is not None and self.high > self.low:
            return abs(value - 0.5 * (self.low + self.high)) / (0.5 * (self.high - self.low))
        if self.high is not None and self.high > 0.0:
            return value / self.high
        if self.high is None and self.low is not None and self.low > 0.0 and value > 0.0:
            return self.low / value
        return self.excess(value) + 1.0  # a scale that goes through zero has no shares


NO_LIMITS = Tolerance()


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What follows from one measured value."""

    outcome: Outcome
    expanded_uncertainty: float | None
    coverage_factor: float | None
    false_acceptance: float | None
    """Probability that the item does not conform although it passed; None where it did not pass or u is unknown."""
    reason: Message | None = None


def conformance_probability(value: float, std: float, tolerance: Tolerance) -> float:
    """Probability that the true value lies within the limits, p_c = Φ((T_U−y)/u) − Φ((T_L−y)/u) (JCGM 106, 7.3).

    >>> round(conformance_probability(98.0, 1.0, Tolerance(high=100.0)), 6)
    0.97725
    """
    if std <= 0:
        return 1.0 if tolerance.excess(value) <= 0 else 0.0
    below_high = 1.0 if tolerance.high is None else _NORMAL.cdf((tolerance.high - value) / std)
    below_low = 0.0 if tolerance.low is None else _NORMAL.cdf((tolerance.low - value) / std)
    return max(0.0, below_high - below_low)


def decide(
    rule: DecisionRule, value: float, std: float | None, tolerance: Tolerance, confidence: float = 0.95
) -> Decision:
    """Hold an unrounded value with standard uncertainty ``std`` (None: unknown) against limits.

    Under guarded acceptance a value inside the limits without an uncertainty is not evaluated, and one beyond them
    a conditional fail: it breaches the limit, by how much of a guard band nobody can say.
    """
    excess = tolerance.excess(value)
    k = coverage_factor(confidence)
    if std is None or not math.isfinite(std) or not math.isfinite(value):
        return _without_uncertainty(rule, excess)
    expanded = k * std
    if rule is DecisionRule.SIMPLE:
        outcome = Outcome.PASS if excess <= 0 else Outcome.FAIL
    elif excess <= -expanded:
        outcome = Outcome.PASS
    elif excess <= 0:
        outcome = Outcome.CONDITIONAL_PASS
    elif excess <= expanded:
        outcome = Outcome.CONDITIONAL_FAIL
    else:
        outcome = Outcome.FAIL
    accepted = outcome in (Outcome.PASS, Outcome.CONDITIONAL_PASS)
    risk = 1.0 - conformance_probability(value, std, tolerance) if accepted else None
    return Decision(outcome=outcome, expanded_uncertainty=expanded, coverage_factor=k, false_acceptance=risk)


def _without_uncertainty(rule: DecisionRule, excess: float) -> Decision:
    reason = None
    if math.isnan(excess):
        outcome, reason = Outcome.NOT_EVALUATED, message("judge.not-a-number")
    elif rule is DecisionRule.SIMPLE:
        outcome = Outcome.PASS if excess <= 0 else Outcome.FAIL
    else:
        outcome = Outcome.NOT_EVALUATED if excess <= 0 else Outcome.CONDITIONAL_FAIL
        reason = message("judge.uncertainty-needed")
    return Decision(
        outcome=outcome, expanded_uncertainty=None, coverage_factor=None, false_acceptance=None, reason=reason
    )
