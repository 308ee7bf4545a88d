"""Every number that the report prints is read back from the PDF by text extraction and held against results.json.

Fault: "10.719013 Hz, U = 0.000055 Hz" in the PDF, "10.7 Hz" in the sentence beside it.
"""

from __future__ import annotations

import json
import math
import re
import shutil
import subprocess

import pytest

from reportgen.records.rounding import CLOCK_DIGITS, coverage_factor
from reportgen.render.results import results_json
from reportgen.resources import data_dir
from tests.printed import render_pdf

pytestmark = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler's pdftotext")
NUMBER = r"[−-]?\d+(?:\u202f\d{3})*(?:\.\d+)?"


@pytest.fixture(scope="module")
def boom(example_report):
    report = example_report("sensor_boom")
    content = render_pdf(report, templates=data_dir("templates"), attachments={})
    command = ["pdftotext", "-layout", "-enc", "UTF-8", "-", "-"]
    text = subprocess.run(command, input=content, capture_output=True, check=True).stdout.decode()
    return text, json.loads(results_json(report))


def value(text):
    return float(text.replace("−", "-").replace("\u202f", ""))


def rounds_to(exact, printed, up=False):
    """Whether ``printed`` is ``exact`` rounded once to its own last digit; an uncertainty may be rounded up."""
    step = 10.0 ** -len(printed.partition(".")[2])
    return -0.5000001 * step <= value(printed) - exact <= (1.0000001 if up else 0.5000001) * step


def rows_of(text, title):
    """Lines of numbers of a table, from its caption to the next."""
    part = re.split(r"\n\s*Table \d+ ", text)
    return [
        re.findall(NUMBER, line)
        for block in part
        if " ".join(block.split()).startswith(title)
        for line in block.splitlines()
        if re.match(r"\s*\d\s+\d+\.\d+\s", line)
    ]


def test_every_row_of_every_table_of_resonances_says_what_results_json_says(boom):
    text, found = boom
    k, rows = coverage_factor(0.95), 0
    for run in found["runs"]:
        for channel in run["channels"]:
            printed = rows_of(text, f"Resonances of {channel['id']} in run {run['id']}:")
            assert len(printed) == len(channel["resonances"])
            for row, each in zip(printed, channel["resonances"], strict=True):
                zeta, q = 100 * each["damping_ratio"], each["q"]
                exact = [each["frequency_hz"], k * each["frequency_std_hz"], q, k * each["q_std"], zeta]
                exact.append(k * zeta * each["q_std"] / q)
                if each["amplification"] is not None:
                    exact += [each["amplification"], k * each["amplification_std"], each["phase_deg"]]
                assert int(row[0]) == each["mode"]
                for place, (number, shown) in enumerate(zip(exact, row[1:], strict=False)):
                    assert rounds_to(number, shown, up=place in (1, 3, 5, 7)), (run["id"], channel["id"], row)
                rows += 1
    assert rows == 34


def test_no_frequency_of_an_unstated_clock_has_more_than_five_digits(boom):
    text, found = boom
    assert not any(each["clock_stated"] for each in found["modes"])
    for shown in re.findall(rf"({NUMBER})\s*Hz", text):
        assert len(re.sub(r"\D", "", shown).lstrip("0")) <= CLOCK_DIGITS, shown


def test_a_verdict_is_printed_with_the_digits_of_its_uncertainty_everywhere(boom):
    """Table, sentence and evidence: to the places of U, or of five digits, and nowhere to more."""
    text, found = boom
    flat = " ".join(text.split())
    for verdict in found["verdicts"]:
        measured, unit = verdict["measured"], verdict["unit"]
        if unit not in ("%", "Hz"):
            continue
        printed = [
            shown
            for shown in re.findall(rf"({NUMBER})\s{unit}", flat)
            if rounds_to(abs(measured), shown.lstrip("−-")) and len(shown.strip("−0.")) >= 1
        ]
        wide = [
            u
            for u in re.findall(rf"U = ({NUMBER})\s?{unit}", flat)
            if rounds_to(verdict["expanded_uncertainty"], u, up=True)
        ]
        assert printed, verdict["requirement"]
        assert wide, verdict["requirement"]
        places = {len(shown.partition(".")[2]) for shown in wide}
        assert max(len(shown.partition(".")[2]) for shown in printed) <= max(places), (verdict["requirement"], printed)


def test_each_number_of_the_results_stands_in_results_json_the_log_or_the_job(boom, example_report):
    """Five digits and more do not agree by chance; units are those the report prints in."""
    text, found = boom
    sizes = (1.0, 100.0, 1e-3, 1e3, 1 / 9.80665, 1e6, coverage_factor(0.95), 100 * coverage_factor(0.95), 60.0)
    known = sorted({abs(leaf * size) for leaf in leaves(found) for size in sizes})
    start = text.index("Table 10")
    end = text.index("Each formula stands with its source")
    strange = []
    for shown in re.findall(rf"(?<![\w./:-]){NUMBER}(?![\w:/-])", text[start:end]):
        digits = len(re.sub(r"\D", "", shown).lstrip("0"))
        if digits >= 5 and not near(known, abs(value(shown)), 0.50001 * 10.0 ** -len(shown.partition(".")[2])):
            strange.append(shown)
    assert strange == []


def near(known, wanted, within):
    import bisect

    at = bisect.bisect_left(known, wanted - within)
    return at < len(known) and known[at] <= wanted + within


def leaves(value):
    if isinstance(value, dict):
        for each in value.values():
            yield from leaves(each)
    elif isinstance(value, list):
        for each in value:
            yield from leaves(each)
    elif isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        yield float(value)


def test_page_1_says_that_the_level_was_6_db_low_over_the_first_mode(boom):
    """Fault: "No deviation from the method was noted." beside a level 6 dB low over the first resonance."""
    text, found = boom
    first = " ".join(text.split("\f")[0].split())
    assert re.search(r"X-SWEEP: the level was changed by −6\.\d dB .* over the resonance at 10\.76 Hz", first)
    assert "No deviation" not in text
    (only,) = [each for each in found["deviations"] if each["kind"] == "level change"]
    assert only["bands_hz"][0][0] < 10.76 < only["bands_hz"][0][1]
    assert only["where"] == "notes.txt:14"
