"""A job held against the archive of an earlier report: shifts, gaps, and archives that are not believed."""

from __future__ import annotations

import copy
import json
import math
from dataclasses import replace
from pathlib import Path

import pytest

from reportgen import SOFTWARE
from reportgen.archive.bag import write_archive
from reportgen.archive.reference import earlier_report
from reportgen.archive.reference import report_of as of_results
from reportgen.archive.sources import archive_info
from reportgen.compute.comparison.reference import compare_with_reference
from reportgen.judge.checks import CHECKS
from reportgen.judge.verdicts import judge
from reportgen.pipeline import with_history
from reportgen.read.input_files import input_paths
from reportgen.read.job.job_file import read_job
from reportgen.records.reference import EarlierSpecimen
from reportgen.records.report import Pairing, Report
from reportgen.records.verdict import Outcome
from reportgen.render.catalogue import said
from reportgen.render.results import results, results_json
from tests.judge.small_job import small_job as small
from tests.judge.test_several_specimens import edits as two_specimens

SHIFT = 'check = "frequency shift"\nbefore = "PRE"\nafter = "POST"\n'
ASKED = [SHIFT, 'check = "frequency shift"\nbefore = "reference"\nafter = "PRE"\n']
NAMED = ["[[person]]", '[reference]\narchive = "earlier.zip"\n\n[[person]]']


def fell(factor: float, run: str = "PRE") -> dict[str, object]:
    return {"run": run, "kind": "mode", "mode": 1, "frequency_factor": factor}


def report_of(found: small.Evidence) -> Report:
    runs = tuple(with_history(found.job, run) for run in found.runs)
    return Report(
        software=SOFTWARE, job=found.job, overall=Outcome.PASS, inputs=(), runs=runs, modes=found.modes,
        beam_fits=(), shifts=found.shifts, verdicts=(), notes=(), findings=(),
    )  # fmt: skip


def earlier(folder: Path, edits=(), faults=(), change=lambda told: None) -> Path:
    """The archive of the small job as an earlier report, with what of its results is changed before it is sealed."""
    folder.mkdir()
    found = small.small_job(folder, [['number = "SJ-1"', 'number = "SJ-0"'], *edits], faults)
    report = report_of(found)
    told = json.loads(results_json(report))
    change(told)
    files = {"results.json": json.dumps(told).encode(), "job/job.toml": (folder / "job.toml").read_bytes()}
    with (folder / "earlier.zip").open("w+b") as stream:
        write_archive(files, archive_info(report), stream)
    return folder / "earlier.zip"


def now(folder: Path, archive: Path | None, edits=(ASKED, NAMED), faults=()):
    """Verdict on the shift, the comparison, and the findings of the archive, of a job beside that archive."""
    if archive is not None:
        (folder / "earlier.zip").write_bytes(archive.read_bytes())
    found = small.small_job(folder, edits, faults)
    known, findings = earlier_report(found.job)
    reference = compare_with_reference(found.job, found.runs, known)
    verdicts = {each.requirement: each for each in judge(
        found.job, found.runs, found.modes, found.shifts, (), reference)}  # fmt: skip
    return verdicts["SHIFT"], replace(report_of(found), reference=reference), findings


@pytest.mark.parametrize(("factor", "outcome"), [(0.98, Outcome.PASS), (0.9, Outcome.FAIL)])
def test_a_shift_against_an_earlier_report_is_judged(factor, outcome, tmp_path):
    verdict, report, findings = now(tmp_path, earlier(tmp_path / "then"), faults=[fell(factor)])
    assert (verdict.outcome, findings) == (outcome, ())
    assert verdict.measured == pytest.approx(100 * (1 - factor), abs=0.02)
    row = report.reference.comparisons[0].shifts[0]
    assert (row.before, row.after) == ("SJ-0 A: PRE", "PRE")
    assert row.frequency_shift == pytest.approx(factor - 1, abs=2e-4)


def test_uncertainties_of_both_reports_count(tmp_path):
    """JCGM 100:2008, 5.1.6: relative standard uncertainties of independent values add as squares in their ratio."""
    _, report, _ = now(tmp_path, earlier(tmp_path / "then"))
    row = report.reference.comparisons[0].shifts[0]
    (mode,) = (each for each in report.runs[0].channels[0].resonances if each.frequency_hz == row.after_hz)
    relative = mode.frequency_std_hz / mode.frequency_hz
    assert row.frequency_shift_std == pytest.approx(math.sqrt(2.0) * relative, rel=1e-6)


def test_results_hold_the_comparison_and_no_amplification_of_other_sensors(tmp_path):
    _, report, _ = now(tmp_path, earlier(tmp_path / "then"))
    told = results(report)["reference"]
    assert (told["archive"], told["number"], told["revision"]) == ("earlier.zip", "SJ-0", "A")
    (one,) = told["comparisons"]
    assert (one["before"], one["after"], one["reason"]) == ("SJ-0 A: PRE", "PRE", None)
    assert all(row["amplification_shift"] is None for row in one["shifts"])
    assert "reference" not in results(replace(report, reference=None))


def test_the_archive_is_an_input(tmp_path):
    _, report, _ = now(tmp_path, earlier(tmp_path / "then"))
    assert Path("earlier.zip") in input_paths(report.job)


def test_a_lost_mode_fails_against_an_earlier_report(tmp_path):
    extra = {"run": "PRE", "kind": "mode", "mode": 2, "frequency_factor": 1.6}
    verdict, report, _ = now(tmp_path, earlier(tmp_path / "then"), faults=[extra])
    rows = report.reference.comparisons[0].shifts
    assert {row.pairing for row in rows} != {Pairing.PAIRED} or max(abs(r.frequency_shift) for r in rows) > 0.5
    assert verdict.outcome is Outcome.FAIL


def gap(verdict) -> str:
    assert verdict.outcome is Outcome.NOT_EVALUATED
    return said(verdict.reason[0])


def test_no_survey_along_the_axis_is_a_gap(tmp_path):
    turned = [[f'axis = "X"\nlog = "{name}.csv"', f'axis = "Y"\nlog = "{name}.csv"'] for name in ("pre", "post")]
    verdict, _, _ = now(tmp_path, earlier(tmp_path / "then", turned))
    assert "no valid survey along axis X" in gap(verdict)


def test_a_void_survey_of_the_earlier_report_is_passed_over(tmp_path):
    def void(told):
        told["runs"][0]["status"] = "void"

    _, report, _ = now(tmp_path, earlier(tmp_path / "then", change=void))
    assert report.reference.comparisons[0].before.id == "SJ-0 A: POST"


def test_another_type_of_specimen_is_a_gap(tmp_path):
    verdict, report, _ = now(tmp_path, earlier(tmp_path / "then", [['name = "Bracket"', 'name = "Frame"']]))
    assert "another type of specimen: Frame" in gap(verdict)
    assert report.reference.comparisons[0].shifts == ()


def test_part_numbers_tell_types_apart_before_names_do(tmp_path):
    there = ['name = "Bracket"', 'name = "Bracket, first series"\npart_number = "P-1"']
    here = ['name = "Bracket"', 'name = "Bracket"\npart_number = "P-1"']
    verdict, _, _ = now(tmp_path, earlier(tmp_path / "then", [there]), (ASKED, NAMED, here))
    assert verdict.outcome is Outcome.PASS


def test_an_unsound_survey_of_the_earlier_report_proves_nothing(tmp_path):
    def spoil(told):
        told["runs"][0]["quality"] = [
            {"kind": "clipping", "channel": None, "band_hz": None, "spoils": True, "message": "all clipped"}
        ]

    verdict, _, _ = now(tmp_path, earlier(tmp_path / "then", change=spoil))
    assert "all clipped" in gap(verdict)


def test_a_mode_that_followed_its_level_there_has_no_shift(tmp_path):
    def follow(told):
        told["runs"][0]["channels"][0]["resonances"][0]["backbone"] = {"law": "power law of level"}

    verdict, _, _ = now(tmp_path, earlier(tmp_path / "then", change=follow))
    assert "follows its level" in gap(verdict)


@pytest.mark.parametrize("value", [-1.0, 0, "120", True, None, 1e400])
def test_a_frequency_that_no_build_writes_is_refused(value, tmp_path):
    def forge(told):
        told["runs"][0]["channels"][0]["resonances"][0]["frequency_hz"] = value

    verdict, report, (finding,) = now(tmp_path, earlier(tmp_path / "then", change=forge))
    assert report.reference is None
    assert finding.where.path == "job.toml"
    assert "no earlier report" in gap(verdict)


def test_more_modes_than_can_be_paired_are_refused(tmp_path):
    def flood(told):
        one = told["runs"][0]["channels"][0]["resonances"]
        one += [one[0]] * 501

    _, report, findings = now(tmp_path, earlier(tmp_path / "then", change=flood))
    assert report.reference is None
    assert len(findings) == 1


def test_an_archive_that_was_altered_is_no_reference(tmp_path):
    archive = earlier(tmp_path / "then")
    content = bytearray(archive.read_bytes())
    content[-1] ^= 1
    archive.write_bytes(content)
    _, report, (finding,) = now(tmp_path, archive)
    assert report.reference is None
    assert finding.message.code == "earlier.not-the-original"


def test_a_file_that_is_no_archive_is_no_reference(tmp_path):
    (tmp_path / "then").mkdir()
    (tmp_path / "then" / "earlier.zip").write_bytes(b"no archive")
    _, report, (finding,) = now(tmp_path, tmp_path / "then" / "earlier.zip")
    assert report.reference is None
    assert finding.message.code == "earlier.not-read"


def test_a_specimen_that_the_earlier_report_has_not_is_named(tmp_path):
    edits = (ASKED, [NAMED[0], NAMED[1].replace("\n\n", '\nspecimen = "S9"\n\n')])
    _, report, (finding,) = now(tmp_path, earlier(tmp_path / "then"), edits)
    assert report.reference is None
    assert finding.message.code == "earlier.no-such-specimen"


EVIL: tuple[object, ...] = (None, True, -1, 0, 10**400, 1e308, "", "\x00\ud800", [], [[]], {}, {"a": []}, "x" * 1000)


def scalars(value, path=()):
    """Path of every value in tables and lists, these themselves too."""
    yield path
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, each in inner:
        yield from scalars(each, (*path, key))


def with_value(told, path, value):
    changed = copy.deepcopy(told)
    home = changed
    for key in path[:-1]:
        home = home[key]
    home[path[-1]] = value
    return changed


def test_no_value_of_a_forged_report_breaks_the_comparison(tmp_path):
    """Whatever stands in a report of right form is refused with a reason, or compared and written as JSON."""
    found = small.small_job(tmp_path, [NAMED])
    told = json.loads(results_json(report_of(found)))
    told = {"job": told["job"], "runs": told["runs"][:1]}
    told["runs"][0]["quality"] = [{"kind": "clipping", "channel": "A1", "band_hz": [1.0, 2.0], "message": "m"}]
    one = told["runs"][0]["channels"][0]
    told["runs"][0]["channels"] = [{**one, "resonances": one["resonances"][:1], "unexplained": [
        {"frequency_hz": 100.0, "height": 3.0, "magnitude": 2.0}]}]  # fmt: skip
    specimens = (EarlierSpecimen(name="Bracket"),)
    refused = 0
    for path in list(scalars(told))[1:]:
        for value in EVIL:
            known, findings = of_results(found.job.reference, with_value(told, path, value), specimens)
            reference = compare_with_reference(found.job, found.runs, known)
            results_json(replace(report_of(found), reference=reference, findings=findings, runs=()))
            refused += known is None
    assert refused > 100


def test_each_specimen_is_held_against_the_earlier_report(tmp_path):
    _, report, _ = now(tmp_path, earlier(tmp_path / "then"), [NAMED, *two_specimens()], [fell(0.97, "S2-PRE")])
    one, other = report.reference.comparisons
    assert (one.after, other.after) == ("PRE", "S2-PRE")
    assert one.shifts[0].frequency_shift == pytest.approx(0.0, abs=2e-4)
    assert other.shifts[0].frequency_shift == pytest.approx(-0.03, abs=2e-4)


def test_of_several_earlier_specimens_one_has_to_be_named(tmp_path):
    _, report, (finding,) = now(tmp_path, earlier(tmp_path / "then", two_specimens()))
    assert report.reference is None
    assert finding.message.code == "earlier.which-specimen"


@pytest.mark.parametrize(
    ("named", "survey"), [("S1", "SJ-0 A: PRE"), ("S2", "SJ-0 A: S2-PRE"), ("2", "SJ-0 A: S2-PRE")]
)
def test_an_earlier_specimen_is_named_by_id_or_serial_number(named, survey, tmp_path):
    edits = (ASKED, [NAMED[0], NAMED[1].replace("\n\n", f'\nspecimen = "{named}"\n\n')])
    verdict, report, findings = now(tmp_path, earlier(tmp_path / "then", two_specimens()), edits)
    assert findings == ()
    assert report.reference.comparisons[0].before.id == survey
    assert verdict.outcome is Outcome.PASS


def read(folder: Path, *edits: list[str]) -> set[str]:
    text = (small.HERE / "job.toml").read_text(encoding="utf-8")
    for old, new in edits:
        text = text.replace(old, new, 1)
    (folder / "job.toml").write_text(text, encoding="utf-8")
    _, findings = read_job(folder, CHECKS)
    return {each.message.code for each in findings}


def test_a_clause_by_reference_wants_a_reference(tmp_path):
    assert "earlier.not-named" in read(tmp_path, ASKED)


def test_amplifications_are_not_held_against_an_earlier_report(tmp_path):
    change = 'check = "amplification shift"\nbefore = "PRE"\nafter = "POST"'
    assert "earlier.other-check" in read(tmp_path, NAMED, [change, change.replace('"PRE"', '"reference"')])


@pytest.mark.parametrize("named", ["gone.zip", "../earlier.zip", "/earlier.zip"])
def test_an_archive_outside_the_job_folder_is_refused(named, tmp_path):
    assert "file.of-job" in read(tmp_path, [NAMED[0], NAMED[1].replace("earlier.zip", named)])


def test_a_run_called_reference_is_that_run(tmp_path):
    found = small.small_job(tmp_path, [['id = "PRE"', 'id = "reference"'], [SHIFT, ASKED[1].replace("PRE", "POST")],
                                       ['run = "PRE"', 'run = "reference"'], ['run = "PRE"', 'run = "reference"'],
                                       ['before = "PRE"', 'before = "reference"']])  # fmt: skip
    assert found.verdicts()["SHIFT"].outcome is Outcome.PASS
