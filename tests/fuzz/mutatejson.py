"""Mutations of JSON values: right in form, hostile in what they hold.

Damage to a text is mostly no JSON any more, and is refused at the door. Here the
text stays valid, and one to three of its values become others: not finite, huge,
of another type or shape, nested beyond measure, missing, or one too many.
"""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable
from typing import Any

Path = tuple[str | int, ...]

_NUMBERS = (
    0, -0.0, -1, 1, 0.5, 1e-320, 1e-30, 1e6, 1e30, 1e300, -1e300, 2**31, 2**53 + 1, 2**63, 10**40,
    float("nan"), float("inf"), float("-inf"),
)  # fmt: skip
_TEXTS = (
    "", "NaN", "inf", "1e999", "0x10", "11,2", "9" * 500, "é\u202e", "\x00", "a\nb", "\ud800",
    "../../etc/passwd", "=1+1", "<script>alert(1)</script>", "{{7*7}}", "%s%n", "true", "null",
    "2026-02-31", "0001-01-01", "9999-12-31T23:59:59+00:00", "x" * 100_000,
)  # fmt: skip


def _deep(rng: random.Random) -> Any:
    """Nested as far as a writer of JSON goes, or a little."""
    value: Any = 1
    for _ in range(rng.choice((2, 20, 150))):
        value = [value] if rng.random() < 0.5 else {"a": value}
    return value


def _wide(rng: random.Random) -> Any:
    size = rng.choice((0, 1, 5, 70_000))
    return [rng.choice((0, 1.5, 1e300))] * size


def _shape(rng: random.Random) -> Any:
    sides = [rng.choice((0, 1, 2, 3, 4, 30)) for _ in range(rng.choice((1, 2, 3, 4)))]
    value: Any = rng.choice((0.0, 1.0, 1e300))
    for side in sides:
        value = [copy.deepcopy(value) for _ in range(side)]
    return value


def hostile(old: Any, rng: random.Random) -> Any:
    """A value that nobody expects in the place of ``old``."""
    kinds: list[Callable[[], Any]] = [
        lambda: rng.choice(_NUMBERS),
        lambda: rng.choice(_TEXTS),
        lambda: rng.choice((None, True, False, [], {}, [None], [[]])),
        lambda: _deep(rng),
        lambda: _wide(rng),
        lambda: _shape(rng),
    ]
    if isinstance(old, int | float) and not isinstance(old, bool):
        near = old
        kinds += [lambda: near * rng.choice((-1, 0, 2, 10, 1e3, 1e9, 1e-9)), lambda: near + 1] * 2
    if isinstance(old, list) and old:
        items = old
        kinds += [
            lambda: items[:-1],
            lambda: [*items, items[-1]],
            lambda: items[::-1],
            lambda: [items],
            lambda: items * rng.choice((2, 100)),
        ]
    return rng.choice(kinds)()


def holders(value: Any) -> list[tuple[Path, Any]]:
    """Every dict and list within that holds anything, with its path; the whole comes first."""
    out: list[tuple[Path, Any]] = []
    waiting: list[tuple[Path, Any]] = [((), value)]
    while waiting:  # no recursion: some values are nested deeper than it goes
        at, holder = waiting.pop()
        if not isinstance(holder, dict | list) or not holder:
            continue
        out.append((at, holder))
        items = holder.items() if isinstance(holder, dict) else enumerate(holder)
        waiting += [((*at, key), item) for key, item in items if isinstance(item, dict | list)]
    return out


def mutate_json(value: Any, rng: random.Random) -> Any:
    """A JSON value with one to three of its parts made hostile; the value given stays."""
    for _ in range(rng.choice((0, 1, 1, 1, 2, 3))):
        value = _changed(value, rng)
    return value


def _changed(value: Any, rng: random.Random) -> Any:
    found = holders(value)
    if not found or rng.random() < 0.01:
        return hostile(value, rng)
    path, at = _place(found, rng)
    out = holder = copy.copy(value)
    for key in path:
        holder[key] = copy.copy(holder[key])
        holder = holder[key]
    match rng.randrange(8):
        case 0:
            del holder[at]
        case 1 if isinstance(holder, dict):
            holder[rng.choice(_TEXTS)] = holder[at]
        case _:
            holder[at] = hostile(holder[at], rng)
    return out


def _place(found: list[tuple[Path, Any]], rng: random.Random) -> tuple[Path, Any]:
    """A holder's path and a key of it, every one of a depth as likely as another.

    First how deep, then which: else the long tables of numbers would take all the blows.
    """
    depth = rng.choice(sorted({len(path) for path, _ in found}))
    level = [(path, holder) for path, holder in found if len(path) == depth]
    path, holder = rng.choices(level, [len(holder) for _, holder in level])[0]
    at = rng.randrange(len(holder))
    return path, list(holder)[at] if isinstance(holder, dict) else at


def encode(value: Any) -> bytes:
    """As a careless writer does: NaN and infinities as they are called."""
    return json.dumps(value).encode()
