"""Which batch of blotting paper blots are read as on: what a list says, else one for the run."""

from __future__ import annotations

from typing import Any

from cardreader.reader import Reader


def paper_of(reader: Reader) -> dict[str, Any]:
    """The batch that was told, the one taken where none was, and whether no pair had it."""
    return {
        "batch": reader.paper or None,
        "taken": reader.calibration.paper_taken(reader.paper) or None,
        "another": reader.calibration.is_another_paper(reader.paper),
    }


def listed_words(paper: dict[str, Any]) -> str:
    """Where a list names batches: `paper_words` of the photos for which it names none."""
    return f"as listed; where the list names none: {paper_words(paper) or 'not said'}"


def paper_words(paper: dict[str, Any]) -> str:
    """The same in words; empty where none was told and none is taken."""
    if paper["another"]:
        return (
            f"{paper['batch']}, which the calibration never saw: no value until blood tests on it"
        )
    if paper["taken"]:
        return f"not said, taken to be {paper['taken']}; --paper names another"
    return paper["batch"] or ""
