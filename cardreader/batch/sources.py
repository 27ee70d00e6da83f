"""Which photos there are: a folder, a list file or an fsspec address -> PhotoFile.

A photo is known by its path or address, as given, for as long as the table
lives. The stamp (size and time, or the store's own tag) tells whether it may
have changed since; a store that gives neither is asked for the content again.
"""

from __future__ import annotations

import codecs
import os
import re
import stat
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from cardreader.batch.stores import NoStoreError, is_address, read_stored, stored_objects
from cardreader.core.oneline import one_line, what_failed
from cardreader.core.photofiles import PhotoFiles
from cardreader.core.piped import read_at_most
from cardreader.core.rowfaults import Faults, FaultsError
from cardreader.core.sheet import Sheet, SheetError, SheetRow, read_sheet
from cardreader.decide.subject import Smoking, Subject, Trimester
from cardreader.read.photo import MAX_FILE_BYTES

PHOTO_ENDINGS = (
    ".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".avif",
)  # fmt: skip
LIST_ENDINGS = (".txt", ".csv")
ARCHIVE_ENDINGS = (".zip", ".7z", ".rar", ".tar", ".gz", ".tgz")
LIST_COLUMNS = (
    "photo", "phone", "light", "trimester", "gestation_weeks", "elevation_m", "smoking",
    "blot", "paper",
)  # fmt: skip
SPREADSHEET_ENDINGS = (".xlsx", ".xlsm", ".xls", ".ods", ".numbers", ".tsv")
MAX_LIST_BYTES = 500_000_000
NOT_A_FILE = "not a file but a pipe, socket or device"
"""What a named pipe, a socket or a device is counted as; to open one may wait for ever."""


class SourceError(ValueError):
    """A source that can't be listed; one line says why."""


class ListError(SourceError, FaultsError):
    """A list that can't be used; ``errors`` holds the first faults of all its rows."""

    def __init__(self, name: str, faults: Faults) -> None:
        FaultsError.__init__(self, *faults.all())
        self.name = name

    def __str__(self) -> str:
        return f"{self.name}: {super().__str__()}"


@dataclass(frozen=True)
class PhotoFile:
    """One photo to be read.

    Attributes
    ----------
    name : str
        Path or address: opens it and names its row.
    stamp : str or None
        Same stamp, same content; None when that can't be known without reading.
    size : int or None
        Bytes, where the listing says.
    blot : str or None
        Photos of the same ``blot`` show one blot, and are read as one.
    beside : tuple of str
        Names of the other photos of the blot, once they are joined.
    subject : Subject
    phone, light : str or None
        As a list file states them; phone falls back on what the photo itself says.
    paper : str or None
        Batch of its blotting paper, as a list file states it; else that of the run.
    """

    name: str
    stamp: str | None = None
    subject: Subject = field(default_factory=Subject)
    phone: str | None = None
    light: str | None = None
    size: int | None = None
    blot: str | None = None
    beside: tuple[str, ...] = ()
    paper: str | None = None


def list_photos(
    sources: Iterable[str], subject: Subject | None = None, left_out: Counter[str] | None = None
) -> Iterator[PhotoFile]:
    """Photos of the sources as they come, without holding them.

    They come in no order, and a name may come again. ``subject`` holds for photos about whom
    a list says nothing. Files of folders whose names are no photos' are counted in ``left_out``
    by their endings, and what is no file at all as `NOT_A_FILE`. SourceError for a source that
    can't be listed.
    """
    counted = Counter() if left_out is None else left_out
    for source in sources:
        yield from _of_source(source, subject or Subject(), counted)


class ListedTwice:
    """Photos that two rows or sources say different things about, as they are met."""

    def __init__(self) -> None:
        self._faults = Faults()

    def __bool__(self) -> bool:
        return bool(self._faults)

    def add(self, photo: PhotoFile) -> None:
        """Note such a photo."""
        said = f"{one_line(photo.name)} is listed twice with different facts"
        self._faults.add(0, "", said)

    def must_be_none(self) -> None:
        """ListError with all of them, if there are any."""
        if self:
            raise ListError("the list", self._faults)


def read_bytes(name: str) -> bytes:
    """Content of a photo, or one byte more than a photo may have; OSError if it can't be opened."""
    if is_address(name):
        return read_stored(name, MAX_FILE_BYTES + 1)
    return read_at_most(_file_of(name), MAX_FILE_BYTES + 1)


def _as_text(path: str) -> str:
    """A path as a table can hold it: bytes that are no UTF-8, of old archives, as \\xe9."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def _file_of(name: str) -> str | bytes:
    """The file that such a name stands for, where there is none of just that name."""
    if "\\x" not in name or os.path.exists(name):
        return name
    return re.sub(
        rb"\\x([89a-f][0-9a-f])", lambda found: bytes.fromhex(found[1].decode()), os.fsencode(name)
    )


def _of_source(source: str, subject: Subject, left_out: Counter[str]) -> Iterator[PhotoFile]:
    if is_address(source):
        return _remote(source, subject, left_out)
    path = Path(source)
    if path.is_dir():
        return _folder(path, subject, left_out)
    if path.suffix.lower() in LIST_ENDINGS and path.is_file():
        return _list_file(path, subject)
    if path.suffix.lower() in ARCHIVE_ENDINGS and path.is_file():
        raise SourceError(f"{source} is an archive: unpack it and name the folder")
    if path.suffix.lower() in SPREADSHEET_ENDINGS and path.is_file():
        raise SourceError(f"{source} is a spreadsheet: save it as CSV UTF-8 and name that file")
    if path.is_file():
        return iter([_local(source, subject)])
    if path.exists():
        raise SourceError(f"{source}: {NOT_A_FILE}")
    raise SourceError(f"{source}: no such folder or file")


def _folder(root: Path, subject: Subject, left_out: Counter[str]) -> Iterator[PhotoFile]:
    def fail(error: OSError) -> None:
        raise SourceError(what_failed(error))

    for folder, subfolders, files in os.walk(root, onerror=fail):
        subfolders[:] = [name for name in subfolders if not name.startswith(".")]
        for name in files:
            path = os.path.join(folder, name)
            if _is_no_file(path):
                if not name.startswith("."):
                    left_out[NOT_A_FILE] += 1
                continue
            _count(name, left_out)
            # A link that leads nowhere is a photo on a disk that isn't there: it has its row.
            if _is_photo(name):
                yield _local(path, subject)


def _is_no_file(path: str) -> bool:
    """Whether it is there, and a named pipe, a socket or a device."""
    try:
        mode = os.stat(path).st_mode
    except (OSError, ValueError):
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))


def _count(name: str, left_out: Counter[str]) -> None:
    """Count a file that is no photo by its name, unless it is hidden."""
    if not name.startswith(".") and not _is_photo(name):
        left_out[Path(name).suffix.lower() or "without an ending"] += 1


def _is_photo(name: str) -> bool:
    return name.lower().endswith(PHOTO_ENDINGS) and not name.startswith(".")


def _local(
    name: str,
    subject: Subject,
    phone: str | None = None,
    light: str | None = None,
    blot: str | None = None,
) -> PhotoFile:
    """A photo on this machine, or named in a list whatever it is."""
    if is_address(name):
        return PhotoFile(name, None, subject, phone, light, blot=blot)
    try:
        facts = os.stat(name)
    except (OSError, ValueError):  # reading it will say what is wrong
        return PhotoFile(_as_text(name), None, subject, phone, light, blot=blot)
    stamp = f"{facts.st_size}:{facts.st_mtime_ns}:{facts.st_ino}"
    size = facts.st_size if stat.S_ISREG(facts.st_mode) else None
    return PhotoFile(_as_text(name), stamp, subject, phone, light, size, blot)


def _remote(source: str, subject: Subject, left_out: Counter[str]) -> Iterator[PhotoFile]:
    anything = False
    try:
        for found in stored_objects(source):
            anything = True
            _count(found.name.rsplit("/", 1)[-1], left_out)
            if _is_photo(found.name.rsplit("/", 1)[-1]):
                yield PhotoFile(found.name, found.stamp, subject, size=found.size)
    except NoStoreError as error:
        raise SourceError(f"{source}: {error}") from None
    except Exception as error:  # stores raise what their own client raises
        raise SourceError(f"{source}: {type(error).__name__}: {one_line(error)}") from None
    if not anything:
        raise SourceError(f"{source}: nothing is there")


def _list_file(path: Path, subject: Subject) -> Iterator[PhotoFile]:
    """Photos named in a list, relative to its folder: a name a line, or CSV with a header."""
    try:
        if path.stat().st_size > MAX_LIST_BYTES:
            raise SourceError(f"{path} is larger than {MAX_LIST_BYTES} bytes")
        data = path.read_bytes()
        if path.suffix.lower() == ".txt":
            lines = map(str.strip, _decoded(data).splitlines())
            names = [line for line in lines if line and not line.startswith("#")]
        else:
            yield from _table(path, data, subject)
            return
    except UnicodeDecodeError:
        raise SourceError(f"{path}: not UTF-8 text; save it as UTF-8") from None
    except OSError as error:
        raise SourceError(f"{path}: {error}") from None
    files = PhotoFiles(path.parent)
    for name in names:
        if _is_no_file(found := _listed(files, name)):
            raise SourceError(f"{path}: {name} is {NOT_A_FILE}")
        yield _local(found, subject)


def _decoded(data: bytes) -> str:
    """Text of an editor: UTF-8, or what some call Unicode, which begins with its mark."""
    marked = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    return data.decode("utf-16" if marked else "utf-8-sig")


def _table(path: Path, data: bytes, subject: Subject) -> Iterator[PhotoFile]:
    """Photos of a table up to its first fault; then ListError, with the faults of all rows."""
    faults, files = Faults(), PhotoFiles(path.parent)
    number = 0
    try:
        sheet = read_sheet(data, LIST_COLUMNS)
        if "photo" not in sheet.names:
            raise SourceError(f"{path}: the header has no column 'photo'")
        for row in sheet:
            number = row.number
            given = _given(sheet, row, faults)
            about = given and _subject(given, subject, number, faults)
            found = _listed(files, given["photo"]) if given else ""
            if given and _is_no_file(found):
                fault = f"{given['photo']!r} is {NOT_A_FILE}"
                faults.add(number, "photo", fault)
            if given and about and not faults:
                told = (given[name] or None for name in ("phone", "light", "blot"))
                yield replace(_local(found, about, *told), paper=_paper(given["paper"]))
    except SheetError as error:
        faults.add(number and number + 1, "", one_line(error))
    if faults:
        raise ListError(str(path), faults)


def _given(sheet: Sheet, row: SheetRow, faults: Faults) -> dict[str, str] | None:
    """What a row says in the columns of a list; None where it can't be told."""
    if row.problem:
        faults.add(row.number, "", row.problem)
        return None
    given = {key: row.cells.get(key, "") for key in LIST_COLUMNS}
    given["elevation_m"] = sheet.number(given["elevation_m"])
    if not given["photo"]:
        faults.add(row.number, "photo", "is empty: no photo named")
    return given


def _paper(said: str) -> str | None:
    """A batch as everywhere: without spaces around it, and one between words."""
    return " ".join(said.split()) or None


def _listed(files: PhotoFiles, name: str) -> str:
    return name if is_address(name) else str(files.find(name))


_FACTS: dict[str, tuple[Callable[[str], Any], str]] = {
    "trimester": (lambda text: Trimester(int(text)), "1, 2 or 3"),
    "gestation_weeks": (int, "a whole number of completed weeks"),
    "elevation_m": (float, "a number"),
    "smoking": (Smoking, f"one of {', '.join(Smoking)}"),
}


def _subject(given: dict[str, str], otherwise: Subject, row: int, faults: Faults) -> Subject | None:
    """What a row says of the woman; None where a cell, or they together, can't be true."""
    stated: dict[str, Any] = {}
    good = True
    for name, (parse, wanted) in _FACTS.items():
        try:
            if given[name]:
                stated[name] = parse(given[name])
        except ValueError:
            faults.add(row, name, f"{given[name]!r} is not {wanted}")
            good = False
    if "trimester" in stated or "gestation_weeks" in stated:
        otherwise = replace(otherwise, trimester=None, gestation_weeks=None)
    try:
        return replace(otherwise, **stated) if good else None
    except ValueError as error:
        faults.add(row, "", one_line(error))
        return None
