"""Text of a page as the layout library can set it: in bearable time, and without breaks that it does not know.

For each place where a text may be broken the library lays out all the rest of it anew, which takes time by more than
the square of its length: half a minute for a word of 3000 characters. In pieces, which are not seen, it is by its
length alone. Line and paragraph separators other than the line feed, which are white space in HTML, stop it altogether.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from xml.etree.ElementTree import Element

LONGEST_PIECE = 200
LONGEST_PRINTED = 20_000
"""Characters of one text that are set in pages; of what is longer the beginning is, and it says so."""

_SEPARATORS = re.compile("[\x0b\x0c\x1c-\x1f\x85\u2028\u2029]")
_NO_TEXT = frozenset({"style", "script", "title", "svg"})
_PIECE = re.compile(rf".{{1,{LONGEST_PIECE}}}(?:\s|$)|.{{1,{LONGEST_PIECE}}}", re.DOTALL)


More = Callable[[int], str]
"""What is printed in place of so many characters."""


def ease(root: Element, more: More) -> None:
    """Put every long text below ``root`` into pieces and write strange separators as blanks; nothing else changes.

    >>> word = Element("p")
    >>> word.text = "x" * 500
    >>> ease(word, "{} more".format)
    >>> [len(piece.text or "") for piece in word]
    [200, 200, 100]
    """
    for element in list(_with_text(root)):
        element.text = _SEPARATORS.sub(" ", element.text or "") or None
        if len(element.text or "") > 2 * LONGEST_PIECE:
            text, element.text = element.text or "", None
            for place, piece in enumerate(_pieces(text, more)):
                element.insert(place, piece)
        for child in list(element):
            child.tail = _SEPARATORS.sub(" ", child.tail or "") or None
            if len(child.tail or "") > 2 * LONGEST_PIECE:
                text, child.tail = child.tail or "", None
                for place, piece in enumerate(_pieces(text, more), start=list(element).index(child) + 1):
                    element.insert(place, piece)


def _with_text(element: Element) -> Iterator[Element]:
    """Elements whose text is printed."""
    if element.tag not in _NO_TEXT:
        yield element
        for child in element:
            yield from _with_text(child)


def _pieces(text: str, more: More) -> Iterator[Element]:
    left = len(text) - LONGEST_PRINTED
    for part in _PIECE.findall(text[:LONGEST_PRINTED]):
        yield _piece(part)
    if left > 0:
        yield _piece(f" … [{more(left)}]")


def _piece(text: str) -> Element:
    piece = Element("span")
    piece.text = text
    return piece
