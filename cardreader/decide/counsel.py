"""What a worker tells the woman, in the words of the protocol file."""

from __future__ import annotations

from dataclasses import dataclass

from cardreader.core.written import is_line
from cardreader.decide.tomltable import ProtocolError, Table, shown

MOST_SENTENCES = 12
LONGEST_SENTENCE = 200
"""More is not said, and not read, in a session (our own choice)."""


@dataclass(frozen=True)
class Counsel:
    """Sentences to tell her about her tablets and about food; ``source`` says whose they are."""

    tablets: tuple[str, ...] = ()
    food: tuple[str, ...] = ()
    source: str = ""

    def __bool__(self) -> bool:
        return bool(self.tablets or self.food)


def read_counsel(table: Table) -> Counsel:
    """The sentences of a protocol's ``[tell_her]`` table; none where it isn't there.

    Raises ProtocolError for what is no sentence, and for sentences without their source.
    """
    counsel = Counsel(_sentences(table, "tablets"), _sentences(table, "food"), "")
    source = table.text("source") if counsel else table.text("source", "")
    table.finish()
    return Counsel(counsel.tablets, counsel.food, source)


def _sentences(table: Table, key: str) -> tuple[str, ...]:
    found = table.take(key, list, [])
    if len(found) > MOST_SENTENCES:
        raise ProtocolError(f"{table.at(key)} holds more than {MOST_SENTENCES} sentences")
    for text in found:
        short = isinstance(text, str) and 0 < len(text.strip()) <= LONGEST_SENTENCE
        if not short or not is_line(text):
            raise ProtocolError(
                f"{table.at(key)} holds {shown(text)}; "
                f"a sentence is a line of at most {LONGEST_SENTENCE} letters"
            )
    return tuple(text.strip() for text in found)
