"""The mark of a draft: on every page of every PDF and over the screen, whatever a laboratory's own templates do."""

from __future__ import annotations

import re
from typing import Any
from xml.etree.ElementTree import Element, SubElement

from markupsafe import escape

from reportgen.render.rows.language import Language

KEYWORD = "draft"
"""Among the keywords of a draft's PDF (ISO 32000-1, 14.3.3): by it ``sign`` knows what it must refuse."""

_BODY = re.compile(r"<body\b[^>]*>")

SCREEN_CSS = """
.draft-mark {
  display: block !important; visibility: visible !important; opacity: 1 !important;
  position: sticky !important; top: 0 !important; z-index: 9 !important;
  margin: 0 !important; padding: .35rem 1rem !important; text-align: center !important; font-weight: 600 !important;
  color: #ffffff !important; background: #a83c16 !important;
}
@media print {
  .draft-mark {
    position: fixed !important; left: 0 !important; right: 0 !important;
    color: #a83c16 !important; background: #ffffff !important;
  }
}
"""
"""Comes after every other style; white on this red has a contrast of 6.3 : 1 (WCAG 2.2, 1.4.3, asks for 4.5 : 1)."""


def draft_words(language: Language) -> str:
    """What the mark says."""
    return language.say("DRAFT – not issued")


def page_css(language: Language) -> str:
    """Style for top and foot of every page, of an origin that no author's style overrides (CSS Cascading 4, 6.1)."""
    box = (
        f'{{ content: "{draft_words(language)}" !important; color: #a83c16 !important; font: 600 10.5pt "Report Sans", '
        "sans-serif !important; text-align: center !important; white-space: nowrap !important; "
        "visibility: visible !important; "
    )
    top = f"@top-center {box} vertical-align: bottom !important; padding: 0 0 4mm !important; }}"
    foot = f"@bottom-center {box} vertical-align: top !important; padding: 4mm 0 0 !important; }}"
    return f"@page {{ {top} {foot} }}"


def mark_document(root: Any, language: Language) -> None:
    """Say in the document's own data, too, that it is a draft: in its title and among its keywords."""
    head = root.find("head")
    if head is None:
        head = Element("head")
        root.insert(0, head)
    title = head.find("title")
    if title is None:
        title = SubElement(head, "title")
    title.text = f"{draft_words(language)} · {title.text or ''}"
    SubElement(head, "meta", {"name": "keywords", "content": KEYWORD})


def mark_screen(html: str, language: Language) -> str:
    """The page with its mark as the first thing on it, and in its title."""
    words = escape(draft_words(language))
    mark = f'<aside class="draft-mark" aria-label="{words}">{words}</aside>'
    body = _BODY.search(html)
    html = f"{html[: body.end()]}\n{mark}{html[body.end() :]}" if body else f"{mark}{html}"
    return html.replace("<title>", f"<title>{words} · ", 1)
