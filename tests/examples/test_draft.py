"""A job drafted from logs: the examples' own logs give jobs that build once their blanks are filled in."""

from __future__ import annotations

import re
import shutil
from functools import cache
from pathlib import Path

import pytest

from reportgen.cli import main
from reportgen.draft.seen_runs import Seen
from reportgen.draft.specimens import specimens_of
from reportgen.drafting import blanks_of
from reportgen.pipeline import Settings, build_job, read_inputs
from reportgen.read.job.run_names import axis_of, part_of
from reportgen.records.asked_runs import asked_runs
from reportgen.records.finding import Severity
from reportgen.render.terminal import finding_line

EXAMPLES = Path(__file__).resolve().parents[2] / "example_logs"
FILLED = {"number": "VTR-9", "title": "Drafted", "date": "2026-06-12"}
LABORATORY = ("laboratory.toml", "instruments.csv")
MOST_LINES = 15
"""As asked: the draft builds after at most so many lines are filled in."""


def drafted(name: str, folder: Path) -> Path:
    assert main(["new", str(folder), "--from", str(EXAMPLES / name / "logs")]) == 0
    return folder


def fill(folder: Path) -> int:
    """Fill every blank in; returns how many lines that took."""
    path = folder / "job.toml"
    text = path.read_text(encoding="utf-8")
    blank = re.compile(r'(?m)^(?P<key>\w+) = ""')
    filled, count = blank.subn(lambda found: f'{found["key"]} = "{FILLED.get(found["key"], "Invented")}"', text)
    assert count == blanks_of(text)
    path.write_text(filled, encoding="utf-8")
    return count


@pytest.fixture(scope="module")
def draft_of(tmp_path_factory):
    """The draft of an example's logs beside its laboratory file, blanks filled in, and its text before that."""

    @cache
    def draft(name: str) -> tuple[Path, str]:
        above = tmp_path_factory.mktemp("draft")
        for each in LABORATORY:
            if (EXAMPLES / name / each).exists():
                shutil.copy(EXAMPLES / name / each, above / each)
        folder = drafted(name, above / "job")
        text = (folder / "job.toml").read_text(encoding="utf-8")
        assert fill(folder) <= MOST_LINES
        return folder, text

    return draft


@pytest.fixture(params=sorted(each.parent.name for each in EXAMPLES.glob("*/job.toml")))
def filled(request, draft_of):
    return request.param, read_inputs(draft_of(request.param)[0])  # raises where anything forbids a build


def test_a_draft_of_the_examples_logs_can_be_built_with_the_blanks_filled_in(filled):
    name, inputs = filled
    assert len(inputs.job.runs) == len(list((EXAMPLES / name / "logs").iterdir()))
    assert [finding_line(each) for each in inputs.findings if each.severity is Severity.ERROR] == []


def test_a_draft_has_the_runs_of_the_example_s_own_job(filled):
    name, inputs = filled
    own = read_inputs(EXAMPLES / name).job
    if any(run.further_logs for run in own.runs):
        assert len(inputs.job.runs) == sum(len(run.logs) for run in own.runs)
        assert {log for run in own.runs for log in run.logs} == {run.log for run in inputs.job.runs}
        return  # which logs are parts of one run is for the engineer to say
    said = [(run.id, run.kind, run.axis, run.log, run.amplitude) for run in own.runs]
    assert [(run.id, run.kind, run.axis, run.log, run.amplitude) for run in inputs.job.runs] == said
    for run in own.runs:
        drafted, profile = inputs.job.profile(inputs.job.run(run.id).profile), own.profile(run.profile)
        if drafted is not None and profile is not None:
            assert drafted.sweep_rate.value == pytest.approx(profile.sweep_rate.value, rel=0.03)
            for mine, theirs in ((drafted.breakpoints[0], profile.breakpoints[0]),
                                 (drafted.breakpoints[-1], profile.breakpoints[-1])):  # fmt: skip
                assert mine.dimension == theirs.dimension
                assert mine.frequency_hz == pytest.approx(theirs.frequency_hz, rel=0.05)
                assert mine.amplitude == pytest.approx(theirs.amplitude, rel=0.05)


def test_a_draft_builds(tmp_path):
    folder = drafted("sensor_boom", tmp_path / "job")
    fill(folder)
    built = build_job(folder, None, Settings(results_only=True))
    assert {mode.axis for mode in built.report.modes} == {"X"}


def test_logs_that_tell_their_start_are_in_the_order_of_time(tmp_path):
    source = EXAMPLES / "sensor_boom" / "logs" / "x_pre.csv"
    for name, start in (("a.csv", "2026-03-12 14:20"), ("b.csv", "12.03.2026 09:14:30")):
        text = source.read_text(encoding="utf-8").splitlines()[:400]
        (tmp_path / name).write_text("\n".join([f"# recorded {start}", *text]), encoding="utf-8")
    assert main(["new", str(tmp_path / "job"), "--from", str(tmp_path / "a.csv"), str(tmp_path / "b.csv")]) == 0
    text = (tmp_path / "job" / "job.toml").read_text(encoding="utf-8")
    assert re.findall(r"logs/(\w)\.csv\", (\S+)\]", text) == [
        ("b", "2026-03-12T09:14:30"),
        ("a", "2026-03-12T14:20:00"),
    ]


def test_a_log_that_gives_no_run_is_named_with_the_reason_and_kept(tmp_path, capsys):
    shutil.copy(EXAMPLES / "sensor_boom" / "logs" / "x_pre.csv", tmp_path / "x_pre.csv")
    (tmp_path / "photo.jpg").write_bytes(b"\xff\xd8\xff" + bytes(500))
    assert main(["new", str(tmp_path / "job"), "--from", str(tmp_path / "x_pre.csv"), str(tmp_path / "photo.jpg")]) == 1
    assert "photo.jpg" in capsys.readouterr().err
    text = (tmp_path / "job" / "job.toml").read_text(encoding="utf-8")
    assert "# logs/photo.jpg gives no run:" in text
    assert (tmp_path / "job" / "logs" / "photo.jpg").exists()


def test_a_unit_that_the_log_does_not_say_is_a_blank(tmp_path):
    text = (EXAMPLES / "sensor_boom" / "logs" / "x_pre.csv").read_text(encoding="utf-8")
    (tmp_path / "x_pre.csv").write_text(text.replace("A1 [g]", "A1", 1), encoding="utf-8")
    assert main(["new", str(tmp_path / "job"), "--from", str(tmp_path / "x_pre.csv")]) == 0
    job = tmp_path / "job" / "job.toml"
    assert '"A1" = "A1 / ..."' in job.read_text(encoding="utf-8")
    assert blanks_of(job.read_text(encoding="utf-8")) == 7
    fill_units = job.read_text(encoding="utf-8").replace('"A1 / ..."', '"A1 / g"')
    job.write_text(re.sub(r'(?m)^(\w+) = ""', lambda m: f'{m[1]} = "{FILLED.get(m[1], "Invented")}"', fill_units))
    assert [each for each in read_inputs(job.parent).findings if each.severity is Severity.ERROR] == []


def test_a_draft_takes_the_environment_from_logs_that_hold_it_and_an_instrument_that_one_names(tmp_path):
    log = (EXAMPLES / "sensor_boom" / "logs" / "x_pre.csv").read_text(encoding="utf-8").splitlines()[:400]
    head, *lines = [line for line in log if not line.startswith("#")]
    text = ["# A1: accelerometer 27730, 10 mV/g", f"{head},Temperature [°C]", *(f"{line},21.5" for line in lines)]
    (tmp_path / "x_pre.csv").write_text("\n".join(text), encoding="utf-8")
    for each in LABORATORY:
        shutil.copy(EXAMPLES / "wind_sensor_arm" / each, tmp_path / each)
    assert main(["new", str(tmp_path / "job"), "--from", str(tmp_path / "x_pre.csv")]) == 0
    text = (tmp_path / "job" / "job.toml").read_text(encoding="utf-8")
    assert re.search(r'\["A1", "response", "", "ACC-21"\], +# g; \(\?\) ', text)
    fill(tmp_path / "job")
    assert read_inputs(tmp_path / "job").job.environment.temperature == "21.5 °C"


def test_a_log_without_a_control_by_name_has_its_first_channel_marked_as_a_guess(tmp_path):
    text = (EXAMPLES / "sensor_boom" / "logs" / "x_pre.csv").read_text(encoding="utf-8")
    for old, new in (("C1 [g]", "Ch 1 [g]"), ("C2 [g]", "Ch 2 [g]")):
        text = text.replace(old, new, 1)
    (tmp_path / "x_pre.csv").write_text(text, encoding="utf-8")
    assert main(["new", str(tmp_path / "job"), "--from", str(tmp_path / "x_pre.csv")]) == 0
    fill(tmp_path / "job")
    assert re.search(r'control = \["Ch 1"\] +# \(\?\) ', (tmp_path / "job" / "job.toml").read_text(encoding="utf-8"))
    assert read_inputs(tmp_path / "job").job.runs[0].control == ("Ch 1",)


NAMED = ("Halter01_X_Vorsuche", "Halter01_X_Lauf", "Halter02_X_Vorsuche", "Halter02_X_Lauf")


@pytest.mark.parametrize(
    ("names", "specimens"),
    [
        (NAMED, ["01", "01", "02", "02"]),
        (("x_pre", "x_sweep", "s13_x_pre", "s13_x_sweep"), ["1", "1", "13", "13"]),
        (("x_pre", "x_sweep_1", "x_sweep_2"), []),
        (("z_pre", "z_sweep_part1", "z_sweep_part2", "z_post"), []),
        (("run1_x_pre", "run2_x_sweep", "run3_y_pre"), []),
        (("s1_x_pre", "s2_x_sweep"), []),
    ],
)
def test_numbers_in_names_are_specimens_only_where_two_went_through_the_same_test(names, specimens):
    """A number may count runs, or pieces of one."""
    runs = [Seen(path=(path := Path(f"{name}.csv")), id=name, part=part_of(path), axis=axis_of(path)) for name in names]
    assert list(specimens_of(runs).values()) == specimens


@pytest.mark.parametrize("logs", [["nowhere.csv"], ["a/x.csv", "b/x.csv"]])
def test_logs_that_are_not_there_or_have_one_name(tmp_path, logs, capsys):
    for each in ("a/x.csv", "b/x.csv"):
        (tmp_path / each).parent.mkdir(exist_ok=True)
        (tmp_path / each).write_text(each)
    assert main(["new", str(tmp_path / "job"), "--from", *(str(tmp_path / each) for each in logs)]) == 1
    assert not (tmp_path / "job").exists()
    said = capsys.readouterr().err
    assert "there is no such log" in said or "has the same name as" in said


def test_a_draft_refers_to_the_laboratory_file_above_it(tmp_path):
    (tmp_path / "laboratory.toml").write_text('[laboratory]\nname = "Harbour laboratory"\n', encoding="utf-8")
    folder = drafted("bolted_bracket", tmp_path / "job")
    assert fill(folder) == 5
    assert read_inputs(folder).job.laboratory.name == "Harbour laboratory"


@pytest.fixture
def arm(draft_of):
    """The draft of the wind sensor arm's logs, and its text."""
    return draft_of("wind_sensor_arm")


def test_a_draft_joins_sections_of_a_profile(arm):
    """A sweep that was stopped made a profile of its own."""
    _, text = arm
    sections = re.findall(r'\["([^"]+)".* only a section of the profile', text)
    assert sections == ["Y-SWEEP-0", "Y-SWEEP-1", "Y-SWEEP-2"]


def test_a_draft_wrote_its_own_of_what_the_laboratory_file_holds(arm):
    """The survey's profile, the cube's channels and the exciter stood in the laboratory file."""
    folder, text = arm
    assert re.findall(r'(?m)^id = "(SW\w+(?:-\d)?|SURVEY)"', text) == ["SWEEP", "SWEEP-2"]
    assert 'survey = { profile = "SURVEY"' in text
    assert re.search(r'(?m)^exciter = "ED-2" +# \(\?\)', text)
    assert '# people = ["adler", "lindqvist", "haas"]' in text, "who tested is a remark until somebody says so"
    assert re.findall(r'(?m)^  (?:"(\w+)"|\["([^"]+)", "response)', text) == [
        ("CUBE", ""), ("", "A1"), ("", "A2"), ("", "Sensor 3"), ("", "Sensor 4"),
    ]  # fmt: skip
    job = read_inputs(folder).job
    assert job.exciter.force.text == "10 kN"
    assert job.profile("SURVEY").source == "laboratory procedure VP-3, 4.1"
    assert job.channel("C1").instrument == "ACC-11"
    assert job.persons == ()


def test_columns_that_a_job_takes_for_one_channel_were_two_in_its_draft(arm):
    """Regler C1 of the German logs is the C1 of the others; Sensor 3 may be A1, which only the engineer knows."""
    _, text = arm
    assert "Regler" not in text
    assert re.findall(r'# "(\w+)" = "(.+)"', text) == [("A1", "Sensor 3"), ("A2", "Sensor 4")]


def test_surveys_of_two_specimens_were_paired_crosswise(arm):
    """Their names carry the specimen's number; with it one clause can name all pairs."""
    folder, text = arm
    assert re.findall(r'(?m)^id = "(\d+)"', text) == ["1", "13"]
    assert 'specimen = "1"' in text
    assert re.findall(r'\["([^"]+)".*, "13"\]', text) == ["S13-Y-PRE", "S13-Y-SWEEP", "S13-Y-POST"]
    assert text.count("# [[requirement]]") == text.count('# surveys = "before and after"') == 1
    clause = text[text.index("# [[requirement]]") :].replace("# ", "").replace('clause = ""', 'clause = "5.4"')
    whole = folder.parent / "whole"
    shutil.copytree(folder, whole)
    with (whole / "job.toml").open("a", encoding="utf-8") as file:
        file.write(clause)
    job = read_inputs(whole).job
    parts = asked_runs(job, job.requirements[0]).parts
    assert [(each.before, each.after) for each in parts] == [
        ("X-PRE", "X-POST"), ("Y-PRE", "Y-POST"), ("Z-PRE", "Z-POST"), ("S13-Y-PRE", "S13-Y-POST"),
    ]  # fmt: skip
