"""The register's backup file, opened and made by the standard library and AES-GCM alone.

The format as `register.backup` describes it: parts of a tar file, encrypted ones
as salt (16), nonce (12) and AES-256-GCM of the content with the part's name bound
to it, under a key from the passphrase by scrypt (r = 8, p = 1; N is 2^15 as shipped).
"""

from __future__ import annotations

import hashlib
import io
import os
import tarfile
from functools import lru_cache

from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from cardreader.register import backupfile as shipped

_SALT = os.urandom(16)


def lock(content: bytes, passphrase: str, name: str) -> bytes:
    """Encrypt a part, under one key a process: as shipped it takes scrypt a tenth of a second."""
    nonce, cipher = os.urandom(12), _cipher(passphrase, _SALT, shipped.COST)
    return _SALT + nonce + cipher.encrypt(nonce, content, name.encode())


def unlock(blob: bytes, passphrase: str, name: str) -> bytes:
    """Decrypt a part."""
    cipher = _cipher(passphrase, blob[:16], shipped.COST)
    return cipher.decrypt(blob[16:28], blob[28:], name.encode())


def add(tar: tarfile.TarFile, name: str, content: bytes) -> None:
    """Put a part into the tar file."""
    member = tarfile.TarInfo(name)
    member.size = len(content)
    tar.addfile(member, io.BytesIO(content))


@lru_cache(maxsize=8)
def _cipher(passphrase: str, salt: bytes, cost: int) -> AESGCM:
    memory = 2 * 128 * cost * 8 + 2**20
    return AESGCM(
        hashlib.scrypt(passphrase.encode(), salt=salt, n=cost, r=8, p=1, maxmem=memory, dklen=32)
    )
