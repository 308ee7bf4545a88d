"""Rows packed for the page: unpacked again by the descriptions of the formats (RFC 1950, RFC 4648, IEEE 754)."""

from __future__ import annotations

import base64
import json
import struct
import zlib
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from reportgen.render.figures import figure_data as module
from reportgen.render.figures.canvas import sketch
from reportgen.render.figures.figure_data import FigureData, most_rows, pack_abscissa, pack_single, representatives
from reportgen.render.figures.plot import Curve, Panel, Plot
from reportgen.render.numbers import Numbers


def unpacked(packed):
    """By struct, number by number: nothing of the packer is used."""
    size, code = (8, "<d") if packed.kind == "double" else (4, "<f" if packed.kind == "single" else "<i")
    planes = zlib.decompress(base64.b64decode(packed.text))
    words = [bytes(planes[weight * packed.count + i] for weight in range(size)) for i in range(packed.count)]
    values = [struct.unpack(code, word)[0] for word in words]
    if packed.kind in ("single", "double"):
        return values
    sums = [sum(values[: i + 1]) for i in range(len(values))]
    if packed.kind == "decimal":
        return [each / 10**packed.places for each in sums]
    return [struct.unpack("<f", struct.pack("<i", (each + 2**31) % 2**32 - 2**31))[0] for each in sums]


numbers = arrays(np.float64, st.integers(0, 40), elements=st.floats(-1e6, 1e6))


@given(numbers)
@settings(max_examples=80, deadline=None)
def test_an_abscissa_comes_back_exactly(values):
    assert unpacked(pack_abscissa(values)) == values.tolist()


@given(st.lists(st.decimals(0, 5000, places=4), max_size=40))
@settings(max_examples=80, deadline=None)
def test_decimals_of_a_log_come_back_as_they_were_written(texts):
    values = np.array([float(each) for each in texts])
    packed = pack_abscissa(values)
    assert packed.kind == "decimal"
    assert unpacked(packed) == values.tolist()


@given(numbers)
@settings(max_examples=80, deadline=None)
def test_a_value_comes_back_in_single_precision(values):
    assert unpacked(pack_single(values)) == values.astype(np.float32).astype(np.float64).tolist()


def test_gaps_stay_gaps():
    values = unpacked(pack_single(np.array([1.0, np.nan, 3.0])))
    assert (values[0], values[2]) == (1.0, 3.0)
    assert np.isnan(values[1])
    assert np.isnan(unpacked(pack_abscissa(np.array([1.0, np.nan])))[1])


def plot(rows, key="fig-a"):
    x = np.linspace(1.0, 2.0, rows)
    curves = tuple(Curve(key=f"c{n}", label=f"c{n}", role="recorded", x=x, y=np.sin(x * (n + 1))) for n in range(2))
    panel = Panel(y_label="", curves=curves)
    return Plot(key=key, alt="", x_label="", x_range=(1.0, 2.0), panels=(panel,))


def test_what_two_figures_share_is_packed_once():
    sketches = [sketch(plot(300, key), Numbers("en")) for key in ("fig-a", "fig-b")]
    data = FigureData(sketches)
    panels = [data.geometry(each.draw()) for each in sketches]
    assert len(json.loads(data.json())) == 3
    assert panels[0][0]["curves"][0]["xs"] == panels[1][0]["curves"][1]["xs"]


def test_a_page_that_would_grow_too_large_keeps_the_extremes_and_says_how_many_rows_there_were(monkeypatch):
    monkeypatch.setattr(module, "MOST_VALUES", 9_000)
    made = sketch(plot(20_000), Numbers("en"))
    assert most_rows([made.plot]) == 2_500
    data = FigureData([made])
    curve = data.geometry(SimpleNamespace(key="fig-a", geometry=({"curves": [{}, {}]},)))[0]["curves"][0]
    kept = json.loads(data.json())[curve["ys"]]
    assert curve["rows"] == 20_000
    assert kept[1] <= 2_500


@given(arrays(np.float64, st.integers(1, 300), elements=st.floats(-50, 50)), st.integers(4, 60))
@settings(max_examples=80, deadline=None)
def test_the_highest_and_the_lowest_row_are_always_kept(y, most):
    kept = representatives(y, most)
    assert len(kept) <= max(most, 2)
    assert y[kept].max() == y.max()
    assert y[kept].min() == y.min()
    assert (np.diff(kept) > 0).all()


def test_a_row_without_a_reading_is_no_extreme():
    y = np.array([np.nan, -3.0, -1.0, -2.0, np.nan, 4.0])
    assert y[representatives(y, 2)] == pytest.approx([np.nan, -3.0, 4.0], nan_ok=True)


def test_a_row_without_a_reading_hides_neither_peak_nor_notch():
    """Fault: it counted as 0, and so as the highest of levels in dB and the lowest of ratios."""
    for sign in (-1.0, 1.0):
        y = sign * np.linspace(1.0, 2.0, 1000)
        y[[100, 101, 700]] = np.nan
        y[250], y[251] = sign * 0.5, sign * 3.0
        kept = representatives(y, 8)
        assert {250, 251, 100, 700} <= set(kept)
        assert len(kept) <= 12
