"""Results held against results: every difference is found, named and measured."""

from __future__ import annotations

import copy
import json
import math
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from reportgen.archive.compare import compare_results
from reportgen.render.catalogue import said

RESULTS = {
    "schema": 1,
    "runs": [
        {"id": "X-PRE", "channels": [{"id": "A1", "resonances": [{"frequency_hz": 117.43, "q": 38.1, "mode": 2}]}]},
        {"id": "X-POST", "channels": []},
    ],
    "verdicts": [{"requirement": "R3", "result": "pass", "measured": None}],
}


def changed(**at):
    other = copy.deepcopy(RESULTS)
    other["runs"][0]["channels"][0]["resonances"][0].update(at)
    return other


def places(one, other):
    return [each.where for each in compare_results(one, other)]


def test_equal():
    assert compare_results(RESULTS, json.loads(json.dumps(RESULTS))) == ()


def test_a_number_says_where_and_by_how_much():
    (found,) = compare_results(RESULTS, changed(q=39.0))
    assert found.where == "runs[X-PRE].channels[A1].resonances[117.43Hz,mode=2].q"
    assert math.isclose(found.relative, 0.9 / 38.1)
    assert said(found.said).endswith("reported 38.1, recomputed 39.0, off by 2.4 %")


def test_rounding_of_the_last_digits_is_the_same_and_more_is_not():
    assert places(RESULTS, changed(q=38.1 * (1 + 1e-12))) == []
    assert places(RESULTS, changed(q=38.1 * (1 + 1e-7))) == ["runs[X-PRE].channels[A1].resonances[117.43Hz,mode=2].q"]


def test_a_number_null_a_count_and_a_flag_are_different_things():
    for value in (None, True, "38.1", math.inf):
        assert places(RESULTS, changed(q=value)) == ["runs[X-PRE].channels[A1].resonances[117.43Hz,mode=2].q"]
    assert places(RESULTS, changed(mode=3)) == ["runs[X-PRE].channels[A1].resonances[117.43Hz,mode=2].mode"]
    assert places({"a": 1}, {"a": True}) == ["a"]


def test_entries_are_matched_by_name_not_by_place():
    other: dict[str, Any] = copy.deepcopy(RESULTS)
    other["runs"].reverse()
    assert places(RESULTS, other) == []
    del other["runs"][0]
    other["verdicts"][0]["result"] = "fail"
    assert places(RESULTS, other) == ["runs[X-POST]", "verdicts[R3].result"]


def test_a_longer_list():
    other = copy.deepcopy(RESULTS)
    other["runs"][0]["channels"][0]["resonances"].append({"frequency_hz": 240.0, "q": 1.0})
    assert places(RESULTS, other) == ["runs[X-PRE].channels[A1].resonances[240Hz]"]


def test_one_resonance_less_in_the_middle_is_one_difference():
    modes = [{"frequency_hz": 10.0 * n**2, "q": 30.0 + n, "mode": n} for n in range(1, 6)]
    one, other = {"resonances": modes}, {"resonances": modes[:2] + modes[3:]}
    (found,) = compare_results(one, other)
    assert said(found.said).startswith('resonances[90Hz,mode=3]: reported {"frequency_hz": 90.0')
    assert said(found.said).endswith("recomputed nothing")
    other["resonances"][3] = {**modes[4], "q": 36.0}
    assert places(one, other) == ["resonances[90Hz,mode=3]", "resonances[250Hz,mode=5].q"]


def test_another_order_of_the_same_is_said_once():
    assert places({"flags": ["a", "b", "c"]}, {"flags": ["c", "a", "b"]}) == ["flags.(order)"]
    assert places({"flags": [1, 2]}, {"flags": [2, 1]}) == ["flags[0]", "flags[1]"]


def test_counts_and_mode_numbers_are_not_off_by_a_share():
    (found,) = compare_results({"mode": 3}, {"mode": 2})
    assert said(found.said) == "mode: reported 3, recomputed 2"


def test_numbers_without_end():
    assert places({"a": 10**400}, {"a": 1.0}) == ["a"]
    assert said(compare_results({"a": 10**400}, {"a": 2})[0].said).startswith("a: reported 1000")


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=4),
    max_leaves=12,
)


@given(VALUES)
def test_any_value_is_the_same_as_itself_read_back(value):
    assert compare_results(value, json.loads(json.dumps(value))) == ()


@given(VALUES, VALUES)
def test_no_difference_is_lost(one, other):
    """Where text form differs by more than rounding, something is listed; the order of arguments does not matter."""
    found, back = compare_results(one, other), compare_results(other, one)
    assert bool(found) == bool(back)
    if not found:
        assert json.dumps(one, sort_keys=True).count(":") == json.dumps(other, sort_keys=True).count(":")


def test_a_mode_nobody_saw_is_compared_by_null_and_never_by_its_expectation():
    reported = {"modes": [{"axis": "X", "mode": 6, "frequency_hz": None, "expected_hz": 986.3, "missing": True}]}
    measured = {"modes": [{**reported["modes"][0], "frequency_hz": 986.3}]}
    assert compare_results(reported, reported) == ()
    (found,) = compare_results(reported, measured)
    assert (found.reported, found.recomputed, found.relative) == (None, 986.3, None)
