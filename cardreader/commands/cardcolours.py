"""``cardreader card-colours``: a printed lot's colours, found from photos of its cards."""

from __future__ import annotations

import argparse
import hashlib
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.commands.card import design_of, must_lose_no_measurement
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, told
from cardreader.terminal.frame import command
from cardreader.terminal.options import whole
from cardreader.terminal.output import say, write_file
from cardreader.terminal.progress import progress_of, progress_option
from cardreader.terminal.readeroptions import lots_of, lots_option, today_option

if TYPE_CHECKING:
    from cardreader.card.lot import Lot
    from cardreader.card.lots import Lots
    from cardreader.read.printcolours import CardPhoto, PrintColours
    from cardreader.terminal.frame import Commands
    from cardreader.terminal.progress import Progress

_UNKNOWN_PHONE = ""


def add_card_colours(commands: Commands) -> None:
    """Add ``card-colours`` to the command line."""
    parser = command(
        commands,
        "card-colours",
        _card_colours,
        "find a printed lot's colours from photos of its cards",
        "For a lot that nobody can measure: better than its design, not as good as an "
        "instrument. Photograph cards of the lot, with a blot or without, with three phones "
        "or more under all the light that you work under; do it before laboratory pairs are "
        "collected, since these are tied to the lot's file.",
        example="cardreader card-colours photos/ --lots my-lots --out my-lots/000012.txt",
    )
    parser.add_argument(
        "photos", nargs="+", metavar="PHOTO", type=Path, help="photo files, or folders of them"
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE", help="lot file to write, CGATS.17 text"
    )
    parser.add_argument(
        "--lot",
        type=whole(0, 10_000_000),
        metavar="N",
        help="lot number, where the photos show cards of several lots",
    )
    lots_option(parser)
    today_option(parser, "day to write into the file")
    progress_option(parser)


def _card_colours(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.card.cgats import write_lot
    from cardreader.read.printcolours import TooFewPhotosError, print_colours

    lots = lots_of(arguments)
    must_lose_no_measurement(arguments.out, may_replace=("nominal", "photographed"))
    with closing(progress_of(arguments)) as progress:
        seen = _seen(_files(arguments.photos), lots, progress)
    number = _number(seen, arguments.lot)
    cards = seen.cards[number]
    try:
        found = print_colours([card.photo for card in cards], _asked_for(lots, number))
    except TooFewPhotosError as error:
        raise CommandError(ExitCode.BAD_DATA, f"{error}{_why(seen)}") from None
    except ValueError as error:  # a measured lot
        raise CommandError(ExitCode.USAGE, str(error)) from None
    phones = {card.phone for card in cards}
    write_file(arguments.out, write_lot(_described(found, phones, arguments)))
    say(_words(arguments.out, found, phones, seen))
    return ExitCode.OK


def _asked_for(lots: Lots, number: int) -> Lot:
    """The lot as it was asked for; what earlier photos found of it is found anew."""
    lot = lots[number]
    if lot.basis != "photographed":
        return lot
    return replace(design_of(lots, number), expires=lot.expires)


@dataclass(frozen=True)
class _Card:
    photo: CardPhoto
    phone: str


@dataclass
class _Seen:
    """What the photos show: cards by lot number, and how many photos showed none, by why."""

    cards: dict[int, list[_Card]] = field(default_factory=dict)
    without: Counter[str] = field(default_factory=Counter)

    @property
    def n_photos(self) -> int:
        """Of different files."""
        return sum(map(len, self.cards.values())) + self.without.total()


def _files(given: list[Path]) -> list[Path]:
    out: list[Path] = []
    for path in given:
        with told(ExitCode.NO_FILE, OSError, about=path):
            out += sorted(path.iterdir()) if path.is_dir() else [path]
    return [path for path in out if not path.name.startswith(".") and not path.is_dir()]


def _seen(files: list[Path], lots: Lots, progress: Progress) -> _Seen:
    """The cards that the photos show; the same file counts once."""
    from cardreader.core.piped import read_at_most
    from cardreader.pipeline import measure_photo
    from cardreader.read.photo import MAX_FILE_BYTES
    from cardreader.read.printcolours import CardPhoto

    seen, known = _Seen(), set()
    progress.start("photos", len(files), unit="photo")
    for path in files:
        with told(ExitCode.NO_FILE, OSError, about=path):
            data = read_at_most(path, MAX_FILE_BYTES + 1)
        progress.step()
        sha256 = hashlib.sha256(data).hexdigest()
        if sha256 in known:
            continue
        known.add(sha256)
        measured = measure_photo(data, lots, sha256)
        if measured.samples is None or measured.lot is None or measured.banding is None:
            reason = "no card" if measured.refusal is None else measured.refusal.reason.value
            seen.without[reason] += 1
            continue
        phone = measured.photo.exif.make_model if measured.photo is not None else None
        card = _Card(CardPhoto(measured.samples, measured.banding), phone or _UNKNOWN_PHONE)
        seen.cards.setdefault(measured.lot.number, []).append(card)
    return seen


def _number(seen: _Seen, wanted: int | None) -> int:
    """The lot to find the colours of: the one asked for, or the only one shown."""
    if not seen.cards:
        raise CommandError(ExitCode.BAD_DATA, f"no photo shows a card of a known lot{_why(seen)}")
    shown = ", ".join(f"{number:06d}" for number in sorted(seen.cards))
    if wanted is None and len(seen.cards) > 1:
        raise CommandError(ExitCode.USAGE, f"the photos show lots {shown}: name one by --lot")
    number = next(iter(seen.cards)) if wanted is None else wanted
    if number not in seen.cards:
        raise CommandError(ExitCode.BAD_DATA, f"no photo shows lot {number:06d}, but {shown}")
    return number


def _why(seen: _Seen) -> str:
    return "".join(f"; {count}: {reason}" for reason, count in seen.without.most_common())


def _described(found: PrintColours, phones: set[str], arguments: argparse.Namespace) -> Lot:
    from datetime import date

    return replace(
        found.lot,
        created=arguments.today or date.today(),
        instrument="",
        note=f"colours found from {found.n_photos} photos by {_phones(phones)}",
    )


def _phones(phones: set[str]) -> str:
    if phones == {_UNKNOWN_PHONE}:
        return "phones that don't name themselves"
    return "1 kind of phone" if len(phones) == 1 else f"{len(phones)} kinds of phone"


def _words(out: Path, found: PrintColours, phones: set[str], seen: _Seen) -> str:
    from cardreader.read.printcolours import LEAST_PHONES

    lines = [
        f"{out}: lot {found.lot.lot_id}, from {found.n_photos} of {seen.n_photos} photos by "
        f"{_phones(phones)}.",
        f"Two halves of the photos agree within CIEDE2000 {found.halves_de00:.1f} in the mean: "
        "with each other. By how much both miss the print only an instrument tells.",
    ]
    lines += [f"  {count} left out: {reason}" for reason, count in seen.without.most_common()]
    if len(phones) < LEAST_PHONES and phones != {_UNKNOWN_PHONE}:
        lines.append(
            f"Please look: with fewer than {LEAST_PHONES} kinds of phone, what a phone does to "
            "colour is taken for the print's."
        )
    lines.append("A calibration made with other colours of this lot gives no value beside these.")
    return "\n".join(lines) + "\n"
