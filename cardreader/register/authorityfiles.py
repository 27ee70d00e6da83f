"""The authority that phones trust, as a part of a backup: a new laptop is then trusted too."""

from __future__ import annotations

import json
from pathlib import Path

from cryptography.exceptions import UnsupportedAlgorithm

from cardreader.core.files import PRIVATE, move_into_place, write_atomic

FOLDER = "tls"
NAMES = ("authority.key", "authority.crt")
"""The key first: with it in place and the old certificate, the next start says so."""


def read_authority(data: Path) -> bytes | None:
    """Certificate and key of a data folder as one text; None where there is no sound pair."""
    try:
        texts = {name: (data / FOLDER / name).read_text("ascii") for name in NAMES}
    except (OSError, UnicodeDecodeError):
        return None
    blob = json.dumps(texts).encode()
    return blob if is_authority(blob) else None


def is_authority(blob: bytes) -> bool:
    """Whether it holds a certificate and the key that belongs to it."""
    # A server needs them where it makes certificates, and on a phone alone never.
    from cryptography import x509
    from cryptography.hazmat.primitives import serialization

    try:
        texts = json.loads(blob)
        key = serialization.load_pem_private_key(texts[NAMES[0]].encode("ascii"), None)
        certificate = x509.load_pem_x509_certificate(texts[NAMES[1]].encode("ascii"))
        return len(texts) == len(NAMES) and key.public_key() == certificate.public_key()
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError, UnsupportedAlgorithm):
        return False


class Staged:
    """An authority laid beside its place, where a full disk is met before anything changes."""

    def __init__(self, data: Path, blob: bytes) -> None:
        self._folder = data / FOLDER
        self._folder.mkdir(mode=0o700, exist_ok=True)
        self._beside = {name: self._folder / f".{name}.restored" for name in NAMES}
        for name, text in json.loads(blob).items():
            write_atomic(self._beside[name], text, PRIVATE)

    def put_in_place(self) -> None:
        """Make it the folder's authority."""
        for name, path in self._beside.items():
            move_into_place(path, self._folder / name)

    def remove(self) -> None:
        """Take away what was not put in place."""
        for path in self._beside.values():
            path.unlink(missing_ok=True)
