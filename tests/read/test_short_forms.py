# ruff: noqa: E501 — tables of faults, one a line
"""Short forms and the laboratory file: the same job as in the long form, and every fault with file, line and remedy."""

from __future__ import annotations

import dataclasses
import re
from datetime import date

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reportgen.errors import ReadError
from reportgen.judge.checks import CHECKS
from reportgen.pipeline import read_inputs
from reportgen.read.job.job_file import read_job
from reportgen.read.job.job_references import reference_findings
from reportgen.read.job.laboratory import laboratory_of
from reportgen.read.job.places import Source
from reportgen.read.job.register import read_register
from reportgen.read.job.short_forms import SHORT_FORMS, long_form
from reportgen.read.run_log import NOT_HERE
from reportgen.records.finding import Severity
from reportgen.records.message import Place
from reportgen.render.catalogue import said
from reportgen.render.terminal import finding_line
from tests.read.laboratory_job.short import EXAMPLE, LAB, SHARED, short_job, short_text


def bare(value):
    """A record without its places in files."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        if isinstance(value, Place):
            return None
        return {each.name: bare(getattr(value, each.name)) for each in dataclasses.fields(value)}
    if isinstance(value, tuple):
        return [bare(each) for each in value]
    return value


def by_id(records):
    return {each["id"]: each for each in bare(records)}


@pytest.fixture
def folder(tmp_path):
    return short_job(tmp_path)


def edited(folder, file, old, new):
    path = (folder / file) if file == "job.toml" else (folder.parent / file)
    text = path.read_text(encoding="utf-8")
    assert old in text, f"{old!r} is not in {file}"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return folder


def found(folder, **how):
    return [finding_line(each) for each in read_job(folder, CHECKS, **how)[1]]


def errors(folder, **how):
    return [finding_line(each) for each in read_job(folder, CHECKS, **how)[1] if each.severity is Severity.ERROR]


def test_short_forms_are_the_same_job_as_the_long_form(folder):
    long, _ = read_job(EXAMPLE, CHECKS)
    short, findings = read_job(folder, CHECKS)
    assert not findings
    for name in ("report", "laboratory", "customer", "specimen", "environment", "persons", "exciter", "requirements",
                 "deviations", "inspections", "channels", "runs", "notes_files"):  # fmt: skip
        assert bare(getattr(short, name)) == bare(getattr(long, name)), name
    assert by_id(short.profiles) == by_id(long.profiles)
    assert by_id(short.instruments) == by_id(long.instruments)  # ACC-99 of the register is not used, so not there
    assert len(short_text().splitlines()) < len((EXAMPLE / "job.toml").read_text(encoding="utf-8").splitlines()) * 0.75


def test_a_job_without_short_forms_and_laboratory_file_is_left_alone(tmp_path):
    job, _ = read_job(EXAMPLE, CHECKS)
    assert job.laboratory_files == ()


def test_the_language_is_the_laboratory_s_unless_the_job_says_otherwise(folder):
    assert read_job(folder, CHECKS)[0].report.language == "en"
    assert read_job(edited(folder, "job.toml", 'language = "en"\n', ""), CHECKS)[0].report.language == "de"


def test_places_are_those_of_the_file_that_was_written(folder):
    job, _ = read_job(folder, CHECKS)
    register = (folder.parent / "instruments.csv").read_text(encoding="utf-8").splitlines()
    at = {each.id: each.where for each in job.instruments}
    assert str(at["ACC-31"]) == f"instruments.csv:{1 + next(i for i, row in enumerate(register) if 'ACC-31' in row)}"
    survey = next(each for each in job.profiles if each.id == "SURVEY")
    assert survey.where.path == "laboratory.toml"
    text = (folder / "job.toml").read_text(encoding="utf-8").splitlines()
    assert "x_dwell" in text[job.run("X-DWELL").log_where.line - 1]


FAULTS = [
    ("job.toml", '["A1", "response", "camera head", "ACC-31"]', '["A1", "response", "camera head"]', r"job\.toml:\d+: error: channels: the row .* has 3 cells, expected 4: id, role, location, instrument"),
    ("job.toml", '["X-DWELL", "dwell", "X", "logs/x_dwell.csv", 2026-03-12T11:05:00]', '["X-DWELL", "dwell", "X"]', r"job\.toml:\d+: error: runs: the row .* has 3 cells, expected 4"),
    ("job.toml", 'exciter = "ED-2"', 'exciter = "ED-3"', r"exciter = 'ED-3' names no \[\[exciter\]\]; did you mean 'ED-2'\?"),
    ("job.toml", '"adler", ', '"alder", ', r"people = 'alder' names no \[\[person\]\]; did you mean 'adler'\?"),
    ("job.toml", '"PLATE",', '"PLANE",', r"channels = 'PLANE' names no \[\[channel_set\]\]; did you mean 'PLATE'\?"),
    ("job.toml", '["STR-2"]', '["STR-9"]', r"instruments = 'STR-9' names no \[\[instrument\]\]; did you mean 'STR-2'\?"),
    ("job.toml", '"camera head", "ACC-31"]', '"camera head", "ACC-13"]', r"instrument = 'ACC-13' names no \[\[instrument\]\]; did you mean 'ACC-"),
    ("job.toml", 'people = ["adler", "lindqvist", "haas"]', "people = [7]", r"\[test\]: people = .* is not a list of ids"),
    ("job.toml", "exciter = ", "exiter = ", r"\[test\]: the key 'exiter' is not known; did you mean 'exciter'"),
    ("job.toml", 'environment = {', 'environment = "mild"\nother = {', r'environment = .mild. ; write "from notes", or the values|environment = \S+; write "from notes"'),
    ("job.toml", "[run_defaults]\n", "[run_defaults]\nstrategie = 1\n", r"\[run_defaults\]: the key 'strategie' is not known; did you mean 'strategy'"),
    ("job.toml", 'survey = { profile = "SURVEY"', 'survey = { profil = "SURVEY"', r"\[run_defaults\.survey\]: the key 'profil' is not known; did you mean 'profile'"),
    ("job.toml", 'strategy = "average"', 'strategy = "averge"', r"job\.toml:\d+: error: .*strategy = .*averge.* is not known; did you mean 'average'"),
    ("job.toml", '[[run]]\nid = "X-SWEEP"', '[[run]]\nid = "X-SWEP"', r"\[\[run\]\] 'X-SWEP' is in no row of \[runs\] and has neither kind nor log; did you mean 'X-SWEEP'"),
    ("job.toml", "[runs]\n", "[runs]\ntabel = 1\n", r"\[runs\]: the key 'tabel' is not known"),
    ("job.toml", '["X-DWELL", "dwell"', '["X-PRE", "dwell"', r"\[\[run\]\] id 'X-PRE' is already used in line"),
    ("laboratory.toml", 'id = "SURVEY"', 'id = "SURVEY"\nbased_on = "SURVEY"', r"laboratory\.toml:\d+: error: the profiles SURVEY → SURVEY are based on one another in a circle"),
    ("laboratory.toml", "[[exciter]]", "[[exciters]]", r"laboratory\.toml:\d+: error: the table \[exciters\] is not one of a laboratory file; did you mean 'exciter'"),
    ("laboratory.toml", 'force = "10 kN"', 'force = "10 kg"', r"laboratory\.toml:\d+: error: \[exciter\]: force"),
    ("laboratory.toml", 'instruments = "instruments.csv"', 'instruments = "instrument.csv"', r'laboratory\.toml:\d+: error: \[laboratory\]: instruments = "instrument\.csv" is no file'),
    ("laboratory.toml", 'instruments = "instruments.csv"', 'instruments = "laboratory.toml"', "names the laboratory file itself"),
    ("laboratory.toml", 'instruments = "instruments.csv"', 'instruments = "../instruments.csv"', "is no file beside the laboratory file"),
    ("laboratory.toml", "[[exciter]]", '[[instrument]]\nid = "ACC-31"\n[[exciter]]', r"instruments\.csv:5: error: \[\[instrument\]\] ACC-31 is defined a second time; the first one is in laboratory\.toml:\d+"),
    ("laboratory.toml", "[[exciter]]", "[exciter]", r"laboratory\.toml:\d+: error: \[exciter\] has one pair of brackets"),
    ("laboratory.toml", "[laboratory]", "[laboratory]\nadress = 1", r"laboratory\.toml:\d+: error: \[laboratory\]: the key 'adress' is not known; did you mean 'address'"),
    ("laboratory.toml", "Hall 4, Quay Road 12\"", "Hall 4", r"laboratory\.toml:\d+: error: not valid TOML"),
    ("instruments.csv", "id;kind", "name;kind", r"instruments\.csv:1: error: the first row has no column 'id'"),
    ("instruments.csv", "2025-11-18", "2025-31-18", r"instruments\.csv:5: error: \[\[instrument\]\] \d: calibrated: .*2025-31-18.* is not a date"),
    ("instruments.csv", "ACC-11;", ";", r"instruments\.csv:2: error: the row .* has no id"),
]  # fmt: skip


@pytest.mark.parametrize("file, old, new, expected", FAULTS, ids=[each[2][:40] for each in FAULTS])
def test_bad_input_gets_file_line_and_remedy(folder, file, old, new, expected):
    lines = errors(edited(folder, file, old, new))
    assert any(re.search(expected, line) for line in lines), lines


ONE_ID = [
    ('"PLATE",', '"PLANE",', "did you mean 'PLATE'?", 3),  # two tables add to its channels and now lack their role
    ('"camera head", "ACC-31"]', '"camera head", "ACC-13"]', "did you mean 'ACC-", 1),
    ('survey = { profile = "SURVEY"', 'survey = { profile = "SURVEI"', "did you mean 'SURVEY'?", 1),
]


@pytest.mark.parametrize(("old", "new", "hint", "number"), ONE_ID, ids=[each[1][-20:] for each in ONE_ID])
def test_an_id_that_is_nowhere_was_told_a_dozen_times_over(folder, old, new, hint, number):
    """A set brought a warning for each run, an instrument a second suggestion, a default's profile one for each run
    that suggested the job's own profiles and not the laboratory's."""
    lines = found(edited(folder, "job.toml", old, new))
    assert len([line for line in lines if "error" in line or "warning" in line]) == number, lines
    assert hint in lines[0]


def test_a_fault_of_a_default_is_told_once_and_not_for_every_run(folder):
    lines = errors(edited(folder, "job.toml", 'strategy = "average"', 'strategy = "averge"'))
    assert len(lines) == 1, lines


def test_a_calibration_that_changed_between_laboratory_and_job_is_a_warning_naming_both(folder):
    with (folder / "job.toml").open("a", encoding="utf-8") as file:
        file.write('\n[[instrument]]\nid = "ACC-31"\ndue = 2026-05-01\n')
    (line,) = found(folder)
    assert re.search(
        r"job\.toml:\d+: warning: \[\[instrument\]\] ACC-31: due = 2026-05-01, while the laboratory file has 2026-11-17 \(instruments\.csv:5\)",
        line,
    )
    job, _ = read_job(folder, CHECKS)
    assert str(job.instrument("ACC-31").due) == "2026-05-01"
    assert job.instrument("ACC-31").serial == "31876"


def test_one_id_for_two_instruments_is_an_error(folder):
    with (folder / "job.toml").open("a", encoding="utf-8") as file:
        file.write('\n[[instrument]]\nid = "ACC-31"\nserial = "4"\n')
    (line,) = errors(folder)
    assert "one id for two instruments" in line
    assert "instruments.csv:5" in line


def test_without_a_laboratory_file_a_reference_says_where_one_is_looked_for(folder):
    for name in LAB:
        (folder.parent / name).unlink()
    lines = errors(folder)
    assert any("no laboratory file was found: put laboratory.toml beside the job" in line for line in lines), lines


def test_a_named_laboratory_file_goes_before_one_that_is_found(folder, tmp_path):
    other = tmp_path / "elsewhere" / "north.toml"
    other.parent.mkdir()
    text = (folder.parent / "laboratory.toml").read_text(encoding="utf-8")
    other.write_text(text.replace("Hall 4", "Hall 9"), encoding="utf-8")
    (other.parent / "instruments.csv").write_bytes((folder.parent / "instruments.csv").read_bytes())
    job, findings = read_job(folder, CHECKS, other)
    assert not findings
    assert job.laboratory.address == "Hall 9, Quay Road 12"
    assert [each.name.as_posix() for each in job.laboratory_files] == [
        "laboratory/north.toml",
        "laboratory/instruments.csv",
    ]


@pytest.mark.parametrize(
    "named, expected", [("nowhere.toml", "there is no laboratory file"), ("job/job.toml", "names the job file itself")]
)
def test_a_named_laboratory_file_that_cannot_be_one(folder, named, expected):
    (line,) = errors(folder, laboratory_file=folder.parent / named)
    assert expected in line


def test_a_laboratory_file_that_is_a_circle_of_links_is_told(folder):
    (folder.parent / "laboratory.toml").unlink()
    (folder.parent / "laboratory.toml").symlink_to(folder.parent / "other.toml")
    (folder.parent / "other.toml").symlink_to(folder.parent / "laboratory.toml")
    assert any("leads nowhere, or in a circle" in line for line in errors(folder))


def test_nothing_is_taken_from_a_folder_to_which_everybody_may_write(folder):
    """Whoever likes could lay a laboratory file there, as beside jobs in a folder for temporary files."""
    folder.parent.chmod(0o777)
    try:
        assert read_job(folder, CHECKS)[0] is None or read_job(folder, CHECKS)[0].laboratory_files == ()
    finally:
        folder.parent.chmod(0o755)


def test_an_archive_s_folder_is_whole_by_itself(folder):
    (folder.parent / "bagit.txt").write_text("BagIt-Version: 1.0\n")
    assert any("no laboratory file was found" in line for line in errors(folder))


def test_a_register_as_spreadsheet_is_the_same_register(folder):
    text = (folder.parent / "instruments.csv").read_text(encoding="utf-8").replace('"', "")
    book = openpyxl.Workbook()
    for row in text.splitlines():
        cells = row.split(";")
        book.active.append(
            [date.fromisoformat(each) if re.fullmatch(r"\d{4}-\d\d-\d\d", each) else each for each in cells]
        )
    book.save(folder.parent / "instruments.xlsx")
    before = by_id(read_job(folder, CHECKS)[0].instruments)
    edited(folder, "laboratory.toml", "instruments.csv", "instruments.xlsx")
    assert by_id(read_job(folder, CHECKS)[0].instruments) == before


def test_a_register_of_one_column_and_one_with_a_column_twice(folder):
    edited(folder, "instruments.csv", ";shelf", ";model")
    assert any("the column 'model' is there twice" in line for line in errors(folder))


def test_a_row_of_the_register_with_more_cells_than_columns_is_told(tmp_path):
    """Fault: a comma in a text moved the serial number under the model's name, and the cell too many was dropped."""
    path = tmp_path / "register.csv"
    path.write_text("id,kind,model,serial\nA1,accelerometer, 2 g,10 mV/g,311\nA2,x,y,312,,\n", encoding="utf-8")
    (found,) = read_register(path, "register.csv").findings
    assert str(found.where) == "register.csv:2"
    assert "5 cells under 4 columns" in said(found.message)


# Runs, notches and columns ------------------------------------------------------------------------------------------


def test_a_notch_of_a_run_is_a_profile_of_its_own(folder):
    with (folder / "job.toml").open("a", encoding="utf-8") as file:
        file.write('notch = [{ channel = "A1", band = ["40 Hz", "75 Hz"], limit = "30 g", agreed_by = "customer" }]\n')
    job, findings = read_job(folder, CHECKS)
    assert not findings
    run = job.run("X-SWEEP")
    assert run.profile == "QUALIFICATION, X-SWEEP"
    own = job.profile(run.profile)
    assert [(each.channel, each.from_hz, each.agreed_by) for each in own.notches] == [("A1", 40.0, "customer")]
    assert own.notches[0].where.path == "job.toml"
    assert (len(own.breakpoints), len(own.tolerance), own.sweep_cycles) == (4, 1, 0.5)
    assert job.profile("QUALIFICATION") is None  # no run follows it as it stands


def test_a_profile_based_on_another_takes_what_it_does_not_say(folder):
    with (folder / "job.toml").open("a", encoding="utf-8") as file:
        file.write('profile = "NOTCHED"\n[[profile]]\nid = "NOTCHED"\nbased_on = "QUALIFICATION"\ntolerance = "3 dB"\n')
        file.write('notch = [{ channel = "A9", band = ["40 Hz", "75 Hz"], limit = "30 g" }]\n')
    job, findings = read_job(folder, CHECKS)
    (line,) = [finding_line(each) for each in findings]
    assert re.search(r"job\.toml:\d+: error: \[\[profile\]\] NOTCHED: notch channel 'A9' is no \[\[channel\]\]", line)
    own = job.profile("NOTCHED")
    assert own.tolerance[0].text == "3 dB"
    assert len(own.breakpoints) == 4


def test_a_notch_without_a_profile_is_told(folder):
    edited(folder, "job.toml", 'sweep = { profile = "QUALIFICATION", ', "sweep = { ")
    with (folder / "job.toml").open("a", encoding="utf-8") as file:
        file.write('notch = [{ channel = "A1", band = ["40 Hz", "75 Hz"], limit = "30 g" }]\n')
    assert any("X-SWEEP has a notch but no profile" in line for line in errors(folder))


def test_columns_of_the_job_go_below_those_of_a_run(folder):
    edited(folder, "job.toml", "[run_defaults]", '[columns]\n"A1" = "K1 / g"\n"A2" = "K2 / g"\n[run_defaults]')
    with (folder / "job.toml").open("a", encoding="utf-8") as file:
        file.write('columns = { "A1" = "K7 / g" }\n')
    job, _ = read_job(folder, CHECKS)
    assert dict(job.run("X-SWEEP").columns) == {"A1": "K7 / g", "A2": "K2 / g"}
    assert job.run("X-SWEEP").common_columns == ("A2",)
    assert dict(job.run("X-PRE").columns) == {"A1": "K1 / g", "A2": "K2 / g"}


def test_ids_of_requirements_are_given_around_those_written(folder):
    job, _ = read_job(edited(folder, "job.toml", 'check = "sweep rate"', 'id = "R1"\ncheck = "sweep rate"'), CHECKS)
    assert [each.id for each in job.requirements][:4] == ["R2", "R3", "R1", "R4"]
    assert len({each.id for each in job.requirements}) == len(job.requirements)


def test_a_profile_of_the_laboratory_is_overridden_by_key_and_a_whole_one_stands_alone(folder):
    edited(folder, "job.toml", "[[profile]]", '[[profile]]\nid = "SURVEY"\ntolerance = "3 dB"\n\n[[profile]]')
    survey = read_job(folder, CHECKS)[0].profile("SURVEY")
    assert (survey.tolerance[0].text, survey.source) == ("3 dB", "test plan TP-26-014, 6.1")
    edited(folder, "job.toml", 'tolerance = "3 dB"', 'breakpoints = [["5 Hz", "1 g"], ["20 Hz", "1 g"]]')
    survey = read_job(folder, CHECKS)[0].profile("SURVEY")
    assert (survey.tolerance, survey.source) == ((), None)


ANY = st.recursive(
    st.one_of(st.text(max_size=4), st.integers(), st.booleans(), st.sampled_from(["A", "sweep", "PLATE", ""])),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.sampled_from(["id", "kind", "log", "profile", "notch", "columns", "table", "based_on", "sweep",
                                       "people", "exciter", "channels", "instruments", "environment"]), inner, max_size=4),
    max_leaves=12,
)  # fmt: skip
TABLES = ("test", "channels", "columns", "run_defaults", "runs", "run", "profile", "person", "instrument", "channel",
          "exciter", "environment", "requirement", "laboratory", "report")  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(raw=st.dictionaries(st.sampled_from(TABLES), ANY, max_size=6))
def test_whatever_stands_in_a_job_becomes_a_long_form_or_findings(raw):
    before = repr(raw)
    laboratory = laboratory_of(SHARED / "laboratory.toml")
    form = long_form(raw, Source("job.toml", lambda path: 1), laboratory)
    assert not form.raw.keys() & {*SHORT_FORMS}
    reference_findings(form.raw, form.places, CHECKS)
    assert repr(raw) == before


@settings(max_examples=200, deadline=None)
@given(rows=st.lists(st.text(alphabet='id;,"\t\n\r ACC-9%.é\x00', max_size=30), max_size=6))
def test_whatever_stands_in_a_register_is_read_or_refused(rows, tmp_path_factory):
    path = tmp_path_factory.getbasetemp() / "register.csv"
    path.write_text("id;due\n" + "\n".join(rows), encoding="utf-8", newline="")
    try:
        register = read_register(path, "register.csv")
    except ReadError:
        return
    lines = path.read_bytes().decode().replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for part in register.instruments:  # a cell in quotes may begin in its row's line and go on below
        below = "\n".join(lines[part.at().line - 1 :])
        assert part.table["id"].replace('"', "") in below.replace('"', "")  # a sign in quotes is written twice


def test_a_laboratory_file_in_the_job_folder_that_is_a_link_out_of_it_is_refused(folder, tmp_path):
    """Whoever sends a job must not have a file of the reader's archived."""
    (tmp_path / "secret.toml").write_text("word = 1\n", encoding="utf-8")
    (folder / "laboratory").mkdir()
    (folder / "laboratory" / "a.toml").symlink_to(tmp_path / "secret.toml")
    (line,) = errors(folder)
    assert "leads out of the job folder" in line


def test_a_linked_laboratory_file_has_its_register_beside_the_file_itself(folder, tmp_path):
    (tmp_path / "share").mkdir()
    for name in LAB:
        (folder.parent / name).rename(tmp_path / "share" / name)
    (folder.parent / "laboratory.toml").symlink_to(tmp_path / "share" / "laboratory.toml")
    assert not errors(folder)


def test_readme_s_laboratory_file_and_job_are_read(tmp_path):
    readme = (EXAMPLE.parents[1] / "README.md").read_text(encoding="utf-8")
    laboratory, job = re.findall(r"```toml\n(.*?)```", readme.split("## Many jobs of one laboratory", 1)[1], re.DOTALL)[
        :2
    ]
    head = '[report]\nnumber = "1"\ntitle = "t"\ndate = 2026-06-12\n[customer]\nname = "c"\n[specimen]\nname = "s"\n'
    (tmp_path / "job").mkdir()
    (tmp_path / "laboratory.toml").write_text(laboratory, encoding="utf-8")
    (tmp_path / "instruments.csv").write_text("id,kind\nACC-11,a\nACC-12,a\nACC-21,a\n", encoding="utf-8")
    (tmp_path / "job" / "job.toml").write_text(head + job, encoding="utf-8")
    read, findings = read_job(tmp_path / "job", CHECKS)
    assert [each.message.code for each in findings] == ["file.of-job"] * 2  # its logs are not there
    assert [each.id for each in read.channels] == ["C1", "C2", "A1"]
    assert read.runs[1].profile == "SURVEY, X-POST"


def test_the_exciter_s_clock_is_that_of_runs_which_name_no_controller(folder):
    edited(folder, "laboratory.toml", 'force = "10 kN"', 'force = "10 kN"\nfrequency_uncertainty = "20 ppm"')
    job, _ = read_job(folder, CHECKS)
    clock = job.clock_of(job.runs[0])
    assert (clock.stated, clock.instrument) == (True, "Electrodynamic exciter 2")
    assert clock.relative_std == pytest.approx(10e-6)  # half of what is stated with coverage factor 2


def test_a_row_of_a_run_may_name_its_specimen(folder):
    """A second specimen of a job took a [[run]] table for each of its runs."""
    text = (folder / "job.toml").read_text(encoding="utf-8")
    text = text.replace("[specimen]\n", '[[specimen]]\nid = "0007"\n', 1)
    (folder / "job.toml").write_text(text, encoding="utf-8")
    edited(folder, "job.toml", "[run_defaults]\n", '[[specimen]]\nid = "0008"\n\n[run_defaults]\nspecimen = "0007"\n')
    edited(folder, "job.toml", "2026-03-12T11:05:00]", '2026-03-12T11:05:00, "0008"]')
    job, findings = read_job(folder, CHECKS)
    assert [each for each in findings if each.severity is Severity.ERROR] == []
    assert {run.id: run.specimen for run in job.runs if run.specimen != "0007"} == {"X-DWELL": "0008"}


def test_a_column_that_one_log_has_was_told_missing_for_every_other(tmp_path):
    for name, column, slope in (("x", "A1", 0.01), ("z", "Sensor 3", 0.02)):
        rows = "".join(f"{k},{10 + k},1,{1 + slope * k}\n" for k in range(40))
        (tmp_path / f"{name}.csv").write_text(f"time [s],frequency [Hz],C1 [g],{column} [g]\n{rows}", encoding="utf-8")
    head = '[report]\nnumber = "1"\ntitle = "t"\ndate = 2026-06-12\n[customer]\nname = "c"\n[specimen]\nname = "s"\n'
    head += '[laboratory]\nname = "l"\n[test]\nchannels = [["C1", "control", "", ""], ["A1", "response", "", ""]]\n'
    head += '[runs]\ntable = [["X", "survey", "X", "x.csv"], ["Z", "survey", "Z", "z.csv"]]\n[columns]\n'

    def lacking(columns: str) -> list[object]:
        (tmp_path / "job.toml").write_text(head + columns, encoding="utf-8")
        found = read_inputs(tmp_path).findings
        return [
            (each.message.value("key"), each.message.value("log")) for each in found if each.message.code == NOT_HERE
        ]

    assert lacking('"A1" = "Sensor 3"\n') == []
    assert lacking('"A1" = "Sensor 3"\n"A1 phase" = "Sensor 4"\n') == [("A1 phase", "x.csv"), ("A1 phase", "z.csv")]
