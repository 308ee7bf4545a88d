"""One template system for page and screen: styles, fonts and the names a template may use."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from markupsafe import Markup

from reportgen.errors import RenderError
from reportgen.records.message import message
from reportgen.render.contents import Contents
from reportgen.render.document import Document
from reportgen.render.fonts import FACES
from reportgen.render.logo import fault_of
from reportgen.render.photos import reencode
from reportgen.render.templating import environment, fill

PAPERS = {"A4": ("A4", "246mm"), "Letter": ("letter", "228mm")}
"""Name of the sheet in CSS, and the height of a cover on it."""
LOGOS = {".svg": "image/svg+xml", ".png": "", ".jpg": "", ".jpeg": ""}
_ID = re.compile(r'\bid="([^"]+)"')
_LINK = re.compile(r'<a\b[^>]*\bhref="#([^"]+)"[^>]*>(.*?)</a>', re.DOTALL)


def style_sheet(templates: Path, branding: Path | None, names: tuple[str, ...], font_url: Callable[[str], str]) -> str:
    """Text of all styles in order: fonts, those of ``templates/css``, the laboratory's ``brand.css``."""
    faces = "".join(
        f'@font-face{{font-family:"{family}";font-weight:{weight};font-style:{style};src:url({font_url(name)})}}\n'
        for family, weight, style, name in FACES
    )
    sheets = [(templates / "css" / name).read_text(encoding="utf-8") for name in names]
    brand = branding / "brand.css" if branding is not None else None
    if brand is not None and brand.is_file():
        sheets.append(brand.read_text(encoding="utf-8"))
    text = faces + "\n".join(sheets)
    if "</" in text:
        raise RenderError(message("render.tag-in-style", path=str(brand)))
    return text


def data_url(content: bytes, mime: str) -> str:
    """``content`` as a data URL."""
    return f"data:{mime};base64,{base64.b64encode(content).decode('ascii')}"


def logo_file(branding: Path | None) -> tuple[str, bytes, str] | None:
    """Name, bytes and type of ``logo.svg``, ``.png`` or ``.jpg`` in the laboratory's folder; None without one."""
    for suffix, mime in LOGOS.items():
        path = branding / f"logo{suffix}" if branding is not None else None
        if path is not None and path.is_file():
            if mime:
                content = path.read_bytes()
                if fault := fault_of(content):
                    raise RenderError(message("error.at", where=str(path), what=fault))
                return path.name, content, mime
            return "logo.jpg", reencode(path)[0], "image/jpeg"
    return None


def fill_twice(
    document: Document[object],
    name: str,
    templates: Path,
    branding: Path | None,
    names: Mapping[str, Any],
) -> str:
    """Fill template ``name`` with the document and ``names``; twice, so that references know every number."""
    sandbox = environment(templates, branding, document.language.words)
    contents = Contents()
    context = {**document.names(), **names, "contents": contents}
    fill(sandbox, name, context)
    contents.again()
    return without_dead_links(fill(sandbox, name, context))


def without_dead_links(html: str) -> str:
    """Links whose target is not printed (a laboratory left that part out) become plain text.

    >>> without_dead_links('<p id="a"><a href="#a">here</a> <a class="x" href="#b">there</a></p>')
    '<p id="a"><a href="#a">here</a> <span>there</span></p>'
    """
    printed = set(_ID.findall(html))
    return _LINK.sub(lambda m: m.group() if m.group(1) in printed else f"<span>{m.group(2)}</span>", html)


def figure_names(
    document: Document[object], drawing: Callable[[str], Markup], photo: Callable[[str], str]
) -> dict[str, Any]:
    """What templates use to print figures."""

    def has_drawing(key: str) -> bool:
        return key in document.drawings

    return {"drawing": drawing, "photo": photo, "has_drawing": has_drawing}
