"""A mode that is asked for, in an account with complex residues: fitted where the truth of a simulated arm is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from reportgen.compute.identification import identified
from reportgen.compute.identification.asked_mode import Asked
from tests.compute.test_identification import record
from tests.identified import frequencies_of
from tests.simulator.course import sweep
from tests.simulator.structure import Sensor, Structure, TrueMode

TRUE_HZ, TRUE_Q = 90.0, 40.0
ARM = Structure(
    (TrueMode(50.0, 40.0), TrueMode(TRUE_HZ, TRUE_Q)), (Sensor("A1", (1.2, 5e-4)), Sensor("A2", (0.8, -6.5e-4)))
)


@pytest.fixture(scope="module")
def end():
    """Taken as steady state, so that the sweep's own effect is a misfit in which the search leaves the mode alone."""
    found = identified(replace(record(ARM, sweep(30.0, 140.0, 2.0)), time_s=None, steady=True))
    assert found.account is not None
    return found


def test_a_pole_asked_for_is_fitted_with_the_others_kept(end):
    before = frequencies_of(end.identification())
    after, refused = end.with_asked([Asked(TRUE_HZ, ("A2",))])
    assert refused == ()
    found = after.identification()
    assert frequencies_of(found) == pytest.approx((*before, TRUE_HZ), rel=5e-3)
    (asked,) = [each for each in found.channel("A2").resonances if each.asked is not None]
    assert abs(asked.frequency_hz - TRUE_HZ) < 2.0 * asked.frequency_std_hz
    assert abs(asked.q - TRUE_Q) < 2.0 * asked.q_std
    assert not asked.asked.meets_criterion
    assert "asked.against-chance" in [each.code for each in asked.asked.speaks_against]
    assert all(each.asked is None for each in found.channel("A1").resonances)


def test_a_mode_asked_for_on_two_channels_one_by_one_stands_on_both(end):
    """Fault: the second request took the first one's line away, and said that no row was there."""
    after, refused = end.with_asked([Asked(TRUE_HZ, ("A2",)), Asked(TRUE_HZ, ("A1",))])
    assert refused == ()
    found = after.identification()
    assert [sum(each.asked is not None for each in found.channel(name).resonances) for name in ("A1", "A2")] == [1, 1]
    _, (again,) = after.with_asked([Asked(TRUE_HZ, ("A2",))])
    assert again.why.code == "asked.there-already"


@pytest.mark.parametrize(
    "frequency_hz, why",
    [(20.0, "asked.outside"), (50.4, "asked.within-moving"), (70.0, "asked.no-damping")],
)
def test_what_cannot_be_fitted_is_refused_with_the_reason(end, frequency_hz, why):
    same, (refused,) = end.with_asked([Asked(frequency_hz, ("A1", "A2"))])
    assert refused.why.code == why
    assert same is end
