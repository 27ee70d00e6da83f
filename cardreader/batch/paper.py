"""Which batch of blotting paper a run's blots are read as on: one for all of them."""

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


def paper_words(paper: dict[str, Any]) -> str:
    """The same in words; empty where none was told and none is taken."""
    if paper["another"]:
        return (
            f"{paper['batch']}, which the calibration never saw: no value until blood tests on it"
        )
    if paper["taken"]:
        return f"not said, taken to be {paper['taken']}; --paper names another"
    return paper["batch"] or ""
