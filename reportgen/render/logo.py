"""A laboratory's logo as SVG: what it draws is counted before it is drawn.

``use`` draws an element once more (SVG 2, 5.5): ten of them in each of ten that use one another are ten thousand
million elements in a kilobyte.
"""

from __future__ import annotations

from xml.etree import ElementTree

from reportgen.records.message import Message, message

LARGEST_LOGO = 2_000_000
"""Bytes."""
_MOST_ELEMENTS = 100_000
"""Drawn, those that are used again counted each time: a coat of arms has some thousand."""
_HREFS = ("href", "{http://www.w3.org/1999/xlink}href")


def fault_of(content: bytes) -> Message | None:
    """Why an SVG is not drawn; None where it is sound."""
    if len(content) > LARGEST_LOGO:
        return message("render.logo-large", most=LARGEST_LOGO)
    if b"<!ENTITY" in content:
        return message("render.logo-entities")
    try:
        root = ElementTree.fromstring(content)
        drawn = _drawn(root, {each.get("id", ""): each for each in root.iter()}, {}, ())
    except (ElementTree.ParseError, RecursionError) as problem:
        return message("render.logo-no-svg", problem=str(problem))
    return message("render.logo-draws", most=_MOST_ELEMENTS) if drawn > _MOST_ELEMENTS else None


def _drawn(
    element: ElementTree.Element,
    named: dict[str, ElementTree.Element],
    known: dict[int, int],
    above: tuple[int, ...],
) -> int:
    """Elements that drawing this one draws; beyond the limit where it draws itself."""
    own = id(element)
    if own in above:
        return _MOST_ELEMENTS + 1
    if own not in known:
        within = (*above, own)
        used = next((named.get(element.get(each, "").removeprefix("#")) for each in _HREFS if element.get(each)), None)
        again = [used] if used is not None and element.tag.rpartition("}")[2] == "use" else []
        known[own] = 1 + sum(_drawn(each, named, known, within) for each in (*element, *again))
    return known[own]
