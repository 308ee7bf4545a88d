"""The command line as its user meets it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from reportgen import __version__
from reportgen.archive.issue import ReportSet, Standing
from reportgen.archive.publish import publish
from reportgen.cli import main
from tests.soak.small_job import comma_log, job_of, write_job

HEAVY = ("numpy", "pandas", "scipy", "matplotlib", "weasyprint", "jinja2", "h5py", "lark", "babel")

LIGHT = 150
"""Modules in all: Python itself has 33 at its start, its parser of arguments and ours bring 70; NumPy alone brings 140.

Loading them is what a first answer waits for. Their number is the same on a busy machine, a time is not.
"""


def test_help_loads_nothing_heavy():
    code = (
        "import sys, reportgen.cli as c\n"
        "try: c.main(['--help'])\n"
        "except SystemExit: pass\n"
        f"print(len(sys.modules), [m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    number, _, heavy = done.stdout.splitlines()[-1].partition(" ")
    assert heavy == "[]"
    assert int(number) <= LIGHT


def test_every_command_has_help(capsys):
    for command in ("new", "check", "build", "quicklook", "inspect", "verify", "sign", "demo"):
        with pytest.raises(SystemExit) as ended:
            main([command, "--help"])
        assert ended.value.code == 0
        assert "usage: reportgen" in capsys.readouterr().out


@pytest.mark.parametrize("arguments", [[], ["build"], ["verify"], ["brew"], ["build", "x", "--workers", "0"]])
def test_a_usage_error_is_exit_code_2(arguments):
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2


def test_the_version_is_the_package_s(capsys):
    with pytest.raises(SystemExit):
        main(["--version"])
    assert capsys.readouterr().out.strip() == f"reportgen {__version__}"


def test_new_refuses_a_folder_with_files(tmp_path, capsys):
    (tmp_path / "kept.txt").write_text("mine", encoding="utf-8")
    assert main(["new", str(tmp_path)]) == 2
    assert (tmp_path / "kept.txt").read_text(encoding="utf-8") == "mine"
    assert "has files in it" in capsys.readouterr().err


def test_a_job_that_is_not_there_is_exit_code_1(tmp_path, capsys):
    assert main(["build", str(tmp_path / "nowhere")]) == 1
    assert "nowhere" in capsys.readouterr().err


def test_a_branding_that_is_not_there_is_a_usage_error(tmp_path, capsys):
    """Left out in silence, the report would go to the customer without the laboratory's own pages."""
    with pytest.raises(SystemExit) as ended:
        main(["build", str(tmp_path), "--branding", str(tmp_path / "nowhere")])
    assert ended.value.code == 2
    assert "there is no folder" in capsys.readouterr().err


def test_the_demo_where_no_folder_can_be(tmp_path, capsys):
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    assert main(["demo", "--out", str(tmp_path / "taken")]) == 1
    assert "name a folder with --out" in capsys.readouterr().err


def test_a_trusted_certificate_that_cannot_be_read_says_nothing_of_the_archive(tmp_path, capsys):
    (tmp_path / "a.zip").write_bytes(b"")
    assert main(["verify", str(tmp_path / "a.zip"), "--trust", str(tmp_path / "nowhere.pem")]) == 1
    printed = capsys.readouterr()
    assert "a trusted certificate cannot be read" in printed.err
    assert "NOT as it was reported" not in printed.out


# Issued, draft, results alone -----------------------------------------------------------------------------------------


@pytest.fixture
def issued(tmp_path) -> Path:
    """A job whose revision A stands issued, from other inputs than those that lie there now."""
    job = write_job(job_of(comma_log()), tmp_path / "job")
    stated = ReportSet(
        number="VTR-0201", revision="A", standing=Standing.ISSUED, archive="VTR-0201-A.zip", inputs={"job.toml": "0"}
    )
    publish({"report.pdf": b"%PDF A", "results.json": b"{}", "VTR-0201-A.zip": b"zip"}, job / "report", stated)
    return job


def standing(job: Path) -> dict[str, bytes]:
    return {str(p.relative_to(job)): p.read_bytes() for p in sorted((job / "report").rglob("*")) if p.is_file()}


@pytest.mark.parametrize("options", [[], ["--strict"], ["--results-only"]])
def test_a_build_overwrote_an_issued_revision_without_a_word(issued, capsys, options):
    before = standing(issued)
    assert main(["build", str(issued), *options]) == 1
    told = capsys.readouterr().err
    assert "VTR-0201 rev. A is issued and is never overwritten" in told
    assert "Changed since then: job.toml, logs/x.csv, notes.txt" in told
    assert "--draft" in told
    assert ("--supersedes" in told) == ("--results-only" not in options)
    assert standing(issued) == before


def test_of_many_jobs_the_issued_one_is_refused_and_the_others_are_built(issued, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).resolve().parents[1]))
    other = write_job(job_of(comma_log()), tmp_path / "other")
    before = standing(issued)
    assert main(["build", str(issued), str(other), "--results-only", "--workers", "1"]) == 1
    printed = capsys.readouterr().out
    assert "1 of 2 jobs built" in printed
    assert "is issued and is never overwritten" in printed
    assert standing(issued) == before
    assert (other / "report" / "results.json").is_file()


def test_results_of_a_draft_stand_beside_an_issue_marked(issued, capsys):
    before = standing(issued)
    assert main(["build", str(issued), "--draft", "--results-only"]) == 0
    assert "results-draft.json" in capsys.readouterr().out
    after = standing(issued)
    assert json.loads(after["report/results-draft.json"])["job"]["draft"] is True
    assert {name: after[name] for name in ("report/report.pdf", "report/results.json")} == {
        name: before[name] for name in ("report/report.pdf", "report/results.json")
    }


def test_report_as_a_link_is_refused_before_anything_is_computed(issued, tmp_path, capsys):
    job = write_job(job_of(comma_log()), tmp_path / "received")
    (job / "report").symlink_to(issued / "report")
    before = standing(issued)
    assert main(["build", str(job)]) == 1
    assert "report is a link, which a build does not follow" in capsys.readouterr().err
    assert standing(issued) == before


def test_what_each_way_of_building_is_worth():
    """An example may be built by the next version of the program, over what this one has built; a report may not."""
    from reportgen.pipeline import Settings

    ways = {
        Standing.ISSUED: Settings(),
        Standing.DRAFT: Settings(draft=True, results_only=True),
        Standing.INTERIM: Settings(example=True),
    }
    assert {standing: how.standing for standing, how in ways.items()} == {s: s for s in Standing}
    assert Settings(results_only=True).standing is Standing.INTERIM


LOG = "time [s],frequency [Hz],K1,K2\n" + "".join(f"{i},{10 * 1.01**i:.4f},1.0,{1 + i / 100:.3f}\n" for i in range(300))


def test_quick_look_takes_a_mapping(tmp_path, capsys):
    path = tmp_path / "log.csv"
    path.write_text(LOG, encoding="utf-8")
    assert main(["quicklook", str(path), "--column", "C1 = K1 / g", "--column", '"A1" = "K2 / g"']) == 0
    assert "control C1, 300 rows" in capsys.readouterr().out
    assert main(["quicklook", str(path), "--column", "C1 = K3 / g"]) == 1
    assert "--column 'C1': there is no column 'K3'" in capsys.readouterr().err
    with pytest.raises(SystemExit) as usage:
        main(["quicklook", str(path), "--column", "C1"])
    assert usage.value.code == 2
