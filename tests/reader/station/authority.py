"""An authority for tests, and certificates that it signs, as files."""

import subprocess
from datetime import datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    KeySerializationEncryption,
    NoEncryption,
    PrivateFormat,
)
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

TRUSTED = Path(".pki") / "nssdb"
"""Where Chromium on Linux looks for what its user trusts, in their home folder."""


class Authority:
    """A self-signed certificate, and its key."""

    def __init__(self) -> None:
        self.key = ec.generate_private_key(ec.SECP256R1())
        self.name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "An authority for tests")])
        usage = x509.KeyUsage(
            digital_signature=False,
            content_commitment=False,
            key_encipherment=False,
            data_encipherment=False,
            key_agreement=False,
            key_cert_sign=True,
            crl_sign=False,
            encipher_only=False,
            decipher_only=False,
        )
        begun = datetime.fromisoformat("2020-01-01T00:00:00+00:00")
        self.certificate = (
            self._builder(self.name, self.key.public_key(), begun, begun + timedelta(days=36500))
            .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
            .add_extension(usage, critical=True)
            .sign(self.key, hashes.SHA256())
        )
        self.pem = self.certificate.public_bytes(Encoding.PEM).decode()

    def signs(
        self,
        path: Path,
        *names: str,
        since: datetime,
        until: datetime,
        key: ec.EllipticCurvePrivateKey | None = None,
        passphrase: bytes | None = None,
        parts: str = "certificate key authority",
    ) -> Path:
        """A PEM file with these parts in order; names : DNS names and addresses; key : another than fits."""
        own = ec.generate_private_key(ec.SECP256R1())
        certificate = (
            self._builder(x509.Name([]), own.public_key(), since, until)
            .add_extension(x509.SubjectAlternativeName([_name(name) for name in names]), critical=True)
            .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(self.key.public_key()), critical=False
            )
            .sign(self.key, hashes.SHA256())
        )
        locked: KeySerializationEncryption = (
            BestAvailableEncryption(passphrase) if passphrase else NoEncryption()
        )
        texts = {
            "certificate": certificate.public_bytes(Encoding.PEM).decode(),
            "key": (key or own).private_bytes(Encoding.PEM, PrivateFormat.PKCS8, locked).decode(),
            "authority": self.pem,
        }
        path.write_text("".join(texts[part] for part in parts.split()))
        return path

    def _builder(
        self, subject: x509.Name, key: ec.EllipticCurvePublicKey, since: datetime, until: datetime
    ) -> x509.CertificateBuilder:
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self.name)
            .public_key(key)
            .serial_number(x509.random_serial_number())
            .not_valid_before(since)
            .not_valid_after(until)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(key), critical=False)
        )


def _name(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def trust(certutil: Path, home: Path, authority: Authority) -> None:
    """Let browsers whose user has this home folder trust an authority."""
    (home / TRUSTED).mkdir(parents=True)
    path = home / "authority.pem"
    path.write_text(authority.pem)
    for arguments in (("-N", "--empty-password"), ("-A", "-n", "tests", "-t", "C,,", "-i", str(path))):
        command = [certutil, "-d", f"sql:{home / TRUSTED}", *arguments]
        subprocess.run(command, check=True, capture_output=True)
