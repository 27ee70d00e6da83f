"""Photos at rest: encrypted, or not kept at all.

AES-256-GCM, a fresh nonce a file, the file's name as associated data so that
files can't be swapped. The key lies beside the data, readable by its owner only,
or comes from the environment: then a stolen disk does not hold it.
"""

from __future__ import annotations

import base64
import os
import secrets
from pathlib import Path

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from cardreader.core.files import PRIVATE, write_atomic

KEY_VARIABLE = "CARDREADER_PHOTO_KEY"
FOLDER, ENDING = "photos", ".photo"
_MAGIC = b"CRP1"
_NONCE = 12


class PhotoStoreError(Exception):
    """A kept photo can't be opened: missing, damaged, or another key's."""


class PhotoStore:
    """Encrypted photos in a folder."""

    def __init__(self, folder: Path, key: bytes) -> None:
        self.folder = folder
        self._cipher = AESGCM(key)

    def put(self, data: bytes) -> str:
        """Keep a photo; returns the name it is kept under. On disk when this returns."""
        name = secrets.token_hex(16) + ENDING
        nonce = os.urandom(_NONCE)
        locked = self._cipher.encrypt(nonce, data, name.encode())
        write_atomic(self.folder / name, _MAGIC + nonce + locked, PRIVATE)
        return name

    def get(self, name: str) -> bytes:
        """A photo as it was put."""
        try:
            blob = (self.folder / Path(name).name).read_bytes()
            if not blob.startswith(_MAGIC):
                raise PhotoStoreError("not a kept photo")
            start = len(_MAGIC)
            nonce, body = blob[start : start + _NONCE], blob[start + _NONCE :]
            return self._cipher.decrypt(nonce, body, name.encode())
        except (OSError, InvalidTag, ValueError) as error:
            raise PhotoStoreError("the photo can't be opened") from error

    def remove(self, name: str) -> None:
        """Take a photo away; no error if it is gone."""
        (self.folder / Path(name).name).unlink(missing_ok=True)

    def names(self) -> set[str]:
        """Names of all kept photos."""
        return {path.name for path in self.folder.glob(f"*{ENDING}")}


def open_store(data: Path) -> PhotoStore:
    """The photo store of a data folder; makes folder and key where missing."""
    folder = data / FOLDER
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return PhotoStore(folder, read_key(data))


def read_key(data: Path) -> bytes:
    """The key from the environment, else from ``photo.key``, made if there is none."""
    text = os.environ.get(KEY_VARIABLE)
    if text:
        return key_of(text.encode("utf-8", "surrogateescape"))
    path = data / "photo.key"
    if not path.exists():
        if any((data / FOLDER).glob(f"*{ENDING}")):
            raise PhotoStoreError(
                f"{path} is missing, and photos are kept that no other key opens: put it back "
                f"from a copy or a backup, or set ${KEY_VARIABLE} as before; or move the folder "
                f"{data / FOLDER} away, if its photos may be lost"
            )
        write_atomic(path, base64.urlsafe_b64encode(AESGCM.generate_key(256)) + b"\n", PRIVATE)
    return key_of(path.read_bytes())


def key_of(text: bytes) -> bytes:
    """The key that a text stands for; PhotoStoreError when it is none."""
    try:
        key = base64.b64decode(text.strip(), altchars=b"-_", validate=True)
    except ValueError:
        raise PhotoStoreError("the photo key is not base64 text") from None
    if len(key) != 32:
        raise PhotoStoreError("the photo key must hold 32 bytes")
    return key
