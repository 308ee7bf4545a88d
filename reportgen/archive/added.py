"""Added: what stands in a PDF behind the bytes that were printed, or that somebody signed.

A signature is added as an incremental update (ISO 32000-1, 7.5.6), and so is anything else. An update can replace every
object of the file, so that other pages are shown than were printed; that it is signed says only that whoever holds
the key did it. Here each object of an update is held against the report: what a signature needs is let through by
name, and everything else is said.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from reportgen.archive.bounded import bounded
from reportgen.errors import ArchiveError

_CATALOG = {"/AcroForm", "/DSS", "/Extensions", "/Metadata", "/Version"}
"""Entries of the catalog that signing may add or change; the metadata are compared by themselves."""
_FORM = {"/Fields", "/SigFlags", "/DR", "/DA"}
"""Of a form that holds signatures only: no script (/CO), no second form (/XFA), no redrawing (/NeedAppearances)."""
_FIELD = {
    "/FT", "/T", "/TU", "/TM", "/Ff", "/V", "/Lock", "/SV", "/Kids", "/Parent", "/Type", "/Subtype", "/F", "/Rect",
    "/P", "/MK", "/AP", "/DR", "/DA", "/M", "/NM", "/StructParent", "/Border", "/BS",
}  # fmt: skip
"""Of a signature field and its widget (ISO 32000-1, tables 164, 168, 188, 220, 232): no action, nothing that runs."""
_INFO = {"/Producer", "/ModDate"}
"""Of the document information: what the program that signs says of itself."""
_XMP = {
    "{http://ns.adobe.com/pdf/1.3/}Producer",
    "{http://ns.adobe.com/xap/1.0/}ModifyDate",
    "{http://ns.adobe.com/xap/1.0/}MetadataDate",
    "{http://ns.adobe.com/xap/1.0/mm/}InstanceID",
}
"""The same in the metadata stream."""

_RESOURCE = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}resource"
"""Attribute that holds the value of a property which is an address; others write it as text."""
_FRAME = (
    "{adobe:ns:meta/}",
    "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}",
    "{http://www.w3.org/XML/1998/namespace}",
)
"""Attributes of the frame in which properties are written, which are none themselves."""

_MOST_PAGES = 10_000
_MOST_FIELDS = 100
"""A report is signed by a handful of people."""

_OBJECT = re.compile(rb"(?:^|[\r\n\0\t\f ])(\d{1,10})[\r\n\0\t\f ]{1,8}(\d{1,5})[\r\n\0\t\f ]{1,8}obj\b")
"""The head of an object. Readers that mend a file look for these, whatever its cross-reference table says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """Where the part ends that is vouched for: its number of revision, counted from 0, and its length in bytes."""

    revision: int
    length: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """What stands behind the start besides signatures."""

    changes: tuple[str, ...]
    """What is another document by it."""
    stamps: tuple[str, ...]
    """Signatures that paint: what their stamps show, and cover, is not compared with anything."""


def added_behind(pdf: Path, start: Start) -> Added:
    """What revisions behind ``start`` add or change, other than signatures. Raises ArchiveError."""
    return bounded(_added, pdf, start)


def _added(pdf: Path, start: Start) -> Added:
    from pyhanko.pdf_utils.misc import PdfError
    from pyhanko.pdf_utils.reader import PdfFileReader

    content = pdf.read_bytes()
    try:
        comparison = _Comparison(PdfFileReader(io.BytesIO(content)), start)
        changes = [*comparison.start_differs(content), *comparison.changes(), *comparison.strays(content)]
    except (PdfError, ElementTree.ParseError, ValueError, KeyError, TypeError, AttributeError, IndexError) as problem:
        raise ArchiveError(f"{pdf}: what was added behind the pages cannot be read: {problem}") from problem
    return Added(changes=tuple(dict.fromkeys(changes)), stamps=tuple(dict.fromkeys(comparison.stamps)))


class _Comparison:
    """Revisions behind a start, held against it."""

    def __init__(self, reader: Any, start: Start) -> None:
        self._reader, self._start = reader, start
        self._old = reader.get_historical_resolver(start.revision)
        self._pages = dict(_pages(self._old))
        self.stamps: list[str] = []

    def start_differs(self, content: bytes) -> Iterator[str]:
        """Whether the revision of that number is what stands in those first bytes."""
        from pyhanko.pdf_utils.reader import PdfFileReader

        alone = PdfFileReader(io.BytesIO(content[: self._start.length])).xrefs
        last = alone.total_revisions - 1
        here = self._reader.xrefs
        if last != self._start.revision or any(
            alone.get_startxref_for_revision(n) != here.get_startxref_for_revision(n) for n in range(last + 1)
        ):
            yield "the file does not go on from the pages that stand at its start"

    def changes(self) -> Iterator[str]:
        """What each later revision changes."""
        for number in range(self._start.revision + 1, self._reader.xrefs.total_revisions):
            new = self._reader.get_historical_resolver(number)
            if new.refs_freed_in_revision():
                yield f"revision {number} removes objects of the report"
            if new.root_ref != self._old.root_ref:
                yield f"revision {number} brings a catalog of its own"
                continue
            yield from self._of_revision(new, number)

    def _of_revision(self, new: Any, number: int) -> Iterator[str]:
        widgets = {}
        for reference, field, problem in _fields(new):
            widgets[reference] = field
            if problem:
                yield f"revision {number}: {problem}"
            elif _paints(field):
                self.stamps.append(_words(field, "/T") or "of no name")
        for page in self._pages.values():
            if problem := _annotations_differ(self._old(page), new(page), widgets):
                yield f"revision {number} changes what is on a page: {problem}"
        for reference in sorted(new.explicit_refs_in_revision(), key=lambda each: each.idnum):
            if not self._old.is_ref_unassignable(reference):
                yield from self._replaced(reference, new, number)

    def _replaced(self, reference: Any, new: Any, number: int) -> Iterator[str]:
        """What is wrong with an object of the start that a revision replaces."""
        before, after = self._old(reference), new(reference)
        if _same(before, after):
            return
        role = self._role(reference)
        problem = role(before, after) if role is not None else "it is none that a signature changes"
        if problem:
            yield f"revision {number} replaces object {reference.idnum} of the report: {problem}"

    def _role(self, reference: Any) -> Any:
        """The comparison that an object of the start asks for; None where it must stay as it is."""
        old = self._old
        roles = {
            _reference(old.trailer_view, "/Info"): _info_differs,
            _reference(old.root, "/Metadata"): _metadata_differ,
            _reference(old.root, "/AcroForm"): _form_differs,
            _reference(old.root, "/DSS"): _nothing_differs,
            old.root_ref: _catalog_differs,
            **dict.fromkeys(self._pages.values(), _page_differs),
            **{_reference(old(page), "/Annots"): _list_differs for page in self._pages.values()},
        }
        if "/AcroForm" in old.root:
            roles[_reference(old.root["/AcroForm"], "/Fields")] = _list_differs
        return roles.get(reference)

    def strays(self, content: bytes) -> Iterator[str]:
        """Objects of the report that are written anew behind it without being entered in its tables."""
        known = {
            (each.idnum, each.generation)
            for number in range(self._start.revision + 1, self._reader.xrefs.total_revisions)
            for each in self._reader.get_historical_resolver(number).explicit_refs_in_revision()
        }
        for found in _OBJECT.finditer(content, self._start.length):
            identity = (int(found.group(1)), int(found.group(2)))
            if identity not in known:
                yield f"object {identity[0]} is written behind the pages, but entered nowhere"


def _pages(old: Any) -> Iterator[tuple[int, Any]]:
    """Number and reference of each page of a revision."""
    from pyhanko.pdf_utils.generic import IndirectObject

    waiting, seen = [old.root.raw_get("/Pages")], set[Any]()
    while waiting:
        node = waiting.pop()
        if not isinstance(node, IndirectObject) or node.reference in seen or len(seen) > _MOST_PAGES:
            raise ValueError("its pages are no tree")
        seen.add(node.reference)
        entry = old(node.reference)
        if "/Kids" in entry:
            waiting += list(entry["/Kids"])[::-1] if isinstance(entry.raw_get("/Kids"), list) else []
        else:
            yield len(seen), node.reference


def _fields(new: Any) -> Iterator[tuple[Any, Any, str | None]]:
    """Each signature field and widget of a form with its reference, and what is wrong with it."""
    root = new.root
    if "/AcroForm" not in root:
        return
    form = root["/AcroForm"]
    if more := set(form) - _FORM:
        yield None, {}, f"a form with {', '.join(sorted(more))}"
    fields = list(_items(form, "/Fields"))
    if len(fields) > _MOST_FIELDS:
        raise ValueError(f"it has {len(fields)} form fields")
    for raw in fields:
        yield from _field(new, raw)


def _field(new: Any, raw: Any) -> Iterator[tuple[Any, Any, str | None]]:
    field, reference = _taken(new, raw)
    yield reference, field, _field_fault(field, "/Sig")
    kids = list(_items(field, "/Kids"))
    if len(kids) > _MOST_FIELDS:
        raise ValueError(f"a form field has {len(kids)} widgets")
    for kid in kids:
        widget, its = _taken(new, kid)
        fault = "a form field within another" if "/Kids" in widget or "/T" in widget else _field_fault(widget, None)
        yield its, widget, fault


def _taken(new: Any, raw: Any) -> tuple[Any, Any]:
    """What an entry of a list stands for, and its reference."""
    from pyhanko.pdf_utils.generic import DictionaryObject, IndirectObject

    if not isinstance(raw, IndirectObject):
        raise ValueError("a form field is no object of its own")
    found = new(raw.reference)
    if not isinstance(found, DictionaryObject):
        raise ValueError("a form field is none")
    return found, raw.reference


def _field_fault(field: Any, kind: str | None) -> str | None:
    if kind is not None and _words(field, "/FT") != kind:
        return f"a form field that is no signature ({_words(field, '/FT') or 'of no kind'})"
    if more := set(map(str, field)) - _FIELD:
        return f"a signature field with {', '.join(sorted(more))[:200]}"
    return None


def _paints(field: Any) -> bool:
    """Whether a widget has a size on its page: then it shows what its maker likes (ISO 32000-1, 12.5.5)."""
    if "/Rect" not in field:
        return False
    left, bottom, right, top = (float(each) for each in field["/Rect"])
    return left != right and bottom != top


def _words(holder: Any, key: str) -> str:
    return str(holder[key])[:200] if key in holder else ""


def _items(holder: Any, key: str) -> tuple[Any, ...]:
    """Raw entries of a list in a dictionary; none where there is no such list."""
    found = holder[key] if key in holder else ()  # noqa: SIM401 - get() gives references as they stand
    if not isinstance(found, list | tuple):
        raise ValueError(f"{key} is no list")
    return tuple(found)


def _reference(holder: Any, key: str) -> Any:
    """Reference of the object that an entry names; None where it stands there itself."""
    from pyhanko.pdf_utils.generic import IndirectObject

    raw = holder.raw_get(key) if key in holder else None
    return raw.reference if isinstance(raw, IndirectObject) else None


def _same(one: Any, other: Any) -> bool:
    """Whether two objects are written with the same content; streams to the last packed byte."""
    if type(one) is not type(other):
        return False
    if hasattr(one, "encoded_data"):
        return bool(one.encoded_data == other.encoded_data and dict(one) == dict(other))
    return bool(one == other)


def _differing(before: Any, after: Any) -> set[str]:
    keys = set(before) | set(after)
    return {key for key in keys if key not in before or key not in after or before.raw_get(key) != after.raw_get(key)}


def _catalog_differs(before: Any, after: Any) -> str | None:
    if more := _differing(before, after) - _CATALOG:
        return f"the catalog has another {', '.join(sorted(more))}"
    moved = "/Metadata" in before and _reference(before, "/Metadata") != _reference(after, "/Metadata")
    return "its metadata lie elsewhere" if moved else None


def _page_differs(before: Any, after: Any) -> str | None:
    more = _differing(before, after) - {"/Annots"}
    return f"a page has another {', '.join(sorted(more))}" if more else None


def _annotations_differ(before: Any, after: Any, widgets: Any) -> str | None:
    """What is on a page besides its contents: as it was, with widgets of signatures behind it."""
    from pyhanko.pdf_utils.generic import IndirectObject

    was, now = _items(before, "/Annots"), _items(after, "/Annots")
    if now[: len(was)] != was:
        return "its annotations are others"
    added = [each for each in now[len(was) :] if not isinstance(each, IndirectObject) or each.reference not in widgets]
    return "an annotation that belongs to no signature" if added else None


def _form_differs(before: Any, after: Any) -> str | None:
    if more := _differing(before, after) - {"/Fields", "/SigFlags"}:
        return f"the form has another {', '.join(sorted(more))}"
    return _list_differs(_items(before, "/Fields"), _items(after, "/Fields"))


def _list_differs(before: Any, after: Any) -> str | None:
    return None if list(after[: len(before)]) == list(before) else "what it lists is not kept"


def _nothing_differs(before: Any, after: Any) -> str | None:
    return None


def _info_differs(before: Any, after: Any) -> str | None:
    more = _differing(before, after) - _INFO
    return f"the document information has another {', '.join(sorted(more))}" if more else None


def _metadata_differ(before: Any, after: Any) -> str | None:
    return None if _metadata(before) == _metadata(after) else "its metadata say something else"


def _metadata(stream: Any) -> list[tuple[str, str]]:
    """Properties with their values, without what the program that signs says of itself.

    A simple property may be written as an element or as an attribute (ISO 16684-1, 7.9.2.2); it counts as the same.
    """
    said: list[tuple[str, str]] = []
    for each in ElementTree.fromstring(stream.data).iter():
        said.append((each.tag, each.attrib.get(_RESOURCE, "") or (each.text or "").strip()))
        said += [(key, value.strip()) for key, value in each.attrib.items() if not key.startswith(_FRAME)]
    return sorted((key, value) for key, value in said if value and key not in _XMP)
