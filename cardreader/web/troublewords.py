"""What pages say when the register's computer is in trouble: for whoever holds the phone."""

from __future__ import annotations

from cardreader.register.trouble import Trouble
from cardreader.web.texts import mark

WORDS: dict[Trouble, str] = {
    Trouble.FULL: mark(
        "The disk of the register's computer is full. What was just sent is not entered. "
        "Free some space there, then send it again."
    ),
    Trouble.LOCKED: mark(
        "Another program on the register's computer holds the register. What was just sent is "
        "not entered. Wait a minute, then send it again."
    ),
    Trouble.READ_ONLY: mark(
        "The register can be read but not written. What was just sent is not entered. Whoever "
        "runs the register's computer must give it the right to write."
    ),
    Trouble.NOT_OPENED: mark(
        "The register's file can't be opened. What was just sent is not entered. Whoever runs "
        "the register's computer must look whether its folder is still there."
    ),
    Trouble.DISK: mark(
        "The disk of the register's computer reports an error. What was just sent is not "
        "entered. Stop the server and copy its folder to another disk."
    ),
    Trouble.DAMAGED: mark(
        "The register is damaged. What was just sent is not entered: write it on paper. Whoever "
        "runs the register's computer must stop the server and restore the newest backup."
    ),
    Trouble.UNREACHABLE: mark(
        "The register's database can't be reached. What was just sent is not entered. Try again "
        "in a minute; if it lasts, whoever runs the database must look after it."
    ),
}
"""A trouble that isn't here is said as one of reaching the database."""


def words_of(trouble: Trouble) -> str:
    """One text of the catalogue: what is wrong, what became of what was sent, what to do."""
    return WORDS.get(trouble, WORDS[Trouble.UNREACHABLE])


_READABLE: dict[Trouble, str] = {
    Trouble.FULL: mark(
        "The disk of the register's computer is full. You can read, but nothing that you send is "
        "entered. Free some space there."
    ),
}
_ELSE_READABLE = mark(
    "The register can't be written now. You can read, but nothing that you send is entered. "
    "Whoever runs the register's computer must look after it."
)


def readable_words(trouble: Trouble) -> str:
    """One text of the catalogue: that lists can be read, and nothing can be entered."""
    return _READABLE.get(trouble, _ELSE_READABLE)
