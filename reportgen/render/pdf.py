"""The report as PDF/A-3a and PDF/UA-1 in one file, with what it was made from attached.

Everything the page needs is served from memory by name; no file, no network (a fetcher that knows nothing else).
"""

from __future__ import annotations

import gc
import hashlib
import logging
import mimetypes
import os
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree

from markupsafe import Markup, escape

from reportgen.errors import PdfUnavailableError, RenderError
from reportgen.records.message import message
from reportgen.render.document import Document
from reportgen.render.draft import KEYWORD, mark_document, page_css
from reportgen.render.figures.gallery import Gallery
from reportgen.render.figures.plot import Drawing
from reportgen.render.fonts import unpacked
from reportgen.render.page import PAPERS, figure_names, fill_twice, logo_file, style_sheet
from reportgen.render.page_text import ease
from reportgen.render.rows.language import Language
from reportgen.render.rows.report_pages import ReportPages

INSTALL_LINE = "apt-get install -y --no-install-recommends libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
SCHEME = "report"
VARIANT = "pdf/a-3a"
_EPOCH = "SOURCE_DATE_EPOCH"
"""Name under which reproducible builds tell the time, in seconds since 1970."""

_UA = b"""<rdf:Description xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#" rdf:about="" \
xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/" pdfuaid:part="1"/>\
<rdf:Description xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#" rdf:about="" \
xmlns:pdfaExtension="http://www.aiim.org/pdfa/ns/extension/" xmlns:pdfaSchema="http://www.aiim.org/pdfa/ns/schema#" \
xmlns:pdfaProperty="http://www.aiim.org/pdfa/ns/property#"><pdfaExtension:schemas><rdf:Bag>\
<rdf:li rdf:parseType="Resource"><pdfaSchema:schema>PDF/UA identification schema</pdfaSchema:schema>\
<pdfaSchema:namespaceURI>http://www.aiim.org/pdfua/ns/id/</pdfaSchema:namespaceURI>\
<pdfaSchema:prefix>pdfuaid</pdfaSchema:prefix><pdfaSchema:property><rdf:Seq><rdf:li rdf:parseType="Resource">\
<pdfaProperty:name>part</pdfaProperty:name><pdfaProperty:valueType>Integer</pdfaProperty:valueType>\
<pdfaProperty:category>internal</pdfaProperty:category><pdfaProperty:description>PDF/UA part</pdfaProperty:description>\
</rdf:li></rdf:Seq></pdfaSchema:property></rdf:li></rdf:Bag></pdfaExtension:schemas></rdf:Description>"""
"""Identifies PDF/UA-1 (ISO 14289-1, 5) and declares its schema as PDF/A asks (ISO 19005-3, 6.6.2.3)."""


def report_pdf(
    document: Document[ReportPages],
    *,
    templates: Path,
    branding: Path | None = None,
    attachments: Mapping[str, bytes] | None = None,
    drawn: Callable[[], Mapping[str, Drawing]] | None = None,
) -> bytes:
    """The whole report. ``attachments`` by name: inputs become Source, results.json Data (ISO 32000-2, 7.11.3).

    ``drawn`` gives the figures where somebody else draws them; it is called when the pages are laid out.
    Raises PdfUnavailableError where the text layout library is missing, RenderError where a template or figure fails.
    """
    if drawn is not None:
        document = replace(document, drawings=document.drawings.taken_from(drawn))
    return paper_pdf(document, "report.html.j2", templates, branding, attachments or {})


def annex_pdf(document: Document[ReportPages], *, templates: Path, branding: Path | None = None) -> bytes:
    """The annex as a file of its own. Raises as ``report_pdf`` does."""
    return paper_pdf(document, "annex.html.j2", templates, branding, {})


def paper_pdf(
    document: Document[object],
    template: str,
    templates: Path,
    branding: Path | None,
    attachments: Mapping[str, bytes],
) -> bytes:
    """``template`` filled for paper and set in pages; the same document and attachments give the same bytes."""
    weasyprint = _weasyprint()
    moment = datetime.combine(document.date, time(), tzinfo=UTC)
    text, files = paper_page(document, template, templates, branding)
    attached = [
        weasyprint.Attachment(
            string=content,
            name=name,
            description=name,
            created=moment,
            modified=moment,
            relationship=relationship(name),
        )
        for name, content in sorted(attachments.items(), key=lambda item: item[0].encode())
    ]
    fonts = weasyprint.text.fonts.FontConfiguration()
    with _logged_errors(), _no_collection(), _dated(moment):
        page = weasyprint.HTML(string=text, base_url=f"{SCHEME}:", url_fetcher=_closed_fetcher(files))
        ease(page.etree_element, partial(_more, document.language))
        mark = _mark_draft(page, document.language, fonts) if document.draft else []
        result: bytes = page.write_pdf(
            stylesheets=mark,
            pdf_variant=VARIANT,
            attachments=attached,
            finisher=_finish,
            font_config=fonts,
            cache={_figure_url(key): _Figure(key, document.drawings, fonts) for key in document.drawings},
            pdf_identifier=hashlib.sha256((KEYWORD * document.draft + text).encode()).digest()[:16],
        )
    return result


def _mark_draft(page: Any, language: Language, fonts: Any) -> list[Any]:
    """Mark a parsed page as a draft; the style that marks each sheet."""
    mark_document(page.etree_element, language)
    return [_weasyprint().CSS(string=page_css(language), font_config=fonts)]


@contextmanager
def _no_collection() -> Iterator[None]:
    """Layout makes millions of small objects that all live to its end; looking for garbage is a fifth of it."""
    on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if on:
            gc.enable()


@contextmanager
def _dated(moment: datetime) -> Iterator[None]:
    """Fonts that fontTools cuts down, where HarfBuzz's library is missing, carry the time at which that is done."""
    before = os.environ.get(_EPOCH)
    os.environ[_EPOCH] = str(int(moment.timestamp()))
    try:
        yield
    finally:
        if before is None:
            del os.environ[_EPOCH]
        else:
            os.environ[_EPOCH] = before


def paper_page(
    document: Document[object], template: str, templates: Path, branding: Path | None
) -> tuple[str, dict[str, tuple[bytes, str]]]:
    """HTML text of the printed page, and the files it asks for by name, all but its figures."""
    files = {f"{key}.jpg": (photo.content, photo.mime) for key, photo in document.pictures.items()}
    files |= {path.name: (unpacked(path), "font/ttf") for path in _fonts(templates)}
    logo = logo_file(branding)
    if logo is not None:
        files[logo[0]] = logo[1:]
    say = document.language.say
    sheet, cover = PAPERS[document.paper]
    size = f"@page{{size:{sheet}}}\n:root{{--cover:{cover}}}\n"
    page_of = say('"Page " counter(page) " of " counter(pages)')
    css = size + style_sheet(templates, branding, ("type.css", "paper.css"), lambda name: f"{SCHEME}:{name}")

    def drawing(key: str) -> Markup:
        alt = escape(document.drawings.sketches[key].alt)
        return Markup('<img alt="{}" src="{}">').format(alt, _figure_url(key))

    names = {
        "screen": False,
        "css": Markup(css.replace("var(--page-of)", page_of)),
        "script": "",
        "policy": "",
        "logo": f"{SCHEME}:{logo[0]}" if logo is not None else "",
        **figure_names(document, drawing, lambda key: f"{SCHEME}:{key}.jpg"),
    }
    return fill_twice(document, template, templates, branding, names), files


def _figure_url(key: str) -> str:
    return f"{SCHEME}:{key}.svg"


@dataclass(frozen=True, slots=True)
class _Figure:
    """An image that WeasyPrint asks for its size when it sets pages, then to paint itself.

    It takes images from its cache before it fetches any. So pages are set while the figures are still being drawn.
    """

    key: str
    drawings: Gallery
    fonts: Any

    def get_intrinsic_size(self, resolution: float, font_size: float) -> tuple[None, None, float]:
        sketch = self.drawings.sketches[self.key]
        return None, None, sketch.width / sketch.height

    def draw(self, stream: Any, width: float, height: float, style: Any) -> None:
        from weasyprint.images import SVGImage

        tree = ElementTree.fromstring(self.drawings[self.key].svg)
        image = SVGImage(tree, _figure_url(self.key), None, SimpleNamespace(font_config=self.fonts))
        image.draw(stream, width, height, style)


def relationship(name: str) -> str:
    """How an attachment relates to the report: results are Data, all else is a Source."""
    return "Data" if name == "results.json" else "Source"


def _fonts(templates: Path) -> list[Path]:
    return sorted((templates / "fonts").glob("*.woff2"))


def load_layout(templates: Path) -> None:
    """Load the layout library, where there is one, and the fonts: processes forked from here need not do it again."""
    with suppress(PdfUnavailableError):
        _weasyprint()
        for path in _fonts(templates):
            unpacked(path)


def _weasyprint() -> Any:
    try:
        import weasyprint
    except OSError as error:
        raise PdfUnavailableError(message("render.no-pdf", reason=str(error), install=INSTALL_LINE)) from error
    return weasyprint


def _closed_fetcher(files: Mapping[str, tuple[bytes, str]]) -> Any:
    """A fetcher that serves ``files`` and data URLs; whatever else is asked for ends the rendering."""
    from weasyprint.urls import FatalURLFetchingError, URLFetcher, URLFetcherResponse

    class Closed(URLFetcher):  # type: ignore[misc]
        def fetch(self, url: str, headers: Any = None) -> Any:
            if url.startswith("data:"):
                return super().fetch(url, headers)
            found = files.get(url.removeprefix(f"{SCHEME}:")) if url.startswith(f"{SCHEME}:") else None
            if found is None:
                raise FatalURLFetchingError(f"the page asks for {url!r}, which is not part of the report")
            return URLFetcherResponse(url, found[0], {"Content-Type": found[1]})

    return Closed(allowed_protocols=(SCHEME, "data"), allow_redirects=False)


class _Collector(logging.Handler):
    """Keeps what WeasyPrint only logs: a figure it drops is an error of ours, not a remark of its own."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.errors: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        text = record.getMessage()
        if record.levelno >= logging.ERROR or text.startswith("Failed to"):
            self.errors.append(text)


@contextmanager
def _logged_errors() -> Iterator[None]:
    """Turns logged errors and refused fetches into RenderError."""
    from weasyprint.urls import FatalURLFetchingError

    collector, logger = _Collector(), logging.getLogger("weasyprint")
    logger.addHandler(collector)
    try:
        yield
    except FatalURLFetchingError as error:
        raise RenderError(message("render.not-of-the-report", reason=str(error))) from error
    finally:
        logger.removeHandler(collector)
    if collector.errors:
        raise RenderError(message("render.not-set", reasons=tuple(dict.fromkeys(collector.errors))))


def _more(language: Language, left: int) -> str:
    return language.say("%(left)s more characters: in results.json and in the file itself", left=str(left))


def _finish(document: Any, pdf: Any) -> None:
    """Adds the PDF/UA identifier and what header cells head; compresses in seconds instead of minutes."""
    metadata = pdf.objects[int(pdf.catalog["Metadata"].split()[0])]
    data = b"".join(part if isinstance(part, bytes) else str(part).encode() for part in metadata.stream)
    end = data.rindex(b"</rdf:RDF>")
    metadata.stream = [data[:end] + _UA + data[end:]]
    for each in pdf.objects:
        if getattr(each, "compress", False):
            _compress(each)
        elif isinstance(each, dict) and each.get("S") == "/TH":
            _scope(each, pdf)


def _scope(header: Any, pdf: Any) -> None:
    """Says whether a header cell heads its column or its row (ISO 14289-1, 7.5), which WeasyPrint leaves out."""
    row = pdf.objects[int(header["P"].split()[0])]
    group = pdf.objects[int(row["P"].split()[0])]
    header["A"]["Scope"] = "/Column" if group["S"] == "/THead" else "/Row"


def _compress(stream: Any) -> None:
    """At level 6 instead of pydyf's 9: a tenth of the time for one percent of the size."""
    import pydyf

    plain = pydyf.Stream(stream.stream).data
    content = plain[plain.index(b"stream\n") + len(b"stream\n") : -len(b"\nendstream")]
    stream.stream = [zlib.compress(content, 6)]
    stream.extra["Filter"] = "/FlateDecode"
    stream.compress = False


# What a machine's own lists say of an ending must not reach the bytes of a PDF.
mimetypes.knownfiles.clear()
mimetypes.init()
mimetypes.add_type("application/toml", ".toml")
