"""The file that one register hands to another: sealed for it, and signed.

A tar file. ``hand-over.json`` says in the clear from whom to whom; everything else is
encrypted (AES-256-GCM) under a key that is sealed for the taker (HPKE). The parts hold
lines of JSON, packed. The last member is the giver's signature over the SHA-256 of all
others, so that nothing can be changed, added or left out on the way.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import tarfile
import zlib
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from cardreader.register.merge.registers import is_signed_by, seal, sign, unseal
from cardreader.register.mergemodels import KnownRegister, OwnRegister

FORMAT = "cardreader-hand-over/1"
HEAD, KEY, SIGNATURE = "hand-over.json", "key.bin", "signature.bin"
PARTS, PHOTOS = "parts/", "photos/"
_NONCE = 12
_LARGEST_HEAD = 100_000
_LARGEST = 2**30
"""Of one part, packed or not: many times what this program writes."""
_NAME = re.compile(r"parts/[0-9]{6}|photos/[0-9a-f]{64}")


class ParcelError(Exception):
    """A file that can't be handed over or taken in; one line says why."""


@dataclass(frozen=True)
class Head:
    """What stands in the clear. Numbers count changes at the giver: ``since`` to ``up_to``.

    ``taken`` and ``taken_trail`` are how far the giver has taken in what the taker handed
    over; the ``trail`` is the audit trail.
    """

    giver: str
    giver_name: str
    taker: str
    made_at: str
    revision: str
    since: int
    up_to: int
    since_trail: int
    up_to_trail: int
    taken: int
    taken_trail: int
    women: int

    def to_json(self) -> bytes:
        """JSON text; `read_head` reads it back."""
        return json.dumps({"format": FORMAT, **asdict(self)}, indent=1).encode()


def read_head(data: bytes) -> Head:
    """The head of a parcel; ParcelError for anything that this program didn't write."""
    try:
        found = json.loads(data)
        if not isinstance(found, dict) or found.pop("format", None) != FORMAT:
            raise ValueError
        head = Head(**found)
        for name, value in asdict(head).items():
            kind = Head.__annotations__[name]
            if type(value).__name__ != kind or (kind == "int" and not 0 <= value < 2**31):
                raise ValueError
    except (ValueError, TypeError, RecursionError):
        raise ParcelError(
            "this is not what a register handed over, or a newer version of it did"
        ) from None
    return head


class Packer:
    """Writes a parcel member by member; `finish` signs it."""

    def __init__(self, tar: tarfile.TarFile, head: Head, own: OwnRegister, to: KnownRegister):
        self._tar, self._own = tar, own
        self._hashes: dict[str, str] = {}
        key = AESGCM.generate_key(256)
        self._cipher = AESGCM(key)
        self._count = 0
        content = head.to_json()
        self._add(HEAD, content)
        self._add(KEY, seal(to, key, content))

    def lines(self, lines: list[Any]) -> None:
        """Add a part that holds these."""
        text = "\n".join(json.dumps(line, separators=(",", ":")) for line in lines)
        self._lock(f"{PARTS}{self._count:06d}", zlib.compress(text.encode(), 6))
        self._count += 1

    def photo(self, content: bytes) -> str:
        """Add a photo; returns the hash it is known by."""
        name = hashlib.sha256(content).hexdigest()
        if PHOTOS + name not in self._hashes:
            self._lock(PHOTOS + name, content)
        return name

    def finish(self) -> None:
        """Sign all of it."""
        self._add(SIGNATURE, sign(self._own, _to_sign(self._hashes)))

    def _lock(self, name: str, content: bytes) -> None:
        nonce = os.urandom(_NONCE)
        self._add(name, nonce + self._cipher.encrypt(nonce, content, name.encode()))

    def _add(self, name: str, content: bytes) -> None:
        self._hashes[name] = hashlib.sha256(content).hexdigest()
        member = tarfile.TarInfo(name)
        member.size, member.mode = len(content), 0o600
        self._tar.addfile(member, io.BytesIO(content))


class Parcel:
    """A parcel found whole, from a known register and for this one."""

    def __init__(self, tar: tarfile.TarFile, head: Head, key: bytes) -> None:
        self._tar, self.head = tar, head
        self._cipher = AESGCM(key)
        self._names = sorted(tar.getnames())

    def parts(self) -> Iterator[list[Any]]:
        """The lines of each part."""
        for name in self._names:
            if name.startswith(PARTS):
                yield _lines(self._unlock(name))

    def photo(self, name: str) -> bytes | None:
        """A photo by its hash, if it came along."""
        if PHOTOS + name not in self._names:
            return None
        content = self._unlock(PHOTOS + name)
        if hashlib.sha256(content).hexdigest() != name:
            raise ParcelError("a photo in the file is not what it should be")
        return content

    def _unlock(self, name: str) -> bytes:
        blob = _member(self._tar, name)
        try:
            return self._cipher.decrypt(blob[:_NONCE], blob[_NONCE:], name.encode())
        except (InvalidTag, ValueError):
            raise ParcelError("the file is damaged") from None


def head_of(tar: tarfile.TarFile) -> Head:
    """What a parcel says in the clear, not yet to be believed."""
    try:
        member = tar.getmember(HEAD)
    except KeyError:
        raise ParcelError("this is not what a register handed over") from None
    if member.size > _LARGEST_HEAD:
        raise ParcelError("this is not what a register handed over")
    return read_head(_member(tar, HEAD))


def open_parcel(tar: tarfile.TarFile, own: OwnRegister, known: KnownRegister, size: int) -> Parcel:
    """Check a parcel whole, and open it; ParcelError otherwise."""
    head = head_of(tar)
    members = tar.getmembers()
    names = [member.name for member in members]
    for member in members:
        if not member.isreg() or member.issparse() or member.size > min(size, _LARGEST):
            raise ParcelError("the file is damaged")
    expected = {HEAD, KEY, SIGNATURE}
    others = set(names) - expected
    if len(set(names)) != len(names) or not expected <= set(names):
        raise ParcelError("the file is not whole")
    if not all(_NAME.fullmatch(name) for name in others):
        raise ParcelError("the file holds what doesn't belong there")
    hashes = {
        name: hashlib.sha256(_member(tar, name)).hexdigest() for name in names if name != SIGNATURE
    }
    if not is_signed_by(known, _member(tar, SIGNATURE), _to_sign(hashes)):
        raise ParcelError(f"the file is damaged, or not from {known.name}")
    try:
        key = unseal(own, _member(tar, KEY), _member(tar, HEAD))
    except (InvalidTag, ValueError):
        raise ParcelError("the file was sealed for another register") from None
    return Parcel(tar, head, key)


def _to_sign(hashes: dict[str, str]) -> bytes:
    return json.dumps([FORMAT, sorted(hashes.items())]).encode()


def _member(tar: tarfile.TarFile, name: str) -> bytes:
    stream = tar.extractfile(name)
    if stream is None:
        raise ParcelError("the file is damaged")
    return stream.read()


def _lines(packed: bytes) -> list[Any]:
    unpacker = zlib.decompressobj()
    try:
        text = unpacker.decompress(packed, _LARGEST)
        if unpacker.unconsumed_tail:
            raise ValueError
        return [json.loads(line) for line in text.split(b"\n") if line]
    except (ValueError, zlib.error, RecursionError):
        raise ParcelError("the file's records are damaged") from None
