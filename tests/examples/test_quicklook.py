"""The quick look as at the bench: the table first, then the page; from a sweep log and from a raw record."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from reportgen import bare_file
from reportgen.errors import ReadError
from reportgen.render.terminal import error_lines
from reportgen.resources import data_dir
from tests.archive.words import telling
from tests.simulator.course import G, Table, sweep
from tests.simulator.examples import SURVEY_BOOM, boom
from tests.simulator.time_history import sweep_record

LOGS = data_dir("example_logs")


def looked(log: Path, control: str | None = None, reading: str | None = None) -> list[tuple[str, bool]]:
    """Lines said of a log, each with whether the page was there when it was said."""
    page = log.with_name(log.name + ".quicklook.html")
    said: list[tuple[str, bool]] = []
    bare_file.quicklook(log, control, lambda line: said.append((str(line), page.exists())), reading=reading)
    return said


def test_the_table_is_said_before_the_page_is_drawn_and_one_core_or_two_say_the_same(tmp_path, monkeypatch):
    log = Path(shutil.copy(LOGS / "controller_box" / "logs" / "z_pre.csv", tmp_path))
    said = []
    for cores in (1, 2):
        monkeypatch.setattr(bare_file, "cores", lambda n=cores: n)
        *table, last = looked(log)
        assert [there for _, there in table] == [False] * len(table)
        assert last == (f"curves: {log}.quicklook.html", True)
        log.with_name(log.name + ".quicklook.html").unlink()
        said.append([line for line, _ in table])
    assert said[0] == said[1]
    rows = [line.split() for line in said[0] if line.lstrip().startswith("A1 ")]
    frequencies = [float(row[1]) for row in rows]
    assert frequencies == sorted(frequencies)
    assert len(frequencies) >= 2


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
    with telling(ReadError, match="--control NAME"):
        looked(log)
    assert sorted(path.name for path in tmp_path.iterdir()) == [log.name]


def written(path: Path, rate: float, **channels) -> Path:
    """A record as text, g."""
    time = np.arange(len(next(iter(channels.values())))) / rate
    header = "time [s]," + ",".join(f"{name} [g]" for name in channels)
    np.savetxt(path, np.column_stack([time, *channels.values()]), fmt="%.7g", delimiter=",", header=header, comments="")
    return path


@pytest.mark.parametrize("channels", [1, 2])
def test_stationary_noise_is_no_sweep_and_no_decay(tmp_path, channels):
    """It was once offered as two sweeps."""
    noise = np.random.default_rng(2).normal(size=(channels, 16384))
    log = written(tmp_path / "noise.csv", 1024.0, **{f"A{k + 1}": each for k, each in enumerate(noise)})
    lines = [line for line, _ in looked(log)]
    assert "read as a stationary record" in lines[0]
    assert "--control" not in lines[0]  # nothing sweeps, so nothing drives
    assert any("rms 1" in line and "no line stands out" in line for line in lines)
    assert not any("sweep 1" in line for line in bare_file.inspect_file(log).splitlines())


def test_a_steady_tone_is_told_by_its_line(tmp_path):
    t = np.arange(16384) / 1024.0
    log = written(tmp_path / "tone.csv", 1024.0, A1=0.3 * np.sin(2 * np.pi * 49.5 * t))
    lines = [line for line, _ in looked(log)]
    assert any("strongest lines 49.5 Hz (0.3 g)" in line for line in lines)


def test_what_a_record_is_can_be_said(tmp_path):
    t = np.arange(8192) / 1024.0
    decay = np.exp(-0.5 * t) * np.cos(2 * np.pi * 20.0 * t)
    log = written(tmp_path / "record.csv", 1024.0, C1=0.1 * decay, A1=decay)
    lines = [line for line, _ in looked(log, reading="decay")]
    assert any(line.split()[:1] == ["A1"] and line.split()[1].startswith("20.00") for line in lines)
    assert any("strongest lines" in line for line, _ in looked(log, reading="steady"))
    with telling(ReadError, match="no samples against time"):
        looked(Path(shutil.copy(LOGS / "controller_box" / "logs" / "z_pre.csv", tmp_path)), reading="decay")


def test_one_channel_that_is_neither_is_never_asked_for_a_control(tmp_path):
    t = np.arange(8192) / 1024.0
    log = written(tmp_path / "record.csv", 1024.0, A1=t * np.cos(2 * np.pi * (10.0 * t + 5.0 * t**2)))
    with telling(ReadError, match="--as decay or --as steady") as fault:
        looked(log)
    assert not any("--control" in line for line in error_lines(fault.value))


def test_a_decay_that_depends_on_level_shows_its_backbone(tmp_path):
    """Cubic spring, ω = ω₀(1 + 3αx²/8): 21 Hz at small amplitude, more at the beginning."""
    from tests.compute.test_decay_backbone import noisy, released

    y = noisy(released(np.arange(6000) / 500.0, 21.0, 0.004, cubic=0.1), 1e-3)[:, 0]
    log = written(tmp_path / "pluck.csv", 500.0, A1=np.concatenate([np.zeros(250), y]))
    lines = [line for line, _ in looked(log)]
    assert any("frequency and damping depend on level" in line for line in lines)
    page = log.with_name(log.name + ".quicklook.html").read_text(encoding="utf-8")
    assert "frequency and damping of a mode against its level" in page
    assert page.count("<svg") == 2


def test_rows_of_frequency_are_steady_where_their_user_says_so(tmp_path):
    """A frequency response written as magnitude and phase has no time, and nothing shows that no sweep moved."""
    f = np.arange(1.0, 200.0, 0.25)
    h = 1 / (1 - (f / 80) ** 2 + 1j * f / 80 / 400)
    log = tmp_path / "response.csv"
    rows = (f"{x:g},1,{abs(y):.8g},{np.degrees(np.angle(y)):.6f}" for x, y in zip(f, h, strict=True))
    log.write_text("\n".join(["frequency [Hz],C1 [g],A1 [g],A1 phase [deg]", *rows]) + "\n", encoding="utf-8")
    assert "doubtful" in looked(log)[0][0]
    lines = [line for line, _ in looked(log, reading="steady")]
    assert not any("doubtful" in line for line in lines)
    assert any("±" in line and line.split()[1].startswith("80.0") for line in lines)
    with telling(ReadError, match="no samples against time"):
        looked(log, reading="decay")
