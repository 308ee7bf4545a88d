"""Forged pages: whoever adds to a printed report, signs it with a key of his own, and wants it certified."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.misc import PdfError
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign import fields, signers

from reportgen.archive import added
from reportgen.archive import sign as signing
from reportgen.archive.added import Start, added_behind
from reportgen.archive.sign import SigningKey, sign
from reportgen.archive.verify import Kind, Verified, verify
from reportgen.errors import ArchiveError
from tests.archive.bags import recompute, small_pdf
from tests.archive.keys import make_keys
from tests.archive.words import lines, telling, words


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    return make_keys(tmp_path_factory.mktemp("lab"))


@pytest.fixture(scope="module")
def forger(tmp_path_factory):
    return make_keys(tmp_path_factory.mktemp("forger"), "Head of laboratory")


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    return small_pdf(tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="module")
def signed(report, lab, tmp_path_factory):
    path = tmp_path_factory.mktemp("signed") / "signed.pdf"
    sign(report, path, key_of(lab))
    return path


def key_of(keys: dict[str, Path]) -> SigningKey:
    return SigningKey(key=keys["key"], certificate=keys["certificate"])


def checked(path: Path, report: Path, trusted: list[Path] | None = None) -> Verified:
    page = report.read_bytes()
    return verify(path, recompute, lambda job: {"report.pdf": page}, trusted=trusted or [])


def updated(source: Path, goal: Path, change: Callable[[IncrementalPdfFileWriter], None]) -> Path:
    """The file with an incremental update behind it that nobody signed."""
    stream = io.BytesIO(source.read_bytes())
    writer = IncrementalPdfFileWriter(stream)
    change(writer)
    writer.write_in_place()
    goal.write_bytes(stream.getvalue())
    return goal


@pytest.fixture
def other_software(monkeypatch):
    """The report was printed by other software than there is here."""
    monkeypatch.setattr("reportgen.archive.verify.versions", lambda branding: {"reportgen": "9.9"})


# Changes that a forger would make ----------------------------------------------------------------------------------


def first_page(writer: IncrementalPdfFileWriter) -> generic.DictionaryObject:
    page = writer.root["/Pages"]["/Kids"][0]
    assert isinstance(page, generic.DictionaryObject)
    return page


def other_contents(writer):
    page = first_page(writer)
    page["/Contents"] = writer.add_object(generic.StreamObject(stream_data=b"BT (pass) Tj ET"))
    writer.update_container(page)


def contents_rewritten(writer):
    stream = first_page(writer)["/Contents"]
    stream._data, stream._encoded_data = b"BT (pass) Tj ET", None
    writer.update_container(stream)
    writer.mark_update(first_page(writer).raw_get("/Contents").reference)


def other_resources(writer):
    page = first_page(writer)
    page["/Resources"] = generic.DictionaryObject()
    writer.update_container(page)


def free_text(writer):
    page = first_page(writer)
    note = generic.DictionaryObject(
        {
            generic.pdf_name("/Type"): generic.pdf_name("/Annot"),
            generic.pdf_name("/Subtype"): generic.pdf_name("/FreeText"),
            generic.pdf_name("/Rect"): generic.ArrayObject(map(generic.NumberObject, (0, 0, 500, 500))),
            generic.pdf_name("/Contents"): generic.pdf_string("pass"),
        }
    )
    page["/Annots"] = generic.ArrayObject([writer.add_object(note)])
    writer.update_container(page)


def other_pages(writer):
    pages = generic.DictionaryObject(writer.root["/Pages"])
    writer.root["/Pages"] = writer.add_object(pages)
    writer.update_root()


def script_on_opening(writer):
    action = {"/S": generic.pdf_name("/JavaScript"), "/JS": generic.pdf_string("app.alert('pass')")}
    entries = {generic.pdf_name(key): value for key, value in action.items()}
    writer.root["/OpenAction"] = generic.DictionaryObject(entries)
    writer.update_root()


def other_attachments(writer):
    writer.root["/Names"] = generic.DictionaryObject()
    writer.update_root()


def other_title(writer):
    info = writer.prev.trailer_view["/Info"] if hasattr(writer.prev, "trailer_view") else writer.prev.trailer["/Info"]
    info["/Title"] = generic.pdf_string("passed")
    writer.update_container(info)


def text_field(writer):
    field = {"/FT": generic.pdf_name("/Tx"), "/T": generic.pdf_string("Verdict"), "/V": generic.pdf_string("pass")}
    entries = generic.DictionaryObject({generic.pdf_name(key): value for key, value in field.items()})
    form = {generic.pdf_name("/Fields"): generic.ArrayObject([writer.add_object(entries)])}
    writer.root["/AcroForm"] = generic.DictionaryObject(form)
    writer.update_root()


FORGERIES = [
    other_contents,
    contents_rewritten,
    other_resources,
    free_text,
    other_pages,
    script_on_opening,
    other_attachments,
    other_title,
    text_field,
]


@pytest.mark.parametrize("forge", FORGERIES, ids=lambda each: each.__name__)
def test_an_update_signed_by_any_key_is_never_certified(report, forger, tmp_path, forge):
    updated(report, tmp_path / "forged.pdf", forge)
    sign(tmp_path / "forged.pdf", tmp_path / "signed.pdf", key_of(forger))
    found = checked(tmp_path / "signed.pdf", report)
    if forge is other_attachments:
        assert found.exit_code == 5, lines(found)
    else:
        assert found.exit_code == 1, lines(found)
        assert any(line.kind is Kind.PAGES for line in found.found), lines(found)
    assert "everything" not in lines(found)[-1]


@pytest.mark.parametrize("forge", FORGERIES[:4], ids=lambda each: each.__name__)
def test_a_forgery_within_the_revision_that_signs_is_found(report, forger, tmp_path, forge):
    """Contents and signature come in one update, so that no revision lies between them."""
    writer = IncrementalPdfFileWriter(io.BytesIO(report.read_bytes()))
    forge(writer)
    meta = signers.PdfSignatureMetadata(field_name="Signature1", subfilter=fields.SigSeedSubFilter.PADES)
    made = signers.sign_pdf(writer, meta, signer=signing._signer(key_of(forger)))
    (tmp_path / "forged.pdf").write_bytes(made.getvalue())
    found = checked(tmp_path / "forged.pdf", report)
    assert found.exit_code == 1, lines(found)


@pytest.mark.parametrize("forge", FORGERIES, ids=lambda each: each.__name__)
def test_a_forgery_between_two_signatures_is_found(signed, report, lab, forger, tmp_path, forge):
    updated(signed, tmp_path / "forged.pdf", forge)
    sign(tmp_path / "forged.pdf", tmp_path / "both.pdf", key_of(forger))
    found = checked(tmp_path / "both.pdf", report, [lab["certificate"]])
    assert found.exit_code == (5 if forge is other_attachments else 1), lines(found)


@pytest.mark.parametrize("forge", FORGERIES, ids=lambda each: each.__name__)
def test_a_forgery_behind_a_trusted_signature_is_found_without_printing_again(
    signed, lab, forger, tmp_path, forge, other_software
):
    """Whoever has other software than the laboratory had cannot print the pages; then the signature has to hold."""
    updated(signed, tmp_path / "forged.pdf", forge)
    sign(tmp_path / "forged.pdf", tmp_path / "both.pdf", key_of(forger))
    found = verify(tmp_path / "both.pdf", recompute, lambda job: {"report.pdf": b"other"}, trusted=[lab["certificate"]])
    # Attachments or the trusted signature itself taken out: nothing is left that could be compared.
    assert found.exit_code == (5 if forge in (other_attachments, text_field) else 1), lines(found)
    assert "everything" not in lines(found)[-1]


def test_pages_that_the_same_software_prints_otherwise_are_different_whoever_signed(signed, lab):
    found = verify(signed, recompute, lambda job: {"report.pdf": b"other"}, trusted=[lab["certificate"]])
    assert found.exit_code == 1, lines(found)


def test_a_trusted_signature_vouches_for_pages_that_other_software_printed(signed, lab, other_software):
    found = verify(signed, recompute, lambda job: {"report.pdf": b"other"}, trusted=[lab["certificate"]])
    assert found.exit_code == 0, lines(found)
    assert any("who is trusted here, signed" in words(line) for line in found.found)


def test_an_unsigned_update_is_found(report, signed, tmp_path):
    for source in (report, signed):
        for change in (other_contents, lambda writer: writer.add_object(generic.pdf_string("nothing"))):
            found = checked(updated(source, tmp_path / "forged.pdf", change), report)
            assert found.exit_code == 1, lines(found)


def test_a_stamp_over_a_page_is_not_called_as_reported(report, forger, tmp_path):
    """A signature may be visible, and what it shows is its maker's: here it covers the whole page."""
    writer = IncrementalPdfFileWriter(io.BytesIO(report.read_bytes()))
    fields.append_signature_field(writer, fields.SigFieldSpec("Signature1", box=(0, 0, 500, 800)))
    meta = signers.PdfSignatureMetadata(field_name="Signature1", subfilter=fields.SigSeedSubFilter.PADES)
    made = signers.sign_pdf(writer, meta, signer=signing._signer(key_of(forger)))
    (tmp_path / "stamped.pdf").write_bytes(made.getvalue())
    found = checked(tmp_path / "stamped.pdf", report, [forger["certificate"]])
    assert found.exit_code == 5, lines(found)
    assert "what stamps show" in lines(found)[-1]


def test_an_object_that_is_entered_nowhere_is_found(report, forger, tmp_path):
    """Readers that mend a file take the last object of a number, whatever the table says."""
    stream = io.BytesIO(report.read_bytes())
    writer = IncrementalPdfFileWriter(stream)
    number = first_page(writer).raw_get("/Contents").idnum
    hidden = b"\n%d 0 obj\n<</Length 4>>\nstream\npass\nendstream\nendobj\n" % number
    writer.add_object(generic.StreamObject(stream_data=hidden))
    meta = signers.PdfSignatureMetadata(field_name="Signature1", subfilter=fields.SigSeedSubFilter.PADES)
    made = signers.sign_pdf(writer, meta, signer=signing._signer(key_of(forger)))
    (tmp_path / "hidden.pdf").write_bytes(made.getvalue())
    found = checked(tmp_path / "hidden.pdf", report)
    assert found.exit_code == 1
    assert f"object {number} is written behind the pages" in " ".join(lines(found))


# Who signed ------------------------------------------------------------------------------------------------------


def test_without_trust_the_signer_is_unknown_and_vouches_for_nothing(signed, report):
    found = checked(signed, report)
    text = " ".join(lines(found))
    assert found.exit_code == 5
    assert "the signer is unknown" in text
    assert "an unknown signer vouches for nothing" in text
    assert "everything" not in lines(found)[-1]
    assert any("same to the last byte; behind them stand signatures only" in words(line) for line in found.found)


def test_with_trust_everything_is_as_reported(signed, report, lab):
    found = checked(signed, report, [lab["certificate"]])
    assert found.exit_code == 0, lines(found)
    assert lines(found)[-1].endswith("everything is as it was reported")


def test_somebody_of_the_same_name_is_not_trusted(report, lab, forger, tmp_path):
    sign(report, tmp_path / "signed.pdf", key_of(forger))
    assert checked(tmp_path / "signed.pdf", report, [lab["certificate"]]).exit_code == 5


def test_a_signed_file_cut_back_is_told_as_unsigned(signed, report, lab, tmp_path):
    path = tmp_path / "cut.pdf"
    path.write_bytes(signed.read_bytes()[: report.stat().st_size])
    found = checked(path, report)
    assert lines(found)[-1].endswith("it is not signed")
    assert any("the PDF is not signed: nobody vouches for it" in words(line) for line in found.found)
    asked = checked(path, report, [lab["certificate"]])
    assert asked.exit_code == 5
    assert "a signature by cert.pem" in lines(asked)[-1]


def test_two_signatures_cut_back_to_one_are_found_where_both_are_asked_for(signed, report, lab, forger, tmp_path):
    both = tmp_path / "both.pdf"
    sign(signed, both, key_of(forger))
    asked = [lab["certificate"], forger["certificate"]]
    assert checked(both, report, asked).exit_code == 0
    assert checked(signed, report, asked).exit_code == 5


def test_bytes_in_the_place_of_a_signature_that_are_not_its_own_are_found(signed, report, lab, tmp_path):
    """The place of the signature itself is covered by none; zeros fill it up."""
    content = bytearray(signed.read_bytes())
    place = re.search(rb"/Contents\s*<([0-9A-Fa-f]{1000,})>", content)
    assert place is not None
    content[place.end(1) - 3] = ord("7")
    (tmp_path / "filled.pdf").write_bytes(content)
    assert checked(tmp_path / "filled.pdf", report, [lab["certificate"]]).exit_code == 1


# Every change ----------------------------------------------------------------------------------------------------


def _mutated(source: Path, goal: Path, number: int, kind: str) -> bool:
    """The source with an update that replaces one object; False where there is no such object, or none that changes.

    The library writes the catalog anew by itself, whatever was put in its place.
    """
    stream = io.BytesIO(source.read_bytes())
    writer = IncrementalPdfFileWriter(stream)
    reference = generic.Reference(number, 0, writer)
    try:
        old = writer.get_object(reference)
    except Exception:
        return False
    if isinstance(old, generic.NullObject):
        return False
    new: generic.PdfObject
    if kind == "null":
        new = generic.NullObject()
    elif isinstance(old, generic.StreamObject):
        new = generic.StreamObject(dict(old), encoded_data=bytes(old.encoded_data) + b" ")
    elif isinstance(old, generic.DictionaryObject):
        new = generic.DictionaryObject({**dict(old), generic.pdf_name("/Changed"): generic.BooleanObject(True)})
    else:
        new = generic.pdf_string("changed")
    writer.objects[(0, number)] = new
    try:
        writer.write_in_place()
    except TypeError:  # the library cannot write over a file whose document information it put to nothing
        return False
    goal.write_bytes(stream.getvalue())
    try:
        return bool(PdfFileReader(io.BytesIO(stream.getvalue())).get_object(generic.Reference(number, 0)) != old)
    except PdfError:  # beyond reading, which is a change
        return True


def _run(signed: Path, report: Path, lab: dict[str, Path], forger: dict[str, Path], folder: Path, every: int) -> int:
    """Replace each object (one in ``every``), unsigned and signed by somebody: each change must be found."""
    size = int(PdfFileReader(io.BytesIO(signed.read_bytes())).trailer["/Size"])
    tried = 0
    for number in range(1, size, every):
        for kind in ("null", "changed"):
            goal, again = folder / "m.pdf", folder / "s.pdf"
            if not _mutated(signed, goal, number, kind):
                continue
            tried += 1
            assert checked(goal, report, [lab["certificate"]]).exit_code in (1, 5), (number, kind)
            try:
                sign(goal, again, key_of(forger))
            except ArchiveError:
                continue  # a file that is beyond signing
            asked = [lab["certificate"], forger["certificate"]]
            assert checked(again, report, asked).exit_code in (1, 5), (number, kind, "signed")
    return tried


@pytest.fixture
def here(monkeypatch):
    """No process for each document: there are hundreds, and none of them is hostile to the machine."""
    from reportgen.archive import open_archive

    for module in (open_archive, signing, added):
        monkeypatch.setattr(module, "bounded", lambda work, *given: work(*given))


def test_an_object_replaced_behind_a_signature_is_found(signed, report, lab, forger, tmp_path, here):
    assert _run(signed, report, lab, forger, tmp_path, every=6) >= 8


@pytest.mark.soak
def test_every_object_replaced_behind_a_signature_is_found(signed, report, lab, forger, tmp_path, here):
    print(_run(signed, report, lab, forger, tmp_path, every=1), "objects replaced, each found")


def _cuts(path: Path) -> list[int]:
    """Lengths at which the file could end: behind each of its end marks, and one byte around them."""
    ends = [found.end() for found in re.finditer(rb"%%EOF\n?", path.read_bytes())]
    return sorted({end + off for end in ends for off in (-1, 0, 1)})


def test_every_revision_cut_is_found(signed, report, lab, forger, tmp_path, here):
    both = tmp_path / "both.pdf"
    sign(signed, both, key_of(forger))
    whole = both.read_bytes()
    asked = [lab["certificate"], forger["certificate"]]
    assert checked(both, report, asked).exit_code == 0
    for length in _cuts(both):
        if length < len(whole):
            (tmp_path / "cut.pdf").write_bytes(whole[:length])
            assert checked(tmp_path / "cut.pdf", report, asked).exit_code != 0, length


def test_revisions_taken_out_of_the_middle_are_found(signed, report, lab, forger, tmp_path, here):
    both = tmp_path / "both.pdf"
    sign(signed, both, key_of(forger))
    page, one, two = report.stat().st_size, signed.stat().st_size, both.stat().st_size
    whole = both.read_bytes()
    assert two == len(whole)
    for mixed in (whole[:page] + whole[one:], whole[:one] + whole[page:one], whole + whole[one:]):
        (tmp_path / "mixed.pdf").write_bytes(mixed)
        found = checked(tmp_path / "mixed.pdf", report, [lab["certificate"], forger["certificate"]])
        assert found.exit_code == 1, lines(found)


# Work without end ------------------------------------------------------------------------------------------------


def test_form_fields_that_share_their_children(report, tmp_path, monkeypatch):
    """40 levels of two references each to the next: a billion paths in four kilobytes."""
    monkeypatch.setattr("reportgen.archive.bounded.SECONDS", 4.0)

    def shared(writer):
        field = writer.add_object(generic.DictionaryObject({generic.pdf_name("/T"): generic.pdf_string("leaf")}))
        for level in range(40):
            kids = generic.ArrayObject([field, field])
            entries = {"/T": generic.pdf_string(f"f{level}"), "/Kids": kids}
            made = generic.DictionaryObject({generic.pdf_name(key): value for key, value in entries.items()})
            field = writer.add_object(made)
        form = {generic.pdf_name("/Fields"): generic.ArrayObject([field])}
        writer.root["/AcroForm"] = generic.DictionaryObject(form)
        writer.update_root()

    path = updated(report, tmp_path / "shared.pdf", shared)
    found = checked(path, report)
    assert found.exit_code in (1, 5), lines(found)
    assert "everything" not in lines(found)[-1]
    assert added_behind(path, Start(revision=0, length=report.stat().st_size)).changes


MEGABYTES = 1600


def test_a_table_of_objects_that_unpacks_without_end(tmp_path):
    """A cross-reference stream of 1.6 GB in a file of 7 MB; the machine keeps its memory."""
    import zlib

    packer = zlib.compressobj(1)
    zeros = bytes(1 << 20)
    packed = b"".join(packer.compress(zeros) for _ in range(MEGABYTES)) + packer.flush()
    entries = (MEGABYTES << 20) // 7
    head = b"%PDF-1.7\n1 0 obj\n<</Type/Catalog/Pages 2 0 R>>\nendobj\n"
    head += b"2 0 obj\n<</Type/Pages/Kids[]/Count 0>>\nendobj\n"
    table = b"3 0 obj\n<</Type/XRef/Size %d/W[1 4 2]/Root 1 0 R/Filter/FlateDecode/Length %d>>\nstream\n" % (
        entries,
        len(packed),
    )
    path = tmp_path / "endless.pdf"
    at = len(head)
    path.write_bytes(head + table + packed + b"\nendstream\nendobj\nstartxref\n%d\n%%%%EOF\n" % at)
    assert path.stat().st_size < 10_000_000
    script = (
        "import resource, sys\nfrom pathlib import Path\nfrom reportgen.archive.verify import verify\n"
        "found = verify(Path(sys.argv[1]), dict)\nprint(found.exit_code, *found.said, sep='\\n')\n"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)\n"
    )
    done = subprocess.run([sys.executable, "-c", script, str(path)], capture_output=True, text=True, timeout=120)
    told = done.stdout.splitlines()
    assert told[0] in ("1", "5"), done.stdout + done.stderr
    assert int(told[-1]) * 1024 < 1.5e9, "more memory than a build's own documents ever take"
    assert done.stderr == ""


def test_a_pipe_and_a_device_are_not_waited_for(tmp_path):
    import os

    os.mkfifo(tmp_path / "pipe.pdf")
    for path in (tmp_path / "pipe.pdf", Path("/dev/zero"), Path("/dev/tty"), tmp_path):
        found = verify(path, recompute)
        assert found.exit_code == 1
        assert "is not a file" in " ".join(lines(found))


def test_a_process_that_dies_is_told_from_a_fault_of_ours(tmp_path):
    from reportgen.archive.bounded import BoundError, bounded

    path = tmp_path / "x"
    path.write_bytes(b"x")
    for work, why in ((_die, "died"), (_take_memory, "of memory")):
        with telling(BoundError, match=why):
            bounded(work, path)
    with pytest.raises(RuntimeError, match="ZeroDivisionError"):
        bounded(_fail, path)


def _die(path: Path) -> None:
    import os

    os._exit(3)


def _take_memory(path: Path) -> int:
    return len(bytearray(8 << 30))


def _fail(path: Path) -> float:
    return 1 / 0
