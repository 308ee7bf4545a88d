"""Keys for the tests of signatures, made on the spot by the cryptography library."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    pkcs12,
)
from cryptography.x509.oid import NameOID


def make_keys(folder: Path, name: str = "Head of laboratory") -> dict[str, Path]:
    """A self-signed certificate: as PEM key and certificate, and as PKCS #12 with the passphrase ``open``."""
    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=30))
        .add_extension(x509.KeyUsage(True, True, False, False, False, False, False, False, False), critical=True)
        .sign(key, hashes.SHA256())
    )
    paths = {"key": folder / "key.pem", "certificate": folder / "cert.pem", "pkcs12": folder / "key.p12"}
    paths["key"].write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    paths["certificate"].write_bytes(certificate.public_bytes(Encoding.PEM))
    paths["pkcs12"].write_bytes(
        pkcs12.serialize_key_and_certificates(b"k", key, certificate, None, BestAvailableEncryption(b"open"))
    )
    return paths
