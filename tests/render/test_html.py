"""The report on screen: valid, closed, complete, and every word of an operator stays text."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace

import html5lib
import pytest

from reportgen.records.note import Note
from reportgen.records.rounding import coverage_factor, round_with_uncertainty
from reportgen.render.document import assemble
from reportgen.render.rows.trusted import largest_amplification, spoiled, trusted
from tests.printed import page_of_words

HOSTILE = "<script>alert(1)</script> {{7*7}} </style> {% raw %} \" onload='x' &amp; <b>"
NAMESPACE = "{http://www.w3.org/1999/xhtml}"


def parsed(html):
    """Parsed by html5lib, an implementation of the WHATWG HTML standard; its strict mode refuses every parse error."""
    return html5lib.HTMLParser(strict=True).parse(html)


def text_of(html):
    body = re.sub(r"<(style|script)\b.*?</\1>", " ", html, flags=re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body))


@pytest.mark.parametrize("page", ["html", "german_html"])
def test_the_page_follows_the_html_standard(page, request):
    tree = parsed(request.getfixturevalue(page))
    assert tree.find(f".//{NAMESPACE}h1") is not None


@pytest.mark.parametrize("page", ["html", "german_html"])
def test_ids_are_unique_and_links_resolve(page, request):
    html = request.getfixturevalue(page)
    ids = re.findall(r'\bid="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    targets = re.findall(r'href="#([^"]+)"', html)
    assert len(targets) > 60
    assert set(targets) <= set(ids)
    assert set(re.findall(r"url\(#([^)]+)\)", html)) <= set(ids)


def test_evidence_leads_from_the_table_to_row_curve_and_file(html):
    rows = {m[0]: m[1] for m in re.findall(r'<tr id="([^"]+)"[^>]*>(.*?)</tr>', html, re.DOTALL)}
    row = rows["row-X-PRE-A1-1"]
    assert 'href="#req-R2-evidence"' in rows["req-R2"]
    assert 'href="#row-X-PRE-A1-1"' in rows["req-R2-evidence"]
    assert 'href="#fig-X-PRE-A1"' in row
    figure = re.search(r'<figure id="fig-X-PRE-A1".*?</figure>', html, re.DOTALL)
    assert figure is not None
    assert 'href="#file-logs-x-pre-csv-69d5d2"' in figure.group()
    assert re.search(r"[0-9a-f]{64}", rows["file-logs-x-pre-csv-69d5d2"])


def test_nothing_is_fetched_and_only_our_style_is_allowed(html):
    assert not re.search(r'(?:src|href)="(?!#|data:)', html)
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', html)
    assert policy is not None
    allowed = policy.group(1).replace("&#39;", "'")
    assert allowed.startswith("default-src 'none'")
    assert "unsafe" not in allowed
    for element, name in (("style", "style-src"), ("script", "script-src")):
        bodies = re.findall(rf"<{element}>(.*?)</{element}>", html, re.DOTALL)
        digests = [base64.b64encode(hashlib.sha256(body.encode()).digest()).decode() for body in bodies]
        assert all(f"{name} 'sha256-{digest}'" in allowed for digest in digests)
    assert len(re.findall(r"<style", html)) == 1
    assert not re.search(r"<[^>]+\sstyle=", html), "a style attribute is blocked by the policy"
    assert not re.search(r"<[^>]+\son\w+=", html)


@pytest.mark.parametrize("page", ["html", "german_html"])
def test_no_absent_number_prints_as_a_word_of_python(page, request):
    text = text_of(request.getfixturevalue(page))
    assert not re.search(r"\b(None|nan|NaN|inf|Infinity|Undefined)\b", text)


def test_printed_numbers_are_the_computed_ones(report, html):
    """Value and expanded uncertainty by GUM 7.2.6 from the records themselves, found in the row that prints them."""
    k = coverage_factor(report.job.report.confidence)
    for run in report.runs:
        for channel in run.channels:
            for number, each in enumerate(channel.resonances, start=1):
                match = re.search(rf'<tr id="row-{run.id}-{channel.id}-{number}".*?</tr>', html, re.DOTALL)
                assert match is not None
                cells = re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", re.sub(r"</?a\b[^>]*>", "", match.group()), re.DOTALL)
                # five digits: the sample states no clock
                wide = k * each.frequency_std_hz
                assert tuple(cells[1:3]) == round_with_uncertainty(each.frequency_hz, wide, most_digits=5)
                assert tuple(cells[3:5]) == round_with_uncertainty(each.q, k * each.q_std)
                if each.amplification is not None:
                    shown = round_with_uncertainty(each.amplification, k * each.amplification_std)
                    assert tuple(cells[7:9]) == shown


def test_german_numbers_have_a_comma(german_html):
    text = text_of(german_html)
    assert re.search(r"\b18,420\b", text)
    assert "März 2026" in text
    assert not re.search(r"\b18\.42\b", text)


def test_operators_text_stays_text(report, templates):
    notes = (*report.notes, Note(source="notes.txt", line=99, text=HOSTILE))
    specimen = replace(report.job.specimen, name=HOSTILE)
    job = replace(report.job, specimen=specimen, report=replace(report.job.report, title=HOSTILE))
    html = page_of_words(replace(report, notes=notes, job=job), templates=templates)
    tree = parsed(html)
    assert [e for e in tree.iter(f"{NAMESPACE}script") if "alert" in (e.text or "")] == []
    assert html.count("&lt;script&gt;alert(1)&lt;/script&gt;") >= 3
    assert "{{7*7}}" in html
    words = "".join(tree.itertext())
    assert HOSTILE in words


def test_a_character_without_a_font_is_shown_as_its_code_and_found(report, templates):
    note = Note(source="notes.txt", line=99, text="loose 螺 screw \U0001f600")
    odd = replace(report, notes=(*report.notes, note))
    html = page_of_words(odd, templates=templates)
    assert "螺" not in html
    assert "loose [U+87BA] screw [U+1F600]" in html
    found = {row.where: row for row in assemble(odd, templates).context.findings}
    assert found["U+87BA"].severity == "warning"


def test_figures_say_where_their_axes_are(html):
    """Pixel box and data range in the figure's data give back the frequency of the curve's own end points."""
    figure = re.search(r'<figure id="fig-X-PRE-A1"[^>]*data-panels="([^"]*)".*?</figure>', html, re.DOTALL)
    assert figure is not None
    panel = json.loads(figure.group(1).replace("&#34;", '"').replace("&#39;", "'"))[0]
    curve = panel["curves"][0]["id"]
    assert curve == "fig-X-PRE-A1-curve-recorded"
    points = re.search(rf'<g id="{curve}">\s*<polyline[^>]*points="([^"]+)"', figure.group())
    assert points is not None
    x = [float(v) for v in points.group(1).split()][::2]
    low, high = panel["x"]
    left, right = panel["px"]
    assert low * (high / low) ** ((x[0] - left) / (right - left)) == pytest.approx(5.0, rel=1e-3)
    assert low * (high / low) ** ((x[-1] - left) / (right - left)) == pytest.approx(2000.0, rel=1e-3)


def test_an_empty_report_says_why_and_invents_nothing(report, templates):
    empty = replace(
        report,
        job=replace(
            report.job, requirements=(), profiles=(), photos=(), instruments=(), channels=(), persons=(), runs=()
        ),
        inputs=(), notes=(), runs=(), modes=(), beam_fits=(), verdicts=(), findings=(), shifts=(), exciter=(),
        pictures=(), opinions=(),
    )  # fmt: skip
    text = text_of(page_of_words(empty, templates=templates))
    assert "The job states no requirement, so nothing is judged." in text
    assert "holds no operator" in text
    assert "unsigned it is a draft" in text
    assert "0 requirements" not in text


def test_a_notch_prints_its_limit_and_what_was_reached(html, german_html):
    row = re.search(r'id="table-run-X-QUAL-notches".*?<tbody>(.*?)</tbody>', html, re.DOTALL)
    assert row is not None
    cells = re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", row.group(1))
    assert cells == ["A1", "110.0 – 130.0 Hz", "150 g", "147.3 g", "117.1 Hz", "−2.4 dB", "–"]
    assert "−2,4 dB" in german_html


def test_a_dwell_is_drawn_over_time(html):
    figure = re.search(r'<figure id="fig-X-DWELL-dwell"[^>]*data-panels="([^"]*)"', html)
    assert figure is not None
    panels = json.loads(figure.group(1).replace("&#34;", '"').replace("&#39;", "'"))
    assert [panel["xunit"] for panel in panels] == ["s", "s", "s"]
    assert panels[0]["x"] == [0.0, 1800.0]
    assert 'id="fig-X-DWELL-control"' not in html, "a held frequency has no curve over frequency"


def test_spoiled_data_stand_for_nothing(report):
    """A channel whose sensor came loose gives no example and no summary number, however large its peak."""
    run = report.runs[3]
    assert spoiled(run, "A2")
    assert not spoiled(run, "A1")
    found = trusted(report)
    assert all((each.run.id, each.channel.id) != ("X-POST", "A2") for each in found)
    assert largest_amplification(found).channel.id == "A1"
