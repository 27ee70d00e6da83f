"""``cardreader read --same-blot``: photos of one blot read as one, in words and in JSON."""

import json

import pytest
from inprocess import run_cardreader
from twosides import photographed_twice


def run(*arguments):
    return run_cardreader("read", *arguments)


@pytest.fixture(scope="module")
def two_sides(tmp_path_factory):
    """Two synthetic photos of one blot: the same scene from two views."""
    return photographed_twice(tmp_path_factory.mktemp("same"))


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
