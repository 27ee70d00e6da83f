"""The files that a table names: found as a person would find them, or told what is there."""

from __future__ import annotations

import os
import unicodedata
from pathlib import Path


class PhotoFiles:
    """The photos below a table's folder; folders are listed once, a table asks for thousands."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._listed: dict[Path, dict[str, str]] = {}

    def find(self, name: str) -> Path:
        """The file of that name, whether it is there or not.

        An accent is one character or two: archives and spreadsheets don't agree, and both
        look the same.
        """
        if os.path.exists(self._folder / name):  # which also answers where a name is too long
            return self._folder / name
        found = self._folder
        for part in Path(name).parts:
            found /= self._names_in(found).get(_composed(part), part)
        return found if os.path.exists(found) else self._folder / name

    def alike(self, name: str) -> str | None:
        """A photo where that one should be whose name has other capitals, or another ending."""
        wanted = Path(name)
        beside = self.find(str(wanted.parent))
        names = sorted(self._names_in(beside).values())
        same = [found for found in names if found.casefold() == wanted.name.casefold()]
        stem = wanted.stem.casefold()
        same += [found for found in names if Path(found).stem.casefold() == stem]
        files = [found for found in same if os.path.isfile(beside / found)]
        return (wanted.parent / files[0]).as_posix() if files else None

    def _names_in(self, folder: Path) -> dict[str, str]:
        """Names in a folder, by their composed form."""
        if folder not in self._listed:
            try:
                names = [path.name for path in folder.iterdir()]
            except OSError:
                names = []
            self._listed[folder] = {_composed(name): name for name in names}
        return self._listed[folder]


def _composed(name: str) -> str:
    return unicodedata.normalize("NFC", name)
