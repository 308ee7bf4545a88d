"""How the runs of a job went: bad input is told with its line, parts are one run, void logs forbid nothing."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from reportgen.compute.run import compute_run, sweep_of
from reportgen.compute.sweep.sweep_facts import sweep_facts
from reportgen.errors import ComputeError
from reportgen.judge.checks import CHECKS
from reportgen.pipeline import check_job, compute_report, read_inputs
from reportgen.progress import silent
from reportgen.read.input_files import watch_inputs
from reportgen.read.job.happenings import placed_at
from reportgen.read.job.job_file import read_job
from reportgen.read.run_log import read_run
from reportgen.records.finding import Severity
from reportgen.records.job import Beside
from reportgen.records.log import SweepLog
from reportgen.render.catalogue import said

HEAD = """\
[report]
number = "RH-1"
title = "History"
date = 2026-06-12
[laboratory]
name = "Laboratory"
[customer]
name = "Customer"
[specimen]
name = "Bracket"
[[channel]]
id = "C1"
role = "control"
[[channel]]
id = "A1"
role = "response"
[[profile]]
id = "P"
sweep_rate = "2 oct/min"
breakpoints = [["10 Hz", "1 g"], ["200 Hz", "1 g"]]
tolerance = "10 %"
"""


def run(name: str, hour: int = 9, log: str | None = None, more: str = "", kind: str = "sweep") -> str:
    named = log or f'"{name}.csv"'
    return (
        f'[[run]]\nid = "{name}"\nkind = "{kind}"\naxis = "Y"\nlog = {named}\nprofile = "P"\n'
        f"started = 2026-06-10T{hour:02d}:00:00\n{more}"
    )


ALL = "C1 [g],A1 [g],A1 phase [deg]"


def rows(path: Path, low: float, high: float, start_s: float = 0.0, header: str = ALL) -> None:
    """A sweep at 2 oct/min with one mode at 60 Hz, Q = 20, in closed form."""
    seconds = abs(np.log2(high / low)) * 30.0
    t = np.append(np.arange(0.0, seconds, 1.0), seconds)
    f = low * 2.0 ** (np.sign(high - low) * t / 30.0)
    h = 1.0 + 1.5 * (f / 60.0) ** 2 / (1.0 - (f / 60.0) ** 2 + 1j * f / 60.0 / 20.0)
    columns = [np.ones(len(f)), np.abs(h), np.degrees(np.angle(h))][: header.count(",") + 1]
    lines = [f"time [s],frequency [Hz],{header}"]
    lines += [",".join(f"{x:.5f}" for x in row) for row in zip(t + start_s, f, *columns, strict=True)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def read(folder: Path, text: str):
    """Job and findings; logs that the text names are there, empty of rows."""
    (folder / "job.toml").write_text(HEAD + text, encoding="utf-8")
    return read_job(folder, CHECKS)


def told(folder: Path, text: str) -> list[str]:
    _, findings = read(folder, text)
    texts = [f"{each.where}: {each.severity}: {said(each.message)}" for each in findings]
    return [each for each in texts if "does not exist" not in each]


def line_of(text: str, words: str, which: int = 0) -> int:
    found = [number for number, line in enumerate((HEAD + text).split("\n"), 1) if words in line]
    return found[which]


ABORTED = 'status = "aborted"\nreason = "limit at 12 Hz"\n'


@pytest.mark.parametrize(
    ("text", "at", "words"),
    [
        (
            run("Y0", more='status = "void"\n'),
            'status = "void"',
            "needs the reason why it does not count; write reason =",
        ),
        (run("Y0", more='reason = "cable"\n'), "reason =", "this run counts; write status ="),
        (run("Y0", more='status = "repeated"\nreason = "x"\n'), "status =", 'no run repeats it; write repeats = "Y0"'),
        (run("Y1", more='repeats = "Y-O"\n'), "repeats =", "repeats = 'Y-O' names no [[run]]"),
        (run("Y1", more='repeats = "Y1"\n'), "repeats =", "Y1 repeats itself"),
        (run("Y0") + run("Y1", 10, more='repeats = "Y0"\n'), "repeats =", "two valid runs where one is wanted"),
        (
            run("Y0", more=ABORTED + 'repeats = "Y1"\n') + run("Y1", 10, more=ABORTED + 'repeats = "Y0"\n'),
            "repeats =",
            "which in the end repeats Y0",
        ),
        (
            run("Y0", more=ABORTED, kind="survey") + run("Y1", 10, more='repeats = "Y0"\n'),
            "repeats =",
            "its kind is 'sweep' and that of Y0 is 'survey'",
        ),
        (run("Y0", 11, more=ABORTED) + run("Y1", 10, more='repeats = "Y0"\n'), "repeats =", "exchange the two"),
        (run("Y1", log='["a.csv", "a.csv"]'), "log =", "the log 'a.csv' is named twice among its parts"),
        (run("Y1", log='["a.csv", "b.csv"]', more="sweep = 2\n"), "sweep =", "this run has several logs"),
        (run("Y1", log='["a.csv", "b.csv"]', kind="decay"), "log =", "a free decay has one log and no parts"),
        (run("Y1", log="[]"), "log =", "is an empty list; name one"),
        (
            run("Y0", log='["a.csv", "b.csv"]') + run("Y1", 10, log='"b.csv"'),
            'log = "b.csv"',
            "the same log as [[run]] Y0",
        ),
        (run("Y1", more='status = "abortet"\n'), "status =", "did you mean 'aborted'"),
        (
            run("Y1", more='repeats = "Y0"\n') + run("Y0", more=ABORTED).replace("started = 2026-06-10T09:00:00\n", ""),
            "repeats =",
            "repeats Y0, which is listed behind it",
        ),
        (run("Y0") + run("Y1", 10).replace('"Y"', '"y"'), 'axis = "y"', "one axis written in two ways"),
    ],
)
def test_a_fault_of_the_history_is_told_with_its_line_and_what_to_do(text, at, words, tmp_path):
    found = told(tmp_path, text)
    assert any(each.startswith(f"job.toml:{line_of(text, at)}: error") and words in each for each in found), found


def test_two_valid_runs_in_the_place_of_one_are_refused(tmp_path):
    text = run("Y0", more=ABORTED) + "".join(run(f"Y{n}", 9 + n, more='repeats = "Y0"\n') for n in (1, 2))
    (found,) = [each for each in told(tmp_path, text) if "error" in each]
    assert found.startswith(f"job.toml:{line_of(text, 'repeats', 1)}: ")
    assert "[[run]] Y2 and [[run]] Y1 both repeat Y0 and both count: two valid runs where one is wanted" in found


SHIFT = 'check = "frequency shift"\nlimit = "5 %"\n'
RUNS = run("YA", 8, kind="survey") + run("Y0", 9, more=ABORTED) + run("Y1", 10, more='repeats = "Y0"\n')


@pytest.mark.parametrize(
    ("asked", "severity", "words"),
    [
        ('check = "control tolerance"\nsurveys = "before and after"\n', "error", "compares no surveys"),
        (SHIFT + 'kind = "survey"\nbefore = "YA"\nafter = "Y1"\n', "error", "takes no kind"),
        (SHIFT + 'surveys = "before and after"\nbefore = "YA"\n', "error", "keep either"),
        ('check = "dwell cycles"\nkind = "survey"\nlimit = 100\n', "error", "cannot be answered by runs of kind"),
        ('check = "control tolerance"\nkind = "sweep"\nrun = "Y1"\n', "error", "keep either run, or kind"),
        ('check = "control tolerance"\nrun = ["Y1", "Y1"]\n', "error", "names a run twice"),
        ('check = "control tolerance"\nrun = ["Y1", "Y9"]\n', "error", "run = 'Y9' names no [[run]]"),
        ('check = "control tolerance"\nrun = []\n', "error", "is an empty list"),
        ('check = "control tolerance"\n', "error", "needs run or axis or kind"),
        ('check = "inspection"\nwhat = "visual"\nkind = "sweep"\n', "error", "so kind says nothing"),
        ('check = "control tolerance"\nkind = "dwell"\n', "warning", "no run is of that axis and kind"),
        (SHIFT + 'surveys = "before and after"\n', "warning", "no valid survey after"),
        ('check = "sweep rate"\nrun = "Y1"\nlimit = "10 %"\nband = ["10 Hz", "20 Hz"]\n', "error", "leave band out"),
        ('check = "control tolerance"\nrun = "Y1"\nmode = 2\n', "error", "is not narrowed down by mode, but by band"),
        ('check = "sweep rate"\nrun = ["YA", "Y1"]\nlimit = "10 %"\n', "", ""),
    ],
)  # fmt: skip
def test_a_requirement_over_runs_that_cannot_be_is_told(asked, severity, words, tmp_path):
    text = RUNS + '[[requirement]]\nid = "R1"\n' + asked
    found = [each for each in told(tmp_path, text) if "R1" in each or "[[requirement]]" in each]
    if not severity:
        assert found == []
        return
    first = line_of(text, "[[requirement]]")
    places = tuple(f"job.toml:{first + k}: {severity}" for k in range(6))
    assert any(each.startswith(places) and words in each for each in found), found


def test_a_requirement_about_an_aborted_run_alone_is_told_that_it_stays_open(tmp_path):
    text = run("Y0", 9, more=ABORTED) + '[[requirement]]\nid = "R1"\ncheck = "control tolerance"\nrun = "Y0"\n'
    assert any("asks for run Y0, which does not count (aborted)" in each for each in told(tmp_path, text))
    assert not any("does not count" in each for each in told(tmp_path, RUNS + text[len(run("Y0", 9, more=ABORTED)) :]))


def test_a_log_that_lay_beside_the_others_and_that_no_run_names_went_unsaid(tmp_path):
    (tmp_path / "logs").mkdir()
    for name in ("Y0.csv", "Y1.csv"):
        rows(tmp_path / "logs" / name, 10.0, 200.0)
    (tmp_path / "logs" / "set-up.jpg").write_bytes(b"")
    (tmp_path / "job.toml").write_text(HEAD + run("Y1", log='"logs/Y1.csv"'), encoding="utf-8")
    found = [each for each in check_job(tmp_path).findings if each.message.code == "history.unnamed-logs"]
    assert [each.severity for each in found] == [Severity.WARNING]
    assert "logs holds logs that no run names: Y0.csv;" in said(found[0].message)


@pytest.mark.parametrize(("clock", "number"), [("10:30", 1), ("08:30", 0)])
def test_starts_in_another_order_than_the_logs_tell_went_unsaid(clock, number, tmp_path):
    """The survey after the sweep would be one before it. By themselves clocks may be off."""
    for name, start in (("YA", clock), ("Y1", "09:15")):
        rows(tmp_path / f"{name}.csv", 10.0, 200.0)
        log = (tmp_path / f"{name}.csv").read_text(encoding="utf-8")
        if name == "YA":  # another measurement: no two agree in every digit
            log = log.replace("1.00000", "1.00100")
        (tmp_path / f"{name}.csv").write_text(f"# recorded 2026-06-10 {start}\n{log}", encoding="utf-8")
    text = run("YA", 8, kind="survey") + run("Y1", 9)
    (tmp_path / "job.toml").write_text(HEAD + text, encoding="utf-8")
    found = [each for each in check_job(tmp_path).findings if each.message.code == "history.order-of-logs"]
    assert len(found) == number


# Parts of one run


def parts(folder: Path, *ranges: tuple[float, ...], **more: object):
    """The run of parts with those (from Hz, to Hz, start s), read."""
    names = [f"p{n}.csv" for n in range(len(ranges))]
    for name, given in zip(names, ranges, strict=True):
        rows(folder / name, *given)
    job, findings = read(folder, run("Y1", log=str(names).replace("'", '"'), **more))
    assert job is not None, findings
    log, found = read_run(job, job.runs[0])
    return job, log, found


@pytest.mark.parametrize("start_s", [0.0, 500.0])
def test_parts_are_one_run_whether_the_clock_goes_on_or_starts_anew(start_s, tmp_path):
    job, log, found = parts(tmp_path, (10.0, 80.0), (75.0, 200.0, start_s))
    assert isinstance(log, SweepLog), found
    assert log.path == "p0.csv, p1.csv"
    result = compute_run(job, job.runs[0], log, silent)
    sweep = result.sweep
    assert sweep is not None
    assert (sweep.first_hz, sweep.last_hz) == (10.0, 200.0)
    assert sweep.rate == pytest.approx(2.0, rel=1e-3)
    assert sweep.pieces == ((10.0, 80.0), (75.0, 200.0))
    octaves = np.log2(80.0 / 10.0) + np.log2(200.0 / 75.0)
    assert sweep.duration_s == pytest.approx(30.0 * octaves, rel=1e-3)  # the pause is no part of it
    # ∫f dt of an exponential sweep: (f2 − f1) · 60 / (R ln 2), closed form
    assert sweep.cycles == pytest.approx((70.0 + 125.0) * 30.0 / np.log(2.0), rel=1e-3)
    assert result.control is not None
    assert len(result.control.frequency_hz) == len(log.frequency_hz)
    (channel,) = result.channels
    assert [each.frequency_hz for each in channel.resonances] == [pytest.approx(60.0, rel=2e-3)]


def test_parts_that_meet_without_overlap_are_pieces_all_the_same(tmp_path):
    job, log, _ = parts(tmp_path, (10.0, 80.0), (80.5, 200.0))
    assert log is not None
    sweep = compute_run(job, job.runs[0], log, silent).sweep
    assert sweep is not None
    assert sweep.pieces == ((10.0, 80.0), (80.5, 200.0))
    assert sweep.holes == ()


def test_a_hole_between_parts_is_a_hole_in_the_evidence(tmp_path):
    job, log, _ = parts(tmp_path, (10.0, 80.0), (120.0, 200.0))
    assert log is not None
    sweep = compute_run(job, job.runs[0], log, silent).sweep
    assert sweep is not None
    assert sweep.holes == ((80.0, 120.0),)


@pytest.mark.parametrize(
    ("ranges", "words"),
    [
        (((10.0, 80.0), (10.0, 200.0)), "that is a run made anew; make a [[run]] of its own of it with repeats"),
        (((10.0, 80.0), (75.0, 10.0)), "the other way"),
        (((10.0, 80.0), (20.0, 70.0)), "does not go beyond the sweep"),
        (((75.0, 200.0), (10.0, 80.0)), "name the parts in the order in which they were run"),
        (((10.0, 80.0, 300.0), (75.0, 200.0, 20.0)), "name the parts in the order in which they were run"),
        (((10.0, 80.0, 0.0), (75.0, 200.0, 60.0)), "they are no two parts of one run"),
        (((10.0, 80.0), (75.0, 120.0), (10.0, 200.0)), "that is a run made anew"),
    ],
)
def test_parts_that_do_not_follow_each_other_are_refused(ranges, words, tmp_path):
    _, log, found = parts(tmp_path, *ranges)
    assert log is None
    (fault,) = [each for each in found if each.severity is Severity.ERROR]
    assert str(fault.where) == f"p{len(ranges) - 1}.csv:2"
    assert words in said(fault.message)


@pytest.mark.parametrize(
    ("header", "words"),
    [("C1 [g]", "it holds the channels C1, and 'p0.csv' holds C1 and A1"),
     ("C1 [g],A1 [mm]", "A1 is given as displacement here and as acceleration in 'p0.csv'"),
     ("C1 [g],A1 [g]", "a phase of A1 is logged in only one")],
)  # fmt: skip
def test_parts_with_other_channels_are_refused(header, words, tmp_path):
    rows(tmp_path / "p0.csv", 10.0, 80.0)
    rows(tmp_path / "p1.csv", 75.0, 200.0, header=header)
    job, _ = read(tmp_path, run("Y1", log='["p0.csv", "p1.csv"]'))
    assert job is not None
    log, found = read_run(job, job.runs[0])
    assert log is None
    assert any(words in said(each.message) for each in found)


def test_every_part_is_an_input_and_a_missing_one_is_told(tmp_path):
    job, _, _ = parts(tmp_path, (10.0, 80.0), (75.0, 200.0))
    assert {each.path for each in watch_inputs(job).files} == {"job.toml", "p0.csv", "p1.csv"}
    (tmp_path / "p1.csv").unlink()
    _, findings = read_job(tmp_path, CHECKS)
    assert any("p1.csv" in said(each.message) and each.severity is Severity.ERROR for each in findings)


# Runs that do not count


def void_job(folder: Path, log: str) -> None:
    """A valid survey beside an aborted one with that log."""
    rows(folder / "YA.csv", 10.0, 200.0)
    (folder / "Y0.csv").write_text(log, encoding="utf-8")
    text = run("YA", 8, kind="survey") + run("Y0", 9, more=ABORTED, kind="survey")
    (folder / "job.toml").write_text(HEAD + text, encoding="utf-8")


@pytest.mark.parametrize("log", ["time [s],frequency [Hz],C1 [g],A1 [g]\n0,10,1,1\n1,10.2,1,1\n", "broken off\n"])
def test_a_log_that_broke_off_kept_a_laboratory_from_naming_the_aborted_run(log, tmp_path):
    void_job(tmp_path, log)
    inputs = read_inputs(tmp_path)
    assert {"YA.csv", "Y0.csv"} <= {each.path for each in inputs.files}
    assert any(each.severity is Severity.WARNING and each.where.path == "Y0.csv" for each in inputs.findings)
    report = compute_report(inputs)
    assert [each.id for each in report.runs] == ["YA", "Y0"]
    assert report.runs[1].channels == ()
    assert report.runs[1].method is not None
    assert "nothing was computed" in said(report.runs[1].method)
    assert [each.key for each in report.deviations] == ["abort Y0"]
    (tmp_path / "job.toml").write_text((tmp_path / "job.toml").read_text().replace(ABORTED, ""), encoding="utf-8")
    assert any(each.severity is Severity.ERROR for each in check_job(tmp_path).findings)


def test_a_void_run_whose_log_is_not_there_is_told_once(tmp_path):
    """Fault: the same sentence came as an error and as a warning."""
    void_job(tmp_path, "broken off\n")
    (tmp_path / "Y0.csv").unlink()
    told = [each for each in check_job(tmp_path).findings if "Y0.csv" in said(each.message)]
    assert [each.severity for each in told] == [Severity.ERROR]


# Steps


@pytest.mark.parametrize(
    ("when", "side", "run_id"),
    [("after Y0", Beside.AFTER, "Y0"), ("vor Lauf Y0", Beside.BEFORE, "Y0"), ("nach der Prüfung", Beside.AFTER, None),
     ("before the test", Beside.BEFORE, None), ("Prior to y0", Beside.BEFORE, "Y0")],
)  # fmt: skip
def test_words_place_a_step_beside_a_run_or_the_test(when, side, run_id):
    placed = placed_at(when, ("YA", "Y0"))
    assert placed is not None
    assert (placed.beside, placed.run) == (side, run_id)


def test_a_day_behind_the_words_places_them_on_it():
    placed = placed_at("after the test, 2026-03-16", ("YA",))
    assert placed is not None
    assert (placed.beside, placed.moment) == (Beside.AFTER, datetime(2026, 3, 16))
    other = placed_at("after transport, 2026-03-16", ("YA",))
    assert other is not None
    assert (other.beside, other.moment) == (None, datetime(2026, 3, 16))


@pytest.mark.parametrize("when", ["after Y9", "at noon", "after", "afterwards Y0"])
def test_words_that_place_nothing_place_nothing(when):
    assert placed_at(when, ("YA", "Y0")) is None


def test_a_step_without_a_place_is_a_warning_with_its_line(tmp_path):
    text = run("Y1") + '[[step]]\nwhen = "at noon"\nwhat = "turned"\n'
    (found,) = [each for each in told(tmp_path, text) if "[[step]]" in each]
    assert found.startswith(f"job.toml:{line_of(text, '[[step]]')}: warning")
    assert 'when = "at noon" tells no moment and no run' in found


# Dwells and records in parts


def test_the_pause_of_a_dwell_in_parts_is_no_time_at_resonance(tmp_path):
    for name, start in (("d0.csv", 0.0), ("d1.csv", 3600.0)):
        t = np.arange(0.0, 300.5, 0.5)
        lines = ["time [s],frequency [Hz],C1 [g],A1 [g],A1 phase [deg]"]
        lines += [f"{x + start:.1f},60,1,20,-90" for x in t]
        (tmp_path / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    job, _ = read(tmp_path, run("D", log='["d0.csv", "d1.csv"]', kind="dwell"))
    assert job is not None
    log, found = read_run(job, job.runs[0])
    assert log is not None, found
    dwell = compute_run(job, job.runs[0], log, silent).dwell
    assert dwell is not None
    assert dwell.duration_s == pytest.approx(600.0, abs=1.0)
    assert dwell.cycles == pytest.approx(36_000.0, rel=2e-3)


def record(path: Path, low: float, high: float) -> None:
    """A swept sine at 8 oct/min, 1 kHz: phase 2π f₀ (e^{kt} − 1)/k in closed form."""
    k = 8.0 * np.log(2.0) / 60.0
    t = np.arange(0.0, np.log2(high / low) * 60.0 / 8.0, 1e-3)
    x = np.sin(2.0 * np.pi * low * (np.exp(k * t) - 1.0) / k)
    lines = ["time [s],C1 [g],A1 [g]", *(f"{a:.3f},{b:.6f},{2 * b:.6f}" for a, b in zip(t, x, strict=True))]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def test_records_are_parts_of_one_run_as_well(tmp_path):
    record(tmp_path / "r0.csv", 20.0, 50.0)
    record(tmp_path / "r1.csv", 40.0, 90.0)
    job, _ = read(tmp_path, run("Y1", log='["r0.csv", "r1.csv"]'))
    assert job is not None
    log, found = read_run(job, job.runs[0])
    assert log is not None, found
    rows_ = sweep_of(job, job.runs[0], log, silent)
    assert len(rows_.part_starts) == 1
    (start,) = rows_.part_starts
    assert rows_.frequency_hz[start - 1] > 45.0 > rows_.frequency_hz[start]
    facts = sweep_facts(rows_)
    # cycles of both parts, (f₂ − f₁)/k each, less what the ends of a record cannot tell
    assert facts.cycles == pytest.approx((30.0 + 50.0) * 60.0 / (8.0 * np.log(2.0)), rel=0.05)
    assert len(facts.pieces) == 2


def test_records_in_the_wrong_order_are_refused_when_they_are_computed(tmp_path):
    record(tmp_path / "r0.csv", 40.0, 90.0)
    record(tmp_path / "r1.csv", 20.0, 50.0)
    job, _ = read(tmp_path, run("Y1", log='["r0.csv", "r1.csv"]'))
    assert job is not None
    log, _ = read_run(job, job.runs[0])
    assert log is not None
    with pytest.raises(ComputeError) as caught:
        sweep_of(job, job.runs[0], log, silent)
    assert "name the parts in the order in which they were run" in said(caught.value.said)
