"""What templates get are frozen records with names, in which mypy finds a wrong one; nowhere a dictionary."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields, is_dataclass

import pytest

from reportgen.render.document import assemble
from reportgen.render.rows.report_pages import ReportPages
from reportgen.render.summary import summary_document

LEAVES = (str, bool, int, type(None))


def odd(value, where="pages"):
    """Places that hold neither a text, a flag, a number, nor a record or tuple of these."""
    if isinstance(value, LEAVES):
        return
    if isinstance(value, tuple | frozenset):
        for number, each in enumerate(value):
            yield from odd(each, f"{where}[{number}]")
    elif is_dataclass(value):
        for each in fields(value):
            yield from odd(getattr(value, each.name), f"{where}.{each.name}")
    else:
        yield f"{where}: {type(value).__name__}"


@pytest.fixture(scope="module")
def document(report, templates):
    return assemble(report, templates)


def test_the_report_is_records_and_texts_all_through(document):
    assert list(odd(document.context)) == []
    assert len(document.context.runs) > 2


def test_the_summary_is_too(report, document):
    pages = summary_document(report, document).context
    assert isinstance(pages, ReportPages)
    assert list(odd(pages)) == []
    assert pages.verdicts is document.context.verdicts, "assembled once, and handed on"


def test_no_page_can_change_what_the_next_one_prints(document):
    with pytest.raises(FrozenInstanceError):
        document.context.report.number = "VTR-0"


def test_the_search_finds_a_dictionary():
    assert list(odd(({"a": "b"}, "c"))) == ["pages[0]: dict"]
