"""What a target is, and what all of them share: one-line errors, texts to damage, sound JSON."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NoReturn

from mutate import mutate_bytes, mutate_text


class BadEndError(AssertionError):
    """A loader ended otherwise than it may."""


@dataclass(frozen=True)
class Target:
    """``make(rng)`` draws one case; ``run(case)`` raises for a bad end, says how it ended.

    ``share`` is the part of a run's cases that it gets.
    """

    name: str
    make: Callable[[random.Random], bytes]
    run: Callable[[bytes], str]
    share: float


def bad(message: str) -> NoReturn:
    """End badly."""
    raise BadEndError(message)


def one_line(error: BaseException, most: int = 2000) -> str:
    """How a case ended that a loader refused, whose message must be one that can be shown."""
    text = str(error)
    if not text or "\n" in text or len(text) > most:
        bad(f"{type(error).__name__} with a message of {len(text)} characters: {text[:200]!r}")
    return type(error).__name__


def sound_json(text: str) -> Any:
    """The value of a JSON text that a program gives out; it may hold no NaN and no infinity."""
    return json.loads(text, parse_constant=lambda name: bad(f"{name} in the JSON"))


def text_maker(seeds: Callable[[], tuple[str, ...]]) -> Callable[[random.Random], bytes]:
    """Draws damaged copies of texts."""

    def make(rng: random.Random) -> bytes:
        texts = seeds()
        text = mutate_text(rng.choice(texts), texts, rng)
        data = text.encode("utf-8", "surrogatepass")
        if rng.random() < 0.1 and data:
            data = mutate_bytes(data, (data,), rng)
        return data

    return make
