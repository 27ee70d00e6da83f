"""``cardreader card``: the card to print, and its lot's colours as asked for."""

from __future__ import annotations

import argparse
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, told
from cardreader.terminal.frame import command
from cardreader.terminal.options import day
from cardreader.terminal.output import make_folder, say, write_file
from cardreader.terminal.readeroptions import lots_of, lots_option

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cardreader.card.lot import Lot
    from cardreader.card.lots import Lots
    from cardreader.terminal.frame import Commands

DAYS_A_PRINT_IS_USED = 365
"""Last day of a new lot's cards where none is named. Ours: prints fade, nobody has measured how
soon, and docs/way.md prints anew each year."""


def add_card(commands: Commands) -> None:
    """Add ``card`` to the command line."""
    parser = command(
        commands,
        "card",
        _card,
        "make the card to print",
        "Every print run is a lot of its own: measure it, or photograph its cards (card-colours), "
        "before laboratory pairs. They give values once pairs stand behind it.",
        example="cardreader card --lot 12 --out card.pdf --lot-file 000012.txt",
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE", help="file to write, .pdf or .svg"
    )
    parser.add_argument("--page", choices=("a4", "letter"), default="a4", help="paper size")
    parser.add_argument("--lot", type=int, required=True, metavar="N", help="lot number to print")
    parser.add_argument("--copies", type=int, default=1, metavar="N", help="cards on the page")
    parser.add_argument(
        "--lot-file",
        type=Path,
        metavar="FILE",
        help="also write the lot's colours as asked for, CGATS.17 text",
    )
    parser.add_argument(
        "--expires",
        type=day,
        metavar="DATE",
        help="last day on which the cards may be read, printed on them, YYYY-MM-DD (default: a "
        "year from today for a new number, the day in its file for a known one)",
    )
    lots_option(parser)


def _card(arguments: argparse.Namespace) -> ExitCode:
    out: Path = arguments.out
    if out.suffix.lower() not in (".pdf", ".svg"):
        raise CommandError(ExitCode.USAGE, f"{out}: a card ends in .pdf or .svg")
    from cardreader.card.cgats import write_lot
    from cardreader.card.printsheet import card_sheet

    lot = _lot_to_print(lots_of(arguments), arguments.lot, arguments.expires)
    with told(ExitCode.USAGE, ValueError):
        sheet = card_sheet(lot, arguments.page, arguments.copies)
    must_lose_no_measurement(arguments.lot_file)
    if arguments.lot_file is not None:  # a folder of lots is new with the first lot
        make_folder(arguments.lot_file.parent)
    write_file(out, sheet.pdf() if out.suffix.lower() == ".pdf" else sheet.svg())
    if arguments.lot_file is not None:
        write_file(arguments.lot_file, write_lot(lot))
    say(
        f"{out}: lot {lot.lot_id}, use by {lot.expires}. Print at 100 %, then measure the "
        "print or photograph the cards (card-colours), before laboratory pairs.\n"
    )
    return ExitCode.OK


def _lot_to_print(lots: Lots, number: int, expires: date | None) -> Lot:
    """The lot itself, or the design under a new number, with the last day of its cards."""
    from dataclasses import replace

    today = date.today()
    if expires is not None and expires < today:
        raise CommandError(ExitCode.USAGE, f"--expires {expires} is past: no card would be read")
    lot = lots[number] if number in lots else design_of(lots, number)
    if expires is None:
        expires = lot.expires if number in lots else today + timedelta(days=DAYS_A_PRINT_IS_USED)
    return replace(lot, expires=expires)


def design_of(lots: Lots, number: int) -> Lot:
    """The design's colours under a lot's number: from one of these that is known by its design,
    or else from the design that ships."""
    from dataclasses import replace

    from cardreader.card.lots import Lots
    from cardreader.core.shipped import shipped

    design = _nominal(lots) or _nominal(Lots.load(shipped("lots")))
    assert design is not None  # it ships
    with told(ExitCode.USAGE, ValueError):
        return replace(design, number=number)


def _nominal(lots: Lots) -> Lot | None:
    return next((lot for lot in lots.values() if lot.basis == "nominal"), None)


def must_lose_no_measurement(path: Path | None, may_replace: Sequence[str] = ("nominal",)) -> None:
    """Colours may be written over colours of the bases named, and over nothing else."""
    if path is None or not path.exists():
        return
    from cardreader.card.cgats import read_lot_file

    try:
        less = read_lot_file(path).basis in may_replace
    except (ValueError, OSError):
        less = False
    if not less:
        raise CommandError(
            ExitCode.NOT_WRITTEN,
            f"{path} exists and holds more than colours asked for: a measured lot would be lost; "
            "give another file",
        )
