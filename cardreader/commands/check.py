"""``cardreader check``: whether this machine is fit for the work, before the work begins."""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cardreader.terminal.clock import clock_words
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.frame import command
from cardreader.terminal.output import say
from cardreader.terminal.readeroptions import calibration_option, lots_option, protocol_option

if TYPE_CHECKING:
    from cardreader.terminal.frame import Commands

LEAST_FREE_BYTES = 1_000_000_000
"""A day of kept photos (chosen: 200 photos of 4 MB)."""
SOON_DAYS = 30
"""A lot that expires within so many days is told of (chosen: time to print and measure another)."""
EXTRAS = {
    "simulate": "synthetic photos",
    "study": "calibrate and validate",
    "web": "phone pages and register",
    "batch": "many photos at once",
    "phone": "register and pages on a phone alone",
    "heif": "photos in HEIC and HEIF",
}


class State(StrEnum):
    """How a finding stands; only `WRONG` makes the machine unfit."""

    FINE = "fine"
    LOOK = "look"
    WRONG = "wrong"


@dataclass(frozen=True)
class Finding:
    """One thing looked at: its name, how it stands, and what was found or what to do."""

    what: str
    state: State
    words: str


def add_check(commands: Commands) -> None:
    """Add ``check`` to the command line."""
    parser = command(
        commands,
        "check",
        _check,
        "say whether this machine is fit",
        "Looks at versions, decoders, fonts, lots, clock, disk and addresses. "
        f"Code {ExitCode.UNFIT:d} if something is wrong.",
        example="cardreader check --data ~/.local/share/cardreader",
    )
    parser.add_argument("--json", action="store_true", help="print JSON instead of words")
    parser.add_argument(
        "--data",
        type=Path,
        default=Path.home() / ".local" / "share" / "cardreader",
        metavar="FOLDER",
        help="folder that shall be written to (default: where the register lies)",
    )
    protocol_option(parser)
    calibration_option(parser)
    lots_option(parser)


def _check(arguments: argparse.Namespace) -> ExitCode:
    found = list(findings(arguments))
    if arguments.json:
        import json

        say(json.dumps([vars(finding) for finding in found], indent=2) + "\n")
    else:
        width = max(len(finding.what) for finding in found)
        for finding in found:
            say(f"{finding.state:5}  {finding.what:{width}}  {finding.words}\n")
    unfit = any(finding.state is State.WRONG for finding in found)
    return ExitCode.UNFIT if unfit else ExitCode.OK


def findings(arguments: argparse.Namespace) -> Iterator[Finding]:
    """Everything looked at, one after the other; a check that fails is itself a finding."""
    checks: tuple[tuple[str, Callable[[Any], Iterator[Finding]]], ...] = (
        ("versions", _versions),
        ("extras", _extras),
        ("decoders", _decoders),
        ("fonts", _fonts),
        ("lots and calibration", _data),
        ("clock", _clock),
        ("disk", _disk),
        ("addresses", _addresses),
    )
    for name, check in checks:
        try:
            yield from check(arguments)
        except Exception as error:
            from cardreader.core.oneline import what_failed

            yield Finding(name, State.WRONG, what_failed(error))


def _versions(arguments: argparse.Namespace) -> Iterator[Finding]:
    yield Finding("Python", State.FINE, sys.version.split()[0])
    missing, old = [], []
    for wanted, least in _requirements(None):
        try:
            version = metadata.version(wanted)
        except metadata.PackageNotFoundError:
            missing.append(wanted)
            continue
        if _numbers(version) < _numbers(least):
            old.append(f"{wanted} {version} (needs {least})")
    if missing or old:
        words = [f"missing: {', '.join(missing)}"] * bool(missing) + [
            f"too old: {', '.join(old)}"
        ] * bool(old)
        yield Finding("libraries", State.WRONG, "; ".join(words))
    else:
        yield Finding("libraries", State.FINE, "all there, none too old")


def _extras(arguments: argparse.Namespace) -> Iterator[Finding]:
    for extra, purpose in EXTRAS.items():
        missing = [name for name, _ in _requirements(extra) if not _installed(name)]
        if missing:
            words = f"not installed ({purpose}): pip install '.[{extra}]' in the checkout"
            yield Finding(f"extra {extra}", State.LOOK, words)
        else:
            yield Finding(f"extra {extra}", State.FINE, purpose)


def _requirements(extra: str | None) -> Iterator[tuple[str, str]]:
    """Name and least version of what this program, or an extra of it, asks for."""
    for line in metadata.requires("cardreader") or ():
        wanted, _, marker = line.partition(";")
        of = marker.split("==")[-1].strip(" \"'") if "extra" in marker else None
        if of != extra:
            continue
        if wanted.startswith("cardreader["):
            yield from _requirements(wanted.split("[")[1].split("]")[0])
        else:
            name, _, least = wanted.partition(">=")
            yield name.split("[")[0].strip(), least.strip() or "0"


def _installed(name: str) -> bool:
    try:
        metadata.version(name)
    except metadata.PackageNotFoundError:
        return False
    return True


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in version.split(".") if part.isdecimal())


def _decoders(arguments: argparse.Namespace) -> Iterator[Finding]:
    """A grey picture made and read back: what a build left out shows here."""
    import cv2
    import numpy as np

    picture = np.full((64, 64, 3), 128, np.uint8)
    for ending in (".jpg", ".png", ".tif", ".webp"):
        made, data = cv2.imencode(ending, picture)
        back = cv2.imdecode(data, cv2.IMREAD_COLOR) if made else None
        good = back is not None and abs(float(back.mean()) - 128) < 2
        state = State.FINE if good else State.WRONG if ending == ".jpg" else State.LOOK
        yield Finding(f"decoder {ending[1:]}", state, "reads" if good else "does not read")


def _fonts(arguments: argparse.Namespace) -> Iterator[Finding]:
    """What the annotated picture and the printed card are lettered with."""
    from PIL import ImageFont

    from cardreader.card.drawing import Drawing

    width = ImageFont.load_default(size=20).getlength("g/dL")
    Drawing(10, 10, "check", ()).pdf()
    yield Finding("fonts", State.FINE if width > 20 else State.WRONG, "picture and card")


def _data(arguments: argparse.Namespace) -> Iterator[Finding]:
    from cardreader.hb.lotcolours import WHAT_TO_DO
    from cardreader.reader import load_reader

    reader = load_reader(arguments.lots, arguments.calibration, arguments.protocol)
    measured = reader.calibration.basis == "measured"
    words = f"{reader.calibration.id}, {reader.calibration.basis}"
    if not measured:
        words += ": no clinical accuracy is claimed"
    if not any(reader.calibration.fits(lot.lot_id) for lot in reader.lots.values()):
        measured = False
        words += f"; it is for lots {', '.join(reader.calibration.lots)}, and none of them is known"
    yield Finding("calibration", State.FINE if measured else State.LOOK, words)
    for lot in reader.lots.values():
        if unlike := reader.calibration.unlike(lot):
            words = (
                f"its file has other colours than the calibration was fitted with ({unlike}): "
                f"{WHAT_TO_DO}"
            )
            yield Finding(f"card lot {lot.lot_id}", State.WRONG, words)
    yield Finding("protocol", State.FINE, reader.protocol.id)
    good = [lot for lot in reader.lots.values() if not lot.is_expired(reader.today)]
    soon = [lot for lot in good if lot.is_expired(reader.today + timedelta(SOON_DAYS))]
    if not good:
        yield Finding("card lots", State.WRONG, f"none of {len(reader.lots)} is in date")
    elif soon:
        names = ", ".join(f"{lot.lot_id} on {lot.expires}" for lot in soon)
        yield Finding("card lots", State.LOOK, f"{len(good)} in date; expiring soon: {names}")
    else:
        yield Finding("card lots", State.FINE, f"{len(good)} in date")


def _clock(arguments: argparse.Namespace) -> Iterator[Finding]:
    from cardreader.reader import calibration_at

    try:
        calibration = calibration_at(arguments.calibration)
    except (ValueError, OSError):  # said of the calibration, and no fault of the clock's
        calibration = calibration_at(None)
    words, right = clock_words(calibration.created)
    yield Finding("clock", State.FINE if right else State.WRONG, words)


def _disk(arguments: argparse.Namespace) -> Iterator[Finding]:
    """Room and the right to write in the data folder, or where it would be made."""
    folder: Path = arguments.data
    there = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    if not _takes_a_file(there):
        yield Finding("data folder", State.WRONG, f"{there} can't be written to")
        return
    free = shutil.disk_usage(there).free
    words = f"{there}: {free / 1e9:.1f} GB free"
    yield Finding("data folder", State.FINE if free >= LEAST_FREE_BYTES else State.LOOK, words)


def _takes_a_file(folder: Path) -> bool:
    """Whether a file can be made there; rights alone don't tell, as root and in /proc."""
    try:
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def _addresses(arguments: argparse.Namespace) -> Iterator[Finding]:
    """Where a phone on the same network would open the pages."""
    try:
        from cardreader.web.address import own_addresses

        found = own_addresses()
    except ModuleNotFoundError:
        yield Finding("address", State.LOOK, "the web extra is not installed")
        return
    if found:
        yield Finding("address", State.FINE, ", ".join(f"http://{a}:8080/" for a in found))
    else:
        yield Finding("address", State.LOOK, "no network: a phone can't reach this machine now")
