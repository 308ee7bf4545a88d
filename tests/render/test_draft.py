"""A draft is marked on every page and over the screen, also where a laboratory's own templates say otherwise."""

from __future__ import annotations

import io
from dataclasses import replace

import pikepdf
import pytest

from reportgen.archive.sign import DRAFT_KEYWORD, SigningKey, sign
from reportgen.errors import ArchiveError
from reportgen.render.draft import KEYWORD
from reportgen.render.results import results
from tests.archive.keys import make_keys
from tests.archive.words import telling
from tests.printed import page_of_words, render_pdf, render_summary_pdf
from tests.render.test_pdf import guard, pages_of

HIDING = """
.draft-mark { display: none !important; opacity: 0 !important; }
@page { @top-center { content: none !important; } @bottom-center { content: "" !important; } }
@page :first { @top-center { content: none !important; } @bottom-center { content: none !important; } }
"""


@pytest.fixture(scope="module")
def branding(tmp_path_factory):
    folder = tmp_path_factory.mktemp("branding")
    (folder / "brand.css").write_text(HIDING)
    return folder


@pytest.fixture(scope="module")
def draft(german, templates, branding):
    """Without the runs, whose figures are most of the cost of a page."""
    short = replace(german, runs=(), shifts=(), modes=(), pictures=(), beam_fits=())
    return render_pdf(replace(short, draft=True), templates=templates, branding=branding)


def test_every_page_of_the_report_says_so_at_top_and_foot(draft):
    pages = pages_of(draft)
    assert len(pages) > 5
    assert [page.count("ENTWURF – nicht herausgegeben") for page in pages] == [2] * len(pages)


def test_the_marked_report_is_an_accessible_archive_file_too(draft):
    assert guard(draft) == []


def test_every_page_of_the_summary_says_so(report, templates, branding):
    pages = pages_of(render_summary_pdf(replace(report, draft=True), templates=templates, branding=branding))
    assert [page.count("DRAFT – not issued") for page in pages] == [2] * len(pages)


def test_a_report_that_is_none_says_nothing_of_it(pdf, html):
    assert not any("DRAFT" in page for page in pages_of(pdf))
    assert "draft-mark" not in html
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert "/Keywords" not in opened.docinfo


def test_the_screen_says_so_before_all_else(report, templates, branding):
    html = page_of_words(replace(report, draft=True), templates=templates, branding=branding)
    body = html[html.index("<body") :]
    assert body[body.index(">") + 1 :].lstrip().startswith('<aside class="draft-mark"')
    assert "<title>DRAFT – not issued" in html
    style = html[html.index("<style>") : html.index("</style>")]
    assert style.rindex("display: block !important") > style.rindex("display: none !important")


def test_results_say_so(report):
    assert results(replace(report, draft=True))["job"]["draft"] is True
    assert "draft" not in results(report)["job"]


def test_a_draft_was_signed_like_a_report(draft, report, templates, tmp_path):
    assert KEYWORD == DRAFT_KEYWORD
    keys = make_keys(tmp_path)
    key = SigningKey(key=keys["key"], certificate=keys["certificate"])
    (tmp_path / "report-draft.pdf").write_bytes(draft)
    (tmp_path / "renamed.pdf").write_bytes(render_summary_pdf(replace(report, draft=True), templates=templates))
    for name in ("report-draft.pdf", "renamed.pdf"):
        with telling(ArchiveError, match="is a draft, which is not signed"):
            sign(tmp_path / name, tmp_path / "signed.pdf", key)
    assert not (tmp_path / "signed.pdf").exists()
