# ruff: noqa: E501 — tables of faults, one a line
"""The job file: what the contract names is read, and every fault is a finding with its line and what to write."""

from __future__ import annotations

import math
import re
import tomllib
from datetime import date, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reportgen.judge.checks import CHECKS
from reportgen.read.job.job_file import read_job
from reportgen.read.job.toml_lines import TomlLines
from reportgen.records.finding import Severity
from reportgen.records.job import Boundary, ChannelRole, ControlStrategy, DecisionRule, RunKind
from reportgen.render.catalogue import said as in_words
from reportgen.render.terminal import finding_line
from reportgen.resources import data_dir
from reportgen.units import Detector

SMALLEST = """\
[report]
number = "VTR-0147"
title = "Sine vibration qualification of a sensor boom"
date = 2026-03-20
[laboratory]
name = "Harbour laboratory"
[customer]
name = "Crane works"
[specimen]
name = "Sensor boom"
[[run]]
id = "X-PRE"
kind = "survey"
log = "logs/x_pre.csv"
control = ["C1"]
"""

WHOLE = """\
[report]
number = "VTR-0147"
revision = "A"
title = "Sine vibration qualification of a sensor boom"
date = 2026-03-20
confidence = 0.95
decision_rule = "guarded acceptance"
language = "de"
paper = "Letter"
distribution = ["Customer", "Laboratory"]
standard = "IEC 60068-2-6:2007"
summary = "All is well."
opinions = "The boom could be lighter."

[laboratory]
name = "Harbour laboratory"
address = "Quay 1"
location = "Hall 2"
accreditation = "none"
[customer]
name = "Crane works"
address = "Quay 9"
reference = "PO 4711"
contact = "M. Example"
[specimen]
name = "Sensor boom"
part_number = "SB-1"
serial_number = "0007"
mass = "450 g"
received = 2026-03-01
condition = "new"
[specimen.beam]
boundary = "clamped-free"
length = "420 mm"
mass = "330 g"
tip_mass = "120 g"
thickness = "12 mm"
supports_counted = true
[environment]
temperature = "23 °C"
humidity = "45 % rh"
pressure = "1013 hPa"

[[person]]
role = "Test engineer"
name = "A. Person"

[[instrument]]
id = "ACC-1"
kind = "accelerometer"
manufacturer = "maker"
model = "M"
serial = "1"
calibrated = 2025-09-01
due = 2026-09-01
expanded_uncertainty = "1.5 %"

[[channel]]
id = "C1"
role = "control"
location = "fixture"
direction = "X"
instrument = "ACC-1"
[[channel]]
id = "A1"
role = "response"
position = "380 mm"
[[channel]]
id = "A2"
role = "response"
position = "0.5 L"

[[photo]]
file = "photos/setup.jpg"
caption = "Set-up"

[[inspection]]
when = "after the sweep"
what = "visual"
result = "pass"
remark = "no cracks"

[[profile]]
id = "QUALIFICATION"
sweep_rate = "2 oct/min"
breakpoints = [["5 Hz", "10 mm"], ["21.7 Hz", "10 mm"], ["21.7 Hz", "19 g"], ["2000 Hz", "19 g", "-6 dB/oct"]]
tolerance = [
  { band = ["5 Hz", "500 Hz"], limit = "10 %" },
  { band = ["500 Hz", "2000 Hz"], limit = ["-3 dB", "+1.5 dB"] },
]
abort = "6 dB"
duration = "30 min"
source = "Plan 4.2"
notch = [{ channel = "A1", band = ["110 Hz", "130 Hz"], limit = "25 g" }]

[[run]]
id = "X-PRE"
kind = "survey"
axis = "X"
log = "logs/x_pre.csv"
started = 2026-03-12T09:14:00
profile = "QUALIFICATION"
amplitude = "rms"
control = ["C1"]
strategy = "maximum"
tracking_filter = "5 %"
sweep = 2
[run.columns]
"A1" = "Ch 3 / (m/s^2)"
"A1 phase" = "Ph 3 / deg"

[[run]]
id = "X-POST"
kind = "sweep"
log = 'logs\\x_pre.csv'
started = "2026-03-12 11:00"
profile = "QUALIFICATION"
sweep = 1

[[requirement]]
id = "R3"
clause = "7.4.2"
text = "No natural frequency shall shift by more than 5 %."
check = "frequency shift"
before = "X-PRE"
after = "X-POST"
limit = "5 %"
[[requirement]]
id = "R4"
check = "amplification"
run = "X-POST"
channel = "A1"
mode = 1
band = ["20 Hz", "2 kHz"]
limit = 25

[exciter]
force = "10 kN"
stroke = "1 in"
velocity = "1.8 m/s"
acceleration = "100 g"
moving_mass = "12 kg"

[[correction]]
run = "X-PRE"
channel = "A1"
frequency = "50 Hz"
action = "renumber"
mode = 3
reason = "mains pick-up"
by = "Test engineer"
when = 2026-03-13

[[exclusion]]
run = "X-POST"
band = ["110 Hz", "130 Hz"]
reason = "a cable struck the fixture"
by = "Reviewer"
when = 2026-03-13T08:30:00

[[annotation]]
run = "X-POST"
channel = "A1"
frequency = "77 Hz"
text = "The cover rattled."
by = "Reviewer"
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "logs").mkdir()
    (tmp_path / "photos").mkdir()
    (tmp_path / "logs" / "x_pre.csv").write_text("frequency [Hz],C1 [g]\n5,1\n", encoding="utf-8")
    (tmp_path / "photos" / "setup.jpg").write_bytes(b"\xff\xd8")
    return tmp_path


def read(folder, text, name="job.toml"):
    (folder / name).write_text(text, encoding="utf-8")
    return read_job(folder / name if name != "job.toml" else folder, CHECKS)


def said(findings):
    return "\n".join(map(finding_line, findings))


def line(text, part):
    return text[: text.index(part)].count("\n") + 1


def test_the_smallest_job_needs_no_more(folder):
    job, findings = read(folder, SMALLEST)
    assert not findings, said(findings)
    assert job.report.number == "VTR-0147"
    assert job.report.confidence == 0.95
    assert job.runs[0].kind is RunKind.SURVEY
    assert job.runs[0].amplitude is Detector.PEAK
    assert job.control_of(job.runs[0]) == ("C1",)
    assert job.notes_files == ()


def test_everything_in_the_contract_is_read(folder):
    (folder / "notes.txt").write_text("84 Hz: 1 node\n", encoding="utf-8")
    job, findings = read(folder, WHOLE)
    assert not findings, said(findings)
    assert job.report.decision_rule is DecisionRule.GUARDED
    assert (job.report.language, job.report.paper, job.report.distribution) == (
        "de",
        "Letter",
        ("Customer", "Laboratory"),
    )
    assert job.report.opinions == ("The boom could be lighter.",)
    assert job.specimen.mass.si == pytest.approx(0.45)
    beam = job.specimen.beam
    assert (beam.boundary, beam.supports_counted) == (Boundary.CLAMPED_FREE, True)
    assert (beam.length.si, beam.tip_mass.si) == pytest.approx((0.42, 0.12))
    assert job.instruments[0].relative_standard_uncertainty == pytest.approx(0.0075)
    assert job.channel("C1").role is ChannelRole.CONTROL
    assert (job.channel("A1").position.si, job.channel("A2").position.si) == pytest.approx((0.38, 0.5))
    run, post = job.runs
    assert (run.started, post.started) == (datetime(2026, 3, 12, 9, 14), datetime(2026, 3, 12, 11, 0))
    assert (run.strategy, run.amplitude, run.sweep) == (ControlStrategy.MAXIMUM, Detector.RMS, 2)
    assert run.tracking_filter.fraction == pytest.approx(0.05)
    assert run.columns == (("A1", "Ch 3 / (m/s^2)"), ("A1 phase", "Ph 3 / deg"))
    assert post.log == Path("logs/x_pre.csv")
    assert job.requirements[1].limit.si == 25.0
    assert job.requirements[1].band_hz == (20.0, 2000.0)
    assert (job.corrections[0].frequency_hz, job.corrections[0].when) == (50.0, "2026-03-13")
    (excluded,), (annotated,) = job.exclusions, job.annotations
    assert (excluded.band_hz, excluded.channel, excluded.when) == ((110.0, 130.0), None, "2026-03-13 08:30:00")
    assert (annotated.run, annotated.channel, annotated.frequency_hz) == ("X-POST", "A1", 77.0)
    assert job.exciter.stroke.si == pytest.approx(0.0254)
    assert job.notes_files == (Path("notes.txt"),)
    assert job.inspections[0].result == "pass"
    assert job.photos[0].file == Path("photos/setup.jpg")


def test_a_profile_is_si_and_peak_and_its_tolerance_is_decibels_of_amplitude(folder):
    """20·lg(1 ± 0.1): the definition of the decibel for field quantities, ISO 80000-1."""
    job, _ = read(folder, WHOLE)
    profile = job.profile("QUALIFICATION")
    assert (profile.sweep_rate.value, profile.sweep_rate.unit) == (2.0, "oct/min")
    first, _, jump, last = profile.breakpoints
    assert (first.frequency_hz, first.amplitude, first.dimension) == (5.0, pytest.approx(0.01), "displacement")
    assert (jump.amplitude, jump.dimension) == (pytest.approx(19 * 9.80665), "acceleration")
    assert last.slope_to_next_db_per_oct == -6.0
    low, high = profile.tolerance
    assert (low.lower_db, low.upper_db) == pytest.approx((20 * math.log10(0.9), 20 * math.log10(1.1)))
    assert (low.from_hz, low.to_hz, high.lower_db, high.upper_db) == (5.0, 500.0, -3.0, 1.5)
    assert profile.abort[0].upper_db == 6.0
    notch = profile.notches[0]
    assert (notch.from_hz, notch.to_hz, notch.limit) == (110.0, 130.0, pytest.approx(25 * 9.80665))


@pytest.mark.parametrize(
    "written, lower, upper",
    [
        ('"10 %"', 0.9, 1.1),
        ('"±10 %"', 0.9, 1.1),
        ('"+/- 10 %"', 0.9, 1.1),
        ('["-10 %", "+5 %"]', 0.9, 1.05),
        ('["10 %", "5 %"]', None, None),
        ('"3 dB"', 10 ** (-3 / 20), 10 ** (3 / 20)),
    ],
)
def test_tolerances(folder, written, lower, upper):
    job, findings = read(folder, WHOLE.replace('abort = "6 dB"', f"abort = {written}"))
    if lower is None:
        assert "write the lower limit first" in said(findings)
        return
    band = job.profiles[0].abort[0]
    assert (10 ** (band.lower_db / 20), 10 ** (band.upper_db / 20)) == pytest.approx((lower, upper))


def test_an_amplitude_with_a_detector_of_its_own_becomes_a_peak(folder):
    job, _ = read(folder, WHOLE.replace('["5 Hz", "10 mm"]', '["5 Hz", "20 mm p-p"]'))
    assert job.profiles[0].breakpoints[0].amplitude == pytest.approx(0.01)


def test_places_are_those_of_the_file(folder):
    job, _ = read(folder, WHOLE)
    assert str(job.runs[1].where) == f"job.toml:{line(WHOLE, '[[run]]' + chr(10) + 'id = ' + chr(34) + 'X-POST')}"
    assert str(job.runs[0].log_where) == f"job.toml:{line(WHOLE, 'log = ')}"
    assert str(job.profiles[0].notches[0].where) == f"job.toml:{line(WHOLE, 'notch = ')}"
    assert (
        str(job.requirements[1].where)
        == f"job.toml:{line(WHOLE, '[[requirement]]' + chr(10) + 'id = ' + chr(34) + 'R4')}"
    )


# what is exchanged in the whole job; the text whose line is named; what the finding must say
FAULTS = [
    ("confidence = 0.95", "confidnce = 0.95", "confidnce", r"\[report\]: the key 'confidnce' is not known; did you mean 'confidence'\?"),
    ('tracking_filter = "5 %"', 'stroke = "5 mm"', 'stroke = "5 mm"', r"the key 'stroke' is not known; it belongs in \[exciter\]"),
    ("[exciter]", "[shakre]", "[shakre]", r"the table \[shakre\] is not known"),
    ("[exciter]", "[[exciter]]", "[[exciter]]", r"has two pairs of brackets; there is only one, write \[exciter\]"),
    ("[[person]]", "[person]", "[person]", r"one pair of brackets; there can be several, write \[\[person\]\]"),
    ('number = "VTR-0147"\n', "", "[report]", r"\[report\]: number is missing; write number = \"VTR-0147\""),
    ('[laboratory]\nname = "Harbour laboratory"\naddress = "Quay 1"\nlocation = "Hall 2"\naccreditation = "none"\n', "",
     "[report]", r"there is no \[laboratory\]; write \[laboratory\] and below it name"),
    ("date = 2026-03-20", 'date = "20 March"', 'date = "20 March"', r"'20 March' is not a date; .* such as 2026-03-20"),
    ("confidence = 0.95", "confidence = 95", "confidence = 95", r"95 is not a coverage between 0.5 and 1; write for example 0.95"),
    ("confidence = 0.95", "confidence = nan", "confidence = nan", r"is not a coverage"),
    ('"guarded acceptance"', '"guarded"', '"guarded"', r"decision_rule = 'guarded' is not known; did you mean 'guarded acceptance'"),
    ('language = "de"', 'language = "fr"', 'language = "fr"', r"use one of en, de"),
    ('mass = "450 g"', 'mass = "450"', 'mass = "450"', r"'450' has no unit; expected mass, such as '1.2 kg'"),
    ('mass = "450 g"', "mass = 450", "mass = 450", r"450 has no unit; write a number and its unit in quotes, such as \"1.2 kg\""),
    ('mass = "450 g"', 'mass = "450 mm"', 'mass = "450 mm"', r"'450 mm' is a displacement; expected mass"),
    ('mass = "450 g"', 'mass = "450 gramms"', 'mass = "450 gramms"', r"unit 'gramms' is not known; did you mean"),
    ('mass = "450 g"', 'mass = "-1 kg"', 'mass = "-1 kg"', r"must be more than zero"),
    ('temperature = "23 °C"', "temperature = 23", "temperature = 23", r"23 has no unit; write it in quotes with its unit, such as \"23 °C\""),
    ('boundary = "clamped-free"', 'boundary = "cantilever"', "cantilever", r"use one of clamped-free, clamped-pinned"),
    ('role = "response"\nposition = "380 mm"', 'role = "respons"\nposition = "380 mm"', '"respons"', r"did you mean 'response'"),
    ('position = "380 mm"', 'position = "480 mm"', '[[channel]]\nid = "A1"', r"position 480 mm lies beyond the beam's length 420 mm"),
    ('supports_counted = true', 'supports_counted = true\naxes = ["X", "Q"]', "[specimen.beam]", r"axes = 'Q', and no run is along it; runs are along: X"),
    ('position = "0.5 L"', 'position = "1.5 L"', '"1.5 L"', r"lies outside the beam"),
    ('instrument = "ACC-1"', 'instrument = "ACC-2"', '"ACC-2"', r"names no \[\[instrument\]\]; did you mean 'ACC-1'\?"),
    ("due = 2026-09-01", "due = 2024-09-01", "due = 2024", r"is due on 1 September 2024, before it was calibrated on 1 September 2025"),
    ('expanded_uncertainty = "1.5 %"', 'expanded_uncertainty = "1.5"', '"1.5"', r"percent sign, such as \"1.5 %\""),
    ('id = "A2"', 'id = "A1"', 'id = "A1"\nrole = "response"\nposition = "0.5', r"\[\[channel\]\] id 'A1' is already used in line"),
    ('sweep_rate = "2 oct/min"', 'sweep_rate = "2 oct"', '"2 oct"', r"unit 'oct' is not known.*\"2 oct/min\""),
    ('["5 Hz", "10 mm"]', '["30 Hz", "10 mm"]', "breakpoints", r"falls from 30 Hz to 21.7 Hz; write the breakpoints in rising"),
    ('["5 Hz", "10 mm"]', '["5 Hz"]', "breakpoints", r"is not a breakpoint; write frequency and amplitude"),
    ('["5 Hz", "10 mm"]', '["5 Hz", "10 N"]', "breakpoints", r"'10 N' is a force; expected acceleration or displacement or velocity"),
    ('limit = "10 %" }', 'limit = "10" }', "tolerance", r"'10' has no unit; write \"10 %\" or \"3 dB\""),
    ('["500 Hz", "2000 Hz"]', '["400 Hz", "2000 Hz"]', "tolerance", r"bands that overlap from 400 Hz to 500 Hz"),
    ('abort = "6 dB"', 'abort = "120 %"', "abort", r"smaller than 100 %"),
    ('channel = "A1", band', 'channel = "A7", band', "notch", r"notch channel 'A7' is no \[\[channel\]\]"),
    ('kind = "survey"', 'kind = "servey"', '"servey"', r"kind = 'servey' is not known; did you mean 'survey'\? use one of survey, sweep"),
    ('profile = "QUALIFICATION"\namplitude', 'profile = "QUALIFICATON"\namplitude', '"QUALIFICATON"', r"did you mean 'QUALIFICATION'\?"),
    ('amplitude = "rms"', 'amplitude = "average"', '"average"', r"write \"peak\", \"rms\" or \"peak-to-peak\""),
    ('control = ["C1"]', 'control = ["C11"]', '["C11"]', r"control channel 'C11' is no \[\[channel\]\]; did you mean 'C1'\?"),
    ("sweep = 2", "sweep = 0", "sweep = 0", r"0 is not a whole number from 1"),
    ("started = 2026-03-12T09:14:00", "started = 09:14:00", "started = 09", r"is not a date and time; write it such as 2026"),
    ('id = "X-POST"', 'id = "X-PRE"', 'id = "X-PRE"\nkind = "sweep"', r"\[\[run\]\] id 'X-PRE' is already used in line"),
    ('check = "frequency shift"', 'check = "frequenzy shift"', "frequenzy", r"did you mean 'frequency shift'\?"),
    ('before = "X-PRE"\n', "", '[[requirement]]\nid = "R3"', r"R3: the check 'frequency shift' needs before or surveys; write before = \"X-PRE\""),
    ('limit = "5 %"\n', "", '[[requirement]]\nid = "R3"', r"needs limit; write limit = \"5 %\""),
    ('limit = "5 %"', 'limit = "5"', 'limit = "5"', r"'5' has no unit; write it with its percent sign, such as \"5 %\""),
    ('limit = "5 %"', "limit = 5", "limit = 5", r"5 has no unit; write a number and its unit in quotes, such as \"5 %\""),
    ('limit = "5 %"', 'limit = "5 Hz"', 'limit = "5 Hz"', r"'5 Hz' is a frequency; expected ratio, such as '5 %'"),
    ('after = "X-POST"', 'after = "X-PRE"', 'after = "X-PRE"', r"before and after are the same run 'X-PRE'"),
    ('after = "X-POST"', 'after = "Y-POST"', 'after = "Y-POST"', r"names no \[\[run\]\]; did you mean 'X-POST'\?"),
    ('clause = "7.4.2"', "clause = 7.10", "clause", r"a clause is text, write it in quotes"),
    ('run = "X-POST"', 'run = "Z"', 'run = "Z"', r"run = 'Z' names no \[\[run\]\]; defined: 'X-PRE', 'X-POST'"),
    ("mode = 3\n", "", "[[correction]]", r"renumber needs the new number; write mode = 3"),
    ('action = "renumber"', 'action = "delete"', '"delete"', r"use one of accept, reject, renumber"),
    ('run = "X-PRE"\nchannel = "A1"\nfrequency = "50 Hz"\naction = "renumber"', 'frequency = "50 Hz"\naction = "add"', "[[correction]]", r"add asks for a resonance on one run; write run = \"X-PRE\""),
    ('band = ["110 Hz", "130 Hz"]\nreason', 'band = ["130 Hz", "110 Hz"]\nreason', 'band = ["130 Hz"', r"is not a rising band; write the lower frequency first"),
    ('run = "X-POST"\nband', 'run = "X-PAST"\nband', 'run = "X-PAST"', r"\[\[exclusion\]\] 1: run = 'X-PAST' names no \[\[run\]\]; did you mean 'X-POST'\?"),
    ('channel = "A1"\nfrequency = "77 Hz"', 'channel = "A7"\nfrequency = "77 Hz"', 'channel = "A7"\nfreq', r"\[\[annotation\]\] 1: channel = 'A7' names no \[\[channel\]\]"),
    ('text = "The cover rattled."\n', "", "[[annotation]]", r"text"),
    ('frequency = "50 Hz"', 'frequency = "50"', 'frequency = "50"', r"'50' has no unit; expected frequency, such as '50 Hz'"),
    ('reason = "mains pick-up"', 'reason = " "', "reason", r"is empty; write the text, or remove the line"),
    ('result = "pass"', 'result = "ok"', 'result = "ok"', r"use one of pass, fail"),
    ('file = "photos/setup.jpg"', 'file = "photos/setup.png"', "photos/setup.png", r"does not exist; did you mean 'setup.jpg'\?"),
    ('log = "logs/x_pre.csv"', 'log = "logs/X_pre.csv"', "logs/X_pre", r"log 'logs/X_pre.csv' does not exist; did you mean 'x_pre.csv'\?"),
    ('log = "logs/x_pre.csv"', 'log = "log/x_pre.csv"', "log/x_pre", r"does not exist; there is no folder log/"),
    ('log = "logs/x_pre.csv"', 'log = "../x_pre.csv"', "../x_pre", r"leads out of the job folder"),
    ('log = "logs/x_pre.csv"', 'log = "/etc/passwd"', "/etc/passwd", r"leads out of the job folder"),
    ('log = "logs/x_pre.csv"', 'log = "C:/x.csv"', "C:/x.csv", r"leads out of the job folder"),
    ('log = "logs/x_pre.csv"', 'log = "logs"', 'log = "logs"', r"is not a file"),
]  # fmt: skip


@pytest.mark.parametrize("old, new, at, message", FAULTS, ids=[each[1][:40] or each[0][:40] for each in FAULTS])
def test_a_fault_is_told_with_its_line_and_what_to_write(folder, old, new, at, message):
    assert old in WHOLE
    text = WHOLE.replace(old, new, 1)
    _, findings = read(folder, text)
    place = re.escape(f"job.toml:{line(text, at)}: error: ")
    assert re.search(f"(?m)^{place}.*{message}", said(findings)), said(findings)


@pytest.mark.parametrize("written", ["3", "2.5", "true", '{ a = "C1" }'])
def test_control_channels_that_are_no_list_are_told_and_end_nothing(folder, written):
    job, findings = read(folder, WHOLE.replace('control = ["C1"]', f"control = {written}", 1))
    assert job is None
    assert "control = " in said(findings)


@pytest.mark.parametrize(("written", "wrong"), [("check =", "chek ="), ("number =", "numer ="), ("kind =", "knid =")])
def test_a_needed_key_that_is_misspelt_is_told_once(folder, written, wrong):
    """Fault: "check is missing", and in the next line "'chek' is not known; did you mean 'check'?"."""
    job, findings = read(folder, WHOLE.replace(written, wrong, 1))
    assert job is None
    assert "is missing" not in said(findings)
    assert f"did you mean '{written.split()[0]}'?" in said(findings)


def test_all_faults_are_told_at_once(folder):
    text = WHOLE
    for old, new in (('kind = "survey"', 'kind = "x"'), ('mass = "450 g"', 'mass = "450"'), ("sweep = 2", "sweeep = 2"),
                     ('after = "X-POST"', 'after = "Q"'), ('id = "A2"', 'id = "A1"')):  # fmt: skip
        text = text.replace(old, new, 1)
    job, findings = read(folder, text)
    assert job is None
    assert sum(each.severity is Severity.ERROR for each in findings) == 5, said(findings)
    lines = [each.line for each in findings]
    assert lines == sorted(lines)


@pytest.mark.parametrize(
    "text, where, message",
    [
        (
            "[report]\nnumber = VTR-0147\n",
            2,
            r"not valid TOML: .*text and quantities stand in quotes: number = \"VTR-0147\"",
        ),
        ('[report]\nnumber = "VTR\n', 2, r"not valid TOML"),
        ('[report]\nnumber = "1"\nnumber = "2"\n', 3, r"not valid TOML"),
        ("", 1, r"the file is empty"),
        ("[report\n", 1, r"not valid TOML"),
    ],
)
def test_broken_toml_is_told_with_its_line(folder, text, where, message):
    job, findings = read(folder, text)
    assert job is None
    assert re.search(f"job.toml:{where}: error: {message}", said(findings)), said(findings)


def test_a_file_that_is_not_utf8_or_not_there_or_too_large(folder):
    (folder / "job.toml").write_bytes(SMALLEST.encode() + "# ü\n".encode("cp1252"))
    assert "job.toml:16: error: byte 0xfc is not UTF-8; save the file as UTF-8" in said(read_job(folder, CHECKS)[1])
    (folder / "job.toml").write_bytes(b"#" * 5_000_000)
    assert "a job file has at most" in said(read_job(folder, CHECKS)[1])
    (folder / "job.toml").unlink()
    assert re.search(r"job.toml:1: error: there is no .*; .* reportgen new DIR", said(read_job(folder, CHECKS)[1]))


def test_a_job_in_utf8_with_mark_and_other_line_ends(folder):
    (folder / "job.toml").write_bytes(b"\xef\xbb\xbf" + WHOLE.replace("\n", "\r\n").encode())
    job, findings = read_job(folder, CHECKS)
    assert job is not None
    assert not findings, said(findings)


def test_a_link_out_of_the_folder_is_refused(folder, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "secret.csv"
    outside.write_text("x", encoding="utf-8")
    (folder / "logs" / "link.csv").symlink_to(outside)
    _, findings = read(folder, SMALLEST.replace("x_pre", "link"))
    assert "is a link that leads out of the job folder; copy the file there instead" in said(findings)


def test_a_job_with_a_missing_log_is_still_returned_for_the_other_logs(folder):
    job, findings = read(folder, SMALLEST.replace("x_pre", "lost"))
    assert job is not None
    assert [each.severity for each in findings] == [Severity.ERROR]


def test_what_is_only_incomplete_is_a_warning(folder):
    text = SMALLEST.replace('control = ["C1"]\n', "").replace('"survey"', '"sweep"')
    text += '[[requirement]]\nid = "R1"\ncheck = "calibration"\n[[requirement]]\nid = "R2"\ncheck = "control tolerance"\nrun = "X-PRE"\n'
    text += '[[requirement]]\nid = "R3"\ncheck = "inspection"\nwhat = "visual"\n[[requirement]]\nid = "R4"\ncheck = "dwell cycles"\nrun = "X-PRE"\nlimit = 100000\n'
    job, findings = read(folder, text)
    assert job is not None
    assert all(each.severity is Severity.WARNING for each in findings), said(findings)
    for part in ("names no control channel", "is a sweep without a profile", "no [[instrument]] is listed", "no profile with a tolerance",
                 "no [[inspection]] has what = 'visual'", "cannot be answered by a run of kind 'sweep'"):  # fmt: skip
        assert part in said(findings)


def test_limits_of_every_check_have_an_example_that_is_accepted(folder):
    for check in CHECKS:
        if check.limit_dimensions:
            text = SMALLEST + f'[[requirement]]\nid = "R"\ncheck = "{check.name}"\nlimit = "{check.limit_example}"\n'
            assert not re.search(r"limit: ", said(read(folder, text)[1])), check.name
        else:
            text = SMALLEST + f'[[requirement]]\nid = "R"\ncheck = "{check.name}"\nlimit = "5 %"\n'
            assert "is not used by the check" in said(read(folder, text)[1])


def test_notes_are_found_or_named(folder):
    (folder / "notes.md").write_text("x\n", encoding="utf-8")
    (folder / "more.txt").write_text("x\n", encoding="utf-8")
    assert read(folder, SMALLEST)[0].notes_files == (Path("notes.md"),)
    named = SMALLEST.replace("[laboratory]", 'notes = ["more.txt", "gone.txt"]\n[laboratory]')
    job, findings = read(folder, named)
    assert job.notes_files == (Path("more.txt"), Path("gone.txt"))
    assert "[report]: notes 'gone.txt' does not exist" in said(findings)


def test_dates_are_taken_native_or_as_text(folder):
    for written in ("2026-03-20", '"2026-03-20"', "2026-03-20T10:00:00", '"2026-03-20T10:00:00Z"'):
        job, findings = read(folder, SMALLEST.replace("date = 2026-03-20", f"date = {written}"))
        assert job.report.date == date(2026, 3, 20), said(findings)
    text = SMALLEST + "started = 2026-03-12T09:14:00+02:00\n"
    assert read(folder, text)[0].runs[0].started == datetime(2026, 3, 12, 9, 14)
    job, findings = read(folder, SMALLEST + "started = 2026-03-12\n")
    assert job.runs[0].started == datetime(2026, 3, 12)
    assert "started has no time of day" in said(findings)


def test_the_job_that_is_copied_for_a_new_one_lacks_only_its_log(folder):
    template = data_dir("templates") / "job"
    (folder / "job.toml").write_bytes((template / "job.toml").read_bytes())
    job, findings = read_job(folder, CHECKS)
    assert job is not None
    assert [finding_line(each) for each in findings if "does not exist" not in in_words(each.message)] == []
    assert (template / "logs").is_dir()
    assert (template / "photos").is_dir()


def test_every_key_explained_in_the_job_that_is_copied_is_known(folder):
    """With the remark signs taken off, the copied job must be one the reader knows."""
    text = (data_dir("templates") / "job" / "job.toml").read_text(encoding="utf-8")
    text = re.sub(r'(?m)^# (?=(?:\[|"A1|[a-z_]+ = ))', "", text)
    tomllib.loads(text)
    _, findings = read(folder, text)
    wrong = [
        finding_line(each)
        for each in findings
        if re.search(r"not known|missing|is not|has no unit|needs", finding_line(each))
    ]
    assert not wrong
    for check in CHECKS:
        assert f'"{check.name}"' in text


def test_lines_of_keys_in_every_form():
    text = 'a = 1\n"b c".d = """x\n[no] = 1\n"""\n[t]\nk = [\n  1, # ]\n\n  { z = 1, y = "]" },\n]\n[[r]]\n[r.s]\nq=\'\'\'\n\'\'\'\n[[r]]\nw = 2026-01-01\n'
    tomllib.loads(text)
    lines = TomlLines(text)
    expected = {
        ("a",): 1,
        ("b c", "d"): 2,
        ("t",): 5,
        ("t", "k", 0): 7,
        ("t", "k", 1, "y"): 9,
        ("r", 0, "s", "q"): 13,
        ("r", 1, "w"): 16,
    }
    assert {path: lines.line_of(path) for path in expected} == expected


keys = st.one_of(
    st.sampled_from(["report", "run", "profile", "requirement", "channel", "id", "log", "kind"]), st.text(max_size=6)
)
values = st.recursive(
    st.one_of(
        st.text(max_size=12),
        st.integers(-5, 5),
        st.booleans(),
        st.floats(),
        st.dates(),
        st.none().map(lambda _: "5 Hz"),
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(keys, inner, max_size=4)),
    max_leaves=12,
)


def as_toml(value):
    if isinstance(value, dict):
        return "{" + ", ".join(f"{as_toml(str(k))} = {as_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(as_toml, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return (
            '"'
            + "".join(
                c if c.isalnum() or c == " " else f"\\U{ord(c):08X}" for c in value if not 0xD800 <= ord(c) < 0xE000
            )
            + '"'
        )
    return value.isoformat() if isinstance(value, date) else repr(value)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(keys, values, max_size=6))
def test_no_job_file_crashes_the_reader(tmp_path_factory, content):
    """Whatever stands in the file, the answer is findings with a line that exists."""
    folder = tmp_path_factory.mktemp("job")
    names = {}
    for key, value in content.items():
        names[as_toml(key)] = as_toml(value)
    text = "\n".join(f"{key} = {value}" for key, value in names.items()) + "\n"
    job, findings = read(folder, text)
    assert job is None
    assert any(each.severity is Severity.ERROR for each in findings)
    assert all(1 <= each.line <= text.count("\n") + 1 for each in findings)
