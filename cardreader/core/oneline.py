"""What went wrong, in one line that fits a screen, whatever a library put into it."""

from __future__ import annotations

LONGEST = 200


def one_line(error: object, longest: int = LONGEST) -> str:
    """An error's message on one line, cut where it grows too long; its kind when it says nothing.

    Libraries quote what they stumbled over, over as many lines as that has.
    """
    text = " ".join(str(error).split())
    if not text:
        return type(error).__name__
    return text if len(text) <= longest else f"{text[:longest]} ..."


def reason(error: object) -> str:
    """Why something failed: for a failed file what the system says, without its number."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return one_line(error)


def what_failed(error: object) -> str:
    """The same with the file's name before it, where the error knows one."""
    if isinstance(error, OSError) and error.strerror and error.filename:
        return f"{error.filename}: {error.strerror}"
    return " ".join(str(error).split()) or type(error).__name__
