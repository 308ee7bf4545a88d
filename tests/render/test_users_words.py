"""What the user wrote reaches every output letter for letter, in every language: names, clauses, remarks, texts."""

from __future__ import annotations

import html as entities
import importlib.util
import json
import re
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reportgen.judge.verdicts import judge
from reportgen.records.report import Report
from reportgen.records.verdict import overall
from reportgen.render.results import results_json
from reportgen.resources import data_dir
from tests.printed import page_of_words

_spec = importlib.util.spec_from_file_location(
    "small_job", Path(__file__).parents[1] / "judge" / "small_job" / "small_job.py"
)
small = importlib.util.module_from_spec(_spec)
sys.modules["small_job"] = small
_spec.loader.exec_module(small)

TEMPTING = ("5.3", "-20 °C", "20000 Hz", "log", "fail", "1.25 mm, -3 dB", "numbered 1", "no peak of its own")
"""What a translator of finished sentences would rewrite."""
WORDS = st.one_of(
    st.sampled_from(TEMPTING),
    st.text(
        st.characters(categories=["Lu", "Ll", "Nd", "Pd", "Po", "Sm"], max_codepoint=0x17F), min_size=3, max_size=12
    ),
).map(lambda text: f"q{text}q")  # letters at both ends: nothing is stripped, and what is found is the user's own


@pytest.fixture(scope="module")
def evidence():
    with tempfile.TemporaryDirectory() as folder:
        return small.small_job(Path(folder))


def written(evidence, words: list[str]) -> Report:
    """The report of the small job with those words in its text fields."""
    clause, text, remark, what, name, place, condition, due, reason, standard = words
    job = evidence.job
    specimen = replace(job.specimen, name=name, condition=condition, description=text, mounting=place)
    looks = tuple(replace(each, remark=remark, what=what) for each in job.inspections)
    needed = tuple(
        replace(each, clause=clause, text=text, what=what if each.check == "inspection" else each.what)
        for each in job.requirements
    )
    instruments = tuple(replace(each, kind=due, certificate=reason) for each in job.instruments)
    identity = replace(job.report, title=text, standard=standard)
    job = replace(
        job, specimen=specimen, inspections=looks, requirements=needed, instruments=instruments, report=identity
    )
    runs = tuple(reject(run, reason) for run in evidence.runs)
    verdicts = judge(job, runs, evidence.modes, evidence.shifts)
    return Report(
        job=job, software="reportgen", inputs=(), notes=(), runs=runs[:1], modes=evidence.modes, beam_fits=(),
        verdicts=verdicts, overall=overall(each.outcome for each in verdicts), findings=(), shifts=(),
    )  # fmt: skip


def reject(run, why: str):
    """The run with its last resonance of each channel rejected for that reason."""
    channels = tuple(
        replace(each, resonances=(*each.resonances[:-1], *(replace(r, rejected=why) for r in each.resonances[-1:])))
        for each in run.channels
    )
    return replace(run, channels=channels)


def shown(page: str) -> str:
    """Text of a page, its white space as one blank."""
    return re.sub(r"\s+", " ", entities.unescape(re.sub(r"<[^>]+>", "", page)))


@settings(max_examples=3, deadline=None, suppress_health_check=list(HealthCheck))
@given(words=st.lists(WORDS, min_size=10, max_size=10, unique=True))
def test_every_word_of_the_user_stands_unchanged_in_every_output(evidence, words):
    report = written(evidence, words)
    texts = json.loads(results_json(report))
    clause, _, remark, what, _, _, _, _, reason, _ = words
    reasons = " ".join(each["reason"] for each in texts["verdicts"])
    assert {each["clause"] for each in texts["verdicts"]} == {clause}
    assert f"{what}: pass, {remark}" in reasons or "inspections" in reasons
    assert reason in reasons
    for language in ("en", "de"):
        job = replace(report.job, report=replace(report.job.report, language=language))
        page = shown(page_of_words(replace(report, job=job), templates=data_dir("templates")))
        for word in words:
            assert word in page, f"{language}: {word!r} is not on the page as it was written"
