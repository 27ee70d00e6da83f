"""``cardreader read``: photos in, words or JSON out."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, told, writing
from cardreader.terminal.frame import command, is_installed
from cardreader.terminal.output import complain, say
from cardreader.terminal.readeroptions import reader_of, reader_options

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cardreader.decide.subject import Subject
    from cardreader.reader import Reader
    from cardreader.result.reading import Reading
    from cardreader.terminal.frame import Commands

SMOKING = ("none", "some", "under-10", "10-19", "20-or-more")
PICTURE_ENDINGS = (".jpg", ".jpeg", ".png")


def add_read(commands: Commands) -> None:
    """Add ``read`` to the command line."""
    parser = command(
        commands,
        "read",
        _read,
        "read haemoglobin from a photo",
        "Several photos are taken together as blots of one woman; give one photo of each blot, "
        "or photos of one blot from different sides with --same-blot. For many women at once "
        "there is batch.",
        example="cardreader read photo.jpg --gestation-weeks 22 --annotate result.jpg",
    )
    parser.add_argument("photos", nargs="+", metavar="PHOTO", type=Path, help="photo file")
    parser.add_argument(
        "--same-blot",
        action="store_true",
        help="the photos show one blot from different sides, by one phone in one light: a "
        "reflection that moved is left out",
    )
    out = parser.add_argument_group("result")
    out.add_argument("--json", action="store_true", help="print JSON instead of words")
    out.add_argument(
        "--annotate",
        metavar="OUT",
        type=_picture_path,
        help="also write an annotated picture, .jpg or .png; "
        "with several photos OUT-1, OUT-2 and so on",
    )
    woman = parser.add_argument_group("about the woman")
    woman.add_argument("--trimester", type=int, choices=(1, 2, 3), help="trimester of pregnancy")
    woman.add_argument(
        "--gestation-weeks", type=int, metavar="N", help="completed weeks of pregnancy"
    )
    woman.add_argument(
        "--elevation-m", type=float, metavar="M", help="elevation of her home above the sea, metres"
    )
    woman.add_argument("--smoking", choices=SMOKING, help="cigarettes a day")
    reader_options(parser)


def _read(arguments: argparse.Namespace) -> ExitCode:
    subject = _subject(arguments)
    contents = [_bytes_of(path) for path in arguments.photos]  # a missing one is told at once
    _tell_of_heif(arguments.photos, contents)
    _spare(arguments.photos, arguments.annotate, 1 if arguments.same_blot else len(contents))
    if arguments.same_blot and len(set(contents)) < 2:
        raise CommandError(
            ExitCode.USAGE, "--same-blot needs two different photos of the blot or more"
        )
    reader = reader_of(arguments)
    if arguments.same_blot:
        return _read_same_blot(contents, reader, subject, arguments)
    from cardreader.pipeline import read_photo

    readings = [read_photo(data, reader, subject) for data in contents]
    _print_readings(readings, reader, subject, as_json=arguments.json)
    if arguments.annotate is not None:
        _annotate(readings, arguments.annotate)
    refused = any(reading.refusal is not None for reading in readings)
    return ExitCode.REFUSED if refused else ExitCode.OK


def _read_same_blot(
    contents: list[bytes], reader: Reader, subject: Subject, arguments: argparse.Namespace
) -> ExitCode:
    from cardreader.pipeline import read_same_blot
    from cardreader.result import asjson, together

    same = read_same_blot(contents, reader, subject)
    if arguments.json:
        say(asjson.dumps(together.same_blot_json(same)))
    else:
        say(together.same_blot_text(same))
    if arguments.annotate is not None:
        _annotate([same.together], arguments.annotate)
    return ExitCode.OK if same.together.refusal is None else ExitCode.REFUSED


def _print_readings(
    readings: list[Reading], reader: Reader, subject: Subject, as_json: bool
) -> None:
    if len(readings) == 1:
        _print_reading(readings[0], as_json)
        return
    from cardreader.pipeline import combine_readings
    from cardreader.result import asjson, together

    combined = combine_readings(readings, reader, subject)
    if as_json:
        say(asjson.dumps(together.combined_json(combined)))
    else:
        say(together.combined_text(combined))


def _print_reading(reading: Reading, as_json: bool) -> None:
    if as_json:
        from cardreader.result import asjson

        say(asjson.dumps(asjson.reading_json(reading)))
    else:
        from cardreader.result import astext

        say(astext.reading_text(reading))


def _annotate(readings: list[Reading], out: Path) -> None:
    from cardreader.result.annotate import write_annotated

    for path, reading in zip(_pictures(out, len(readings)), readings, strict=True):
        with writing(path):
            write_annotated(path, reading)


def _pictures(out: Path, count: int) -> list[Path]:
    """Where the pictures of so many photos are written."""
    if count == 1:
        return [out]
    return [out.with_stem(f"{out.stem}-{number}") for number in range(1, count + 1)]


def _spare(photos: Sequence[Path], out: Path | None, count: int) -> None:
    """Let no picture be written over a photo: there is no other of that blot."""
    for path in () if out is None else _pictures(out, count):
        if any(path.exists() and path.samefile(photo) for photo in photos):
            raise CommandError(
                ExitCode.USAGE, f"{path} is one of the photos: --annotate needs another name"
            )


def _subject(arguments: argparse.Namespace) -> Subject:
    from cardreader.decide.subject import Smoking, Subject, Trimester

    trimester, smoking = arguments.trimester, arguments.smoking
    with told(ExitCode.USAGE, ValueError):
        return Subject(
            trimester=None if trimester is None else Trimester(trimester),
            gestation_weeks=arguments.gestation_weeks,
            elevation_m=arguments.elevation_m,
            smoking=None if smoking is None else Smoking(smoking),
        )


def _bytes_of(path: Path) -> bytes:
    from cardreader.core.piped import read_at_most
    from cardreader.read.photo import MAX_FILE_BYTES

    if path.is_dir():
        raise CommandError(
            ExitCode.NO_FILE,
            f"{path}: is a folder; all its photos: cardreader batch {path} --out DIR",
        )
    # ValueError: a null byte in the name.
    with told(ExitCode.NO_FILE, OSError, ValueError, about=path):
        # One byte more than a photo may have: the reader refuses it, memory is spared.
        return read_at_most(path, MAX_FILE_BYTES + 1)


def _tell_of_heif(paths: Sequence[Path], contents: Sequence[bytes]) -> None:
    """Taking such a photo again gives another of the same kind: what opens it is another thing."""
    from cardreader.read.decoders import kind_of

    heif = [path for path, data in zip(paths, contents, strict=True) if kind_of(data) == "HEIF"]
    if heif and not is_installed("pillow_heif"):
        how = "pip install '.[heif]' in the checkout brings what opens it; or send a JPEG"
        complain(f"{heif[0]} is a HEIC or HEIF photo: {how}")


def _picture_path(text: str) -> Path:
    path = Path(text)
    if path.suffix.lower() not in PICTURE_ENDINGS:
        raise argparse.ArgumentTypeError(f"{text!r} must end in {', '.join(PICTURE_ENDINGS)}")
    return path
