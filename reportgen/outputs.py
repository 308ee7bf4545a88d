"""Every file that a report is put out as: results, page, figures, documents for print, tables, the archive of all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from reportgen.errors import PdfUnavailableError
from reportgen.progress import Say, silent
from reportgen.records.job import Annex, OutputKind
from reportgen.records.message import Message, message
from reportgen.records.report import Report
from reportgen.resources import data_dir

if TYPE_CHECKING:
    from reportgen.archive.publish import Output
    from reportgen.render.document import Document
    from reportgen.render.rows.report_pages import ReportPages


def load_layout() -> None:
    """What sets pages, loaded ahead of them."""
    from reportgen.render.document import assemble  # noqa: F401
    from reportgen.render.pdf import load_layout as load

    load(data_dir("templates"))


def render_outputs(
    report: Report,
    progress: Say = silent,
    *,
    results_only: bool = False,
    branding: Path | None = None,
    cores: int = 1,
) -> tuple[dict[str, Output], Message | None]:
    """Every output file by name; and what to do where the PDF could not be made."""
    from reportgen.archive.sources import archive_info, bag_job
    from reportgen.render.document import assemble
    from reportgen.render.plots import plots_of
    from reportgen.render.results import results_json

    results = results_json(report)
    if results_only:
        return {"results.json": results}, None
    document = assemble(report, data_dir("templates"))
    progress(message("progress.pages"))
    report_pdf = _report_pdf(report, document, results, branding, cores)
    outputs = {"results.json": results, **_page(report, document, branding), **_tables(report)}
    outputs |= {f"plots/{name}": content for name, content in plots_of(document).items()}
    missing_pdf = None
    try:
        outputs |= _other_pdfs(report, document, branding) | report_pdf()
    except PdfUnavailableError as error:
        missing_pdf = error.said
    progress(message("progress.packing"))
    return {**outputs, f"{archive_info(report).name}.zip": bag_job(report, outputs, branding)}, missing_pdf


def _report_pdf(
    report: Report, document: Document[ReportPages], results: bytes, branding: Path | None, cores: int
) -> Callable[[], dict[str, bytes]]:
    """Begins report.pdf in another process where there is a core for it; calling what is returned waits for it."""
    from reportgen.archive.sources import pdf_sources
    from reportgen.beside import beside
    from reportgen.render.pdf import load_layout as load
    from reportgen.render.pdf import report_pdf as printed

    if OutputKind.PDF not in report.job.report.outputs:
        return dict
    templates = data_dir("templates")
    sources = pdf_sources(report, results, branding)
    load(templates)
    made = beside(
        lambda drawn: printed(document, templates=templates, branding=branding, attachments=sources, drawn=drawn),
        lambda: dict(document.drawings),
        cores,
    )
    return lambda: {"report.pdf": made()}


def _page(report: Report, document: Document[ReportPages], branding: Path | None) -> dict[str, bytes]:
    """The page for a browser."""
    from reportgen.render.html import report_html

    if OutputKind.HTML not in report.job.report.outputs:
        return {}
    page = report_html(document, templates=data_dir("templates"), branding=branding)
    return {"report.html": page.encode("utf-8")}


def _other_pdfs(report: Report, document: Document[ReportPages], branding: Path | None) -> dict[str, bytes]:
    """Summary and annex. Raises PdfUnavailableError."""
    from reportgen.render.pdf import annex_pdf
    from reportgen.render.summary import summary_pdf

    own, templates, found = report.job.report, data_dir("templates"), {}
    if OutputKind.SUMMARY in own.outputs:
        found["summary.pdf"] = summary_pdf(report, document, templates=templates, branding=branding)
    if OutputKind.PDF in own.outputs and own.annex is Annex.SEPARATE:
        found["annex.pdf"] = annex_pdf(document, templates=templates, branding=branding)
    return found


def _tables(report: Report) -> dict[str, bytes]:
    """Every table of the report, as a workbook and as text."""
    from reportgen.render.tables_csv import csv_files
    from reportgen.render.tables_of_report import report_tables
    from reportgen.render.tables_xlsx import book_info, workbook

    chosen = report.job.report.outputs
    if not {OutputKind.XLSX, OutputKind.CSV} & set(chosen):
        return {}
    tables = report_tables(report, data_dir("templates"))
    book = {"tables.xlsx": workbook(tables, book_info(report, data_dir("templates")))}
    texts = {f"tables/{name}": content for name, content in csv_files(tables).items()}
    return (book if OutputKind.XLSX in chosen else {}) | (texts if OutputKind.CSV in chosen else {})
