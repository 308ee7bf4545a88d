"""The quick look as at the bench: the table first, then the page; from a sweep log and from a raw record."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from reportgen import bare_file
from reportgen.errors import ReadError
from reportgen.resources import data_dir
from tests.simulator.course import G, Table, sweep
from tests.simulator.examples import SURVEY_BOOM, boom
from tests.simulator.time_history import sweep_record

LOGS = data_dir("example_logs")


def looked(log: Path, control: str | None = None) -> list[tuple[str, bool]]:
    """Lines said of a log, each with whether the page was there when it was said."""
    page = log.with_name(log.name + ".quicklook.html")
    said: list[tuple[str, bool]] = []
    bare_file.quicklook(log, control, lambda line: said.append((str(line), page.exists())))
    return said


@pytest.mark.parametrize("cores", [1, 2])
def test_the_table_is_said_before_the_page_is_drawn(tmp_path, monkeypatch, cores):
    monkeypatch.setattr(bare_file, "cores", lambda: cores)
    log = Path(shutil.copy(LOGS / "controller_box" / "logs" / "z_pre.csv", tmp_path))
    *table, last = looked(log)
    assert [there for _, there in table] == [False] * len(table)
    assert last == (f"curves: {log}.quicklook.html", True)
    rows = [line.split() for line, _ in table if line.lstrip().startswith("A1 ")]
    frequencies = [float(row[1]) for row in rows]
    assert frequencies == sorted(frequencies)
    assert len(frequencies) >= 2


def test_one_core_or_two_say_the_same(tmp_path, monkeypatch):
    log = Path(shutil.copy(LOGS / "controller_box" / "logs" / "z_pre.csv", tmp_path))
    said = []
    for cores in (1, 2):
        monkeypatch.setattr(bare_file, "cores", lambda n=cores: n)
        said.append([line for line, _ in looked(log)])
    assert said[0] == said[1]


def test_a_record_without_a_control_is_read_as_a_free_decay(tmp_path):
    """10.719 Hz and 69.77 Hz after the test, as the example's README states."""
    log = Path(shutil.copy(LOGS / "sensor_boom" / "logs" / "x_decay.csv", tmp_path))
    lines = [line for line, _ in looked(log)]
    assert "read as a free decay" in lines[0]
    rows = [line.split() for line in lines if line.lstrip().startswith("A1 ")]
    assert [float(row[1]) for row in rows] == pytest.approx([10.719, 69.77], rel=1e-4)
    page = log.with_name(log.name + ".quicklook.html").read_text(encoding="utf-8")
    assert "free decay and its envelope" in page
    assert "<svg" in page


@pytest.mark.parametrize("octaves_per_minute", [8.0, 30.0])
def test_a_swept_record_without_a_control_is_no_free_decay(tmp_path, octaves_per_minute):
    course = sweep(5.0, 120.0, octaves_per_minute)
    record = sweep_record(boom(), course, Table(SURVEY_BOOM, seed=6), 512.0, noise=2e-3 * G, seed=6)
    log = tmp_path / "record.csv"
    values = np.stack([record.time_s, record.channels["A1"] / G, record.channels["A2"] / G], axis=1)
    np.savetxt(log, values, fmt="%.6f", delimiter=",", header="time [s],A1 [g],A2 [g]", comments="")
    with pytest.raises(ReadError, match="--control NAME"):
        looked(log)
    assert sorted(path.name for path in tmp_path.iterdir()) == [log.name]
