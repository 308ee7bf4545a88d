"""The quick look as at the bench: the table first, then the page; from a sweep log and from a raw record."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from reportgen import pipeline
from reportgen.errors import ReadError
from reportgen.resources import data_dir

LOGS = data_dir("example_logs")


def looked(log: Path, control: str | None = None) -> list[tuple[str, bool]]:
    """Lines said of a log, each with whether the page was there when it was said."""
    page = log.with_name(log.name + ".quicklook.html")
    said: list[tuple[str, bool]] = []
    pipeline.quicklook(log, control, lambda line: said.append((str(line), page.exists())))
    return said


@pytest.mark.parametrize("cores", [1, 2])
def test_the_table_is_said_before_the_page_is_drawn(tmp_path, monkeypatch, cores):
    monkeypatch.setattr(pipeline, "cores", lambda: cores)
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
        monkeypatch.setattr(pipeline, "cores", lambda n=cores: n)
        said.append([line for line, _ in looked(log)])
    assert said[0] == said[1]


def test_a_log_without_a_control_says_so_and_leaves_no_page(tmp_path):
    log = Path(shutil.copy(LOGS / "sensor_boom" / "logs" / "x_decay.csv", tmp_path))
    with pytest.raises(ReadError, match="--control NAME"):
        looked(log)
    assert sorted(path.name for path in tmp_path.iterdir()) == [log.name]
