"""A figure that stands in two places is one figure: conformity, tables, summary, results.json, HTML, terminal.

Fault: the summary took the lowest natural frequency from the table of modes (the first run that shows the mode), the
statement of conformity from the lowest of all runs: 38.20 Hz above, 37.74 Hz below. Every printed number is held
against the unrounded one of results.json: it must be a correct rounding of it (JCGM 100:2008, 7.2.6: rounding once).
"""

from __future__ import annotations

import importlib.util
import re
import sys
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from reportgen.records.job import DecisionRule
from reportgen.records.report import Report
from reportgen.records.rounding import ROUNDING_UP_FROM, coverage_factor
from reportgen.records.verdict import overall
from reportgen.render.document import assemble
from reportgen.render.results import results
from reportgen.render.summary import summary_document
from reportgen.resources import data_dir
from tests.examples.test_golden import text_of
from tests.printed import page_of_words
from tests.render.sample_report import sample_report

_spec = importlib.util.spec_from_file_location(
    "small_job", Path(__file__).resolve().parents[1] / "judge" / "small_job" / "small_job.py"
)
small = importlib.util.module_from_spec(_spec)
sys.modules["small_job"] = small
_spec.loader.exec_module(small)

TEMPLATES = data_dir("templates")
ABSENT = "–"
EXAMPLES = ("sensor_boom", "controller_box")
SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0}
LOWER_AFTER = [{"run": "POST", "kind": "mode", "mode": 1, "frequency_factor": 0.97}]
"""The fault's own shape: a later run shows the mode lower than the first."""
SMALL = {
    "as it is": ([], []),
    "a later run shows the mode lower": ([], LOWER_AFTER),
    "guarded": ([['decision_rule = "simple acceptance"', 'decision_rule = "guarded acceptance"']], LOWER_AFTER),
    "control out of tolerance": ([], [{"run": "SWEEP", "kind": "level", "from_hz": 200, "to_hz": 220, "factor": 1.12}]),
    "a lost channel": ([], [{"run": "POST", "kind": "dead", "channel": "A2"}, *LOWER_AFTER]),
}


def small_report(folder, edits, faults) -> Report:
    found = small.small_job(folder, edits, faults)
    verdicts = tuple(found.verdicts().values())
    return Report(
        job=found.job, software="reportgen", inputs=(), notes=(), runs=found.runs, modes=found.modes, beam_fits=(),
        verdicts=verdicts, overall=overall(each.outcome for each in verdicts), findings=(), shifts=found.shifts,
    )  # fmt: skip


@pytest.fixture(scope="module", params=[*EXAMPLES, "sample", "Muster", *SMALL])
def name(request) -> str:
    return request.param


@pytest.fixture(scope="module")
def made_up(name) -> bool:
    """Whether reasons and shifts were written by hand for the sample of all pages."""
    return name in ("sample", "Muster")


@pytest.fixture(scope="module")
def report(name, tmp_path_factory, example_report) -> Report:
    folder = tmp_path_factory.mktemp("job")
    if name in SMALL:
        return small_report(folder, *SMALL[name])
    if name in ("sample", "Muster"):
        return sample_report(folder, points=300, language="de" if name == "Muster" else "en")
    return example_report(name)


@pytest.fixture(scope="module")
def document(report):
    return assemble(report, TEMPLATES)


@pytest.fixture(scope="module")
def screen(report) -> str:
    """The words of the page on screen."""
    return text_of(page_of_words(report, templates=TEMPLATES))


def read(text: str) -> tuple[Decimal, int]:
    """First number of a printed text, in either language, and its decimals."""
    plain = text.replace("\u202f", "").replace("−", "-").replace(",", ".")
    parts = re.fullmatch(r"(?:(\d+) h )?(?:(\d+) min )?([\d.]+)\s?s", plain)
    if parts is not None:
        hours, minutes = (int(each or 0) for each in parts.groups()[:2])
        seconds = Decimal(parts.group(3))
        return 3600 * hours + 60 * minutes + seconds, max(0, -int(seconds.as_tuple().exponent))
    found = re.search(r"[-+]?\d+(?:\.(\d+))?", plain)
    assert found is not None, text
    return Decimal(found.group()), len(found.group(1) or "")


def same(text: str, raw: float | None, *, upward: bool = False) -> bool:
    """Whether a text is a correct rounding of a number; ``upward``: an uncertainty, which may be rounded up."""
    if raw is None:
        return text == ABSENT
    value, decimals = read(text)
    step = Decimal(1).scaleb(-decimals)
    if not decimals:  # tens and hundreds of a wide uncertainty
        zeros = len(str(abs(value))) - len(str(abs(value)).rstrip("0"))
        step = Decimal(1).scaleb(zeros) if value else Decimal(1)
    off = value - Decimal(raw)
    return abs(off) <= step * Decimal("0.5000001") or (upward and 0 <= off <= max(step, ROUNDING_UP_FROM))


def test_every_number_of_a_verdict_is_that_of_results_json_wherever_it_stands(report, document):
    told = {each["requirement"]: each for each in results(report)["verdicts"]}
    summary = {each.id: each for each in summary_document(report, document).context.verdicts}
    for row in document.context.verdicts:
        raw = told[row.id]
        assert summary[row.id] is row  # the summary prints the report's own strings
        if raw["measured"] is None:
            assert row.measured == ABSENT
            continue
        size = SECONDS.get(raw["unit"], 1.0)  # lengths of time are printed in hours, minutes and seconds
        assert same(row.measured, size * raw["measured"]), (row, raw)
        wide = size * (raw["expanded_uncertainty"] or 0.0)
        assert row.uncertainty == ABSENT or same(row.uncertainty, wide, upward=True)
        if raw["limit"] is not None and raw["limit_low"] is None:
            assert same(row.limit, raw["limit"]), row
        assert row.outcome.key == raw["result"]


def test_the_reason_in_words_says_the_measured_value(report, made_up):
    for raw in results(report)["verdicts"]:
        plain = raw["reason"].replace("\u202f", "").replace("−", "-")  # numbers are printed as on the page
        said = re.findall(r"-?\d+(?:\.\d+)?", plain)
        if raw["measured"] is not None and not made_up:
            assert any(same(each, raw["measured"]) for each in said), raw


def test_every_number_of_evidence_is_that_of_results_json_with_its_own_unit(report, document):
    for row, raw in zip(document.context.verdicts, results(report)["verdicts"], strict=True):
        for shown, each in zip(row.evidence, raw["evidence"], strict=False):
            if each["measured"] is None:
                continue
            last = shown.text.rpartition(": ")[2]
            assert same(last, SECONDS.get(each["unit"], 1.0) * each["measured"]), (shown, each)
            if each["unit"] in SECONDS:
                continue
            word = "" if each["unit"] in ("", "1") else last.rpartition("\u00a0")[2]
            assert word in (each["unit"], "Zyklen", "Schwingspiele"), (shown, each)


def test_every_number_of_a_resonance_is_that_of_results_json(report, document):
    k = coverage_factor(report.job.report.confidence)
    for run, raw_run in zip(document.context.runs, results(report)["runs"], strict=True):
        for channel, raw_channel in zip(run.channels, raw_run["channels"], strict=True):
            for row, raw in zip(channel.rows, raw_channel["resonances"], strict=True):
                for key, name in (("frequency", "frequency_hz"), ("q", "q"), ("amplification", "amplification")):
                    assert same(getattr(row, key), raw[name]), (row, raw)
                    std = raw.get(name + "_std") if name != "frequency_hz" else raw["frequency_std_hz"]
                    if getattr(row, key + "_u") != ABSENT:
                        assert same(getattr(row, key + "_u"), k * std, upward=True), (row, raw)


def test_the_comparison_of_runs_shows_the_frequencies_of_the_runs(report, document, made_up):
    shifts = iter(results(report)["shifts"])
    every = {
        (run["id"], channel["id"], resonance["frequency_hz"])
        for run in results(report)["runs"]
        for channel in run["channels"]
        for resonance in channel["resonances"]
    }
    rows = [row for part in document.context.comparisons for row in part.rows]
    for row, raw in zip(rows, shifts, strict=True):
        for key in ("before", "after"):
            hertz = raw[f"{key}_hz"]
            assert same(getattr(row, key), hertz)
            if hertz is not None and not made_up:
                assert (raw[key], raw["channel"], hertz) in every


def test_a_mode_stands_in_its_table_with_the_frequency_of_results_json(report, document):
    rows = [row for axis in document.context.axes for row in axis.modes]
    raw = [each for axis in dict.fromkeys(m["axis"] for m in results(report)["modes"])
           for each in results(report)["modes"] if each["axis"] == axis]  # fmt: skip
    for row, each in zip(rows, raw, strict=True):
        assert same(row.frequency, each["frequency_hz"]), (row, each)
        assert same(row.expected, each["expected_hz"])
        assert each["missing"] == (each["frequency_hz"] is None) == (row.frequency == ABSENT)
        if "log" not in each["seen_in"]:
            assert (each["frequency_std_hz"], row.frequency_u) == (None, ABSENT)


def test_the_lowest_frequency_of_the_summary_is_the_one_that_was_judged(report, document):
    numbers = {each.label: each for each in summary_document(report, document).context.summary.numbers}
    lowest = numbers.get(document.language.say("Lowest natural frequency"))
    judged = [v for v in report.verdicts if v.check == "lowest natural frequency" and v.measured is not None]
    if lowest is None or not judged:
        return
    assert same(lowest.value, min(each.measured for each in judged)), (lowest, judged)


def test_the_numbers_of_the_summary_stand_in_the_report_with_the_same_digits(report, document, screen):
    cells = {cell.strip() for line in screen.splitlines() for cell in re.split(r"[|]", line)}
    for each in summary_document(report, document).context.summary.numbers:
        value, _, uncertainty = each.value.partition(" ± ")
        assert value in cells or f"{value} dB" in screen, (each.label, value)
        assert not uncertainty or uncertainty in cells, (each.label, uncertainty)


def test_the_screen_and_the_page_print_the_same_conformity(document, screen):
    text = re.sub(r"\s+", " ", screen)
    for row in document.context.verdicts:
        for cell in (row.measured, row.limit, row.reason):
            assert re.sub(r"\s+", " ", cell).strip() in text


def test_the_terminal_says_the_verdicts_of_results_json(tmp_path, monkeypatch):
    """What ``build`` prints at its end, for a job of closed forms."""
    from reportgen import pipeline
    from reportgen.render.terminal import built_lines

    folder = tmp_path / "job"
    folder.mkdir()
    made = small_report(folder, *SMALL["a later run shows the mode lower"])
    made = replace(made, job=replace(made.job, report=replace(made.job.report, decision_rule=DecisionRule.SIMPLE)))
    inputs = pipeline.Inputs(job=made.job, logs={}, notes=(), files=(), findings=())
    monkeypatch.setattr(pipeline, "read_inputs", lambda *_, **__: inputs)
    monkeypatch.setattr(pipeline, "compute_report", lambda *_, **__: made)
    built = pipeline.build_job(folder, tmp_path / "out", pipeline.Settings(results_only=True))
    lines = built_lines(built.report, built.folder, built.files, built.changed, same=built.same)
    said = "\n".join(lines)
    for each in results(made)["verdicts"]:
        if each["result"] == "pass":
            assert f"{each['requirement']}: " not in said
            continue
        assert f"{each['requirement']}: {each['result']}" in said
        assert each["reason"] in said
