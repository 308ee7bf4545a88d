"""The profile read off a log: handbook crossovers come out again, and what is no profile gives none."""

from __future__ import annotations

import numpy as np
import pytest

from reportgen.compute.sweep.profile_as_swept import profile_as_swept
from reportgen.units import STANDARD_GRAVITY as G


def rows(low, high, level, noise_db=0.2, down=False):
    f = np.geomspace(low, high, 2000)
    f = f[::-1] if down else f
    return f, level(f) * 10 ** (np.random.default_rng(7).normal(0, noise_db, len(f)) / 20)


@pytest.mark.parametrize("down", [False, True])
def test_a_crossover_from_displacement_to_acceleration_is_where_the_two_are_one(down):
    """Closed form: A = d (2 pi f)^2; 0.35 mm and 5 g cross near 60 Hz (IEC 60068-2-6, from memory)."""
    d, a = 0.35e-3, 5 * G
    found = profile_as_swept(*rows(10, 2000, lambda f: np.minimum(d * (2 * np.pi * f) ** 2, a), down=down))
    assert [each.dimension for each in found] == ["displacement", "displacement", "acceleration", "acceleration"]
    assert [each.frequency_hz for each in found] == pytest.approx([10, 59.6, 59.6, 2000], rel=0.01)
    assert [each.amplitude for each in found] == pytest.approx([d, d, a, a], rel=0.01)


def test_one_level_has_two_ends():
    found = profile_as_swept(*rows(10, 2000, lambda f: np.full_like(f, 0.5 * G)))
    assert [(each.dimension, round(each.amplitude / G, 2)) for each in found] == [("acceleration", 0.5)] * 2


def test_a_slope_of_no_constant_motion_keeps_its_ends():
    found = profile_as_swept(*rows(5, 2000, lambda f: G * np.minimum(0.03 * (f / 5) ** (np.log(10) / np.log(8)), 0.3)))
    assert [each.dimension for each in found[:2]] == ["acceleration", "acceleration"]
    assert [each.amplitude / G for each in (found[0], found[-1])] == pytest.approx([0.03, 0.3], rel=0.05)
    assert found[1].frequency_hz == pytest.approx(40, rel=0.1)


def test_a_level_turned_by_hand_shows_as_corners():
    f, level = rows(5, 100, lambda f: np.full_like(f, G))
    found = profile_as_swept(f, level * np.where((f >= 8) & (f < 16), 0.5, 1.0))
    assert [each.amplitude / G for each in found] == pytest.approx([1, 1, 0.5, 0.5, 1, 1], rel=0.02)
    assert [each.frequency_hz for each in found[1:5]] == pytest.approx([8, 8, 16, 16], rel=0.03)


def test_a_response_is_no_profile_and_few_rows_are_none():
    f = np.geomspace(5, 2000, 3000)
    wild = 10 ** (np.sin(12 * np.log(f)))
    assert profile_as_swept(f, wild) == ()
    assert profile_as_swept(f[:5], f[:5]) == ()
