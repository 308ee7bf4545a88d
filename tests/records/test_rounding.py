"""Printing of numbers: JCGM 100:2008 (GUM) 7.2.6 and its examples."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reportgen.errors import RecordError
from reportgen.records.rounding import beside_limit, round_with_uncertainty, uncertainty_decimals
from tests.archive.words import telling


# GUM 7.2.6: y = 10.057 62 Ω with 27 mΩ is 10.058 Ω; 10.47 mΩ may become 11 mΩ; 28.05 kHz is 28 kHz.
# EURACHEM/EA-4/02 worked style for the rest, closed form.
@pytest.mark.parametrize(
    "value, uncertainty, expected",
    [
        (10.05762, 0.027, ("10.058", "0.027")),
        (100.0, 10.47, ("100", "11")),
        (500.0, 28.05, ("500", "28")),
        (100.021472, 0.000349, ("100.02147", "0.00035")),  # GUM 7.2.2: 100,021 47 g with 0,35 mg
        (0.0, 0.0996, ("0.00", "0.10")),
        (-0.0004, 0.012, ("0.000", "0.012")),
        (41837.0, 1230.0, ("41800", "1200")),
        (2.5, 0.0000012, ("2.5000000", "0.0000012")),
    ],
)
def test_value_and_uncertainty_go_to_the_same_place(value, uncertainty, expected):
    assert round_with_uncertainty(value, uncertainty) == expected


@given(value=st.floats(-1e6, 1e6), uncertainty=st.floats(1e-6, 1e5))
def test_rounding_never_makes_an_uncertainty_noticeably_smaller(value, uncertainty):
    shown, plus_minus = round_with_uncertainty(value, uncertainty)
    assert Decimal(plus_minus) >= Decimal(uncertainty) * Decimal("0.96")
    assert Decimal(plus_minus) <= Decimal(uncertainty) * Decimal("1.11")
    step = Decimal(1).scaleb(-uncertainty_decimals(uncertainty))
    assert abs(Decimal(shown) - Decimal(value)) <= step / 2


@pytest.mark.parametrize("uncertainty", [0.0, -1.0, float("nan"), float("inf")])
def test_no_uncertainty_no_rounding(uncertainty):
    with telling(RecordError, match="positive"):
        round_with_uncertainty(1.0, uncertainty)


@pytest.mark.parametrize(
    "value, limit, expected",
    [(25.04, 25.0, "25.04"), (24.96, 25.0, "24.96"), (24.0, 25.0, "24.0"), (25.0, 25.0, "25.0"), (0.0, 5.0, "0.0")],
)
def test_a_printed_value_is_on_its_side_of_the_limit(value, limit, expected):
    assert beside_limit(value, limit, 1) == expected


@given(value=st.floats(-1e4, 1e4), limit=st.integers(-100, 100), decimals=st.integers(0, 4))
def test_paper_and_verdict_agree(value, limit, decimals):
    shown = Decimal(beside_limit(value, float(limit), decimals))
    assert (shown > limit) == (Decimal(value) > limit) or abs(value - limit) < 1e-15
