"""JCGM 106:2012 and ILAC-G8:09/2019: probabilities and the five results."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reportgen.judge.decision_rule import Tolerance, conformance_probability, decide
from reportgen.records.job import DecisionRule
from reportgen.records.message import message
from reportgen.records.rounding import coverage_factor
from reportgen.records.verdict import Outcome

SIMPLE, GUARDED = DecisionRule.SIMPLE, DecisionRule.GUARDED


# JCGM 106:2012, 7.3: p_c = Φ((T_U − y)/u). Values of the normal distribution.
@pytest.mark.parametrize("y, expected", [(98.0, 0.977250), (98.5, 0.933193), (100.0, 0.5), (101.0, 0.158655)])
def test_conformance_probability_one_sided(y, expected):
    assert conformance_probability(y, 1.0, Tolerance(high=100.0)) == pytest.approx(expected, abs=1e-6)


def test_conformance_probability_two_sided():
    # Φ(1) − Φ(−1) = 0.682689.
    assert conformance_probability(10.0, 1.0, Tolerance(low=9.0, high=11.0)) == pytest.approx(0.682689, abs=1e-6)


# ILAC-G8:09/2019, table of guard bands: specific risk of a value on the acceptance limit TL − w, for multiples of u.
@pytest.mark.parametrize(
    "multiple, risk", [(2.0, 0.022750), (1.959964, 0.025), (1.644854, 0.05), (1.0, 0.158655), (0.0, 0.5)]
)
def test_false_acceptance_at_the_edge_of_the_guard_band(multiple, risk):
    found = decide(SIMPLE, 100.0 - multiple, 1.0, Tolerance(high=100.0))
    assert found.false_acceptance == pytest.approx(risk, abs=1e-6)


def test_coverage_factors_of_the_normal_distribution():
    # JCGM 100:2008, table G.1.
    for p, k in ((0.6827, 1.0), (0.90, 1.645), (0.95, 1.960), (0.9545, 2.0), (0.99, 2.576), (0.9973, 3.0)):
        assert coverage_factor(p) == pytest.approx(k, abs=1e-3)


# Non-binary with guard band w = U (ILAC-G8:09/2019, 4.2.3): limit 100, U = 2 at k = 2.
@pytest.mark.parametrize(
    "y, expected",
    [
        (97.9, Outcome.PASS),
        (98.0, Outcome.PASS),
        (98.1, Outcome.CONDITIONAL_PASS),
        (100.0, Outcome.CONDITIONAL_PASS),
        (100.1, Outcome.CONDITIONAL_FAIL),
        (102.0, Outcome.CONDITIONAL_FAIL),
        (102.1, Outcome.FAIL),
    ],
)
def test_the_four_results_for_a_value(y, expected):
    confidence = math.erf(math.sqrt(2.0))  # k = 2 exactly
    assert decide(GUARDED, y, 1.0, Tolerance(high=100.0), confidence).outcome is expected
    assert decide(GUARDED, -y, 1.0, Tolerance(low=-100.0), confidence).outcome is expected


def test_amplification_with_its_uncertainty():
    # Q = 50, u = 1.7679 (GUM propagation of f0/(f2 − f1) with 0.05 Hz each): p_c against 55 and 52.
    for limit, outcome, p_c in ((55.0, Outcome.PASS, 0.99764), (52.0, Outcome.CONDITIONAL_PASS, 0.8708)):
        found = decide(GUARDED, 50.0, 1.77, Tolerance(high=limit), 0.9545)
        assert found.outcome is outcome
        assert 1.0 - found.false_acceptance == pytest.approx(p_c, abs=2e-4)


def test_frequency_shift_with_its_uncertainty():
    # −4.5 % against 5 % with u = 0.5 %: p_c = Φ(1) = 0.8413.
    found = decide(SIMPLE, 4.5, 0.5, Tolerance(high=5.0))
    assert (found.outcome, 1.0 - found.false_acceptance) == (Outcome.PASS, pytest.approx(0.8413, abs=1e-4))


def test_without_uncertainty():
    assert decide(SIMPLE, 1.0, None, Tolerance(high=2.0)).outcome is Outcome.PASS
    assert decide(SIMPLE, 3.0, None, Tolerance(high=2.0)).outcome is Outcome.FAIL
    inside = decide(GUARDED, 1.0, None, Tolerance(high=2.0))
    assert inside.outcome is Outcome.NOT_EVALUATED
    assert inside.reason == message("judge.uncertainty-needed")
    assert decide(GUARDED, 3.0, None, Tolerance(high=2.0)).outcome is Outcome.CONDITIONAL_FAIL
    for rule in DecisionRule:
        assert decide(rule, math.nan, None, Tolerance(high=2.0)).outcome is Outcome.NOT_EVALUATED


def test_a_value_on_the_limit_conforms_whatever_binary_arithmetic_adds():
    assert abs(0.95 - 1.0) > 0.05
    assert decide(SIMPLE, abs(0.95 - 1.0) / 0.01, None, Tolerance(high=5.0)).outcome is Outcome.PASS
    assert decide(SIMPLE, 5.0000001, None, Tolerance(high=5.0)).outcome is Outcome.FAIL


@given(y=st.floats(-10, 10), u=st.floats(0.01, 3), wider=st.floats(0, 3))
def test_guarding_is_never_kinder_than_simple_acceptance_and_doubt_never_helps(y, u, wider):
    limits = Tolerance(low=-2.0, high=5.0)
    guarded, simple = decide(GUARDED, y, u, limits), decide(SIMPLE, y, u, limits)
    if simple.outcome is Outcome.FAIL:
        assert guarded.outcome in (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)
    if guarded.outcome is Outcome.PASS:
        assert simple.outcome is Outcome.PASS
        assert guarded.false_acceptance <= 0.05  # both sides of a two-sided limit at most 2.5 % each
    if guarded.outcome is not Outcome.PASS:
        assert decide(GUARDED, y, u + wider, limits).outcome is not Outcome.PASS
