"""Options that say what photos are read with, the same in every command, and what they load."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.terminal.failing import using_data
from cardreader.terminal.options import day

if TYPE_CHECKING:
    from cardreader.card.lots import Lots
    from cardreader.hb.calibration import Calibration
    from cardreader.reader import Reader

DEFAULT_PROTOCOL = "common-practice"


def reader_options(parser: argparse.ArgumentParser) -> None:
    """Add all that `reader_of` takes."""
    rules = parser.add_argument_group("judged by")
    protocol_option(rules)
    calibration_option(rules)
    lots_option(rules)
    today_option(rules, "day to check the card's expiry against")
    rules.add_argument(
        "--paper",
        default="",
        metavar="BATCH",
        help="batch of the blotting paper: a calibration of named ones gives no value on another",
    )


def protocol_option(group: argparse._ActionsContainer, unsaid: str = "") -> None:
    """Add ``--protocol``; ``unsaid`` says what holds without it, where that isn't the default.

    It is then None, and for whoever adds the option to find out.
    """
    group.add_argument(
        "--protocol",
        default=None if unsaid else DEFAULT_PROTOCOL,
        metavar="P",
        help="shipped protocol or a .toml file of your own "
        f"(default: {unsaid or DEFAULT_PROTOCOL})",
    )


def calibration_option(group: argparse._ActionsContainer) -> None:
    """Add ``--calibration``."""
    group.add_argument(
        "--calibration",
        type=Path,
        metavar="PATH",
        help="calibration file or folder instead of the shipped one",
    )


def lots_option(group: argparse._ActionsContainer) -> None:
    """Add ``--lots``."""
    group.add_argument(
        "--lots", type=Path, metavar="FOLDER", help="card lots instead of the shipped ones"
    )


def today_option(group: argparse._ActionsContainer, about: str) -> None:
    """Add ``--today``; ``about`` says which day it is."""
    group.add_argument(
        "--today", type=day, metavar="DATE", help=f"{about}, YYYY-MM-DD (default: today)"
    )


def reader_of(arguments: argparse.Namespace) -> Reader:
    """The reader that `reader_options` ask for, or the end of the command."""
    from cardreader.reader import load_reader

    with using_data():
        return load_reader(
            arguments.lots,
            arguments.calibration,
            arguments.protocol,
            getattr(arguments, "today", None),
            getattr(arguments, "paper", ""),
        )


def lots_of(arguments: argparse.Namespace) -> Lots:
    """The card lots that ``--lots`` asks for, or the end of the command."""
    from cardreader.reader import load_lots

    with using_data():
        return load_lots(arguments.lots)


def calibration_of(path: Path | None) -> Calibration:
    """A calibration by its path, the shipped one when None, or the end of the command."""
    from cardreader.reader import calibration_at

    with using_data():
        return calibration_at(path)
