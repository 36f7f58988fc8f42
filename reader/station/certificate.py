"""The certificate of a station: one PEM file with its private key, read and judged before anything is served by it."""

import ssl
from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import Final, NoReturn, Self

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from reader.errors import LinecallError
from reader.files.plain import read_plain
from reader.words import counted

SIZE_MAX: Final = 2**20  # bytes of a PEM file: a certificate has some two thousand
SOON: Final = timedelta(days=30)
"""Before its end a certificate is spoken of: somebody has to make a new one."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Certificate:
    """A certificate and its key, which fit.

    names : DNS names and addresses that it speaks for, in small letters. since, until : when it is valid, UTC.
    authority : the self-signed certificate above it as DER, where the file has it; phones are told to trust this one.
    """

    path: Path
    names: tuple[str, ...]
    since: datetime
    until: datetime
    authority: bytes | None = None

    @classmethod
    def load(cls, path: Path) -> Self:
        """Read it. Raises LinecallError, which says what the file lacks."""
        try:
            data = read_plain(path, limit=SIZE_MAX)
        except OSError as error:
            raise LinecallError(f"{path}: the certificate cannot be read ({error.strerror})") from None
        try:
            chain = x509.load_pem_x509_certificates(data)
        except ValueError:
            raise LinecallError(
                f"{path}: holds no certificate; expected is PEM, -----BEGIN CERTIFICATE-----, then the private key"
            ) from None
        if b" PRIVATE KEY-----" not in data:
            raise LinecallError(
                f"{path}: holds no private key; write it into the same file: cat CERTIFICATE KEY > {path.name}"
            )
        try:
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(
                path, password=lambda: _refuse_locked(path)
            )
        except ssl.SSLError as error:
            raise LinecallError(
                f"{path}: its private key is not that of its first certificate ({error.reason}); the station's own "
                "certificate comes first, then its key"
            ) from None
        first = chain[0]
        above = [one for one in chain[1:] if one.subject == one.issuer]
        return cls(
            path=path,
            names=_names(first),
            since=first.not_valid_before_utc,
            until=first.not_valid_after_utc,
            authority=above[-1].public_bytes(Encoding.DER) if above else None,
        )

    def speaks_for(self, host: str) -> bool:
        """Whether a browser that was sent to this host takes it (RFC 9525, 6.3: `*` stands for one label)."""
        host = host.lower()
        return host in self.names or f"*.{host.partition('.')[2]}" in self.names

    def problem(self, now: datetime) -> str | None:
        """What is to be said of its dates; None where nothing is."""
        if now < self.since:
            return f"{self.path}: this certificate begins on {self.since:%Y-%m-%d}; is this machine's clock right?"
        if now >= self.until:
            return f"{self.path}: this certificate ended on {self.until:%Y-%m-%d}: browsers refuse it; make a new one"
        if self.until - now < SOON:
            days = counted((self.until - now).days, "day")
            return f"{self.path}: this certificate ends on {self.until:%Y-%m-%d}, in {days}; make a new one"
        return None


def _refuse_locked(path: Path) -> NoReturn:
    raise LinecallError(
        f"{path}: its private key wants a passphrase, which nobody could type when a server starts; write it without "
        "one (openssl pkey), readable by the station's user alone"
    )


def _names(certificate: x509.Certificate) -> tuple[str, ...]:
    try:
        found = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return ()  # browsers look at nothing else
    names = [name.lower() for name in found.get_values_for_type(x509.DNSName)]
    return (*names, *(str(ip_address(str(one))) for one in found.get_values_for_type(x509.IPAddress)))
