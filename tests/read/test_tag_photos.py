"""Real photographs of tags: as many are read as by a second detector, at the same corners.

The photographs are by others (tag_photos/README.md, BSD-2), the second detector is
pupil-apriltags (University of Michigan's, by another route than ours).
"""

import importlib.util
import json
import subprocess
import sys
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from cardreader.read.edges import measure_edges
from cardreader.read.markers import MODULES, find_markers
from cardreader.read.photo import Photo

PHOTOS = sorted((Path(__file__).parent / "tag_photos").glob("*.png"))
WINDOWS = (23, 11, 5)
"""Other tags than a card's: no width ends the search early."""

SECOND = """
import json, os, sys, cv2
from pupil_apriltags import Detector
detector = Detector(families="tag36h11", quad_decimate=1.0)
found = [detector.detect(cv2.imread(path, cv2.IMREAD_GRAYSCALE)) for path in sys.argv[1:]]
print(json.dumps([{d.tag_id: d.corners.tolist() for d in tags} for tags in found]))
sys.stdout.flush()
os._exit(0)  # its own clearing up may crash
"""

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("pupil_apriltags") is None, reason="needs pupil-apriltags"
)


@cache
def seconds() -> dict[Path, dict[int, np.ndarray]]:
    """Corners (4, 2) by identity that the second detector finds in each photograph."""
    said = subprocess.run(
        [sys.executable, "-c", SECOND, *map(str, PHOTOS)],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    # Theirs count from the pixel's edge.
    return {
        path: {int(i): np.array(corners) - 0.5 for i, corners in tags.items()}
        for path, tags in zip(PHOTOS, json.loads(said), strict=True)
    }


def apart(ours: np.ndarray, theirs: np.ndarray) -> np.ndarray:
    """Pixels (4,) between corners, whichever comes first and whichever way round."""
    ways = [np.roll(theirs[::way], k, 0) for way in (1, -1) for k in range(4)]
    return min((np.linalg.norm(ours - way, axis=1) for way in ways), key=np.sum)


def seen(gray: np.ndarray) -> Photo:
    rgb = np.repeat(gray[..., None], 3, axis=2)
    return Photo(encoded=rgb, full_size=gray.shape[::-1], scale=1.0, sha256="0" * 64)


def module_px(corners: np.ndarray) -> float:
    return np.linalg.norm(corners - np.roll(corners, 1, 0), axis=1).min() / MODULES


@pytest.mark.parametrize("gain", [1.0, 0.25])
@pytest.mark.parametrize("path", PHOTOS, ids=lambda path: path.stem)
def test_the_same_tags_are_read(path, gain):
    gray = np.round(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) * gain).astype(np.uint8)
    found = [m.identity for m in find_markers(gray, WINDOWS)]
    assert sorted(found) == sorted(seconds()[path])


def test_corners_agree():
    """Where a module is 3 pixels or more, as on every card that is read.

    Between them lie 0.36 pixels in the middle, 0.72 for 95 of 100.
    """
    off = []
    for path, tags in seconds().items():
        gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        found = [m for m in find_markers(gray, WINDOWS) if module_px(m.corners_px) > 3]
        edges = measure_edges(seen(gray), np.stack([m.corners_px for m in found]))
        for marker, corners, clear in zip(found, edges.corners, edges.clear, strict=True):
            off.extend(apart(corners, tags[marker.identity])[clear])
    assert len(off) > 40
    assert np.median(off) < 0.5
    assert np.percentile(off, 95) < 1.0
