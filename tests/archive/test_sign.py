"""Signatures: PAdES by pyHanko, checked by pyHanko's own validation and by qpdf's reading of the file."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pikepdf
import pytest
from pyhanko.keys import load_cert_from_pemder
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.validation import validate_pdf_signature
from pyhanko_certvalidator import ValidationContext

from reportgen.archive.open_archive import open_archive
from reportgen.archive.sign import SigningKey, read_signatures, sign, sign_report
from reportgen.archive.verify import Kind, verify
from reportgen.errors import ArchiveError
from reportgen.render.catalogue import said
from tests.archive.bags import recompute, small_pdf
from tests.archive.keys import make_keys
from tests.archive.words import lines, telling, words


@pytest.fixture(scope="module")
def keys(tmp_path_factory):
    return make_keys(tmp_path_factory.mktemp("keys"))


@pytest.fixture(scope="module")
def pem(keys):
    return SigningKey(key=keys["key"], certificate=keys["certificate"])


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    return small_pdf(tmp_path_factory.mktemp("report"))


@pytest.fixture
def signed(report, pem, tmp_path):
    sign(report, tmp_path / "signed.pdf", pem, reason="Authorised", location="Test house")
    return tmp_path / "signed.pdf"


def test_pyhanko_finds_the_signature_valid(signed, keys):
    with signed.open("rb") as stream:
        (signature,) = PdfFileReader(stream).embedded_signatures
        root = load_cert_from_pemder(str(keys["certificate"]))
        status = validate_pdf_signature(signature, ValidationContext(trust_roots=[root], allow_fetching=False))
    assert status.bottom_line
    assert status.coverage.name == "ENTIRE_FILE"
    assert str(signature.sig_object["/SubFilter"]) == "/ETSI.CAdES.detached"


def test_the_signed_file_is_the_report_with_bytes_added(signed, report):
    """An incremental update (ISO 32000-1, 7.5.6): what was PDF/A before it is not touched by it."""
    assert signed.read_bytes().startswith(report.read_bytes())
    with pikepdf.open(signed) as pdf, pdf.open_metadata() as metadata:
        assert metadata.pdfa_status == "3U"
        assert pdf.check_pdf_syntax() == []
        (field,) = pdf.Root.AcroForm.Fields
        widget = field if "/Rect" in field else field.Kids[0]
        assert [float(each) for each in widget.Rect] == [0, 0, 0, 0], "a visible stamp breaks PDF/A"
        assert int(widget.F) & 4, "PDF/A wants annotations printable (ISO 19005-3, 6.3.2)"
    if shutil.which("qpdf"):
        assert subprocess.run(["qpdf", "--check", str(signed)], capture_output=True).returncode == 0


def test_the_sources_are_still_read(signed):
    with open_archive(signed) as archive:
        assert archive.problems == []


def test_a_self_signed_certificate_is_said_to_prove_nobody(signed, keys):
    (check,) = read_signatures(signed)
    assert (check.valid, check.trusted, check.self_signed) == (True, False, True)
    assert "who signed is not proven" in said(check.said)
    assert "Head of laboratory" in check.signer
    (trusted,) = read_signatures(signed, [keys["certificate"]])
    assert trusted.trusted
    assert "trusted here" in said(trusted.said)


def test_pkcs12_and_signing_in_place(report, keys, tmp_path):
    path = tmp_path / "report.pdf"
    shutil.copy(report, path)
    assert sign(path, path, SigningKey(key=keys["pkcs12"], passphrase=b"open")) == "Signature1"
    assert [check.valid for check in read_signatures(path)] == [True]


def test_two_people_sign(signed, tmp_path):
    other = make_keys(tmp_path, "Quality manager")
    name = sign(signed, tmp_path / "both.pdf", SigningKey(key=other["key"], certificate=other["certificate"]))
    assert name == "Signature2"
    checks = read_signatures(tmp_path / "both.pdf")
    assert [check.field for check in checks] == ["Signature1", "Signature2"]
    assert [check.valid for check in checks] == [True, True]


def test_a_changed_byte_is_found(signed, tmp_path):
    whole = bytearray(signed.read_bytes())
    at = whole.index(b"/MediaBox")
    whole[at + 12 : at + 13] = b"1"
    (tmp_path / "changed.pdf").write_bytes(whole)
    (check,) = read_signatures(tmp_path / "changed.pdf")
    assert not check.valid
    assert "CHANGED after signing" in said(check.said) or "cannot be checked" in said(check.said)


def test_a_page_changed_behind_the_signature_is_found(signed, tmp_path):
    """A second incremental update that is no signature: the signed bytes are intact, the document is not."""
    from pyhanko.pdf_utils import generic
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

    with signed.open("rb") as stream, (tmp_path / "added.pdf").open("wb") as goal:
        writer = IncrementalPdfFileWriter(stream)
        page = writer.root["/Pages"]["/Kids"][0]
        page["/MediaBox"] = generic.ArrayObject([generic.NumberObject(each) for each in (0, 0, 9, 9)])
        writer.update_container(page)
        writer.write(goal)
    (check,) = read_signatures(tmp_path / "added.pdf")
    assert (check.intact, check.covers_all, check.valid) == (True, False, False)
    assert "added after signing" in said(check.said)


def test_verify_reads_the_signature(signed, report, keys, tmp_path):
    def printed(job_folder):
        return {"report.pdf": report.read_bytes()}

    sound = verify(signed, recompute, printed, trusted=[keys["certificate"]])
    assert sound.exit_code == 0, lines(sound)
    assert any(line.kind is Kind.NOTE and "signature Signature1 by" in words(line) for line in sound.found)
    (tmp_path / "more.pdf").write_bytes(signed.read_bytes() + b"\n% more")
    assert verify(tmp_path / "more.pdf", recompute, printed).exit_code == 1


@pytest.mark.parametrize(
    "key, words",
    [
        ("nowhere", "No such file"),
        ("wrong passphrase", r"cannot be opened as a signing key.*passphrase"),
        ("key without certificate", "PEM file with the private key and its certificate"),
        ("certificate for key", "PEM file with the private key and its certificate"),
        ("certificate of another", "none of the certificates is that of the key"),
    ],
)
def test_keys_that_cannot_sign(report, keys, tmp_path, key, words):
    made = {
        "nowhere": SigningKey(key=Path("nowhere.p12")),
        "wrong passphrase": SigningKey(key=keys["pkcs12"], passphrase=b"shut"),
        "key without certificate": SigningKey(key=keys["key"]),
        "certificate for key": SigningKey(key=keys["certificate"]),
        "certificate of another": SigningKey(key=keys["key"], certificate=make_keys(tmp_path)["certificate"]),
    }
    with telling(ArchiveError, match=words):
        sign(report, tmp_path / "signed.pdf", made[key])
    assert not (tmp_path / "signed.pdf").exists()


def test_as_the_command_line_signs(report, keys, tmp_path):
    (tmp_path / "words").write_text("open\nmore")
    both = tmp_path / "both.pem"
    both.write_bytes(keys["key"].read_bytes() + keys["certificate"].read_bytes())
    for key, passphrase in ((keys["pkcs12"], tmp_path / "words"), (both, None)):
        (tmp_path / "signed.pdf").unlink(missing_ok=True)
        told = sign_report(report, tmp_path / "signed.pdf", key, passphrase, reason="Authorised")
        assert said(told[0]).endswith("signed.pdf: signed")
        assert "unchanged" in said(told[1])


def test_what_is_no_pdf_cannot_be_signed(pem, tmp_path):
    (tmp_path / "x.pdf").write_bytes(b"no pdf")
    with telling(ArchiveError, match="cannot be signed"):
        sign(tmp_path / "x.pdf", tmp_path / "signed.pdf", pem)
    with telling(ArchiveError, match="No such file"):
        sign(tmp_path / "nowhere.pdf", tmp_path / "signed.pdf", pem)
    assert [check.valid for check in read_signatures(tmp_path / "x.pdf")] == [False]


def test_sign_says_how_to_get_a_key_and_how_to_open_it(report, keys, tmp_path):
    """The message asked for a passphrase and did not say where it goes, nor where a key comes from."""
    with telling(ArchiveError, match="certification authority"):
        sign_report(report, tmp_path / "signed.pdf", tmp_path / "none.p12")
    with telling(ArchiveError, match="first line of a file and name the file with --password-file"):
        sign_report(report, tmp_path / "signed.pdf", keys["pkcs12"])
    with telling(ArchiveError, match="as --password-file names it"):
        sign_report(report, tmp_path / "signed.pdf", keys["pkcs12"], tmp_path / "none.txt")
    assert not (tmp_path / "signed.pdf").exists()
