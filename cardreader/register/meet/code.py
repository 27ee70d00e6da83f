"""From a short code to a line that only the two who know it can use.

The code is shown at one register and typed at the other. SPAKE2 (RFC 9382 describes the
method; the library ``spake2`` does it, on Ed25519's group) turns it into a long key: whoever
stands between the two learns nothing that could be tried out later, and has one guess for
each try that the showing register allows. So eight digits are enough: three tries find one
of a hundred million codes with a chance of 3 in 100,000,000. Each side then proves that it
holds the key before anything is told, and all that follows is sealed with AES-256-GCM under
keys derived from it. Nothing rests on the certificate of the address: the other register
could not check it.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import struct
import unicodedata
from dataclasses import dataclass
from typing import Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

DIGITS = 8
PIECE_BYTES = 900 * 1024
"""Of a file, in one message."""
_NONCE = 12
_ABOUT = b"cardreader-meeting/1"
_GUEST, _HOST = b"guest", b"host"


class NotSealedError(Exception):
    """A message that the other register did not send, or sent before."""


def new_code() -> str:
    """Eight digits by chance."""
    return "".join(secrets.choice("0123456789") for _ in range(DIGITS))


def clean_code(typed: str) -> str:
    """The digits of what was typed, in any script; ValueError when they are not eight."""
    digits = [str(unicodedata.decimal(sign)) for sign in typed if sign.isdecimal()]
    if len(digits) != DIGITS or any(s.isalpha() for s in typed):
        raise ValueError("a code has eight digits")
    return "".join(digits)


def grouped(code: str) -> str:
    """The code as it is shown."""
    return f"{code[: DIGITS // 2]} {code[DIGITS // 2 :]}"


@dataclass(frozen=True)
class Keys:
    """What both hold when the code was the same: how each proves it, and what seals."""

    guest_proof: bytes
    host_proof: bytes
    guest_seal: bytes
    host_seal: bytes


class Greeting:
    """One side's half of the key exchange; ``message`` goes to the other side."""

    def __init__(self, code: str, is_host: bool) -> None:
        from spake2 import SPAKE2_A, SPAKE2_B  # its group takes a while to set up

        side = SPAKE2_B if is_host else SPAKE2_A
        self._spake = side(code.encode(), idA=_GUEST, idB=_HOST)
        self.message: bytes = self._spake.start()

    def keys(self, other: bytes) -> Keys:
        """The keys; NotSealedError for a message that is none."""
        try:
            key = self._spake.finish(other)
        except Exception:  # the library raises kinds of its own from several places
            raise NotSealedError("this is no greeting") from None
        made = HKDF(SHA256(), 4 * 32, None, _ABOUT).derive(key)
        return Keys(*(made[i : i + 32] for i in range(0, 128, 32)))


def same_proof(given: bytes, expected: bytes) -> bool:
    """Whether a proof is right, in a time that tells nothing."""
    return hmac.compare_digest(given, expected)


class Line:
    """Sealed messages between the two; a message is a JSON object and bytes.

    Each question carries a number higher than the one before, and an answer is bound to
    its question: nothing can be sent again, changed, or given for something else.
    """

    def __init__(self, keys: Keys) -> None:
        self._ask, self._answer = AESGCM(keys.guest_seal), AESGCM(keys.host_seal)
        self._number = 0

    def question(self, said: dict[str, Any], blob: bytes = b"") -> bytes:
        """A sealed question of the guest."""
        self._number += 1
        number = struct.pack(">Q", self._number)
        return number + _seal(self._ask, said, blob, _ABOUT + number)

    def asked(self, message: bytes) -> tuple[dict[str, Any], bytes]:
        """What the guest asks; NotSealedError for anything else."""
        if len(message) < 8:
            raise NotSealedError("too short")
        number = message[:8]
        said = _open(self._ask, message[8:], _ABOUT + number)
        if struct.unpack(">Q", number)[0] <= self._number:
            raise NotSealedError("sent before")
        self._number = struct.unpack(">Q", number)[0]
        return said

    def answer(self, message: bytes, said: dict[str, Any], blob: bytes = b"") -> bytes:
        """A sealed answer of the host to that question."""
        return _seal(self._answer, said, blob, hashlib.sha256(message).digest())

    def answered(self, message: bytes, answer: bytes) -> tuple[dict[str, Any], bytes]:
        """What the host answers to that question; NotSealedError for anything else."""
        return _open(self._answer, answer, hashlib.sha256(message).digest())


def _seal(cipher: AESGCM, said: dict[str, Any], blob: bytes, about: bytes) -> bytes:
    text = json.dumps(said, separators=(",", ":")).encode()
    nonce = os.urandom(_NONCE)
    return nonce + cipher.encrypt(nonce, struct.pack(">I", len(text)) + text + blob, about)


def _open(cipher: AESGCM, sealed: bytes, about: bytes) -> tuple[dict[str, Any], bytes]:
    try:
        plain = cipher.decrypt(sealed[:_NONCE], sealed[_NONCE:], about)
        (length,) = struct.unpack(">I", plain[:4])
        said = json.loads(plain[4 : 4 + length])
    except (InvalidTag, ValueError, struct.error, RecursionError):
        raise NotSealedError("not from the other register") from None
    if not isinstance(said, dict):
        raise NotSealedError("not from the other register")
    return said, plain[4 + length :]
