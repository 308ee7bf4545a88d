"""No sentence stands twice in the body of a report: whoever reads it all is told everything once.

Fault: why a sensor was lost stood in the clause, in the deviations and on the page of its axis; that the sweep was slow
enough stood on every axis' page, a remark of the operator at every run, captions at every axis. The cover is left out:
it repeats verdict and deviations on purpose, and so does the annex with each run's own.
"""

from __future__ import annotations

import html
import re
from collections import Counter
from dataclasses import replace

import pytest

from reportgen.resources import data_dir
from tests.printed import page_of_words

LONG = 8
"""Words of a sentence that would be noticed twice."""
_BREAK = re.compile(r"</?(?:p|li|td|th|tr|table|caption|figcaption|figure|h[1-6]|div|section|ul|ol|br)\b[^>]*>")
_END = re.compile(r"(?<=[.!?;:])\s+")


def body_of(page: str) -> str:
    start = page.index("<main")
    return page[start : page.index('id="annex"', start)]


def sentences(page: str) -> list[str]:
    """Sentences and clauses behind a colon or semicolon, of at least ``LONG`` words."""
    text = re.sub(r"<svg\b.*?</svg>", " ", page, flags=re.DOTALL)
    text = html.unescape(re.sub(r"<[^>]+>", "", _BREAK.sub("\n", text)))
    found = [part for line in text.split("\n") for part in _END.split(re.sub(r"\s+", " ", line).strip())]
    return [each for each in found if len(re.findall(r"[^\W\d_]{2,}", each)) >= LONG]


def twice(page: str) -> list[str]:
    return [each for each, count in Counter(sentences(page)).items() if count > 1]


def test_the_search_can_fail():
    said = "The sweep was slow enough for every one of the peaks that it recorded."
    assert twice(f"<p>{said}</p><td>R1: {said}</td>") == [said]
    assert twice(f"<p>{said}</p><p>All passed.</p><p>All passed.</p>") == []


@pytest.mark.parametrize("name", ["bolted_bracket", "controller_box", "sensor_boom"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_no_sentence_stands_twice_in_the_body(name, language, example_report):
    found = example_report(name)
    own = replace(found.job.report, language=language)
    page = page_of_words(replace(found, job=replace(found.job, report=own)), templates=data_dir("templates"))
    assert len(sentences(body_of(page))) > 5
    assert twice(body_of(page)) == []
