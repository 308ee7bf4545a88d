"""Entries of two lists are paired by what they are about: one more or less shifts none of those behind it."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reportgen.archive.pairing import ABSENT, WINDOW, paired


def resonance(frequency_hz, mode=None, **more):
    return {"frequency_hz": frequency_hz, "mode": mode, **more}


def by_frequency(one, other):
    """Pairs of frequencies, None where an entry is alone."""
    pairs, _ = paired(one, other)
    sides = [
        tuple(None if side is ABSENT else side["frequency_hz"] for side in (pair.one, pair.other)) for pair in pairs
    ]
    return sorted(sides, key=lambda pair: pair[0] or pair[1])


def test_one_that_vanishes_from_the_middle_is_alone():
    one = [resonance(10.8, 1), resonance(70.3, 2), resonance(200.8, 3)]
    assert by_frequency(one, [one[0], one[2]]) == [(10.8, 10.8), (70.3, None), (200.8, 200.8)]
    assert by_frequency([one[0], one[2]], one) == [(10.8, 10.8), (None, 70.3), (200.8, 200.8)]


def test_numbers_that_moved_up_do_not_mislead():
    """A mode found below renumbers those above; each is still paired with itself."""
    one = [resonance(10.8, 1), resonance(70.3, 2), resonance(200.8, 3)]
    other = [resonance(10.8, 1), resonance(40.0, 2), resonance(70.3, 3), resonance(200.8, 4)]
    assert by_frequency(one, other) == [(10.8, 10.8), (None, 40.0), (70.3, 70.3), (200.8, 200.8)]


def test_a_mode_number_holds_at_any_distance():
    one, other = [resonance(100.0, 1)], [resonance(80.0, 1)]
    assert math.log(100 / 80) > WINDOW
    assert by_frequency(one, other) == [(100.0, 80.0)]
    assert by_frequency([resonance(100.0)], [resonance(80.0)]) == [(None, 80.0), (100.0, None)]


@pytest.mark.parametrize("apart, together", [(0.99 * WINDOW, True), (1.01 * WINDOW, False)])
def test_the_window(apart, together):
    pairs, _ = paired([resonance(100.0)], [resonance(100.0 * math.exp(apart))])
    assert (len(pairs) == 1) is together


def test_close_neighbours_of_which_one_vanishes():
    assert by_frequency([resonance(100.0), resonance(101.0)], [resonance(101.1)]) == [(100.0, None), (101.0, 101.1)]
    assert by_frequency([resonance(100.0), resonance(101.0)], [resonance(100.1)]) == [(100.0, 100.1), (101.0, None)]


def test_modes_of_two_axes_are_never_one():
    pairs, _ = paired([{"axis": "X", **resonance(70.0, 1)}], [{"axis": "Y", **resonance(70.0, 1)}])
    assert len(pairs) == 2


def test_findings_are_paired_by_their_words():
    """A line put in above moves every place; a number in the words may change with the results."""
    one = [
        {"severity": "warning", "where": "notes.txt:10", "message": "mode 6 is missing (expected near 986.3 Hz)"},
        {"severity": "note", "where": "notes.txt:4", "message": "strobe agrees"},
    ]
    other = [
        {"severity": "note", "where": "notes.txt:3", "message": "something new"},
        {"severity": "note", "where": "notes.txt:5", "message": "strobe agrees"},
        {"severity": "warning", "where": "notes.txt:11", "message": "mode 6 is missing (expected near 987.1 Hz)"},
    ]
    pairs, reordered = paired(one, other)
    assert [(pair.one, pair.other) for pair in pairs] == [(one[0], other[2]), (one[1], other[1]), (ABSENT, other[0])]
    assert reordered


def test_a_person_is_known_by_the_role():
    one = [{"role": "Test engineer", "name": "A. Berg"}, {"role": "Reviewer", "name": "C. Dahl"}]
    other = [{"role": "Reviewer", "name": "C. Dahl"}, {"role": "Test engineer", "name": "E. Falk"}]
    pairs, _ = paired(one, other)
    assert [(pair.one, pair.other) for pair in pairs] == [(one[0], other[1]), (one[1], other[0])]


def test_bands_are_paired_where_they_begin():
    one, other = [[10.0, 12.0], [112.0, 119.5], [300.0, 310.0]], [[10.0, 12.0], [300.0, 311.0]]
    pairs, _ = paired(one, other)
    assert [(pair.one, pair.other) for pair in pairs] == [(one[0], other[0]), (one[1], ABSENT), (one[2], other[1])]


def test_findings_of_one_code_and_about_one_channel_are_one():
    """Another version may word a finding anew; its code stays."""
    one = [
        {"kind": "clipping", "channel": "A1", "band_hz": [30.0, 31.0], "code": "quality.clipped", "message": "clipped"},
        {"kind": "clipping", "channel": "A1", "band_hz": [80.0, 81.0], "code": "quality.clipped", "message": "clipped"},
        {"kind": "clipping", "channel": "A2", "band_hz": [80.0, 81.0], "code": "quality.clipped", "message": "clipped"},
    ]
    other = [{**one[2], "message": "cut off"}, {**one[1], "band_hz": [80.5, 81.0], "message": "cut off"}]
    pairs, _ = paired(one, other)
    assert [(pair.one, pair.other) for pair in pairs] == [(one[0], ABSENT), (one[1], other[1]), (one[2], other[0])]


def test_a_verdict_is_known_by_its_requirement():
    one = [{"requirement": "R1", "result": "pass"}, {"requirement": "R2", "result": "pass"}]
    other = [{"requirement": "R2", "result": "fail"}, {"requirement": "R3", "result": "pass"}]
    pairs, _ = paired(one, other)
    assert [(pair.one, pair.other) for pair in pairs] == [(one[0], ABSENT), (one[1], other[0]), (ABSENT, other[1])]


def test_two_frequencies_at_the_ends_of_what_a_number_can_be():
    """Fault: their ratio is zero, which has no logarithm."""
    pairs, _ = paired([resonance(5e-324)], [resonance(1e299)])
    assert len(pairs) == 2


def test_equal_entries_are_counted():
    pairs, _ = paired(["clipped", "clipped", "noisy"], ["clipped", "noisy"])
    assert [pair.other for pair in pairs] == ["clipped", ABSENT, "noisy"]


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=3),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["id", "mode", "axis", "frequency_hz", "at_hz", "where", "text", "q"]), inner)
    ),
    max_leaves=8,
)
LISTS = st.lists(VALUES, max_size=6)


@given(LISTS, LISTS)
def test_every_entry_is_in_exactly_one_pair(one, other):
    pairs, _ = paired(one, other)
    for values, side in ((one, "one"), (other, "other")):
        found = [getattr(pair, side) for pair in pairs if getattr(pair, side) is not ABSENT]
        assert sorted(map(json.dumps, found)) == sorted(map(json.dumps, values))


@given(LISTS, st.randoms(use_true_random=False))
def test_what_is_in_both_is_never_alone(values, chance):
    """Whatever is taken out, the rest is paired with itself."""
    kept = [each for each in values if chance.random() < 0.6]
    pairs, _ = paired(values, kept)
    alone = [json.dumps(pair.one) for pair in pairs if pair.other is ABSENT]
    assert len(alone) == len(values) - len(kept)
    assert all(pair.one is not ABSENT for pair in pairs)
