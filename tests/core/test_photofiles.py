"""Photos that a table names a little otherwise than the disk does."""

import unicodedata

import pytest

from cardreader.core.photofiles import PhotoFiles


def _composed(text):
    return unicodedata.normalize("NFC", text)


def _apart(text):
    return unicodedata.normalize("NFD", text)


@pytest.mark.parametrize("on_disk", [_composed, _apart])
@pytest.mark.parametrize("in_table", [_composed, _apart])
def test_an_accent_of_one_character_or_two(tmp_path, on_disk, in_table):
    photo = tmp_path / on_disk("été") / on_disk("blé 1.jpg")
    photo.parent.mkdir()
    photo.write_bytes(b"x")
    assert PhotoFiles(tmp_path).find(in_table("été/blé 1.jpg")).read_bytes() == b"x"


def test_a_file_that_is_not_there_and_the_one_that_was_meant(tmp_path):
    (tmp_path / "post 3").mkdir()
    (tmp_path / "post 3" / "IMG_1.JPG").write_bytes(b"x")
    (tmp_path / "post 3" / "IMG_2").mkdir()
    files = PhotoFiles(tmp_path)
    for name in ("post 3/IMG_1.jpg", "post 3/img_1", "post 3/IMG_1.heic"):
        assert not files.find(name).exists()
        assert files.alike(name) == "post 3/IMG_1.JPG"
    assert files.alike("post 3/IMG_2.jpg") is None
    assert files.alike("nowhere/IMG_1.jpg") is None


@pytest.mark.parametrize(
    "name", ["ሰ" * 100 + ".jpg", "a\x00b.jpg", "/nowhere/x.jpg", "../x.jpg", "."]
)
def test_a_name_that_no_file_can_have_is_not_there(tmp_path, name):
    files = PhotoFiles(tmp_path)
    assert files.find(name) == tmp_path / name
    assert files.alike(name) is None
