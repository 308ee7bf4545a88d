"""Added: what stands in a PDF behind the bytes that were printed, or that somebody signed.

A signature is added as an incremental update (ISO 32000-1, 7.5.6), and so is anything else. An update can replace every
object of the file, so that other pages are shown than were printed; that it is signed says only that whoever holds
the key did it. Here each object of an update is held against the report: what a signature needs is let through by
name, and everything else is said.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from reportgen.archive.bounded import bounded
from reportgen.archive.reason import reason_of
from reportgen.errors import ArchiveError
from reportgen.records.message import Message, message

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
"""A report has up to some hundred."""
_LONGEST_WORD = 200
"""Characters of a name in a PDF that are shown."""
_MOST_NAMES = 20
"""Names shown of a dictionary; of those that signing touches none has more."""
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

    changes: tuple[Message, ...]
    """What is another document by it."""
    stamps: tuple[str | None, ...]
    """Names of signatures that paint, None for one without: what their stamps show, and cover, is not compared with
    anything."""


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
    except (
        ArchiveError,
        PdfError,
        ElementTree.ParseError,
        ValueError,
        KeyError,
        TypeError,
        AttributeError,
        IndexError,
    ) as problem:
        raise ArchiveError(message("added.cannot-read", pdf=str(pdf), reason=reason_of(problem))) from problem
    return Added(changes=tuple(dict.fromkeys(changes)), stamps=tuple(dict.fromkeys(comparison.stamps)))


class _Comparison:
    """Revisions behind a start, held against it."""

    def __init__(self, reader: Any, start: Start) -> None:
        self._reader, self._start = reader, start
        self._old = reader.get_historical_resolver(start.revision)
        self._pages = dict(_pages(self._old))
        self.stamps: list[str | None] = []

    def start_differs(self, content: bytes) -> Iterator[Message]:
        """Whether the revision of that number is what stands in those first bytes."""
        from pyhanko.pdf_utils.reader import PdfFileReader

        alone = PdfFileReader(io.BytesIO(content[: self._start.length])).xrefs
        last = alone.total_revisions - 1
        here = self._reader.xrefs
        if last != self._start.revision or any(
            alone.get_startxref_for_revision(n) != here.get_startxref_for_revision(n) for n in range(last + 1)
        ):
            yield message("added.other-start")

    def changes(self) -> Iterator[Message]:
        """What each later revision changes."""
        for number in range(self._start.revision + 1, self._reader.xrefs.total_revisions):
            new = self._reader.get_historical_resolver(number)
            if new.refs_freed_in_revision():
                yield message("added.removes", revision=number)
            if new.root_ref != self._old.root_ref:
                yield message("added.own-catalog", revision=number)
                continue
            yield from self._of_revision(new, number)

    def _of_revision(self, new: Any, number: int) -> Iterator[Message]:
        widgets = {}
        for reference, field, problem in _fields(new):
            widgets[reference] = field
            if problem:
                yield message("added.of-revision", revision=number, what=problem)
            elif _paints(field):
                self.stamps.append(_words(field, "/T") or None)
        for page in self._pages.values():
            if problem := _annotations_differ(self._old(page), new(page), widgets):
                yield message("added.changes-page", revision=number, what=problem)
        for reference in sorted(new.explicit_refs_in_revision(), key=lambda each: each.idnum):
            if not self._old.is_ref_unassignable(reference):
                yield from self._replaced(reference, new, number)

    def _replaced(self, reference: Any, new: Any, number: int) -> Iterator[Message]:
        """What is wrong with an object of the start that a revision replaces."""
        before, after = self._old(reference), new(reference)
        if _same(before, after):
            return
        role = self._role(reference)
        problem = role(before, after) if role is not None else message("added.not-of-signatures")
        if problem:
            yield message("added.replaces", revision=number, object=int(reference.idnum), what=problem)

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

    def strays(self, content: bytes) -> Iterator[Message]:
        """Objects of the report that are written anew behind it without being entered in its tables."""
        known = {
            (each.idnum, each.generation)
            for number in range(self._start.revision + 1, self._reader.xrefs.total_revisions)
            for each in self._reader.get_historical_resolver(number).explicit_refs_in_revision()
        }
        for found in _OBJECT.finditer(content, self._start.length):
            identity = (int(found.group(1)), int(found.group(2)))
            if identity not in known:
                yield message("added.entered-nowhere", object=identity[0])


def _pages(old: Any) -> Iterator[tuple[int, Any]]:
    """Number and reference of each page of a revision."""
    from pyhanko.pdf_utils.generic import IndirectObject

    waiting, seen = [old.root.raw_get("/Pages")], set[Any]()
    while waiting:
        node = waiting.pop()
        if not isinstance(node, IndirectObject) or node.reference in seen or len(seen) > _MOST_PAGES:
            raise ArchiveError(message("added.no-page-tree"))
        seen.add(node.reference)
        entry = old(node.reference)
        if "/Kids" in entry:
            waiting += list(entry["/Kids"])[::-1] if isinstance(entry.raw_get("/Kids"), list) else []
        else:
            yield len(seen), node.reference


def _fields(new: Any) -> Iterator[tuple[Any, Any, Message | None]]:
    """Each signature field and widget of a form with its reference, and what is wrong with it."""
    root = new.root
    if "/AcroForm" not in root:
        return
    form = root["/AcroForm"]
    if more := set(form) - _FORM:
        yield None, {}, message("added.form-with", names=_sorted(more))
    fields = list(_items(form, "/Fields"))
    if len(fields) > _MOST_FIELDS:
        raise ArchiveError(message("added.many-fields", fields=len(fields)))
    for raw in fields:
        yield from _field(new, raw)


def _field(new: Any, raw: Any) -> Iterator[tuple[Any, Any, Message | None]]:
    field, reference = _taken(new, raw)
    yield reference, field, _field_fault(field, "/Sig")
    kids = list(_items(field, "/Kids"))
    if len(kids) > _MOST_FIELDS:
        raise ArchiveError(message("added.many-widgets", widgets=len(kids)))
    for kid in kids:
        widget, its = _taken(new, kid)
        nested = "/Kids" in widget or "/T" in widget
        fault = message("added.field-in-field") if nested else _field_fault(widget, None)
        yield its, widget, fault


def _taken(new: Any, raw: Any) -> tuple[Any, Any]:
    """What an entry of a list stands for, and its reference."""
    from pyhanko.pdf_utils.generic import DictionaryObject, IndirectObject

    if not isinstance(raw, IndirectObject):
        raise ArchiveError(message("added.field-no-object"))
    found = new(raw.reference)
    if not isinstance(found, DictionaryObject):
        raise ArchiveError(message("added.no-field"))
    return found, raw.reference


def _field_fault(field: Any, kind: str | None) -> Message | None:
    if kind is not None and (found := _words(field, "/FT")) != kind:
        return message("added.other-field", kind=found) if found else message("added.field-of-no-kind")
    if more := set(map(str, field)) - _FIELD:
        return message("added.field-with", names=_sorted(more))
    return None


def _sorted(names: Iterable[Any]) -> tuple[str, ...]:
    """Names in order, not more and not longer than can be read; anybody may have written them."""
    return tuple(name[:_LONGEST_WORD] for name in sorted(map(str, names))[:_MOST_NAMES])


def _paints(field: Any) -> bool:
    """Whether a widget has a size on its page: then it shows what its maker likes (ISO 32000-1, 12.5.5)."""
    if "/Rect" not in field:
        return False
    left, bottom, right, top = (float(each) for each in field["/Rect"])
    return left != right and bottom != top


def _words(holder: Any, key: str) -> str:
    return str(holder[key])[:_LONGEST_WORD] if key in holder else ""


def _items(holder: Any, key: str) -> tuple[Any, ...]:
    """Raw entries of a list in a dictionary; none where there is no such list."""
    found = holder[key] if key in holder else ()  # noqa: SIM401 - get() gives references as they stand
    if not isinstance(found, list | tuple):
        raise ArchiveError(message("added.no-list", key=key))
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


def _catalog_differs(before: Any, after: Any) -> Message | None:
    if more := _differing(before, after) - _CATALOG:
        return message("added.other-in-catalog", names=_sorted(more))
    moved = "/Metadata" in before and _reference(before, "/Metadata") != _reference(after, "/Metadata")
    return message("added.metadata-elsewhere") if moved else None


def _page_differs(before: Any, after: Any) -> Message | None:
    more = _differing(before, after) - {"/Annots"}
    return message("added.other-in-page", names=_sorted(more)) if more else None


def _annotations_differ(before: Any, after: Any, widgets: Any) -> Message | None:
    """What is on a page besides its contents: as it was, with widgets of signatures behind it."""
    from pyhanko.pdf_utils.generic import IndirectObject

    was, now = _items(before, "/Annots"), _items(after, "/Annots")
    if now[: len(was)] != was:
        return message("added.other-annotations")
    added = [each for each in now[len(was) :] if not isinstance(each, IndirectObject) or each.reference not in widgets]
    return message("added.annotation-of-no-signature") if added else None


def _form_differs(before: Any, after: Any) -> Message | None:
    if more := _differing(before, after) - {"/Fields", "/SigFlags"}:
        return message("added.other-in-form", names=_sorted(more))
    return _list_differs(_items(before, "/Fields"), _items(after, "/Fields"))


def _list_differs(before: Any, after: Any) -> Message | None:
    return None if list(after[: len(before)]) == list(before) else message("added.list-not-kept")


def _nothing_differs(before: Any, after: Any) -> Message | None:
    return None


def _info_differs(before: Any, after: Any) -> Message | None:
    more = _differing(before, after) - _INFO
    return message("added.other-information", names=_sorted(more)) if more else None


def _metadata_differ(before: Any, after: Any) -> Message | None:
    return None if _metadata(before) == _metadata(after) else message("added.other-metadata")


def _metadata(stream: Any) -> list[tuple[str, str]]:
    """Properties with their values, without what the program that signs says of itself.

    A simple property may be written as an element or as an attribute (ISO 16684-1, 7.9.2.2); it counts as the same.
    """
    said: list[tuple[str, str]] = []
    for each in ElementTree.fromstring(stream.data).iter():
        said.append((each.tag, each.attrib.get(_RESOURCE, "") or (each.text or "").strip()))
        said += [(key, value.strip()) for key, value in each.attrib.items() if not key.startswith(_FRAME)]
    return sorted((key, value) for key, value in said if value and key not in _XMP)
