"""A report held against an earlier one carries that archive, and is verified with it."""

from __future__ import annotations

import json

from reportgen.archive.bag import JOB
from reportgen.archive.open_archive import open_archive
from reportgen.pipeline import build_job
from reportgen.verification import verify_archive
from tests.archive.test_outputs import job_with
from tests.archive.words import lines
from tests.judge.test_reference import earlier

NAMED = """
[reference]
archive = "earlier.zip"

[[requirement]]
id = "REF"
check = "frequency shift"
before = "reference"
after = "X-PRE"
limit = "5 %"
"""


def test_a_report_by_reference_is_verified_from_its_own_archive(tmp_path):
    job = job_with(tmp_path, 'outputs = ["html"]', NAMED)
    text = (job / "job.toml").read_text()
    archive = earlier(tmp_path / "then", [['name = "Bracket"', 'name = "Monitoring unit"']])
    assert 'name = "Monitoring unit"' in text
    (job / "earlier.zip").write_bytes(archive.read_bytes())
    built = build_job(job)
    told = json.loads((built.folder / "results.json").read_text())
    (one,) = told["reference"]["comparisons"]
    assert one["before"] == "SJ-0 A: PRE"
    assert any(row["frequency_shift"] is not None for row in one["shifts"])
    assert "earlier.zip" in {each["path"] for each in told["inputs"]}
    assert "SJ-0 A: PRE" in (built.folder / "report.html").read_text()
    (own,) = built.folder.glob("*.zip")
    with open_archive(own) as bag:
        assert JOB + "earlier.zip" in bag.found
    verified = verify_archive(own)
    assert verified.exit_code == 0, lines(verified)
