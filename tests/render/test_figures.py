"""Figures: no peak is lost, the same plot gives the same bytes, nothing in the drawing breaks a strict policy."""

from __future__ import annotations

import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from reportgen.render.document import assemble
from reportgen.render.figures.canvas import STYLES, draw, sketch, spread
from reportgen.render.figures.gallery import Gallery
from reportgen.render.figures.plot import Curve, Inset, Mark, Panel, Plot
from reportgen.render.figures.reduce import points_to_draw, without_straight_points
from reportgen.render.numbers import Numbers


def peaky(points=20_000, f0=117.43, q=60.0):
    """Closed-form transmissibility of one degree of freedom, base excitation (Harris, Shock and Vibration Handbook)."""
    f = np.geomspace(5.0, 2000.0, points)
    r, zeta = f / f0, 0.5 / q
    return f, np.sqrt((1 + (2 * zeta * r) ** 2) / ((1 - r**2) ** 2 + (2 * zeta * r) ** 2))


def plot(key="fig-test", points=20_000):
    f, y = peaky(points)
    curves = (
        Curve(key="recorded", label="as recorded", role="recorded", x=f, y=y),
        Curve(key="steady", label="steady state", role="steady", x=f, y=y * 1.01),
    )
    panel = Panel(y_label="Magnitude", curves=curves, marks=(Mark(x=117.43, y=float(y.max()), text="1: 117.4"),))
    return Plot(key=key, alt="a peak at 117 Hz", x_label="Frequency in Hz", x_range=(5.0, 2000.0), panels=(panel,))


@given(
    arrays(np.float64, st.integers(8, 400), elements=st.floats(-1e3, 1e3)),
    st.randoms(use_true_random=False),
)
@settings(max_examples=120, deadline=None)
def test_every_column_keeps_its_extremes(y, random):
    x = np.cumsum([random.random() * 0.4 for _ in y])
    kept = points_to_draw(x, y)
    assert (np.diff(kept) > 0).all()
    for column in np.unique(np.floor(x)):
        inside = np.floor(x) == column
        chosen = kept[np.floor(x[kept]) == column]
        assert y[chosen].max() == y[inside].max()
        assert y[chosen].min() == y[inside].min()
    assert {0, len(y) - 1} <= set(kept.tolist())


def test_a_gap_stays_a_gap():
    y = np.sin(np.arange(300.0))
    y[100:140] = np.nan
    kept = points_to_draw(np.arange(300.0) / 50.0, y)
    assert np.isnan(y[kept]).any()
    assert np.isfinite(y[kept][[0, -1]]).all()


@given(
    arrays(np.float64, st.integers(2, 120), elements=st.floats(-50, 50)),
    st.floats(0.05, 5.0),
)
@settings(max_examples=120, deadline=None)
def test_the_shortened_line_stays_within_its_tolerance_of_every_point(y, tolerance):
    """Distance to the drawn stretch by dense sampling of it, not by the formula that chose the points."""
    x = np.arange(float(len(y)))
    kept = without_straight_points(x, y, tolerance)
    assert {0, len(y) - 1, int(np.argmin(y)), int(np.argmax(y))} <= set(kept.tolist())
    for first, last in pairwise(kept):
        share = np.linspace(0.0, 1.0, 2001)
        line_x, line_y = x[first] + share * (x[last] - x[first]), y[first] + share * (y[last] - y[first])
        for i in range(first + 1, last):
            # Sampling overstates a distance by at most half its step.
            step = np.hypot(x[last] - x[first], y[last] - y[first]) / 2000
            assert np.hypot(line_x - x[i], line_y - y[i]).min() <= tolerance + step


def test_a_smooth_curve_needs_few_points_and_a_straight_one_two():
    x = np.linspace(0.0, 366.0, 20_000)
    assert len(without_straight_points(x, 3.0 + 0.2 * x, 0.06)) == 2
    assert len(without_straight_points(x, 60.0 * np.sin(x / 40.0), 0.06)) < 200


def test_the_drawn_curve_reaches_the_peak_and_is_small():
    drawing = draw(plot(), Numbers("en"))
    panel: dict[str, Any] = drawing.geometry[0]
    points = re.search(r'id="fig-test-curve-recorded">\s*<polyline[^>]*points="([^"]+)"', drawing.svg)
    assert points is not None
    values = np.array([float(v) for v in points.group(1).split()]).reshape(-1, 2)
    assert len(values) < 600
    bottom, top = panel["py"]
    low, high = panel["y"]
    peak = low * (high / low) ** ((values[:, 1].min() - bottom) / (top - bottom))
    assert peak == pytest.approx(peaky()[1].max(), rel=2e-3)
    assert len(drawing.svg) < 20_000


def test_same_plot_same_bytes_in_another_process():
    code = (
        "import hashlib; from tests.render.test_figures import plot, draw, Numbers; "
        "print(hashlib.sha256(draw(plot(points=900), Numbers('de')).svg.encode()).hexdigest())"
    )
    seen = {
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, env={"PYTHONHASHSEED": seed}
        ).stdout
        for seed in ("1", "2")
    }
    assert len(seen) == 1


def test_the_drawing_has_a_title_unique_ids_and_no_style():
    svg = draw(plot(points=500), Numbers("en")).svg
    root = ElementTree.fromstring(svg)
    assert root[0].text == "a peak at 117 Hz"
    assert all(element.get("style") is None for element in root.iter())
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    assert all(each.startswith("fig-test-") for each in ids)
    assert not [e for e in root.iter() if e.tag.rpartition("}")[2] in ("script", "style", "metadata", "foreignObject")]


def test_curves_that_share_a_panel_differ_without_colour():
    """Dash or clearly different weight, so that a grey print and a colour-blind reader tell them apart."""
    for first, second in (
        ("recorded", "steady"), ("control", "required"), ("control", "tolerance"), ("tolerance", "abort"),
        ("before", "after"), ("recorded", "envelope"), ("recorded", "floor"), ("steady", "floor"),
    ):  # fmt: skip
        (_, width, dash), (_, other_width, other_dash) = STYLES[first], STYLES[second]
        assert dash != other_dash or max(width, other_width) > 1.8 * min(width, other_width), (first, second)


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12))
def test_labels_never_overlap_and_keep_their_order(wanted):
    placed = spread(wanted, 0.08, 0.0, 1.0)
    ordered = [placed[i] for i in sorted(range(len(wanted)), key=lambda i: (wanted[i], i))]
    assert all(b - a >= 0.08 - 1e-9 for a, b in pairwise(ordered))


def test_german_axes_have_a_comma():
    f = np.geomspace(5.0, 2000.0, 50)
    curve = Curve(key="c", label="c", role="control", x=f, y=np.linspace(0.11, 0.42, 50))
    panel = Panel(y_label="g", curves=(curve,), y_scale="linear")
    drawn = Plot(key="k", alt="a", x_label="Hz", x_range=(5.0, 2000.0), panels=(panel,))
    texts = re.findall(r">([\d.,]+)</text>", draw(drawn, Numbers("de")).svg)
    assert "0,2" in texts
    assert not [t for t in texts if "." in t]


def test_a_sketch_has_the_size_of_its_drawing(report, templates):
    """The page leaves room by the sketch before the figure is drawn."""
    gallery = assemble(report, templates).drawings
    assert len(gallery) > 5
    for key, drawing in gallery.items():
        box = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', drawing.svg)
        assert box is not None
        one = gallery.sketches[key]
        assert (float(box[1]), float(box[2])) == pytest.approx((one.width, one.height), abs=1e-6)
        assert (one.key, one.alt) == (drawing.key, drawing.alt)


def test_a_figure_is_drawn_once_and_only_where_somebody_looks():
    drawn = []

    def note(each):
        drawn.append(each.key)
        return each.draw()

    gallery = Gallery([sketch(plot(key, points=50), Numbers("en")) for key in ("fig-a", "fig-b")], note)
    assert "fig-a" in gallery
    assert list(gallery) == ["fig-a", "fig-b"]
    assert not drawn
    assert gallery["fig-a"] is gallery["fig-a"] is gallery.only(["fig-a"])["fig-a"]
    assert drawn == ["fig-a"]
    somebodys: Any = object()
    assert gallery.taken_from(lambda: {"fig-b": somebodys})["fig-b"] is somebodys


def test_the_frame_and_the_grid_are_one_element_each():
    svg = draw(plot(points=500), Numbers("en")).svg
    assert len(re.findall('stroke="#d5dbdf"', svg)) == 1
    assert len(re.findall('stroke="#5d6b76" stroke-width="0.6"', svg)) == 1


def test_a_shaded_band_lies_where_its_frequencies_are():
    """Fault: bands were placed by shares of the panel read as hertz, off the figure: nothing was ever shaded."""
    whole = plot(points=500)
    drawn = draw(replace(whole, panels=(replace(whole.panels[0], shaded=((50.0, 200.0),)),)), Numbers("en"))
    (band,) = re.findall('d="([^"]*)"[^>]*fill="#f1d9cd"', drawn.svg)
    xs = [float(x) for x in re.findall(r"[ML] (-?[\d.]+)", band)]
    panel: dict[str, Any] = drawn.geometry[0]
    left, right = panel["px"]
    place = [left + (right - left) * np.log(f / 5.0) / np.log(400.0) for f in (50.0, 200.0)]
    assert [min(xs), max(xs)] == pytest.approx(place, abs=0.5)


def test_a_flat_curve_has_more_than_one_number_on_its_axis():
    """Fault: a control level within 10 % of 0.5 g had one tick on its logarithmic axis, or none."""
    from reportgen.render.figures.canvas import _ticks

    assert len(_ticks("log", (0.44, 0.57), most=6)) >= 3


def test_both_ends_of_the_frequency_axis_are_named():
    """Fault: a sweep from 8 Hz to 1700 Hz showed no number at either end."""
    from reportgen.render.figures.canvas import _ticks, _with_ends

    ticks = _with_ends(_ticks("log", (8.0, 1700.0)), "log", (8.0, 1700.0))
    assert (ticks[0], ticks[-1]) == (8.0, 1700.0)


def test_an_inset_shows_each_mode_again_without_a_panel_of_its_own():
    whole = plot(points=400)
    inset = Inset(x_range=(110.0, 125.0), label="R1: 117.4 Hz: −0.60 %", limits=(112.0, 123.0), evidence=True)
    drawing = draw(replace(whole, insets=(inset,)), Numbers("en"))
    assert "R1: 117.4 Hz" in drawing.svg
    assert len(drawing.geometry) == len(whole.panels)
    assert sketch(replace(whole, insets=(inset,)), Numbers("en")).height > sketch(whole, Numbers("en")).height


def test_an_axis_ends_a_little_below_the_noise_floor():
    """Fault: the axis reached two decades into the noise, and the peak stood in the upper third."""
    from reportgen.render.figures.canvas import _y_range

    f, y = peaky(2000)
    noisy = np.where(f > 1500.0, 1e-4, y)
    curve = Curve(key="recorded", label="", role="recorded", x=f, y=noisy)
    panel = Panel(y_label="", curves=(curve,), y_floor=0.01)
    shown = replace(plot(points=400), panels=(panel,))
    assert _y_range(panel, shown)[0] > 0.004
