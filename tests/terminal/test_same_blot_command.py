"""``cardreader read --same-blot``: photos of one blot read as one, in words and in JSON."""

import json
import subprocess
import sys

import numpy as np
import pytest

from cardreader.simulate import demolots
from cardreader.simulate.blotshape import draw_blot
from cardreader.simulate.cameras import Family
from cardreader.simulate.photograph import photograph
from cardreader.simulate.scene import GOOD, draw_scene
from cardreader.simulate.view import draw_view

HB = 9.4


def run(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "cardreader", "read", *map(str, arguments)],
        capture_output=True, text=True,
    )  # fmt: skip


@pytest.fixture(scope="module")
def two_sides(tmp_path_factory):
    """Two synthetic photos of one blot: the same scene from two views."""
    folder = tmp_path_factory.mktemp("same")
    rng = np.random.default_rng(12)
    lot = demolots.IN_DATE
    scene = draw_scene(rng, HB, lot.lot(), lot.print_seed, GOOD, Family.HELD_OUT)
    blot = draw_blot(np.random.default_rng(13))
    paths = []
    for side in (1, 2):
        view = draw_view(np.random.default_rng([14, side]), (1600, 1200))
        paths.append(folder / f"side-{side}.jpg")
        paths[-1].write_bytes(photograph(scene, view, side, blot))
    return paths


def test_two_sides_give_one_reading(two_sides):
    ran = run(*two_sides, "--same-blot", "--json")
    assert ran.stderr == ""
    said = json.loads(ran.stdout)
    assert said["schema"] == "cardreader-same-blot/1"
    assert said["screening_only"] is True
    together, singles = said["together"], said["readings"]
    assert together["status"] == "read"
    assert len(singles) == 2
    # Nothing moved: the one reading lies between the two, and is no surer of blood volume.
    values = sorted(one["hb"]["g_dl"] for one in singles)
    assert values[0] - 0.1 <= together["hb"]["g_dl"] <= values[1] + 0.1


def test_words_say_how_many_photos(two_sides):
    ran = run(*two_sides, "--same-blot")
    assert ran.returncode == 0
    assert "2 photos of one blot, read as one:" in ran.stdout
    assert "creen" in ran.stdout  # screening only, as every result says


def test_one_photo_is_a_mistake_of_use(two_sides):
    ran = run(two_sides[0], two_sides[0], "--same-blot")
    assert ran.returncode == 2
    assert ran.stderr.count("\n") == 1
    assert "two different photos" in ran.stderr
