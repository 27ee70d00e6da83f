"""Photos for the batch: one synthetic card photo, made into many by bytes after its end."""

from __future__ import annotations

import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from batchrig import LOT, OTHER_LOT, TODAY, fill
from madeonce import made_once

from cardreader.api import load_reader
from cardreader.reader import Reader
from cardreader.simulate.photograph import photograph
from cardreader.simulate.scene import GOOD, Family, draw_scene
from cardreader.simulate.view import draw_view

_SIZE = (1600, 1200)


@pytest.fixture(scope="session")
def reader() -> Reader:
    return load_reader(today=TODAY)


def _synthetic(reader: Reader, hb_g_dl: float, lot_number: int, seed: int) -> bytes:
    rng = np.random.default_rng(seed)
    lot = reader.lots[lot_number]
    scene = draw_scene(rng, hb_g_dl, lot, lot_number, GOOD, Family.HELD_OUT)
    drawn = photograph(scene, draw_view(rng, _SIZE), seed)
    # No phone is stated.
    image = cv2.imdecode(np.frombuffer(drawn, np.uint8), cv2.IMREAD_COLOR)
    return cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()


@pytest.fixture(scope="session")
def card_photo(reader: Reader, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A synthetic photo, of no more pixels than reading takes."""

    def make(file: Path) -> None:
        file.write_bytes(_synthetic(reader, 9.0, LOT, 2))

    return made_once(tmp_path_factory, "batch-photo.jpg", make).read_bytes()


@pytest.fixture(scope="session")
def other_lot_photo(reader: Reader, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    def make(file: Path) -> None:
        file.write_bytes(_synthetic(reader, 6.0, OTHER_LOT, 3))

    return made_once(tmp_path_factory, "batch-photo-of-another-lot.jpg", make).read_bytes()


@pytest.fixture(scope="session")
def bad_files() -> dict[str, bytes]:
    """Files that are no readable photo, by the reason they must be refused for."""
    noise = np.random.default_rng(5).integers(0, 256, (900, 1200, 3), np.uint8)
    no_card = cv2.imencode(".jpg", noise)[1].tobytes()
    bomb = cv2.imencode(".png", np.zeros((600, 800, 3), np.uint8))[1].tobytes()
    # Width and height in the header raised to 60000 x 60000; the checksum follows.
    header = b"IHDR" + (60000).to_bytes(4, "big") * 2 + bomb[24:29]
    bomb = bomb[:12] + header + zlib.crc32(header).to_bytes(4, "big") + bomb[33:]
    return {
        "empty.jpg:not_an_image": b"",
        "words.jpg:not_an_image": b"no photo at all\n" * 50,
        "cut.jpg:not_an_image": no_card[: len(no_card) // 2],
        "bomb.png:image_too_large": bomb,
        "noise.jpg:no_card": no_card,
    }


@pytest.fixture
def folder(tmp_path: Path, card_photo: bytes, bad_files: dict[str, bytes]) -> Path:
    return fill(tmp_path / "photos", card_photo, bad_files)
