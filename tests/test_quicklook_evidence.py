"""The quick look takes a record for what it shows: decay, sweep, stepped sine, steady vibration, with its evidence.

Fault: a channel that happened to be called C1 made a sweep of every record, and a hammer's force hid the decay it made.
"""

from __future__ import annotations

import re

import numpy as np
import pytest

from reportgen.bare_file import quicklook
from reportgen.compute.decay.stationary import moving_line
from reportgen.errors import ReadError
from tests.archive.words import telling

RATE = 1000.0
T = np.arange(12_000) / RATE
NOISE = np.random.default_rng(0).normal(size=(2, len(T)))
DECAY = np.where(T > 1, np.exp(-1.5 * (T - 1)) * np.sin(2 * np.pi * 25 * (T - 1)), 0.0) + 1e-3 * NOISE[0]
BLOW = np.where((T > 1) & (T < 1.004), 50 * np.sin(np.pi * (T - 1) / 0.004), 0.0) + 1e-2 * NOISE[1]
PHASE = 2 * np.pi * 10 * np.expm1(np.log(20.0) / 12 * T) / (np.log(20.0) / 12)
STEPS = 2 * np.pi * np.cumsum(np.repeat(np.linspace(20.0, 42.0, 12), 1000)) / RATE


def looked_at(folder, columns, names, control=None):
    path = folder / "record.csv"
    rows = (f"{t:.4f}," + ",".join(f"{c[i]:.6f}" for c in columns) for i, t in enumerate(T))
    path.write_text("time [s]," + ",".join(names) + "\n" + "\n".join(rows) + "\n", encoding="utf-8")
    lines: list[str] = []
    quicklook(path, control, lambda line: lines.append(str(line)))
    return "\n".join(lines)


def swept(phase, k):
    return np.sin(phase - 0.3 * k) + 1e-3 * NOISE[k]


@pytest.mark.parametrize(
    ("columns", "names", "evidence"),
    [
        ((DECAY, 0.5 * DECAY), ("C1 [g]", "A1 [g]"), "begins with a pluck and dies away: read as a free decay"),
        ((BLOW, DECAY), ("Force [N]", "A1 [g]"), "begins with a pluck and dies away: read as a free decay"),
        ((NOISE[0], NOISE[1]), ("C1 [g]", "A1 [g]"), "its level stays the same and no line moves"),
        ((swept(80 * np.pi * T, 0), swept(80 * np.pi * T, 1)), ("C1 [g]", "A1 [g]"), "no line moves"),
        ((swept(PHASE, 0), swept(PHASE, 1)), ("C1 [g]", "A1 [g]"), "C1 moves from 10.* to 19.* Hz: read as a sweep"),
        ((swept(STEPS, 0), swept(STEPS, 1)), ("C1 [g]", "A1 [g]"), "holds and leaps from .* read as a stepped sine"),
    ],
    ids=["decay", "hammer and decay", "noise", "one line", "sweep", "stepped sine"],
)  # fmt: skip
def test_a_record_is_what_it_shows_whatever_its_channels_are_called(tmp_path, columns, names, evidence):
    said = looked_at(tmp_path, columns, names)
    assert re.search(evidence, said), said


def test_no_control_is_asked_for_where_nothing_sweeps(tmp_path):
    with pytest.raises(ReadError) as caught:
        looked_at(tmp_path, (NOISE[0] * (1 + T / 4), NOISE[1]), ("A1 [g]", "A2 [g]"))
    assert caught.value.what.code == "quicklook.neither"


def test_a_line_that_moves_asks_for_its_control_with_the_evidence(tmp_path):
    with telling(ReadError, match=r"a line moves from 10.* to 19.* Hz.*--control NAME, one of 'A1', 'A2'"):
        looked_at(tmp_path, (swept(PHASE, 0), swept(PHASE, 1)), ("A1 [g]", "A2 [g]"))


def test_who_names_a_control_is_believed(tmp_path):
    assert "control A1" in looked_at(tmp_path, (swept(PHASE, 0), swept(PHASE, 1)), ("A1 [g]", "A2 [g]"), control="A1")


@pytest.mark.parametrize("linear", [True, False])
def test_a_sweep_of_three_decades_is_not_taken_for_steps(linear):
    rate, t = 8192.0, np.arange(40 * 8192) / 8192.0
    k = np.log(400.0) / 40.0
    phase = 2 * np.pi * (5 * t + 0.5 * 1995 / 40.0 * t * t if linear else 5 * np.expm1(k * t) / k)
    line = moving_line(np.sin(phase), rate)
    assert line is not None
    assert not line.in_steps
