"""Commands for many registers: registers, hand-over, take-in."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, told, using_data, writing
from cardreader.terminal.frame import command
from cardreader.terminal.output import counted, say
from cardreader.terminal.progress import progress_of, progress_option
from cardreader.web.judgingas import by_default, judging_of, judging_options
from cardreader.web.registerat import (
    add_where,
    asked,
    must_be_there,
    opened_database,
    photos_option,
    register_told,
    spare_others,
)

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from cardreader.register.merge.registers import Card
    from cardreader.register.merge.takein import TakenIn
    from cardreader.register.mergemodels import KnownRegister
    from cardreader.terminal.frame import Commands


def add_merge(commands: Commands) -> None:
    """Add the commands to the command line."""
    for add in (_add_registers, _add_hand_over, _add_take_in):
        add_where(add(commands))


def _add_registers(commands: Commands) -> argparse.ArgumentParser:
    parser = command(
        commands,
        "registers",
        _registers,
        "show this register's card, and which other registers it knows",
        "Registers hand over to each other once each has the other's card. Compare the "
        "card's code with whoever gave it to you: by voice or on paper, not by the way that "
        "the card came.",
        example='cardreader registers card post-3.card --name "Health post 3"',
        extra="web",
    )
    parser.add_argument(
        "what",
        choices=(what := ("list", "card", "add", "forget", "renew")),
        metavar="|".join(what),
        help="list them; write this one's card; add another by its card; forget one; make of a "
        "copied register one of its own",
    )
    parser.add_argument(
        "which", nargs="?", metavar="FILE|NAME", help="file of a card, or name of a register"
    )
    parser.add_argument("--name", default="", help="what this register is called, with card")
    parser.add_argument("--code", default="", help="code of the card, with add (else asked for)")
    parser.add_argument(
        "--only-theirs",
        action="store_true",
        help="with add: hand over to it only women whom it handed over itself",
    )
    parser.add_argument(
        "--sure", action="store_true", help="with renew: don't ask; it can't be taken back"
    )
    return parser


def _add_hand_over(commands: Commands) -> argparse.ArgumentParser:
    parser = command(
        commands,
        "hand-over",
        _hand_over,
        "write what is new for another register to one sealed file",
        "Only that register can open the file. The server may run. What was in a file that "
        "never arrived goes along again once the other register has handed over to this one.",
        example='cardreader hand-over to-district.handover --to "District"',
        stopped="no file was written",
        extra="web",
    )
    _parcel_options(parser, "file to write", "take kept photos along")
    parser.add_argument(
        "--to", default="", metavar="NAME", help="which register (default: the only one known)"
    )
    parser.add_argument(
        "--everything", action="store_true", help="all there is, not only what is new"
    )
    return parser


def _add_take_in(commands: Commands) -> argparse.ArgumentParser:
    parser = command(
        commands,
        "take-in",
        _take_in,
        "bring in what another register handed over",
        "All of it, or nothing. The same file twice, or an older one after a newer, does no "
        "harm. Where both registers changed the same, both values stay, and the supervisor "
        "decides on the page Conflicts. The server may run.",
        example="cardreader take-in from-post-3.handover",
        stopped="nothing was taken in",
        extra="web",
    )
    _parcel_options(parser, "file to take in", "keep photos that come along")
    judging_options(parser)
    return parser


def _parcel_options(parser: argparse.ArgumentParser, file: str, photos: str) -> None:
    """What both ends of a hand-over by file take; the words say what becomes of each."""
    parser.add_argument("file", type=Path, metavar="FILE", help=file)
    photos_option(parser, photos)
    progress_option(parser)


def _registers(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register.merge.registers import CardError

    must_be_there(arguments)
    acts: dict[str, Callable[[Session, argparse.Namespace], None]]
    acts = {"list": _list, "card": _card, "forget": _forget, "renew": _renew}
    _must_fit(arguments)
    # What is asked for is asked before the register is held: the answer may take a telephone call.
    if arguments.what == "add":
        acts["add"] = partial(_add, _compared(arguments))
    elif arguments.what == "renew" and not arguments.sure:
        _must_be_meant(arguments)
    if arguments.what == "card":
        from cardreader.register.merge.registers import CARD_BEGINS

        spare_others(arguments, Path(arguments.which), CARD_BEGINS)
    with (
        register_told(),
        opened_database(arguments) as database,
        told(ExitCode.BAD_DATA, CardError),
        database.write() as session,
    ):
        acts[arguments.what](session, arguments)
    return ExitCode.OK


def _must_fit(arguments: argparse.Namespace) -> None:
    """Nothing that was typed is passed over in silence."""
    what, alone = arguments.what, arguments.what in ("list", "renew")
    if not alone and not arguments.which:
        raise CommandError(ExitCode.USAGE, f"registers {what} needs a FILE or NAME")
    if alone and arguments.which:
        raise CommandError(ExitCode.USAGE, f"registers {what} takes no FILE or NAME")
    adds = {"--code": arguments.code, "--only-theirs": arguments.only_theirs}
    options = {
        "card": {"--name": arguments.name},
        "add": adds,
        "renew": {"--sure": arguments.sure},
    }
    for of, given in options.items():
        idle = next((option for option, value in given.items() if value and of != what), None)
        if idle is not None:
            raise CommandError(ExitCode.USAGE, f"{idle} goes with registers {of} alone")


def _list(session: Session, arguments: argparse.Namespace) -> None:
    from cardreader.register.merge.registers import (
        card_of,
        card_of_known,
        known_registers,
        own_register,
    )

    own = card_of(own_register(session))
    say(f"this register: {own.name}, code {own.code}\n")
    for known in known_registers(session):
        scope = ", of its own women alone" if known.only_theirs else ""
        say(
            f"{known.name}: code {card_of_known(known).code}; "
            f"told {_day(known.told_at)}{scope}; taken in {_day(known.taken_at)}\n"
        )


def _day(at: object) -> str:
    return "never" if at is None else str(at)[:10]


def _card(session: Session, arguments: argparse.Namespace) -> None:
    from cardreader.core.files import write_atomic
    from cardreader.core.written import as_line
    from cardreader.register.merge.registers import LONGEST_NAME, card_of, own_register

    name = as_line(arguments.name)
    if len(name) > LONGEST_NAME:
        raise CommandError(ExitCode.USAGE, f"a name has at most {LONGEST_NAME} letters")
    card = card_of(own_register(session, name))
    with writing(arguments.which):
        write_atomic(arguments.which, card.to_json())
    say(f"{arguments.which}: card of {card.name}\ncode {card.code}\n")


def _compared(arguments: argparse.Namespace) -> Card:
    """The card in the file, whose code whoever gave it has told."""
    from cardreader.register.merge.registers import CardError, read_card

    with told(ExitCode.BAD_DATA, CardError), told(ExitCode.NO_FILE, OSError, about=arguments.which):
        card = read_card(Path(arguments.which).read_bytes()[:10_000])
    about = f"The card says it is of {card.name}. Ask there for its code.\nCode: "
    given = arguments.code or asked(about, "give --code")
    if _letters(given) != _letters(card.code):
        raise CommandError(
            ExitCode.BAD_DATA,
            "the code is not this card's: it was mistyped, or somebody put another card in its "
            "place",
        )
    return card


def _add(card: Card, session: Session, arguments: argparse.Namespace) -> None:
    from cardreader.register.merge.registers import add_known

    add_known(session, card, arguments.only_theirs)
    told_of = "its own women alone" if arguments.only_theirs else "every woman here"
    say(f"{card.name} is known now, and is told of {told_of}\n")


def _letters(code: str) -> str:
    return "".join(letter for letter in code.upper() if letter.isalnum())


def _forget(session: Session, arguments: argparse.Namespace) -> None:
    from cardreader.register.merge.registers import forget_known

    forget_known(session, _known(session, arguments.which))


def _renew(session: Session, arguments: argparse.Namespace) -> None:
    from cardreader.register.identity import host_name, own_identity
    from cardreader.register.merge.registers import card_of, renew_own

    card = card_of(renew_own(session))
    name = host_name(own_identity(session) or "")
    say(
        f"this register is one of its own now: {card.name}, code {card.code}\n"
        "Give its card to the others anew (registers card); a name that another has must be "
        "changed first (--name).\n"
        f"On its network it is {name} from the next start of the server on: let the phones scan "
        "its code again.\n"
    )


def _must_be_meant(arguments: argparse.Namespace) -> None:
    """Nothing brings the old card back, and every other register and phone must be told."""
    given = asked(
        f"The register of {arguments.data} becomes another for all others: its card, code and name "
        "on the network are gone for good, and what it hands over is refused until they have the "
        "new card. This is for a copy, or for one that was put back to an earlier state.\n"
        "Type yes to go on: ",
        "give --sure if it is a copy, or was put back to an earlier state",
    )
    if given.strip().casefold() != "yes":
        raise CommandError(ExitCode.USAGE, "the register is as it was: yes was not typed")


def _known(session: Session, name: str) -> KnownRegister:
    from cardreader.register.merge.registers import find_known, known_registers

    everyone = known_registers(session)
    if not name and len(everyone) == 1:
        return everyone[0]
    found = find_known(session, name) if name else None
    if found is None:
        names = ", ".join(known.name for known in everyone)
        raise CommandError(
            ExitCode.BAD_DATA,
            f"which register is it? known: {names}"
            if names
            else "no other register is known: add its card with registers add",
        )
    return found


def _hand_over(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register.database import told_if_damaged
    from cardreader.register.merge.handover import hand_over
    from cardreader.register.merge.parcel import HEAD, ParcelError
    from cardreader.register.photostore import PhotoStoreError, open_store

    must_be_there(arguments)
    spare_others(arguments, arguments.file, HEAD)
    with (
        register_told(),
        opened_database(arguments) as database,
        told(ExitCode.BAD_DATA, ParcelError, PhotoStoreError),
        told_if_damaged(),
        writing(arguments.file),
    ):
        with database.read() as session:
            to = _known(session, arguments.to).id
        photos = open_store(arguments.data) if arguments.photos else None
        done = hand_over(
            *(database, to, arguments.file, arguments.everything, photos, None),
            progress_of(arguments),
        )
    what = "everything" if done.whole else "what is new"
    say(
        f"{arguments.file}: {what} for {done.to}: "
        f"{counted(done.women, 'woman', 'women')}, "
        f"{done.removed} deleted on request, {counted(done.photos, 'photo')}\n"
    )
    return ExitCode.OK


def _take_in(arguments: argparse.Namespace) -> ExitCode:
    from cardreader.register.database import told_if_damaged
    from cardreader.register.keptlists import renew_as_they_change
    from cardreader.register.merge.parcel import ParcelError
    from cardreader.register.merge.takein import take_in
    from cardreader.register.photostore import PhotoStoreError, open_store
    from cardreader.web.pipelinereader import PipelineReader
    from cardreader.web.sitereader import SiteReader, judge_by

    must_be_there(arguments)
    with told(ExitCode.NO_FILE, OSError, about=arguments.file), arguments.file.open("rb"):
        pass
    with (
        register_told(),
        opened_database(arguments) as database,
        told(ExitCode.BAD_DATA, ParcelError, PhotoStoreError),
        told_if_damaged(),
        writing(arguments.data),
    ):
        judging = judging_of(arguments, database)
        with using_data():
            reader = PipelineReader.load(arguments.lots, arguments.calibration, judging.protocol)
        renew_as_they_change(database, reader.rules.follow_up)
        photos = open_store(arguments.data) if arguments.photos else None
        judge = judge_by(SiteReader(reader, database), judging.elevation_m)
        done = take_in(database, arguments.file, judge, photos, None, progress_of(arguments))
        default = by_default(arguments, database)
    say(_told_of(done) + default)
    return ExitCode.OK


def _told_of(done: TakenIn) -> str:
    women = done.women
    lines = [
        f"taken in from {done.giver}, made {done.made_at}: {women.new} new, {women.changed} "
        f"changed, {women.same} as they were, {women.removed} deleted on request; "
        f"{counted(women.readings, 'new reading')}, {counted(done.photos, 'photo')}"
    ]
    if women.judged_by:
        told = ", ".join(f"{n} by {name}" for name, n in sorted(women.judged_by.items()))
        lines.append(
            f"of the readings another protocol than this register's judged {told}: they keep what "
            "it made of them, and who by this one's limits needs a test has a referral"
        )
    if done.gap:
        lines.append(
            "something that was handed over before never arrived here: it comes again once "
            f"{done.giver} has taken in what you hand over next"
        )
    if done.lost:
        lines.append(
            f"{done.giver} had not taken in your newest hand-over yet: it goes along next time"
        )
    if done.conflicts:
        lines.append(
            counted(done.conflicts, "value") + " for the supervisor to decide: see Conflicts"
        )
    return "\n".join(lines) + "\n"
