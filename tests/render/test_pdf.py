"""The printed report, opened with other people's readers: qpdf through pikepdf, and poppler's text extraction."""

from __future__ import annotations

import io
import logging
import re
import shutil
import subprocess
from dataclasses import replace

import pikepdf
import pytest

from reportgen.errors import PdfUnavailableError, RenderError
from reportgen.records.result import FrequencyBudget
from reportgen.render import pdf as module
from reportgen.render.document import assemble
from tests.archive.words import telling
from tests.printed import render_pdf
from tests.render.conftest import ATTACHED
from tests.render.sample_report import sample_report

needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler's pdftotext")


def pages_of(content, *options):
    command = ["pdftotext", *options, "-enc", "UTF-8", "-", "-"]
    text = subprocess.run(command, input=content, capture_output=True, check=True).stdout.decode()
    return text.split("\f")[:-1]


def guard(content):
    """Structural rules of PDF/A-3a (ISO 19005-3) and PDF/UA-1 (ISO 14289-1) that a reader can check by itself."""
    with pikepdf.open(io.BytesIO(content)) as pdf:
        return [*_whole(pdf), *_attached(pdf), *(fault for each in pdf.objects for fault in _object(each))]


def _whole(pdf):
    root, bad = pdf.Root, [f"syntax: {message}" for message in pdf.check_pdf_syntax()]
    xmp = bytes(root.Metadata.read_bytes()) if "/Metadata" in root else b""
    wanted = (
        (rb'pdfaid:part(="|>)3', "part 3"),
        (rb'pdfaid:conformance(="|>)A', "level A"),
        (rb'pdfuaid:part(="|>)1', "UA-1"),
    )
    bad += [f"XMP: no {name}" for pattern, name in wanted if not re.search(pattern, xmp)]
    if xmp.count(b"<rdf:RDF") != 1:
        bad.append("XMP: more than one rdf:RDF")
    if pdf.is_encrypted or "/ID" not in pdf.trailer:
        bad.append("encrypted or no /ID")
    if len([o for o in root.get("/OutputIntents", []) if o.get("/S") == "/GTS_PDFA1"]) != 1:
        bad.append("OutputIntents")
    if "/Lang" not in root or not root.get("/ViewerPreferences", {}).get("/DisplayDocTitle"):
        bad.append("no /Lang or title not displayed")
    if not (root.get("/MarkInfo", {}).get("/Marked") and "/StructTreeRoot" in root):
        bad.append("not tagged")
    return bad


def _attached(pdf):
    listed = list(pdf.Root.get("/AF", []))
    for name, attached in pdf.attachments.items():
        spec = attached.obj
        if "/AFRelationship" not in spec or "/UF" not in spec or "/Subtype" not in spec.EF.F:
            yield f"{name}: incomplete"
        if not any(each.objgen == spec.objgen for each in listed):
            yield f"{name}: not in /AF"


def _object(each):
    if not isinstance(each, pikepdf.Dictionary | pikepdf.Stream):
        return
    kind, sub = each.get("/Type"), each.get("/Subtype")
    if sub == "/Image" and bool(each.get("/Interpolate", False)):
        yield "Interpolate"
    if each.get("/S") in ("/JavaScript", "/Launch", "/Sound", "/Movie", "/ImportData"):
        yield str(each.get("/S"))
    if kind == "/FontDescriptor" and not any(k in each for k in ("/FontFile", "/FontFile2", "/FontFile3")):
        yield f"{each.get('/FontName')}: not embedded"
    if kind == "/Annot" and sub != "/Popup" and not int(each.get("/F", 0)) & 4:
        yield f"{sub}: not printable"
    if each.get("/S") == "/TH" and str(each.get("/A", pikepdf.Dictionary()).get("/Scope")) not in ("/Column", "/Row"):
        yield "TH without /Scope"
    if each.get("/S") == "/Figure" and "/Alt" not in each and "/ActualText" not in each:
        yield "Figure without Alt"


@pytest.mark.parametrize("which", ["pdf", "german_pdf"])
def test_structure_of_an_accessible_archive_file(which, request):
    assert guard(request.getfixturevalue(which)) == []


def test_the_guard_can_fail(pdf):
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        del opened.Root.Lang
        del opened.Root.OutputIntents
        out = io.BytesIO()
        opened.save(out)
    assert {"OutputIntents", "no /Lang or title not displayed"} <= set(guard(out.getvalue()))


def test_only_our_fonts_are_inside(pdf):
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        names = {
            str(o.FontName)
            for o in opened.objects
            if isinstance(o, pikepdf.Dictionary) and o.get("/Type") == "/FontDescriptor"
        }
    assert names
    assert all("Report-Sans" in name or "Report-Mono" in name for name in names), names


@needs_poppler
@pytest.mark.parametrize("which, counted", [("pdf", "Page {} of {}"), ("german_pdf", "Seite {} von {}")])
def test_every_page_has_its_number_and_the_reports(which, counted, request):
    pages = pages_of(request.getfixturevalue(which))
    assert len(pages) > 12
    for number, page in enumerate(pages, start=1):
        assert counted.format(number, len(pages)) in page
        assert "VTR-0147" in page
        assert len(page.split()) > 25, f"page {number} is all but empty"
    assert re.search(r"(End of report|Ende des Berichts) VTR-0147", pages[-1])


@needs_poppler
def test_the_contents_give_the_pages_where_sections_stand(pdf):
    pages = pages_of(pdf, "-layout")
    # In the order of the document: one entry after the other, however many columns there are and where titles wrap.
    listed = next(page for page in pages_of(pdf, "-raw") if "Contents" in page).partition("Contents\n")[2]
    entries = re.findall(r"^(\d+|[A-Z]) (\S(?:.|\n(?!(?:\d+|[A-Z]) ))*?)\s(\d+)$", listed, re.MULTILINE)
    entries = [(number, re.sub(r"\s+", " ", title), page) for number, title, page in entries]
    assert len(entries) > 12
    for number, title, page in entries:
        assert re.search(rf"^\s*{number}\s+{re.escape(title)}", pages[int(page) - 1], re.MULTILINE), (
            number,
            title,
            page,
        )


@needs_poppler
def test_paper_says_what_the_records_say(report, pdf):
    text = re.sub(r"\s+", " ", " ".join(pages_of(pdf, "-raw")))
    for each in report.verdicts:
        assert each.requirement in text
        assert str(each.outcome) in text
    joined = text.replace(" ", "").replace("-", "")  # poppler joins what was broken after a hyphen
    for note in report.notes:
        assert note.text.replace(" ", "").replace("-", "") in joined, note.text
    for file in report.inputs:
        assert file.sha256 in text.replace(" ", "")


@pytest.mark.parametrize("which, size", [("pdf", (595, 842)), ("german_pdf", (612, 792))])
def test_size_of_the_sheet(which, size, request):
    with pikepdf.open(io.BytesIO(request.getfixturevalue(which))) as opened:
        assert {tuple(round(float(v)) for v in page.mediabox[2:]) for page in opened.pages} == {size}


def test_attachments_have_their_bytes_and_their_relationship(pdf):
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        found = {name: opened.attachments[name] for name in opened.attachments}
        assert {name: each.get_file().read_bytes() for name, each in found.items()} == ATTACHED
        assert str(found["results.json"].obj.AFRelationship) == "/Data"
        assert str(found["logs/x_pre.csv"].obj.AFRelationship) == "/Source"


def test_bookmarks_title_and_language(pdf, german_pdf):
    with pikepdf.open(io.BytesIO(pdf)) as opened, opened.open_outline() as outline:
        titles = [str(each.title) for each in outline.root]
        assert any("Statement of conformity" in title for title in titles)
        assert str(opened.docinfo["/Title"]).startswith("VTR-0147 rev. A")
        assert str(opened.Root.Lang) == "en"
    with pikepdf.open(io.BytesIO(german_pdf)) as opened:
        assert str(opened.Root.Lang) == "de"


@pytest.mark.soak
def test_figures_drawn_elsewhere_give_the_same_bytes(report, templates):
    small = replace(report, runs=report.runs[:1], shifts=(), modes=(), pictures=(), beam_fits=())
    drawn = dict(assemble(small, templates).drawings)
    assert drawn
    assert render_pdf(small, templates=templates, drawn=lambda: drawn) == render_pdf(small, templates=templates)


def test_same_report_same_bytes(tmp_path, templates):
    """Two reports from scratch; only figures and text are shared by value."""
    small = [
        replace(sample_report(tmp_path, points=60), runs=(), shifts=(), modes=(), pictures=(), beam_fits=())
        for _ in range(2)
    ]
    first, second = (render_pdf(each, templates=templates, attachments=ATTACHED) for each in small)
    assert first == second


def test_nothing_but_the_report_is_fetched(tmp_path, templates):
    branding = tmp_path / "branding"
    branding.mkdir()
    (branding / "brand.css").write_text("body { background: url(file:///etc/hostname) }", encoding="utf-8")
    report = replace(sample_report(tmp_path / "job", points=60), runs=(), shifts=(), modes=(), pictures=())
    with telling(RenderError, match="not part of the report"):
        render_pdf(report, templates=templates, branding=branding)


def test_what_is_only_logged_becomes_an_error():
    with telling(RenderError, match="Failed to load image"), module._logged_errors():
        logging.getLogger("weasyprint").warning("Failed to load image at 'x'")


def test_without_the_layout_library_the_install_line_is_said(report, templates, monkeypatch):
    import builtins

    real = builtins.__import__

    def missing(name, *args, **kwargs):
        if name == "weasyprint":
            raise OSError("cannot load library 'libpango-1.0-0'")
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", missing)
    with pytest.raises(PdfUnavailableError, match=r"apt-get install .*libpango-1\.0-0"):
        render_pdf(report, templates=templates)


@pytest.mark.soak
@pytest.mark.parametrize("language, paper", [("en", "Letter"), ("de", "A4")])
def test_the_other_language_and_paper(language, paper, tmp_path, templates):
    report = sample_report(tmp_path, points=700, language=language, paper=paper)
    assert guard(render_pdf(report, templates=templates, attachments=ATTACHED)) == []


@needs_poppler
def test_a_long_name_of_a_run_stays_in_its_column(report, templates):
    """Fault: in the tables of uncertainty it was printed over the channel beside it."""
    named = "S13-Y-QUALIFICATION-SWEEP"
    whole = next(run for run in report.runs if run.kind == "sweep")
    budget = FrequencyBudget(fit=0.001, clock=0.001, filter=0.0, misfit=0.001, floor=0.0, clock_stated=True)
    first = replace(whole.channels[0].resonances[0], frequency_budget=budget)
    run = replace(whole, id=named, control=None, channels=(replace(whole.channels[0], id="HEAD", resonances=(first,)),))
    small = replace(report, runs=(run,), verdicts=(), shifts=(), modes=(), pictures=(), beam_fits=(), deviations=())
    text = "".join(pages_of(render_pdf(small, templates=templates), "-layout"))
    rows = re.findall(r"^ *S13-Y-(\S* +)?HEAD +.*\d$", text, re.MULTILINE)
    assert len(rows) >= 2
