"""The file of a backup: its parts in a tar archive, the private ones under a passphrase.

A plain note of what it is; the tables as JSON lines, the photo key and the authority
that phones trust, each encrypted (scrypt, AES-256-GCM); the kept photos as they lie,
encrypted already.
"""

from __future__ import annotations

import io
import json
import os
import re
import tarfile
from dataclasses import dataclass
from typing import Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from cardreader.register.authorityfiles import is_authority
from cardreader.register.backupnote import BackupError, BackupNote, read_note
from cardreader.register.photostore import PhotoStoreError, key_of

NOTE, TABLES, KEY, PHOTOS = "backup.json", "tables.bin", "photo.key.bin", "photos/"
AUTHORITY = "authority.bin"
PHOTO_NAME = re.compile(r"photos/[0-9a-f]{32}\.photo")
_SALT, _NONCE = 16, 12
COST = 2**15
"""scrypt's N, with r 8 and p 1: 32 MiB and a tenth of a second for each passphrase tried."""
_MOST_BYTES = 2**31
"""Of one part: more rows than any register has."""


@dataclass(frozen=True)
class Parts:
    """What a backup brings, read and checked as far as can be without a database."""

    note: BackupNote
    rows: list[Any]
    key: bytes | None
    photos: list[tarfile.TarInfo]
    authority: bytes | None = None


def add(tar: tarfile.TarFile, name: str, content: bytes) -> None:
    """Put a part into the archive."""
    member = tarfile.TarInfo(name)
    member.size, member.mode = len(content), 0o600
    tar.addfile(member, io.BytesIO(content))


def read_parts(tar: tarfile.TarFile, size: int, passphrase: str) -> Parts:
    """All of a backup but the photos' content; BackupError before anything is changed."""
    members = {member.name: member for member in tar.getmembers()}
    for member in members.values():
        # A part that claims more than the file holds would unpack to more than the disk.
        if not member.isreg() or member.issparse() or member.size > min(size, _MOST_BYTES):
            raise BackupError(f"{member.name[:60]!r} in the backup is not a file of its size")
    if NOTE not in members:
        raise BackupError("this is not a backup of the register, or one of a newer version")
    note = read_note(content_of(tar, members[NOTE]))
    photos = [member for name, member in members.items() if name.startswith(PHOTOS)]
    if (
        TABLES not in members
        or (KEY in members) != note.photo_key
        or (AUTHORITY in members) != note.authority
        or len(photos) != note.photos
        or not all(PHOTO_NAME.fullmatch(member.name) for member in photos)
    ):
        raise BackupError("the backup is not whole: a part of the file is missing")
    tables = unlock(content_of(tar, members[TABLES]), passphrase, TABLES)
    key = None
    if note.photo_key:
        key = unlock(content_of(tar, members[KEY]), passphrase, KEY)
        try:
            key_of(key)
        except PhotoStoreError as error:
            raise BackupError(f"the photo key in the backup can't be used: {error}") from None
    try:
        rows = [json.loads(line) for line in tables.split(b"\n") if line]
    except (ValueError, RecursionError):
        raise BackupError("the backup's tables are damaged: a row is not JSON") from None
    authority = None
    if note.authority:
        authority = unlock(content_of(tar, members[AUTHORITY]), passphrase, AUTHORITY)
        if not is_authority(authority):
            raise BackupError("the certificate in the backup can't be used")
    return Parts(note, rows, key, photos, authority)


def content_of(tar: tarfile.TarFile, member: tarfile.TarInfo) -> bytes:
    """A part as it lies there; BackupError for what is no file."""
    stream = tar.extractfile(member)
    if stream is None:
        raise BackupError(f"{member.name} is not a file")
    return stream.read()


def lock(content: bytes, passphrase: str, name: str) -> bytes:
    """A part encrypted under a key of its own; its name is authenticated with it."""
    salt, nonce = os.urandom(_SALT), os.urandom(_NONCE)
    cipher = AESGCM(derive_key(passphrase, salt))
    return salt + nonce + cipher.encrypt(nonce, content, name.encode())


def unlock(blob: bytes, passphrase: str, name: str) -> bytes:
    """What `lock` made of a part, undone; BackupError where the passphrase is another."""
    salt, nonce, body = blob[:_SALT], blob[_SALT : _SALT + _NONCE], blob[_SALT + _NONCE :]
    try:
        return AESGCM(derive_key(passphrase, salt)).decrypt(nonce, body, name.encode())
    except InvalidTag:
        raise BackupError("the passphrase is not right, or the file is damaged") from None


def derive_key(passphrase: str, salt: bytes) -> bytes:
    """Key of an encrypted part: scrypt, so that passphrases can't be tried fast."""
    return Scrypt(salt=salt, length=32, n=COST, r=8, p=1).derive(passphrase.encode())
