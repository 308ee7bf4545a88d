"""Sign: a PAdES signature that leaves the PDF valid PDF/A, and what the signatures of a PDF are worth.

The signature is invisible and added behind the file as it is (incremental update, ISO 32000-1, 7.5.6; ETSI
EN 319 142-1): a visible stamp would bring fonts that break PDF/A, and the signature block is printed on the page
anyway. Nothing is fetched from a network: neither time stamps nor revocation lists.
"""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from reportgen.archive.amendment import is_draft
from reportgen.archive.bag import RESULTS
from reportgen.archive.bounded import bounded
from reportgen.archive.publish import write_whole
from reportgen.archive.reason import reason_of
from reportgen.errors import ArchiveError
from reportgen.records.message import Message, message


@dataclass(frozen=True, slots=True, kw_only=True)
class SigningKey:
    """Where the key lies: a PKCS #12 file (.p12, .pfx), or a PEM file with key and certificates."""

    key: Path
    certificate: Path | None = None
    """PEM, where the key's own file does not hold the certificate."""
    passphrase: bytes | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SignatureCheck:
    """One signature of a PDF and what it is worth."""

    field: str
    """Name in the PDF; empty where the file could not even be read for its signatures."""
    signer: str
    fingerprint: str
    """SHA-256 of the signer's certificate, to compare with what the signer has given out."""
    when: str | None
    """As the signer's own clock had it (ISO 8601); None where the signature does not state it."""
    intact: bool
    """The signed bytes are those that were signed, and the signature is of the certificate's key."""
    covers_all: bool
    """Nothing was added after signing, except further signatures."""
    trusted: bool
    """The certificate descends from one that is trusted here."""
    self_signed: bool
    problem: Message | None = None
    trusted_by: tuple[int, ...] = ()
    """Which of the certificates trusted here it descends from, by their place among them."""
    revision: int = 0
    """Revision of the file that was signed, counted from 0, the printed pages."""
    end: int = 0
    """Bytes of the file up to the end of what was signed."""

    @property
    def valid(self) -> bool:
        """Whether the file is what was signed; who signed it is another question, see ``trusted``."""
        return self.intact and self.covers_all and self.problem is None

    @property
    def said(self) -> Message:
        """All of it, as a message."""
        if self.problem is not None:
            if not self.field:
                return message("signature.file-cannot-check", reason=self.problem)
            return message("signature.cannot-check", field=self.field, reason=self.problem)
        return message(
            "signature.checked",
            field=self.field,
            signer=self.signer,
            when=message("signature.no-time") if self.when is None else message("signature.time", when=self.when),
            state=self._state(),
            trust=self._trust(),
        )

    def _state(self) -> Message:
        if self.intact:
            return message("signature.unchanged") if self.covers_all else message("signature.unchanged-but-added")
        return message("signature.changed") if self.covers_all else message("signature.changed-and-added")

    def _trust(self) -> Message:
        if self.trusted:
            return message("signature.trusted")
        if self.self_signed:
            return message("signature.self-signed", fingerprint=self.fingerprint)
        return message("signature.untrusted", fingerprint=self.fingerprint)


def sign(pdf: Path, out: Path, key: SigningKey, *, reason: str | None = None, location: str | None = None) -> str:
    """Sign ``pdf`` into ``out`` (which may be the same file); the name of the signature field.

    A PDF that is signed already gets one more signature. Raises ArchiveError.
    """
    name, signed = bounded(_signed, pdf, key, reason, location)
    write_whole(out, signed)
    return name


def _signed(pdf: Path, key: SigningKey, reason: str | None, location: str | None) -> tuple[str, bytes]:
    """Name of the new signature field, and the file with it. Raises ArchiveError."""
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
    from pyhanko.sign import fields, signers

    signer = _signer(key)
    try:
        content = pdf.read_bytes()
        _refuse_draft(pdf, content)
        writer = IncrementalPdfFileWriter(io.BytesIO(content))
        name = _free_field(writer.prev)
        meta = signers.PdfSignatureMetadata(
            field_name=name,
            reason=reason,
            location=location,
            md_algorithm="sha256",
            subfilter=fields.SigSeedSubFilter.PADES,
        )
        signed = signers.sign_pdf(writer, meta, signer=signer)
    except (MemoryError, RecursionError):
        raise
    except OSError as problem:
        raise ArchiveError(message("error.at", where=str(pdf), what=reason_of(problem))) from problem
    except ArchiveError:
        raise
    except Exception as problem:  # whatever the PDF library trips over in a file that anybody may have made
        raise ArchiveError(message("sign.cannot", pdf=str(pdf), reason=reason_of(problem))) from problem
    return name, signed.getvalue()


DRAFT_KEYWORD = "draft"
"""Among the keywords of a draft's PDF, as the room that prints it has it (``render.draft.KEYWORD``)."""


def _refuse_draft(pdf: Path, content: bytes) -> None:
    """Raises ArchiveError where a PDF, or the results it carries, says that it is a draft."""
    import pikepdf

    with pikepdf.open(io.BytesIO(content), suppress_warnings=True) as opened:
        keywords = str(opened.docinfo.get("/Keywords", "")).split(", ")
        carried = [each.get_file().read_bytes() for name, each in opened.attachments.items() if name == RESULTS]
    if DRAFT_KEYWORD in keywords or any(_says_draft(each) for each in carried):
        raise ArchiveError(message("sign.draft", pdf=str(pdf)))


def _says_draft(results: bytes) -> bool:
    try:
        return is_draft(json.loads(results))
    except (ValueError, RecursionError):
        return False


def _signer(key: SigningKey) -> Any:
    """The signer of a key file. Raises ArchiveError."""
    from pyhanko.sign import signers

    try:
        content = key.key.read_bytes()
        passphrase = key.passphrase
        if b"-----BEGIN" in content:
            certificates = content if key.certificate is None else key.certificate.read_bytes()
            content, passphrase = _pkcs12_of_pem(content, certificates, passphrase), None
        simple: Any = signers.SimpleSigner  # its loaders carry no types
        signer = simple.load_pkcs12_data(content, other_certs=[], passphrase=passphrase)
    except OSError as problem:
        file = str(problem.filename)
        raise ArchiveError(message("sign.no-key-file", file=file, reason=reason_of(problem))) from problem
    except (ArchiveError, ValueError, TypeError) as problem:
        raise ArchiveError(message("sign.no-key-because", key=str(key.key), reason=reason_of(problem))) from problem
    if signer is None:
        raise ArchiveError(message("sign.no-key", key=str(key.key)))
    return signer


def _pkcs12_of_pem(pem: bytes, certificates: bytes, passphrase: bytes | None) -> bytes:
    """Key and certificates as PKCS #12 in memory. Raises ArchiveError, ValueError, TypeError."""
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import NoEncryption, load_pem_private_key, pkcs12

    key: Any = load_pem_private_key(pem, passphrase)
    chain = x509.load_pem_x509_certificates(certificates)
    own = next((each for each in chain if each.public_key() == key.public_key()), None)
    if own is None:
        raise ArchiveError(message("sign.no-certificate-of-key"))
    others = [each for each in chain if each is not own]
    return pkcs12.serialize_key_and_certificates(None, key, own, others, NoEncryption())


def sign_report(
    pdf: Path, out: Path, key: Path, passphrase_file: Path | None = None, *, reason: str | None = None
) -> tuple[Message, ...]:
    """Sign, and say what was done; the passphrase is the first line of its file.

    Raises ArchiveError; also where ``out`` is another file that exists: it may be signed, too.
    """
    if out != pdf and (out.exists() or out.is_symlink()) and not (out.exists() and out.samefile(pdf)):
        raise ArchiveError(message("sign.out-exists", out=str(out)))
    passphrase = None
    if passphrase_file is not None:
        try:
            passphrase = passphrase_file.read_bytes().split(b"\n")[0].rstrip(b"\r")
        except OSError as problem:
            file = str(passphrase_file)
            raise ArchiveError(message("sign.no-passphrase", file=file, reason=reason_of(problem))) from problem
    field = sign(pdf, out, SigningKey(key=key, passphrase=passphrase), reason=reason)
    check = next(check for check in read_signatures(out) if check.field == field)
    return (message("sign.done", out=str(out)), check.said)


def _free_field(reader: Any) -> str:
    """The first name Signature1, Signature2 … that the PDF does not use."""
    taken = {each.field_name for each in reader.embedded_signatures}
    number = 1
    while f"Signature{number}" in taken:
        number += 1
    return f"Signature{number}"


def read_signatures(pdf: Path, trusted: Sequence[Path] = ()) -> tuple[SignatureCheck, ...]:
    """Every signature of a PDF, checked without a network; none where it is not signed.

    Raises ArchiveError where a certificate of ``trusted`` cannot be read.
    """
    certificates(trusted)
    return bounded(_read_signatures, pdf, tuple(trusted))


def _read_signatures(pdf: Path, trusted: Sequence[Path]) -> tuple[SignatureCheck, ...]:
    """As ``read_signatures``, in a process that may take so long and so much."""
    from pyhanko.pdf_utils.reader import PdfFileReader
    from pyhanko_certvalidator import ValidationContext

    each = [certificates([path]) for path in trusted]
    context = ValidationContext(trust_roots=[root for roots in each for root in roots], allow_fetching=False)
    # What the library would write to the terminal, tracebacks included, is said in the checks.
    logging.getLogger("pyhanko").setLevel(logging.CRITICAL)
    try:
        content = pdf.read_bytes()
        signatures = list(PdfFileReader(io.BytesIO(content)).embedded_signatures)
    except (MemoryError, RecursionError):
        raise
    except Exception as problem:  # whatever the PDF library trips over in a file that anybody may have made
        return (_unreadable("", problem),)
    sealed = any(_end(signature) == len(content) for signature in signatures)
    found = (_checked(signature, context, content, sealed=sealed) for signature in signatures)
    roots = [{root.sha256.hex() for root in several} for several in each]
    return tuple(
        replace(check, trusted_by=tuple(n for n, own in enumerate(roots) if anchor in own)) for check, anchor in found
    )


def _end(signature: Any) -> int:
    """Where the bytes end that a signature covers (ISO 32000-1, 12.8.1); 0 where it does not say."""
    try:
        _, _, start, length = (int(each) for each in signature.byte_range)
    except (TypeError, ValueError):
        return 0
    return start + length


def certificates(paths: Sequence[Path]) -> list[Any]:
    """The certificates of PEM or DER files. Raises ArchiveError."""
    if not paths:
        return []
    from pyhanko import keys

    odd = [path for path in paths if path.exists() and not path.is_file()]
    if odd:
        raise ArchiveError(message("sign.no-ordinary-file", path=str(odd[0])))
    load: Any = keys.load_certs_from_pemder
    try:
        return list(load([str(path) for path in paths]))
    except (OSError, ValueError) as problem:
        raise ArchiveError(message("sign.no-trusted-certificate", reason=str(problem))) from problem


def _checked(signature: Any, context: Any, content: bytes, *, sealed: bool) -> tuple[SignatureCheck, str | None]:
    """Check one signature or time stamp; and SHA-256 of the trusted certificate that it descends from, if any.

    ``sealed``: this or a later one covers the file to its last byte.
    """
    from pyhanko.sign.validation import validate_pdf_signature, validate_pdf_timestamp

    try:
        if str(signature.sig_object_type) == "/DocTimeStamp":
            status: Any = validate_pdf_timestamp(signature, context)
        else:
            status = validate_pdf_signature(signature, signer_validation_context=context)
        certificate = status.signing_cert
        check = SignatureCheck(
            field=str(signature.field_name),
            signer=certificate.subject.human_friendly,
            fingerprint=certificate.sha256.hex(),
            when=_stated_time(getattr(status, "signer_reported_dt", None) or getattr(status, "timestamp", None)),
            intact=bool(status.intact and status.valid) and _fills_its_place(signature, content),
            covers_all=sealed and _covers_all(status),
            trusted=bool(status.trusted),
            self_signed=certificate.self_signed in ("yes", "maybe"),
            revision=int(signature.signed_revision),
            end=_end(signature),
        )
        path = status.validation_path if status.trusted else None
        return check, None if path is None else next(iter(path.iter_certs(include_root=True))).sha256.hex()
    except (MemoryError, RecursionError):
        raise
    except Exception as problem:  # a hostile signature is a finding, whatever it makes the library raise
        return _unreadable(str(signature.field_name), problem), None


def _fills_its_place(signature: Any, content: bytes) -> bool:
    """Whether the place that a signature cannot cover holds the signature and zeros, in one hand, and nothing else.

    Other bytes there would change nothing in the document; but then the file is not the one that was signed.
    """
    from asn1crypto.cms import ContentInfo  # type: ignore[import-untyped]

    _, before, after, _ = (int(each) for each in signature.byte_range)
    place = content[before:after]
    digits = place[1:-1]
    if place[:1] + place[-1:] != b"<>" or digits not in (digits.lower(), digits.upper()):
        return False
    written = bytes.fromhex(digits.decode("ascii"))
    return not written[len(ContentInfo.load(written).dump()) :].strip(b"\0")


def _unreadable(field: str, problem: Exception) -> SignatureCheck:
    return SignatureCheck(
        field=field,
        signer="",
        fingerprint="",
        when=None,
        intact=False,
        covers_all=False,
        trusted=False,
        self_signed=False,
        problem=reason_of(problem),
    )


def _stated_time(moment: Any) -> str | None:
    return None if moment is None else str(moment.isoformat())


def _covers_all(status: Any) -> bool:
    """Whether the file ends with this signature, or only further signatures follow it."""
    from pyhanko.sign.diff_analysis import ModificationLevel
    from pyhanko.sign.validation import SignatureCoverageLevel

    if status.coverage == SignatureCoverageLevel.ENTIRE_FILE:
        return True
    allowed = (ModificationLevel.NONE, ModificationLevel.LTA_UPDATES, ModificationLevel.FORM_FILLING)
    return status.coverage == SignatureCoverageLevel.ENTIRE_REVISION and status.modification_level in allowed
