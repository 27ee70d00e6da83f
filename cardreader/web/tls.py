"""A certificate of one's own, so that phones may trust the server on the hotspot.

No public authority signs for a laptop on a hotspot. So a small authority is made
once and kept in the data folder; it may sign for private addresses only (its name
constraints say so), which makes it harmless elsewhere. A phone that is told to
trust it sees the server as secure: only then do browsers allow the pages to be
installed and to work with the server out of reach.
"""

from __future__ import annotations

import datetime as dt
import ipaddress
import ssl
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from cardreader.core.files import PRIVATE, write_atomic

AUTHORITY_YEARS = 5
SERVER_DAYS = 300
"""Phones refuse certificates that run for much longer than a year."""
_BEFORE = dt.timedelta(days=1)
"""By so much a phone's clock may be slow."""

FORMER = "former.pem"
"""Key and certificate of the authority before, in the same folder."""
RENEWED_BEFORE = dt.timedelta(days=7)
"""Before it ends."""

_PRIVATE = ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "127.0.0.0/8", "100.64.0.0/10")
_NAMES = ("localhost", "local")


class CertificateError(Exception):
    """The kept authority can't be used; one line says why and what to do."""


@dataclass(frozen=True)
class Certificates:
    """Files: the authority that phones are told to trust, the server's chain and key."""

    authority: Path
    chain: Path
    key: Path


def certificates(data: Path, hosts: Iterable[str], now: dt.datetime) -> Certificates:
    """Certificates for numbers and names; the authority is made when missing or run out.

    The server's own is made anew at every start, and whenever a hotspot hands out another
    address, by the same authority: phones that trust it go on without a question.
    """
    folder = data / "tls"
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    files = Certificates(folder / "authority.crt", folder / "server.crt", folder / "server.key")
    authority, authority_key = _authority(folder, files.authority, now)
    key = ec.generate_private_key(ec.SECP256R1())
    server = _server(authority, authority_key, key, hosts, now)
    write_atomic(files.key, _private_bytes(key), PRIVATE)
    write_atomic(files.chain, _public_bytes(server) + _public_bytes(authority), PRIVATE)
    return files


def _authority(
    folder: Path, file: Path, now: dt.datetime
) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    key_file = folder / "authority.key"
    # A key alone was left by a first start that was killed: no phone knows it.
    if file.exists():
        certificate, key = _kept_authority(file, key_file)
        former, kept = folder / FORMER, _private_bytes(key) + _public_bytes(certificate)
        if not _fits(certificate, now) and (found := _former(former)) and _fits(found[0], now):
            # The clock ran ahead when this one was made, or did when that one was put aside.
            write_atomic(former, kept, PRIVATE)
            write_atomic(key_file, _private_bytes(found[1]), PRIVATE)
            write_atomic(file, _public_bytes(found[0]), PRIVATE)
            return found
        if certificate.not_valid_after_utc > now + dt.timedelta(days=SERVER_DAYS):
            return certificate, key
        write_atomic(former, kept, PRIVATE)
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"cardreader {now:%Y-%m-%d}")])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - _BEFORE)
        .not_valid_after(now + dt.timedelta(days=365 * AUTHORITY_YEARS))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs=True), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.NameConstraints(
                [
                    *(x509.IPAddress(ipaddress.ip_network(net)) for net in _PRIVATE),
                    *(x509.DNSName(name) for name in _NAMES),
                ],
                None,
            ),
            critical=True,
        )
        .sign(key, hashes.SHA256())
    )
    write_atomic(key_file, _private_bytes(key), PRIVATE)
    write_atomic(file, _public_bytes(certificate), PRIVATE)
    return certificate, key


def _fits(certificate: x509.Certificate, now: dt.datetime) -> bool:
    """Whether an authority is in force, and as long as a certificate that it signs now."""
    first, last = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    return first <= now + _BEFORE and last > now + dt.timedelta(days=SERVER_DAYS)


def _former(file: Path) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey] | None:
    """The authority that was put aside when another was made; None where there is none."""
    try:
        return _kept_authority(file, file)
    except CertificateError:
        return None


def _kept_authority(
    file: Path, key_file: Path
) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    """CertificateError rather than a new one in silence: phones would have to trust it anew."""
    try:
        certificate = x509.load_pem_x509_certificate(file.read_bytes())
        key = serialization.load_pem_private_key(key_file.read_bytes(), None)
        belong = certificate.public_key() == key.public_key()
    except (ValueError, TypeError, OSError, UnsupportedAlgorithm):
        belong = False
    if not belong or not isinstance(key, ec.EllipticCurvePrivateKey):
        raise CertificateError(
            f"{file} or its key is damaged or missing: put both back from a copy, or remove the "
            f"folder {file.parent}; phones must then trust the new certificate"
        )
    return certificate, key


def _server(
    authority: x509.Certificate,
    authority_key: ec.EllipticCurvePrivateKey,
    key: ec.EllipticCurvePrivateKey,
    hosts: Iterable[str],
    now: dt.datetime,
) -> x509.Certificate:
    # A clock that was set back, to before the authority was made, is wrong for sure.
    now = max(now, authority.not_valid_before_utc + _BEFORE)
    names = [name for host in ("localhost", "127.0.0.1", *hosts) if (name := _alternative(host))]
    names = list(dict.fromkeys(names))
    return (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "cardreader register")]))
        .issuer_name(authority.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - _BEFORE)
        .not_valid_after(now + dt.timedelta(days=SERVER_DAYS))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key()),
            critical=False,
        )
        .sign(authority_key, hashes.SHA256())
    )


def _alternative(host: str) -> x509.GeneralName | None:
    """A host as certificates name it; None for one that the authority may not sign for."""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        ours = host == "localhost" or host.endswith(".local")
        return x509.DNSName(host) if ours else None
    return x509.IPAddress(address) if _may_sign(address) else None


def fingerprint(file: Path) -> str:
    """SHA-256 of a certificate as phones show it: pairs of hexadecimal digits."""
    certificate = x509.load_pem_x509_certificate(file.read_bytes())
    return certificate.fingerprint(hashes.SHA256()).hex(":").upper()


class LiveContext:
    """The encryption of new connections; `renew` changes the certificate while running."""

    def __init__(self, data: Path) -> None:
        self._data = data
        self._context: ssl.SSLContext | None = None
        self.files: Certificates | None = None
        self.clock: Callable[[], dt.datetime] = lambda: dt.datetime.now(dt.UTC)
        self._renewed_at = dt.datetime.max.replace(tzinfo=dt.UTC)
        self._in_force = (self._renewed_at, self._renewed_at)

    def __call__(self) -> ssl.SSLContext:
        """The encryption in force."""
        assert self._context is not None
        return self._context

    def is_stale(self) -> bool:
        """Whether the certificate that is shown isn't in force by the clock, or hardly any more."""
        now = self.clock()
        first, last = self._in_force
        return not min(first, self._renewed_at) <= now < last - RENEWED_BEFORE

    def renew(self, hosts: Iterable[str]) -> Certificates:
        """A certificate for other hosts under the same authority, for connections from now on."""
        now = self.clock()
        self.files = certificates(self._data, hosts, now)
        shown = x509.load_pem_x509_certificate(self.files.chain.read_bytes())
        self._in_force = shown.not_valid_before_utc, shown.not_valid_after_utc
        self._renewed_at = now
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.load_cert_chain(self.files.chain, self.files.key)
        self._context = context
        return self.files


def _may_sign(address: ipaddress.IPv4Address | ipaddress.IPv6Address) -> bool:
    return any(address in ipaddress.ip_network(net) for net in _PRIVATE)


def _usage(signs: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs,
        key_cert_sign=signs,
        crl_sign=signs,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _private_bytes(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )


def _public_bytes(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(serialization.Encoding.PEM)
