"""What is fuzzed: each loader, its valid seeds, and the only ways in which it may end."""

from __future__ import annotations

import json
import random
import tempfile
import zlib
from functools import cache
from pathlib import Path

import batchtargets
import calibrationtargets
import numpy as np
import registertargets
import webtargets
from fileformats import icc_profile
from mutate import mutate_bytes
from seeds import card_photos, reader, small_pictures
from target import BadEndError, Target, one_line, sound_json, text_maker

from cardreader.calibrate.study import Study, read_study
from cardreader.calibrate.studycolumns import COLUMNS
from cardreader.calibrate.studyfaults import StudyError
from cardreader.card.cgats import read_lot, write_lot
from cardreader.card.cgatstable import LotFileError
from cardreader.colour.icc import ProfileError, read_profile
from cardreader.core.refusal import Refusal
from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import parse_protocol
from cardreader.decide.tomltable import ProtocolError
from cardreader.hb import container
from cardreader.hb.calibration import Calibration
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.pipeline import read_photo
from cardreader.read.photo import Photo, open_photo
from cardreader.result.asjson import dumps, reading_json
from cardreader.result.reading import Reading
from cardreader.simulate.demolots import IN_DATE, design_lot

# --- pictures ------------------------------------------------------------------------------------


def _bomb(rng: random.Random) -> bytes:
    """A PNG that claims any size and holds pixels for it, or does not; cheap in bytes."""
    side = rng.choice((480, 1000, 4000, 6999, 7072, 20000, 2**31 - 1))
    other = rng.choice((1, 2, 24, 480, 4000, 7072, 65535))
    depth, colour = rng.choice(((8, 2), (16, 2), (8, 6), (16, 6), (8, 3), (1, 0), (8, 0)))
    out = bytearray(b"\x89PNG\r\n\x1a\n")

    def chunk(kind: bytes, data: bytes) -> None:
        out.extend(len(data).to_bytes(4, "big") + kind + data)
        out.extend(zlib.crc32(kind + data).to_bytes(4, "big"))

    head = side.to_bytes(4, "big") + other.to_bytes(4, "big")
    chunk(b"IHDR", head + bytes([depth, colour, 0, 0, rng.choice((0, 1))]))
    if colour == 3:
        chunk(b"PLTE", bytes(768))
    if rng.random() < 0.3:
        chunk(b"iCCP", b"p\0\0" + zlib.compress(bytes(rng.choice((100, 10**7)))))
    if rng.random() < 0.3:
        chunk(b"zTXt", b"c\0\0" + zlib.compress(bytes(rng.choice((100, 10**7)))))
    chunk(b"IDAT", zlib.compress(bytes(min(side * other, rng.choice((10, 10**5, 2 * 10**7))))))
    chunk(b"IEND", b"")
    return bytes(out)


def _picture(rng: random.Random) -> bytes:
    if rng.random() < 0.01:
        return _bomb(rng)
    seeds = small_pictures()
    data = mutate_bytes(rng.choice(seeds), seeds, rng)
    if rng.random() < 0.03:  # polyglot: one kind of file behind or before another
        data += rng.choice((b"%PDF-1.7", b"PK\x03\x04", b"<script>", rng.choice(seeds)))
    return data


def _open(data: bytes) -> str:
    photo = open_photo(data)
    if isinstance(photo, Refusal):
        if "\n" in photo.detail:
            raise BadEndError(f"detail of several lines: {photo.detail!r}")
        return str(photo.reason)
    if not isinstance(photo, Photo):
        raise BadEndError(f"open_photo gave {type(photo)}")
    light = photo.to_linear(photo.encoded[::7, ::7])
    if not np.isfinite(light).all():
        raise BadEndError("linear light that is not finite")
    if not 0.0 < photo.scale <= 1.0:
        raise BadEndError(f"scale {photo.scale}")
    return "opened"


def _card_photo(rng: random.Random) -> bytes:
    seeds = card_photos()
    data = bytearray(rng.choice(seeds))
    if rng.random() < 0.5:  # damage to the compressed data alone, which decodes to something
        start = data.rfind(b"\xff\xda") + 12
        for _ in range(rng.choice((1, 3, 20))):
            data[rng.randrange(start, len(data) - 2)] = rng.randrange(255)
        return bytes(data)
    return mutate_bytes(bytes(data), seeds, rng)


def _read(data: bytes) -> str:
    reading = read_photo(data, reader())
    if not isinstance(reading, Reading):
        raise BadEndError(f"read_photo gave {type(reading)}")
    text = dumps(reading_json(reading))
    sound_json(text)
    if reading.refusal is not None:
        return str(reading.refusal.reason)
    return str(reading.decision.outcome)


# --- texts ---------------------------------------------------------------------------------------


@cache
def _lot_texts() -> tuple[str, ...]:
    return tuple(write_lot(lot) for lot in (design_lot(), IN_DATE.lot()))


def _lot(data: bytes) -> str:
    try:
        read_lot(data.decode("utf-8", "replace"))
    except LotFileError as error:
        return one_line(error)
    return "read"


@cache
def _calibration_texts() -> tuple[str, ...]:
    calibration = Calibration.load(shipped("default"))
    return (calibration.to_json(),)


def _calibration(data: bytes) -> str:
    try:
        calibration = Calibration.from_json(data.decode("utf-8", "replace"))
    except CalibrationError as error:
        return one_line(error)
    if not np.isfinite(calibration.grid_locus).all() or len(calibration.grid_g_dl) > 100_000:
        raise BadEndError("a grid that is not finite, or without end")
    return "read"


@cache
def _protocol_texts() -> tuple[str, ...]:
    return tuple(p.read_text("utf-8") for p in sorted(shipped("protocols").glob("*.toml")))


def _protocol(data: bytes) -> str:
    try:
        parse_protocol(data)
    except ProtocolError as error:
        return one_line(error)
    return "read"


@cache
def _study_texts() -> tuple[str, ...]:
    header = ",".join(column.name for column in COLUMNS)
    rows = [
        "p1.jpg,w001,9.4,g/dL,photometric_hicn,0.2,,phone a,lamp,027001,op1,1",
        "p2.jpg,w002,61,percent,acid_haematin,5,15,phone b,daylight,027001,op2,1",
    ]
    return ("\n".join([header, *rows]) + "\n",)


def _study(data: bytes) -> str:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "study.csv"
        path.write_bytes(data)
        try:
            study = read_study(path)
        except StudyError as error:
            if not str(error):
                raise BadEndError("no message") from error
            return "StudyError"
    if not isinstance(study, Study):
        raise BadEndError(f"read_study gave {type(study)}")
    return "read"


@cache
def _manifest_texts() -> tuple[str, ...]:
    entry = {"bytes": 12, "sha256": "0" * 64}
    return (
        json.dumps(
            {
                "kind": container.KIND,
                "schema": container.SCHEMA,
                "written_by": "0.1.0",
                "files": {"model.json": entry, "provenance.json": entry},
            },
            indent=1,
        ),
    )


def _manifest(data: bytes) -> str:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / container.MANIFEST).write_bytes(data)
        try:
            container.load(Path(folder))
        except CalibrationError as error:
            return one_line(error)
    return "read"


def _profile_case(rng: random.Random) -> bytes:
    seeds = (icc_profile(), icc_profile(gamma=1.0, name="linear"))
    return mutate_bytes(rng.choice(seeds), seeds, rng)


def _profile(data: bytes) -> str:
    try:
        profile = read_profile(data)
    except ProfileError as error:
        return one_line(error)
    x = np.linspace(0, 1, 257)
    light = np.stack([curve(x) for curve in profile.curves], axis=-1) @ profile.to_srgb.T
    if not np.isfinite(light).all() or np.abs(light).max() > 100:
        raise BadEndError("a profile that gives endless light")
    return "read"


_OWN = (
    Target("pictures", _picture, _open, 0.25),
    Target("photos of a card", _card_photo, _read, 0.02),
    Target("ICC profiles", _profile_case, _profile, 0.07),
    Target("CGATS lot files", text_maker(_lot_texts), _lot, 0.06),
    Target("calibrations (JSON)", text_maker(_calibration_texts), _calibration, 0.05),
    Target("calibration manifests (JSON)", text_maker(_manifest_texts), _manifest, 0.05),
    Target("protocols (TOML)", text_maker(_protocol_texts), _protocol, 0.06),
    Target("study tables (CSV)", text_maker(_study_texts), _study, 0.03),
)

TARGETS: dict[str, Target] = {
    target.name: target
    for target in (
        *_OWN,
        *calibrationtargets.TARGETS,
        *batchtargets.TARGETS,
        *registertargets.TARGETS,
        *webtargets.TARGETS,
    )
}
