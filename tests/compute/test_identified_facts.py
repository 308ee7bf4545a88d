"""What the identification says is a typed fact first; its sentence follows from the fact alone."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields, replace

import numpy as np
import pytest

from reportgen.compute.identification import SweptResponse, identify_modes
from reportgen.compute.identification.findings import stated
from reportgen.compute.identification.fit_problem import problem_of
from reportgen.compute.identification.model_order import search
from reportgen.records.identified_fact import FactCode, IdentifiedFact
from reportgen.render.catalogue import said as in_words


def one_mode(seed: int = 1, phases: bool = True) -> SweptResponse:
    """Steady rows of one degree of freedom at 35 Hz, Q = 30 (Thomson, Theory of Vibration, ch. 3, from memory)."""
    frequency = np.geomspace(15.0, 80.0, 500)
    r = frequency / 35.0
    random = np.random.default_rng(seed)
    noise = 1 + 0.003 * (random.standard_normal(500) + 1j * random.standard_normal(500))
    transfer = (1 + 1j * r / 30.0) / (1 - r**2 + 1j * r / 30.0) * noise
    return SweptResponse(
        frequency_hz=frequency, control=np.full(500, 5.0), responses=5.0 * np.abs(transfer)[:, None],
        channels=("A1",), dimensions=("acceleration",),
        phases_deg=np.degrees(np.angle(transfer))[:, None] if phases else None,
    )  # fmt: skip


def codes(facts: tuple[IdentifiedFact, ...]) -> set[FactCode]:
    return {fact.code for fact in facts}


def test_every_fact_has_a_sentence_of_its_own():
    values = {
        "rows": 3,
        "least_rows": 12,
        "bandwidth_hz": 4.0,
        "share": 0.5,
        "inflation": 9.0,
        "poles": 4,
        "delay_std_s": 0.004,
    }
    said = stated(IdentifiedFact(code=code, **values) for code in FactCode)
    assert len(set(said)) == len(FactCode)
    words = [in_words(each) for each in said]
    assert not any("–" in sentence or "{" in sentence for sentence in words)


def test_facts_and_flags_say_the_same():
    found = identify_modes(one_mode(phases=False))
    assert codes(found.facts) == {FactCode.NO_TIME}
    assert codes(found.channels[0].facts) == {FactCode.NO_PHASE}
    (resonance,) = found.channels[0].resonances
    assert FactCode.CALIBRATION_UNSTATED in codes(resonance.facts)
    for said in (found, found.channels[0], resonance):
        assert said.flags == stated(said.facts)


def test_a_stated_calibration_is_no_fact_to_report():
    log = replace(one_mode(), calibration=(0.01,), control_calibration=0.01)
    (resonance,) = identify_modes(log).channels[0].resonances
    assert FactCode.CALIBRATION_UNSTATED not in codes(resonance.facts)


def test_too_few_rows_are_counted_in_the_fact():
    log = one_mode()
    few = replace(
        log, **{name: getattr(log, name)[:5] for name in ("frequency_hz", "control", "responses", "phases_deg")}
    )
    (fact,) = identify_modes(few).facts
    assert (fact.code, fact.rows, fact.least_rows) == (FactCode.TOO_FEW_ROWS, 5, 12)


@pytest.mark.parametrize("phases", [True, False])
def test_a_search_leaves_its_problem_as_it_was_and_gives_the_same_again(phases):
    problem = problem_of(one_mode(phases=phases))
    before = {field.name: getattr(problem, field.name) for field in fields(problem)}
    first, second = search(problem), search(problem)
    assert all(getattr(problem, name) is value for name, value in before.items())
    assert np.array_equal(first.poles.parameters, second.poles.parameters)
    assert first.solution.cost == second.solution.cost
    for frozen in (problem, first, first.solution):
        with pytest.raises(FrozenInstanceError):
            setattr(frozen, fields(frozen)[0].name, None)
