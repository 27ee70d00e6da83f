"""A calibration on disk: one folder, written whole or not at all, checked before it is believed.

    manifest.json     schema, version, and size and SHA-256 of every other file
    model.json        the calibration's numbers (`cardreader.hb.calibration.Calibration`)
    provenance.json   study, recipe, laboratory, versions: where the numbers come from
    ...               report and tables

Hashes find damage and mix-ups. They are no signature: who can change a file can
change the manifest too.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from cardreader import __version__
from cardreader.core.oneline import one_line, reason
from cardreader.hb.calibration import Calibration
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.hb.plausible import must_be_plausible

SCHEMA = 1
KIND = "cardreader calibration"
MANIFEST, MODEL, PROVENANCE = "manifest.json", "model.json", "provenance.json"
MAX_MANIFEST_BYTES = 100_000
MAX_FILE_BYTES = 50_000_000
MAX_FILES = 50
MOST_WORDS = 400
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")
_SHA256 = re.compile(r"[0-9a-f]{64}")


class Problem(StrEnum):
    """What is wrong with a calibration folder, for machines."""

    NOT_A_CALIBRATION = "not_a_calibration"
    SCHEMA = "schema"
    VERSION = "version"
    FILE_MISSING = "file_missing"
    FILE_CHANGED = "file_changed"
    MODEL = "model"
    PROVENANCE = "provenance"


class ContainerError(CalibrationError):
    """A calibration folder that must not be used; one line says why."""

    def __init__(self, problem: Problem, message: str) -> None:
        super().__init__(message)
        self.problem = problem


@dataclass(frozen=True, eq=False)
class Container:
    """A checked calibration folder.

    Attributes
    ----------
    calibration : Calibration
    provenance : dict
    folder : Path
    files : tuple of str
        Names listed in the manifest, sorted.
    """

    calibration: Calibration
    provenance: dict[str, Any]
    folder: Path
    files: tuple[str, ...]


def save(
    folder: Path,
    calibration: Calibration,
    provenance: Mapping[str, Any],
    files: Mapping[str, bytes] | None = None,
    replace: bool = False,
) -> None:
    """Write a calibration folder.

    Parameters
    ----------
    folder : Path
        Its parent must exist. An existing folder is an error unless ``replace``,
        and then only a calibration's is replaced, with nothing else in it.
    files : mapping of name to bytes
        Report, tables.

    Raises
    ------
    FileExistsError
        The folder exists and may not be replaced.
    ContainerError
        The manifest of the folder to be replaced can't be read.
    ValueError
        A file name that is none, or too many files.
    OSError
        As writing does; nothing is left half-written.
    """
    # Whoever only reads a calibration needs nothing of temporary files.
    from cardreader.core.files import write_folder

    folder = Path(folder)
    if folder.exists() and not (replace and (folder / MANIFEST).is_file()):
        raise FileExistsError(f"{folder} exists" + (" and is no calibration" if replace else ""))
    if strange := strangers(folder):
        raise FileExistsError(f"{folder} holds {strange[0]}, which is no part of the calibration")
    content = dict(files or {})
    for name in content:
        if not _NAME.fullmatch(name) or name in (MANIFEST, MODEL, PROVENANCE):
            raise ValueError(f"{name!r} can't be the name of a file in a calibration")
    content[MODEL] = calibration.to_json().encode()
    content[PROVENANCE] = _json(provenance)
    if len(content) > MAX_FILES or any(len(data) > MAX_FILE_BYTES for data in content.values()):
        raise ValueError("too many files or too large a file for a calibration")
    manifest = {
        "schema": SCHEMA,
        "kind": KIND,
        "written_by": __version__,
        "files": {
            name: {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            for name, data in sorted(content.items())
        },
    }
    content[MANIFEST] = _json(manifest)
    write_folder(folder, content)


def strangers(folder: Path) -> tuple[str, ...]:
    """Names in a calibration's folder that were not written with it, sorted; none without one."""
    if not (folder / MANIFEST).is_file():
        return ()
    own = {MANIFEST, *_manifest(folder)["files"]}
    return tuple(sorted(path.name for path in folder.iterdir() if path.name not in own))


def _json(value: Any) -> bytes:
    text = json.dumps(value, indent=1, sort_keys=True, allow_nan=False, ensure_ascii=False)
    return (text + "\n").encode()


def load(folder: Path) -> Container:
    """Read a calibration folder, every file checked against the manifest.

    Raises
    ------
    ContainerError
        Anything is missing, changed, of another schema, or from a later version.
    """
    folder = Path(folder)
    manifest = _manifest(folder)
    data = {name: _checked(folder, name, entry) for name, entry in manifest["files"].items()}
    for name in (MODEL, PROVENANCE):
        if name not in data:
            raise ContainerError(Problem.FILE_MISSING, f"{folder}: {name} is not in the manifest")
    try:
        calibration = Calibration.from_json(data[MODEL].decode())
        must_be_plausible(calibration)
    except ValueError as error:
        raise ContainerError(
            Problem.MODEL, f"{folder / MODEL}: {one_line(error, MOST_WORDS)}"
        ) from None
    provenance = _parse(folder / PROVENANCE, data[PROVENANCE], Problem.PROVENANCE)
    return Container(calibration, provenance, folder, tuple(sorted(data)))


def load_calibration(path: Path) -> Calibration:
    """The calibration of a checked folder, or of a bare JSON file or folder without manifest.

    Raises
    ------
    CalibrationError
        As `load` and `Calibration.load`.
    OSError
        The file can't be opened.
    """
    path = Path(path)
    if (path / MANIFEST).exists():
        return load(path).calibration
    try:
        calibration = Calibration.load(path)
        must_be_plausible(calibration)
    except CalibrationError as error:
        raise CalibrationError(one_line(error, MOST_WORDS)) from None
    return calibration


def _manifest(folder: Path) -> dict[str, Any]:
    path = folder / MANIFEST
    try:
        if path.stat().st_size > MAX_MANIFEST_BYTES:
            raise ContainerError(Problem.NOT_A_CALIBRATION, f"{path}: too large to be a manifest")
        data = path.read_bytes()
    except OSError as error:
        raise ContainerError(
            Problem.NOT_A_CALIBRATION, f"{path}: can't be opened ({reason(error)})"
        ) from None
    manifest = _parse(path, data, Problem.NOT_A_CALIBRATION)
    if manifest.get("kind") != KIND:
        raise ContainerError(Problem.NOT_A_CALIBRATION, f"{path}: is not that of a calibration")
    if manifest.get("schema") != SCHEMA:
        raise ContainerError(
            Problem.SCHEMA,
            f"{path}: schema {manifest.get('schema')!r}, this program reads {SCHEMA}",
        )
    if _version(manifest.get("written_by")) > _version(__version__):
        raise ContainerError(
            Problem.VERSION,
            f"{path}: written by version {manifest['written_by']}, this is {__version__}: update",
        )
    files = manifest.get("files")
    if not isinstance(files, dict) or not 0 < len(files) <= MAX_FILES:
        raise ContainerError(Problem.NOT_A_CALIBRATION, f"{path}: lists no files, or too many")
    return manifest


def _version(text: Any) -> tuple[int, ...]:
    if not isinstance(text, str) or not re.fullmatch(r"\d{1,6}(\.\d{1,6}){0,5}[\w.+-]{0,40}", text):
        raise ContainerError(Problem.NOT_A_CALIBRATION, "the manifest names no version")
    numbers = re.match(r"[\d.]+", text)
    parts = numbers.group(0).strip(".").split(".") if numbers else []
    return tuple(int(part) for part in parts if part)


def _checked(folder: Path, name: str, entry: Any) -> bytes:
    path = folder / name
    if not _NAME.fullmatch(name):
        raise ContainerError(Problem.NOT_A_CALIBRATION, f"{folder}: {name[:80]!r} is no file name")
    size, sha256 = (entry.get("bytes"), entry.get("sha256")) if isinstance(entry, dict) else (0, "")
    if not isinstance(size, int) or not isinstance(sha256, str) or not _SHA256.fullmatch(sha256):
        raise ContainerError(Problem.NOT_A_CALIBRATION, f"{folder}: no size and hash for {name}")
    if not path.is_file():
        raise ContainerError(Problem.FILE_MISSING, f"{path}: is missing")
    if path.stat().st_size != size or size > MAX_FILE_BYTES:
        raise ContainerError(Problem.FILE_CHANGED, f"{path}: is not of the size it was written")
    data = path.read_bytes()
    if hashlib.sha256(data).hexdigest() != sha256:
        raise ContainerError(Problem.FILE_CHANGED, f"{path}: has been changed since it was written")
    return data


def _parse(path: Path, data: bytes, problem: Problem) -> dict[str, Any]:
    try:
        value = json.loads(data.decode())
    except (ValueError, RecursionError):
        raise ContainerError(problem, f"{path}: is not JSON") from None
    if not isinstance(value, dict):
        raise ContainerError(problem, f"{path}: is not a JSON object")
    return value
