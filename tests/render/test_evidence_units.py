"""Every number of evidence is printed with its own unit, in the report, on screen and in results.json.

Fault: the verdict's unit stood beside all of them, so a control deviation of 2.213 % was printed as 2.213 g and a
response of 33.20 g as 33.20 %.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from reportgen.records.message import message
from reportgen.records.verdict import Evidence, Outcome, Verdict
from reportgen.render.results import results
from tests.printed import page_of_words

NOTCH = message("judge.notch", channel="A1", low_hz=110.0, high_hz=125.0, frequency_hz=117.0)
DEVIATION = Evidence(
    text=message("judge.control-deviation", run="X-QUAL", frequency_hz=300.0),
    run="X-QUAL",
    frequency_hz=300.0,
    measured=2.213,
    unit="%",
)
RESPONSE = Evidence(text=NOTCH, run="X-QUAL", channel="A1", frequency_hz=117.0, measured=33.2, unit="g")


def mixed(first, second):
    return Verdict(
        requirement="R1", check="control tolerance", clause="7.3", text=None, outcome=Outcome.PASS, reason=(),
        measured=first.measured, limit=35.0, unit=first.unit, evidence=(first, second),
    )  # fmt: skip


@pytest.mark.parametrize("first, second", [(DEVIATION, RESPONSE), (RESPONSE, DEVIATION)])
def test_a_deviation_in_percent_and_a_response_in_g_keep_their_units(report, templates, first, second):
    told = replace(report, verdicts=(mixed(first, second),))
    text = page_of_words(told, templates=templates).replace("\u00a0", " ").replace("\u202f", " ")
    assert "300.0 Hz: 2.21 %" in text
    assert "117.0 Hz: 33.2 g" in text
    assert "2.21 g" not in text
    assert "33.2 %" not in text
    evidence = results(told)["verdicts"][0]["evidence"]
    assert {(each["measured"], each["unit"]) for each in evidence} == {(2.213, "%"), (33.2, "g")}


def test_a_fact_without_a_number_has_no_unit(report, templates):
    fact = Evidence(text=message("judge.instrument-in-run", instrument="STR-02", run="X-QUAL"), run="X-QUAL")
    told = replace(report, verdicts=(mixed(DEVIATION, fact),))
    assert "nstrument STR-02 in run X-QUAL<" in page_of_words(told, templates=templates)
