"""Mode numbers from node counts, and the trap of base drive."""

from __future__ import annotations

import numpy as np
import pytest

from reportgen.compute.modes.beam import base_driven_nodes, frequency_ratio, mode_shape, nodes
from reportgen.compute.modes.mode_number import (
    Count,
    match_nodes,
    misplaced_nodes,
    mode_from_count,
    node_spans,
    nodes_of_mode,
    number_count,
)
from reportgen.records.job import Boundary

CF, CC, CP, FF, PP = (
    Boundary.CLAMPED_FREE,
    Boundary.CLAMPED_CLAMPED,
    Boundary.CLAMPED_PINNED,
    Boundary.FREE_FREE,
    Boundary.PINNED_PINNED,
)


@pytest.mark.parametrize("boundary", Boundary)
@pytest.mark.parametrize("mode", range(1, 11))
def test_the_rule_against_the_zeros_of_the_shape(boundary, mode):
    """Sign changes of the shape on a grid that knows nothing of nodes; the rule of Blevins, Table 8-1."""
    shape = mode_shape(boundary, mode, np.linspace(0.003, 0.997, 5001))
    count = int(np.sum(shape[1:] * shape[:-1] < 0))
    assert mode_from_count(boundary, count).mode == mode
    assert nodes_of_mode(boundary, mode) == count


@pytest.mark.parametrize("boundary, counted, mode", [(CF, 2, 2), (CC, 3, 2), (CP, 2, 1), (PP, 4, 3), (FF, 3, 2)])
def test_counts_with_supports(boundary, counted, mode):
    assert mode_from_count(boundary, counted, supports_counted=True).mode == mode


def test_counts_that_cannot_be():
    assert mode_from_count(CC, 1, supports_counted=True).mode is None
    for count in (0, 1):
        numbering = mode_from_count(FF, count)
        assert numbering.mode is None
        assert numbering.flags[0].code == "count.rigid-body"


# Cantilever, f1 = 40 Hz: ratios of Thomson, Theory of Vibration (6.267, 17.55)
@pytest.mark.parametrize("drive, count, mode", [(40.0, 0, 1), (250.7, 1, 2), (701.9, 2, 3)])
def test_counts_at_the_peak(drive, count, mode):
    numbering = number_count(CF, Count(nodes=count, drive_hz=drive, resonance_hz=drive, half_bandwidth_hz=drive / 100))
    assert numbering.mode == mode
    assert numbering.flags == ()


def test_the_trap_of_base_drive():
    """5 % above the first peak one node is seen, at 0.19 L: not mode 2."""
    seen = base_driven_nodes(CF, 1.05)
    assert seen == pytest.approx((0.193,), abs=1e-3)
    trap = Count(nodes=1, drive_hz=42.0, resonance_hz=40.0, half_bandwidth_hz=0.4, positions=(0.19,))
    numbering = number_count(CF, trap)
    assert numbering.mode == 1
    assert numbering.nodes == 0
    assert numbering.newborn
    assert numbering.flags[0].code == "count.new-node-taken-off"


def test_without_a_position_the_number_stays_open():
    trap = Count(nodes=1, drive_hz=42.0, resonance_hz=40.0, half_bandwidth_hz=0.4)
    for tip in (None, 0.0, 1.0):
        numbering = number_count(CF, trap, tip_mass_ratio=tip)
        assert numbering.mode is None
        (open_count,) = numbering.flags
        assert open_count.code == "count.may-be-one-high"
        assert (open_count.value("mode"), open_count.value("lower")) == (2, 1)


def past_peaks():
    """Past each peak that all supports drive together: nodes of undamped absolute motion that one could see."""
    for boundary in (CF, CP, CC):
        for below in (1, 3) if boundary is CC else (1, 2, 3):
            for above in (1.03, 1.06):
                seen = base_driven_nodes(boundary, above * frequency_ratio(boundary, below))
                if seen[0] >= 0.10:
                    yield boundary, above, seen


@pytest.mark.parametrize("boundary, above, seen", list(past_peaks()))
def test_a_count_past_any_peak_is_never_taken_at_its_word(boundary, above, seen):
    count = Count(nodes=len(seen), drive_hz=100.0 * above, resonance_hz=100.0, half_bandwidth_hz=0.5, positions=seen)
    assert number_count(boundary, count).mode != mode_from_count(boundary, len(seen)).mode


@pytest.mark.parametrize("tip", [0.0, 0.3, 1.3, None])
def test_a_count_of_the_next_mode_off_its_peak_is_kept_where_positions_tell(tip):
    """Mode 2's own node, noted some per cent above its peak together with no other: the place decides."""
    place = nodes(CF, 2, tip or 0.0)
    count = Count(nodes=1, drive_hz=258.0, resonance_hz=250.0, half_bandwidth_hz=2.0, positions=place)
    numbering = number_count(CF, count, tip_mass_ratio=tip)
    assert numbering.mode == 2
    assert numbering.flags[0].code == "count.positions-agree"
    assert numbering.flags[0].value("mode") == 2


def test_the_resonances_below_speak_for_a_count_past_the_peak():
    """One node 5 % above a resonance: with a resonance below it is mode 2's own, without one it is the new node."""
    seen = {"nodes": 1, "drive_hz": 42.0, "resonance_hz": 40.0, "half_bandwidth_hz": 0.4}
    with_one = number_count(CF, Count(**seen, resonances_below=1))
    assert with_one.mode == 2
    assert with_one.flags[0].code == "count.logs-agree"
    assert with_one.flags[0].value("below") == 1
    assert number_count(CF, Count(**seen, resonances_below=0)).mode is None
    at_root = Count(**seen, resonances_below=1, positions=(0.19,))
    assert number_count(CF, at_root).mode == 1


def test_within_half_a_bandwidth_or_below_the_peak_the_count_stands():
    inside = Count(nodes=1, drive_hz=101.0, resonance_hz=100.0, half_bandwidth_hz=2.0)
    assert number_count(CF, inside).mode == 2
    below = Count(nodes=1, drive_hz=95.0, resonance_hz=100.0, half_bandwidth_hz=1.0)
    assert number_count(CF, below).mode == 2
    assert number_count(FF, Count(nodes=3, drive_hz=105.0, resonance_hz=100.0)).mode == 2


def test_the_phase_tells_past_the_peak_where_the_bandwidth_does_not():
    """Beyond the half-power point the response has turned by 45° (single degree of freedom)."""
    turned = Count(nodes=1, drive_hz=104.0, resonance_hz=100.0, half_bandwidth_hz=5.0, phase_turned_deg=80.0)
    numbering = number_count(CF, turned)
    assert numbering.mode is None
    assert numbering.flags[0].value("where").value("turned_deg") == 80.0
    not_turned = Count(nodes=1, drive_hz=104.0, resonance_hz=100.0, half_bandwidth_hz=5.0, phase_turned_deg=10.0)
    assert number_count(CF, not_turned).mode == 2


def test_a_node_placed_at_the_clamp_asks_whether_supports_were_counted():
    at_clamp = Count(nodes=2, drive_hz=250.0, positions=(0.0, 0.78))
    assert number_count(CF, at_clamp).mode is None
    assert number_count(CF, at_clamp).flags[0].code == "count.node-at-support"
    assert number_count(CF, at_clamp, supports_counted=True).mode == 2


def test_positions_match_each_its_own():
    assert match_nodes((0.50, 0.87), (0.5035, 0.8677))
    assert not match_nodes((0.50, 0.51), (0.5035, 0.8677))
    assert not match_nodes((0.774 - 0.02,), (0.7834,))
    assert misplaced_nodes((0.50, 0.80), ((0.5035, 0.5035), (0.8677, 0.8677))) == ((0.80, 0.8677),)
    assert misplaced_nodes((0.2,), ()) == ((0.2, None),)


def test_an_unknown_tip_mass_leaves_room_for_its_nodes():
    """Second node of a cantilever: 0.783 L without, 0.988 L with five times its own mass on the tip."""
    assert node_spans(CF, 2, 0.0)[0] == pytest.approx((0.7834, 0.7834), abs=1e-4)
    low, high = node_spans(CF, 2, None)[0]
    assert low == pytest.approx(0.7834, abs=1e-4)
    assert 0.988 < high < 1.0
    assert misplaced_nodes((0.90,), node_spans(CF, 2, None)) == ()
    assert misplaced_nodes((0.70,), node_spans(CF, 2, None)) != ()
    assert node_spans(CC, 2, None) == node_spans(CC, 2, 0.0)
