"""Several specimens of one type in one job: runs and verdicts of their own, compared with each other."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from reportgen.judge.checks import CHECKS
from reportgen.read.job.checklist import report_checklist
from reportgen.read.job.job_file import read_job
from reportgen.records.verdict import Outcome
from reportgen.render.axis_runs import axis_of
from reportgen.render.catalogue import said
from tests.judge.small_job import small_job as small

TWO = (
    '[[specimen]]\nid = "S1"\nserial_number = "1"\nname = "Bracket"\nmass = "2.0 kg"\n\n'
    '[[specimen]]\nid = "S2"\nserial_number = "2"\n'
)
ONE = '[specimen]\nname = "Bracket"\nmass = "2.0 kg"\n'
FIRST = '[[requirement]]\nid = "CONTROL"'
SHIFT = 'check = "frequency shift"\nbefore = "PRE"\nafter = "POST"\n'


def run(name: str, kind: str, hour: int, more: str = 'specimen = "S2"\n') -> str:
    return (
        f'[[run]]\nid = "{name}"\nkind = "{kind}"\naxis = "X"\nlog = "{name}.csv"\nprofile = "LOW"\n'
        f"started = 2026-04-22T{hour:02d}:00:00\n{more}\n"
    )


SECOND = run("S2-PRE", "survey", 9) + run("S2-SWEEP", "sweep", 10) + run("S2-POST", "survey", 11)


def edits(*more: list[str], runs: str = SECOND) -> list[list[str]]:
    """The small job on specimen S1, with runs of S2 behind its own."""
    own = [
        [f'log = "{name}.csv"\n', f'log = "{name}.csv"\nspecimen = "S1"\n']
        for name in ("pre", "sweep", "dwell", "post")
    ]
    return [[ONE, TWO], *own, [FIRST, runs + FIRST], *more]


AROUND = [SHIFT, SHIFT.replace('before = "PRE"\nafter = "POST"', 'surveys = "before and after"')]
FELL = {"run": "S2-POST", "kind": "mode", "mode": 1, "frequency_factor": 0.9}


def test_each_specimen_is_compared_with_itself(tmp_path):
    found = small.small_job(tmp_path, edits(AROUND), [FELL])
    verdict = found.verdicts()["SHIFT"]
    assert [(part.before, part.after, part.outcome) for part in verdict.parts] == [
        ("PRE", "POST", Outcome.PASS), ("S2-PRE", "S2-POST", Outcome.FAIL)]  # fmt: skip
    assert verdict.outcome is Outcome.FAIL


def test_an_axis_is_judged_specimen_by_specimen(tmp_path):
    found = small.small_job(tmp_path, edits(), [{"run": "S2-PRE", "kind": "mode", "mode": 1, "frequency_factor": 0.5}])
    verdict = found.verdicts()["LOWEST"]
    assert [(part.axis, part.outcome) for part in verdict.parts] == [
        ("X · S1", Outcome.PASS), ("X · S2", Outcome.FAIL)]  # fmt: skip


@pytest.mark.parametrize(("specimen", "outcome"), [("S1", Outcome.PASS), ("S2", Outcome.FAIL)])
def test_a_clause_may_be_about_one_specimen(specimen, outcome, tmp_path):
    found = small.small_job(tmp_path, edits([AROUND[0], AROUND[1] + f'specimen = "{specimen}"\n']), [FELL])
    verdict = found.verdicts()["SHIFT"]
    assert verdict.outcome is outcome
    assert verdict.parts == ()


def test_specimens_are_compared_with_each_other_and_judged_where_a_clause_asks(tmp_path):
    moved = {"run": "S2-PRE", "kind": "mode", "mode": 1, "frequency_factor": 1.08}
    found = small.small_job(tmp_path, edits(), [moved])
    between = [row for row in found.shifts if (row.before, row.after) == ("PRE", "S2-PRE")]
    assert between[0].frequency_shift == pytest.approx(0.08, abs=1e-3)
    asked = [SHIFT, SHIFT.replace('after = "POST"', 'after = "S2-PRE"')]
    (tmp_path / "asked").mkdir()
    verdict = small.small_job(tmp_path / "asked", edits(asked), [moved]).verdicts()["SHIFT"]
    assert verdict.outcome is Outcome.FAIL
    assert verdict.measured == pytest.approx(8.0, abs=0.1)


def test_the_shift_between_specimens_spoils_no_run(tmp_path):
    """Another specimen with another gain or level is no fault of a sensor."""
    found = small.small_job(tmp_path, edits(), [{"run": "S2-PRE", "kind": "gain", "channel": "A1", "factor": 1.5}])
    assert all(each.channel != "A1" for run in found.runs if run.id == "PRE" for each in run.quality)


def test_a_repetition_stands_in_for_a_run_of_its_own_specimen_alone(tmp_path):
    void = 'specimen = "S2"\nstatus = "void"\nreason = "cable"\n'
    kind = ['run = "SWEEP"\n\n[[requirement]]\nid = "RANGE"', 'kind = "sweep"\n\n[[requirement]]\nid = "RANGE"']
    found = small.small_job(tmp_path, edits(kind, runs=run("S2-SWEEP", "sweep", 10, void)))
    verdict = found.verdicts()["CONTROL"]
    assert verdict.outcome is Outcome.NOT_EVALUATED
    assert [part.run for part in verdict.parts] == ["SWEEP", "S2-SWEEP"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ([SECOND, SECOND.replace('"S2"\n', '"S3"\n', 1)], "[[run]] S2-PRE: specimen = 'S3' names no [[specimen]]"),
        ([SECOND, SECOND.replace('specimen = "S2"\n', "", 1)], "[[run]] S2-PRE does not say which specimen was run"),
        (['id = "S2"\nserial', "serial"], "[[specimen]] 2 has no id, and there are several"),
        (['id = "S2"\nserial', 'id = "S1"\nserial'], "id 'S1' is used twice"),
        (['serial_number = "2"', 'serial_nummer = "2"'], "did you mean 'serial_number'"),
        (
            ['check = "inspection"\n', 'check = "inspection"\nspecimen = "S9"\n'],
            "specimen = 'S9' names no [[specimen]]",
        ),
        (
            [SECOND, SECOND + run("AGAIN", "sweep", 12, 'specimen = "S2"\nrepeats = "SWEEP"\n')],
            "repeats SWEEP, which was run with another specimen",
        ),
    ],
)
def test_faults_of_specimens_are_told_with_their_lines(change, words, tmp_path):
    text = (Path(small.__file__).parent / "job.toml").read_text(encoding="utf-8")
    for old, new in edits(change):
        assert old in text
        text = text.replace(old, new, 1)
    (tmp_path / "job.toml").write_text(text, encoding="utf-8")
    _, findings = read_job(tmp_path, CHECKS)
    (found,) = [each for each in findings if words in said(each.message)]
    assert found.line > 1


def test_what_specimens_share_is_written_once(tmp_path):
    found = small.small_job(tmp_path, edits())
    first, second = found.job.specimens
    assert (second.name, second.serial_number, second.mass) == ("Bracket", "2", None)
    assert first is found.job.specimen


def test_a_beam_bends_along_the_axes_that_the_job_wrote(tmp_path):
    """Fault: the report named them with their specimens, `X · S1, X · S2`, and a wrong one was told those to choose."""
    beam = '[specimen.beam]\nboundary = "clamped-free"\naxes = ["X", "Y"]\n\n[[specimen]]\nid = "S2"'
    text = (Path(small.__file__).parent / "job.toml").read_text(encoding="utf-8")
    for old, new in edits(['[[specimen]]\nid = "S2"', beam]):
        assert old in text
        text = text.replace(old, new, 1)
    (tmp_path / "job.toml").write_text(text, encoding="utf-8")
    job, findings = read_job(tmp_path, CHECKS)
    assert job.specimen.beam.axes == ("X", "Y")
    assert job.beam_along("X · S1") is job.beam_along("X · S2") is job.specimen.beam
    assert job.beam_along("Z") is None
    (wrong,) = [said(each.message) for each in findings if each.message.code == "job.beam-axis-unknown"]
    assert wrong.endswith("no run is along it; runs are along: X")


def found_in(folder: Path, *more: list[str], runs: str = SECOND) -> list[str]:
    text = (Path(small.__file__).parent / "job.toml").read_text(encoding="utf-8")
    for old, new in edits(*more, runs=runs):
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "job.toml").write_text(text, encoding="utf-8")
    _, findings = read_job(folder, CHECKS)
    return [each.message.code for each in findings]


def test_specimens_are_compared_in_whatever_order_they_were_run(tmp_path):
    """Fault: a job whose second specimen was run before the first had an error: the one after started first."""
    between = [SHIFT, SHIFT.replace('after = "POST"', 'after = "S2-PRE"')]
    early = SECOND.replace("2026-04-22", "2026-04-19")
    codes = found_in(tmp_path, between, runs=early)
    assert not {"date.after-before-before", "date.no-test-between"} & {*codes}


def test_a_test_of_another_specimen_lies_between_no_surveys(tmp_path):
    """Fault: surveys with a sweep of another specimen between them counted as before and after a test."""
    pair = [SHIFT, SHIFT.replace('"PRE"', '"S2-PRE"').replace('"POST"', '"S2-POST"')]
    runs = SECOND.replace("2026-04-22", "2026-04-20").replace("T10:00:00", "T23:00:00")  # the first one's is at 10:00
    assert "date.no-test-between" in found_in(tmp_path, pair, runs=runs)


def test_each_specimen_has_its_own_day_of_receipt(tmp_path):
    """Fault: the first specimen's day was held against the runs of all of them, and the others' against none."""
    first = ['mass = "2.0 kg"\n\n', 'mass = "2.0 kg"\nreceived = 2026-04-20\n\n']
    second = ['serial_number = "2"\n', 'serial_number = "2"\nreceived = 2026-04-19\n']
    early = SECOND.replace("2026-04-22", "2026-04-19")
    assert "date.received-after-run" not in found_in(tmp_path, first, second, runs=early)
    second[1] = second[1].replace("04-19", "04-20")
    assert "date.received-after-run" in found_in(tmp_path, first, second, runs=early)


def test_a_second_specimen_with_a_beam_of_its_own_is_told(tmp_path):
    """Fault: the beam of the second specimen was read and never used."""
    own = ['serial_number = "2"\n', 'serial_number = "2"\n[specimen.beam]\nboundary = "clamped-clamped"\n']
    assert "specimen.beam-of-its-own" in found_in(tmp_path, own)
    assert "specimen.beam-of-its-own" not in found_in(tmp_path)


def test_a_mode_of_the_notes_counts_where_a_clause_names_run_and_axis(tmp_path):
    """Fault: of several specimens the axis as written met no mode, and one below the limit passed unseen."""
    limit = 'check = "lowest natural frequency"\naxis = "X"\n'
    found = small.small_job(tmp_path, edits([limit, limit + 'run = "PRE"\n']))
    assert found.verdicts()["LOWEST"].outcome is Outcome.PASS
    noted = replace(found.modes[0], axis="X · S1", frequency_hz=30.0, seen_in=("notes",), runs=(), channels=())
    assert replace(found, modes=(*found.modes, noted)).verdicts()["LOWEST"].outcome is Outcome.FAIL
    other = replace(noted, axis="X · S2")
    assert replace(found, modes=(*found.modes, other)).verdicts()["LOWEST"].outcome is Outcome.PASS


def test_what_is_open_of_a_second_specimen_is_open(tmp_path):
    """Fault: the checklist of the report looked at the first specimen alone."""
    first = ['mass = "2.0 kg"\n\n', 'mass = "2.0 kg"\nreceived = 2026-04-20\ncondition = "new"\n\n']
    second = ['serial_number = "2"\n', 'serial_number = "2"\nreceived = 2026-04-20\n']
    (tmp_path / "open").mkdir()
    job = small.small_job(tmp_path / "open", edits(first)).job
    still = small.small_job(tmp_path, edits(first, second)).job
    items = [{str(each.value("item").code) for each in report_checklist(it)} for it in (job, still)]
    assert items[0] - items[1] == {"checklist.received"}
    assert "checklist.condition" in items[1]


def test_a_clause_about_an_axis_of_one_specimen_stands_on_its_page(tmp_path):
    """Fault: it stood under the axis as written, beside that of the specimen, and its limit was in no figure."""
    limit = 'check = "lowest natural frequency"\naxis = "X"\n'
    found = small.small_job(tmp_path, edits([limit, limit + 'specimen = "S2"\n']))
    report = SimpleNamespace(job=found.job, runs=found.runs)
    assert axis_of(report, found.verdicts()["LOWEST"]) == "X · S2"
    (tmp_path / "both").mkdir()
    both = small.small_job(tmp_path / "both", edits())
    assert axis_of(SimpleNamespace(job=both.job, runs=both.runs), both.verdicts()["LOWEST"]) is None
