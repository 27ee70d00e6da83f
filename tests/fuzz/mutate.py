"""Mutations of valid files: damage by the byte, by the block, by the field, and by splicing.

Everything is drawn from one seeded generator, so a case is known by its number.
"""

from __future__ import annotations

import random
import re
import struct
import zlib
from collections.abc import Callable

_NASTY = (
    b"\x00", b"\xff", b"\x7f\xff\xff\xff", b"\xff\xff\xff\xff", b"\x80\x00\x00\x00",
    b"\x00\x00\x00\x01", b"\xff\xd8\xff", b"\xff\xd9", b"\xff\xda", b"IDAT", b"\r\n", b"\x00" * 64,
)  # fmt: skip
_NASTY_TEXT = (
    "NaN", "Infinity", "-Infinity", "1e999", "-0", "9" * 400, "0x10", "1_0", "", '"', "'", 
    "[" * 3000,
    "{" * 200,
    "\x00", "\ufeff", "\u202e", "é" * 50,
    "null", "true", "-1", "1e-320", "=1+1", ",", "\t",
    "#", "2026-02-31", "0000-00-00", "\ud83d\ude00", "../../etc/passwd", "%s%n", "\r",
)  # fmt: skip


def _flip(data: bytearray, rng: random.Random) -> None:
    for _ in range(rng.choice((1, 1, 2, 4, 16, 64))):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def _overwrite(data: bytearray, rng: random.Random) -> None:
    for _ in range(rng.choice((1, 1, 3, 9))):
        at = rng.randrange(len(data))
        what = rng.choice(_NASTY)
        data[at : at + len(what)] = what


def _insert(data: bytearray, rng: random.Random) -> None:
    at = rng.randrange(len(data) + 1)
    data[at:at] = rng.choice(_NASTY) * rng.choice((1, 1, 5, 200))


def _cut(data: bytearray, rng: random.Random) -> None:
    del data[rng.randrange(len(data)) :]


def _drop(data: bytearray, rng: random.Random) -> None:
    at = rng.randrange(len(data))
    del data[at : at + rng.choice((1, 2, 7, 64, 1024))]


def _repeat(data: bytearray, rng: random.Random) -> None:
    at = rng.randrange(len(data))
    block = data[at : at + rng.choice((1, 8, 64, 512))]
    data[at:at] = block * rng.choice((1, 2, 50))


def _number(data: bytearray, rng: random.Random) -> None:
    """Write a limit of some integer type, in either byte order, somewhere near the start."""
    value = rng.choice((0, 1, 2, 127, 128, 255, 256, 32767, 65535, 2**31 - 1, 2**32 - 1))
    order, size = rng.choice("<>"), rng.choice("BHI")
    packed = struct.pack(order + size, value & (2 ** (8 * struct.calcsize(size)) - 1))
    at = rng.randrange(min(len(data), rng.choice((32, 200, 2000))))
    data[at : at + len(packed)] = packed


_BYTES: tuple[Callable[[bytearray, random.Random], None], ...] = (
    _flip, _flip, _overwrite, _insert, _cut, _drop, _repeat, _number, _number,
)  # fmt: skip


def mutate_bytes(seed: bytes, others: tuple[bytes, ...], rng: random.Random) -> bytes:
    """One to four kinds of damage to ``seed``; now and then a splice with another file."""
    data = bytearray(seed)
    if rng.random() < 0.08:
        other = rng.choice(others)
        data = data[: rng.randrange(len(data))] + bytearray(other[rng.randrange(len(other)) :])
    for _ in range(rng.choice((0, 1, 1, 1, 2, 4))):
        if data:
            rng.choice(_BYTES)(data, rng)
    if rng.random() < 0.3:
        _mend_png(data)
    return bytes(data)


def _mend_png(data: bytearray) -> None:
    """Set a PNG's check sums right again, so that damage reaches what lies behind them."""
    if data[:8] != b"\x89PNG\r\n\x1a\n":
        return
    at = 8
    while at + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        end = at + 8 + length
        if end + 4 > len(data):
            return
        struct.pack_into(">I", data, end, zlib.crc32(data[at + 4 : end]))
        at = end + 4


_WORD = re.compile(r"[^\s,:\[\]{}\"=]+")
_LONG_WORD = 100


def mutate_text(seed: str, others: tuple[str, ...], rng: random.Random) -> str:
    """Damage by word and by line; now and then by byte."""
    text = seed
    for _ in range(rng.choice((0, 1, 1, 2, 3, 6))):
        text = rng.choice((_change_word, _change_word, _change_line, _cut_text, _splice_text))(
            text, others, rng
        )
    return text


def _change_word(text: str, _: tuple[str, ...], rng: random.Random) -> str:
    start, end = _some_word(text, rng)
    if start == end:
        return text + rng.choice(_NASTY_TEXT)
    word, other = text[start:end], slice(*_some_word(text, rng))
    new = rng.choice((rng.choice(_NASTY_TEXT), text[other], word + word, ""))
    return text[:start] + new + text[end:]


def _some_word(text: str, rng: random.Random) -> tuple[int, int]:
    """Where a word at or after a random place begins and ends; the same twice for none."""
    at = rng.randrange(len(text)) if text else 0
    found = _WORD.search(text, at) or _WORD.search(text)
    if found is None:
        return 0, 0
    start = found.start()
    while start > max(0, at - _LONG_WORD) and _WORD.match(text[start - 1]):
        start -= 1
    return start, found.end()


def _change_line(text: str, _: tuple[str, ...], rng: random.Random) -> str:
    lines = text.splitlines(keepends=True)
    if not lines:
        return text
    at = rng.randrange(len(lines))
    match rng.randrange(4):
        case 0:
            del lines[at]
        case 1:
            lines.insert(at, rng.choice(lines))
        case 2:
            other = rng.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        case _:
            lines[at] = lines[at] * rng.choice((2, 50))
    return "".join(lines)


def _cut_text(text: str, _: tuple[str, ...], rng: random.Random) -> str:
    return text[: rng.randrange(len(text) + 1)]


def _splice_text(text: str, others: tuple[str, ...], rng: random.Random) -> str:
    other = rng.choice(others)
    return text[: rng.randrange(len(text) + 1)] + other[rng.randrange(len(other) + 1) :]
