"""Any text can be set: nothing is lost, and time grows with the length and not with its square."""

from __future__ import annotations

import time
from xml.etree.ElementTree import fromstring, tostring

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reportgen.render.page_text import LONGEST_PIECE, LONGEST_PRINTED, ease

TEXTS = st.text(st.characters(blacklist_categories=("Cs", "Cc", "Zl", "Zp")), max_size=30).map(lambda text: text * 40)


def words(element) -> str:
    return "".join(element.itertext())


@given(TEXTS, TEXTS, TEXTS)
def test_no_character_is_lost_or_moved(before, inside, after):
    root = fromstring("<p><b/></p>")
    root.text, root[0].text, root[0].tail = before, inside, after
    ease(root, "{} more characters".format)
    assert words(root) == before + inside + after
    assert all(
        len(each.text or "") <= 2 * LONGEST_PIECE and len(each.tail or "") <= 2 * LONGEST_PIECE for each in root.iter()
    )


def test_short_texts_and_drawings_stay_as_they_are():
    text = f"<div><p>{'word ' * 50}</p><style>{'a{}' * 500}</style><svg><text>{'x' * 900}</text></svg></div>"
    root = fromstring(text)
    before = tostring(root)
    ease(root, "{} more characters".format)
    assert tostring(root) == before


def test_a_text_without_end_is_cut_and_says_so():
    root = fromstring(f"<p>{'x' * (LONGEST_PRINTED + 77)}</p>")
    ease(root, "{} more characters".format)
    assert words(root) == "x" * LONGEST_PRINTED + " … [77 more characters]"


@pytest.mark.parametrize("text", ["x" * 4000, "very " * 800], ids=["one word", "many words"])
def test_a_long_text_in_a_narrow_cell_is_set_in_time(text):
    """One of 4000 characters took 40 s of processor time."""
    weasyprint = pytest.importorskip("weasyprint")
    cell = f"<table><tr><td style='overflow-wrap:anywhere'>{text}</td><td>beside</td></tr></table>"
    page = weasyprint.HTML(string=cell)
    ease(page.etree_element, "{} more characters".format)
    begun = time.process_time()
    page.render()
    assert time.process_time() - begun < 10.0


@pytest.mark.parametrize("separator", ["\u2028", "\u2029", "\x85", "\x0b", "\x0c", "\x1c", "\x1e", "\x1f"])
def test_separators_that_the_layout_does_not_know(separator):
    """A paragraph separator in a title stopped the whole PDF."""
    weasyprint = pytest.importorskip("weasyprint")
    page = weasyprint.HTML(string=f"<p>one {separator} two {separator}<b>three</b> {separator} four</p>")
    ease(page.etree_element, "{} more characters".format)
    page.render()
    assert words(page.etree_element).split() == ["one", "two", "three", "four"]
