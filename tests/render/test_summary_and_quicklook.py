"""One page for the customer, one page for the bench."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from dataclasses import replace

import html5lib
import numpy as np
import pikepdf
import pytest

from reportgen.records.finding import warning
from reportgen.records.log import SweepLog
from reportgen.records.message import as_written
from reportgen.records.result import UnexplainedPeak, WhyUnexplained
from reportgen.records.verdict import Outcome
from reportgen.render.quicklook import quicklook_lines, render_quicklook
from tests.printed import render_plots, render_summary_pdf
from tests.render.test_pdf import guard


def long_report(report):
    """Forty requirements and many deviations: the summary must stay short."""
    verdicts = tuple(replace(report.verdicts[i % 8], requirement=f"R{i}") for i in range(40))
    notes = tuple(replace(report.notes[10], line=100 + i) for i in range(30))
    return replace(report, verdicts=verdicts, notes=(*report.notes, *notes))


@pytest.mark.parametrize("which", ["report", "german"])
def test_the_summary_is_short_and_valid(which, request, templates):
    content = render_summary_pdf(request.getfixturevalue(which), templates=templates)
    assert guard(content) == []
    with pikepdf.open(io.BytesIO(content)) as pdf:
        assert len(pdf.pages) == 1


def test_a_long_report_has_a_short_summary(report, templates):
    with pikepdf.open(io.BytesIO(render_summary_pdf(long_report(report), templates=templates))) as pdf:
        assert len(pdf.pages) == 1


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler's pdftotext")
def test_the_summary_says_what_a_customer_asks(report, templates):
    content = render_summary_pdf(report, templates=templates)
    command = ["pdftotext", "-layout", "-", "-"]
    text = subprocess.run(command, input=content, capture_output=True, check=True).stdout.decode()
    words = re.sub(r"\s+", " ", text)
    for wanted in ("Fail", "Sensor boom", "Northquay", "18.310 ± 0.024 Hz", "Largest amplification", "T. Albers"):
        assert wanted in words
    assert report.overall is Outcome.FAIL


def bare(report):
    run = report.runs[0]
    log = SweepLog(
        path="x_pre.csv", frequency_hz=np.array([1.0]), traces=(), remarks=as_written(["# <b>made by hand</b>"])
    )
    return run, log, (warning("x_pre.csv:118", *as_written(["skipped"])),)


def test_a_quick_look_is_one_valid_closed_page(report, templates):
    run, log, findings = bare(report)
    html = render_quicklook(run, log, ("C1",), findings, templates=templates, software="reportgen 0.1.0")
    html5lib.HTMLParser(strict=True).parse(html)
    assert not re.search(r'(?:src|href)="(?!#|data:)', html)
    assert "# &lt;b&gt;made by hand" in html
    assert "x_pre.csv:118" in html
    assert "Not a test report" in html
    assert html.count("<svg") == len(run.channels) + 1


def test_the_terminal_gets_a_table(report):
    run, _, findings = bare(report)
    lines = quicklook_lines(run, ("C1",), findings)
    assert lines[0].startswith("x_pre.csv:118: warning")
    rows = [line for line in lines if re.match(r"\s*A[12]\s", line)]
    assert len(rows) == sum(len(channel.resonances) for channel in run.channels)
    assert "117.43 ± 0.04" in "\n".join(rows)


def test_a_log_without_resonance_says_so(report):
    run = replace(report.runs[0], channels=tuple(replace(c, resonances=(), peaks=0) for c in report.runs[0].channels))
    lines = quicklook_lines(run, ("C1",), ())
    assert lines[-3] == "no resonance found"
    assert re.search(r"channel A2\. \d+ rows from .* Hz were searched\. No peak stands out of the noise\.", lines[-1])


def test_no_resonance_found_never_stands_beside_a_peak_without_naming_it(report):
    peak = UnexplainedPeak(frequency_hz=117.4, height=40.0, magnitude=12.0, why=WhyUnexplained.ONE_ROW)
    channel = replace(report.runs[0].channels[0], resonances=(), peaks=1, unexplained=(peak,))
    run = replace(report.runs[0], channels=(channel,))
    text = "\n".join(quicklook_lines(run, ("C1",), ()))
    assert "1 of 1 peaks that stand out of the noise are explained by nothing" in text
    assert "at 117.40 Hz, 12.0 over control, 40 times the noise: a mode there would rest on one row" in text


def test_every_figure_is_a_file_too(report):
    plots = render_plots(report)
    assert {"X-PRE-A1.svg", "X-QUAL-control.svg", "beam-X.svg", "ladder-X.svg", "X-PRE-X-POST-A1.svg"} <= set(plots)
    assert all(content.startswith(b"<svg") for content in plots.values())
