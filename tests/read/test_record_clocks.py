"""Time histories in text whose clock is labelled, coarse or has lost a sample: read as meant, or refused."""

from __future__ import annotations

import h5py
import numpy as np
import pytest
import scipy.io

from reportgen.read.table.stated_rate import stated_rate
from reportgen.read.time_history import looks_like_time_history, read_time_history
from reportgen.render.catalogue import said
from reportgen.render.terminal import finding_line

G = 9.80665
RATE, COUNT = 1000.0, 3000
TIME = np.arange(COUNT) / RATE
MOTION = np.column_stack([np.sin(2 * np.pi * 25 * TIME), 3 * np.sin(2 * np.pi * 25 * TIME + 0.5)])


def clock(t, form="{h:02}:{m:02}:{s:07.4f}", start=9 * 3600 + 14 * 60.0):
    t = start + t
    return form.format(h=int(t // 3600) % 24, m=int(t % 3600 // 60), s=t % 60)


def write(path, times, name="time [s]", motion=MOTION):
    lines = [f"{name},C1 [g],A1 [g]"]
    lines += [f"{t},{a:.6f},{b:.6f}" for t, (a, b) in zip(times, motion, strict=True)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("name", "tell"),
    [
        ("time [µs]", lambda t: str(round(1e6 * t))),
        ("t [us]", lambda t: str(round(1e6 * t))),
        ("Time (ms)", lambda t: f"{1e3 * t:.1f}"),
        ("Zeit", clock),
        ("timestamp", lambda t: clock(t, "2026-03-12T{h:02}:{m:02}:{s:09.6f}+01:00")),
        ("Datum/Zeit", lambda t: clock(t, "12.03.2026 {h:02}:{m:02}:{s:07.4f}")),
        ("Date,Time", lambda t: clock(t, "12/31/2026,{h:02}:{m:02}:{s:07.4f}")),
        ("Time", lambda t: clock(t, start=24 * 3600 - 1.5)),
        ("epoch", lambda t: f"{1773306842 + t:.4f}"),
        ("timestamp", lambda t: str(1773306842000 + round(1e3 * t))),
    ],
)
def test_labelled_clocks_of_records(tmp_path, name, tell):
    path = write(tmp_path / "a.csv", [tell(t) for t in TIME], name)
    assert looks_like_time_history(path)
    history, findings = read_time_history(path, "a.csv")
    assert history is not None, findings
    assert history.sample_rate_hz == pytest.approx(RATE, rel=1e-9)
    assert history.channels == ("C1", "A1")
    assert history.read()[:, 1] == pytest.approx(MOTION[:, 1] * G, abs=1e-4)
    assert not findings


def test_labels_coarser_than_the_samples(tmp_path):
    """2048 samples a second whose times are written in whole milliseconds: steps of 0 and 1 ms."""
    time = np.arange(20_000) / 2048.0
    motion = np.column_stack([np.sin(time * 100.0), np.cos(time * 100.0)])
    path = write(tmp_path / "a.csv", [f"{np.floor(1e3 * t):.0f}" for t in time], "time [ms]", motion)
    assert looks_like_time_history(path)
    history, findings = read_time_history(path, "a.csv")
    assert history.sample_rate_hz == pytest.approx(2048.0, rel=2e-4)
    assert not findings


def test_labels_too_coarse_to_tell_the_rate_ask_for_it(tmp_path):
    """Whole seconds in a record of three: any rate from 700 to 1500 Hz would give them."""
    path = write(tmp_path / "a.csv", [f"{np.floor(t):.0f}" for t in TIME])
    history, findings = read_time_history(path, "a.csv")
    assert history is None
    assert 'write it into [run.columns], such as "sample rate" = "51.2 kHz"' in said(findings[0].message)
    told = [("sample rate", "1 kHz"), ("C1", "C1 [g] / g"), ("A1", "A1 [g] / g")]
    history, findings = read_time_history(path, "a.csv", told)
    assert history is not None, findings
    assert history.sample_rate_hz == 1000.0


def test_single_samples_that_were_lost_are_put_in_and_said(tmp_path):
    """(−1, 4, 4, −1)/6 of the neighbours is off by ω⁴/6: 25 Hz at 1000 Hz, ω = 0.157, 1e-4."""
    lost = [40, 700, 2500]
    kept = np.delete(np.arange(COUNT), lost)
    path = write(tmp_path / "a.csv", [f"{t:.4f}" for t in TIME[kept]], motion=MOTION[kept])
    assert looks_like_time_history(path)
    history, findings = read_time_history(path, "a.csv")
    assert history.samples == COUNT
    assert history.sample_rate_hz == pytest.approx(RATE, rel=1e-9)
    assert history.read()[:, 1] == pytest.approx(MOTION[:, 1] * G, abs=3.0 * G * 1.1e-4)
    (told,) = [finding_line(each) for each in findings]
    assert "a.csv: warning: damaged: 3 samples are missing (after lines 41, 700, 2499) and put in" in told
    assert "good to 1\xa0% up to 78.7 Hz" in told


@pytest.mark.parametrize("seed", range(3))
def test_a_record_that_lost_one_sample_in_fifty_is_taken_anew_and_its_error_stated(tmp_path, seed):
    """Fault: it was refused. Its rate and motion are those of the whole record, within the error that is stated."""
    random = np.random.default_rng(seed).random(COUNT)
    lost = np.flatnonzero(random < 0.02)
    lost = lost[(lost > 3) & (lost < COUNT - 3)]
    lost = np.setdiff1d(lost, lost[np.isin(lost - 1, lost) & np.isin(lost - 2, lost)])
    kept = np.delete(np.arange(COUNT), lost)
    path = write(tmp_path / "a.csv", [f"{t:.4f}" for t in TIME[kept]], motion=MOTION[kept])
    history, findings = read_time_history(path, "a.csv")
    assert history.samples == COUNT
    assert history.sample_rate_hz == pytest.approx(RATE, rel=1e-9)
    in_a_row = 2 if np.any(np.diff(lost) == 1) else 1
    (told,) = [finding_line(each) for each in findings]
    assert f"{len(lost)} samples are missing, up to {in_a_row} in a row" in told
    assert f"good to 1\xa0% up to {149 / (in_a_row + 1):.3g} Hz" in told
    assert history.read()[:, 1] == pytest.approx(MOTION[:, 1] * G, abs=3.0 * G * 1e-2)


@pytest.mark.parametrize("gap", [(100, 101), (100, 102), tuple(range(100, 1000, 10)), (1,)])
def test_few_samples_lost_in_any_way_but_three_in_a_row_are_bridged(tmp_path, gap):
    kept = np.delete(np.arange(COUNT), gap)
    path = write(tmp_path / "a.csv", [f"{t:.4f}" for t in TIME[kept]], motion=MOTION[kept])
    history, findings = read_time_history(path, "a.csv")
    assert history.samples == COUNT
    assert history.read() == pytest.approx(MOTION * G, abs=3.0 * G * 1e-2)
    assert "missing, up to" in finding_line(findings[0])


@pytest.mark.parametrize("gap", [(100, 101, 102), (100, 101, 102, 103, 104)])
def test_larger_gaps_are_refused_at_their_line(tmp_path, gap):
    kept = np.delete(np.arange(COUNT), gap)
    path = write(tmp_path / "a.csv", [f"{t:.4f}" for t in TIME[kept]], motion=MOTION[kept])
    history, findings = read_time_history(path, "a.csv")
    assert history is None
    assert str(findings[0].where) == f"a.csv:{gap[0] + 2}"
    assert "export the record without gaps" in said(findings[0].message)


def test_a_damaged_sample_amid_a_record_is_put_in(tmp_path):
    path = write(tmp_path / "a.csv", [f"{t:.4f}" for t in TIME])
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[1500] = "oops,this,is"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    history, findings = read_time_history(path, "a.csv")
    assert history.samples == COUNT
    assert history.read()[:, 0] == pytest.approx(MOTION[:, 0] * G, abs=1.1e-4 * G)
    assert "1 sample is missing" in finding_line(findings[0])
    assert "line 1501 'oops'" in finding_line(findings[1])


def test_words_that_are_no_times_are_refused(tmp_path):
    path = write(tmp_path / "a.csv", [clock(t) if i != 7 else "late" for i, t in enumerate(TIME)], "Zeit")
    history, findings = read_time_history(path, "a.csv")
    assert history is None
    assert finding_line(findings[0]).startswith("a.csv:9: error: 'late' is no time")


def test_a_short_record_whose_times_have_just_the_digits_they_need(tmp_path):
    """2 s at 1000 Hz in whole milliseconds: every time is exact, none is a label cut short."""
    path = write(tmp_path / "a.csv", [f"{t:.3f}" for t in TIME[:2000]], motion=MOTION[:2000])
    history, findings = read_time_history(path, "a.csv")
    assert history.sample_rate_hz == RATE
    assert not findings


@pytest.mark.parametrize(
    ("line", "rate"),
    [
        ("Sample rate: 51 200 Hz", 51200.0),
        ("Abtastrate 1\u202f000 Hz", 1000.0),
        ("Sampling rate [Hz]: 12 800", 12800.0),
        ("Sample rate: 1 000 000 Hz", 1e6),
        ("Sample rate: 1024 Hz 16 bit", 1024.0),
        ("fs 512 256", None),
        ("Sampling rate (Hz): 1000 2000", None),
    ],
)
def test_a_stated_rate_may_be_written_in_groups_of_digits(line, rate):
    """Fault: of 51 200 Hz the first group was taken, 51 Hz, and the record read at a thousandth of its rate."""
    assert stated_rate([line]) == rate


def test_a_stated_rate_that_the_times_contradict_is_told_in_a_table(tmp_path):
    """Fault: the times were taken without a word of the rate above them, and every frequency may be twice too low."""
    path = write(tmp_path / "a.csv", [f"{t:.4f}" for t in TIME])
    path.write_text("# Sample rate: 2000 Hz\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    history, findings = read_time_history(path, "a.csv")
    assert history.sample_rate_hz == RATE
    (told,) = [finding_line(each) for each in findings]
    assert "warning: the file states 2000 Hz, but its times go on at 1000 Hz; 1000 Hz is used" in told
    mapping = [("sample rate", "2 kHz"), ("C1", "C1 [g] / g"), ("A1", "A1 [g] / g")]
    history, findings = read_time_history(path, "a.csv", mapping)
    assert history.sample_rate_hz == 2000.0
    assert not findings


@pytest.mark.parametrize(("stated", "warned"), [(2000.0, True), (1000.0, False)])
@pytest.mark.parametrize("ending", ["mat", "h5"])
def test_a_stated_rate_that_the_times_contradict_is_told_in_other_files(tmp_path, stated, warned, ending):
    path = tmp_path / f"a.{ending}"
    if ending == "mat":
        scipy.io.savemat(path, {"t": TIME, "fs": stated, "A1": MOTION[:, 0], "unit": "g"})
    else:
        with h5py.File(path, "w") as file:
            file["t"], file["A1"], file.attrs["fs"] = TIME, MOTION[:, 0], stated
    _, findings = read_time_history(path, path.name, [("A1", "A1 / g")])
    told = [finding_line(each) for each in findings]
    assert any("the file states 2000 Hz, but its times go on at 1000 Hz" in each for each in told) is warned
