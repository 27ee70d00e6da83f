"""The calibration folder: whole or not at all, and believed only when nothing has changed."""

import json
import os
import shutil

import pytest

from cardreader import __version__
from cardreader.core.shipped import shipped
from cardreader.hb import container
from cardreader.hb.calibration import Calibration
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.hb.container import ContainerError, Problem, load, load_calibration, save


@pytest.fixture(scope="module")
def calibration():
    return Calibration.load(shipped("default"))


@pytest.fixture(scope="module")
def saved(tmp_path_factory, calibration):
    """A calibration's folder, saved once to be copied."""
    target = tmp_path_factory.mktemp("saved") / "one"
    save(target, calibration, {"title": "a study"}, {"report.html": b"<p>report</p>"})
    return target


@pytest.fixture
def folder(tmp_path, saved):
    return shutil.copytree(saved, tmp_path / "one")


def test_what_is_saved_is_loaded(saved, calibration):
    found = load(saved)
    assert found.calibration.sha256 == calibration.sha256
    assert found.provenance == {"title": "a study"}
    assert found.files == ("model.json", "provenance.json", "report.html")
    assert load_calibration(saved).sha256 == calibration.sha256
    assert not list(saved.parent.glob(".*"))


def test_a_bare_model_can_be_loaded_too(tmp_path, calibration):
    path = tmp_path / "bare.json"
    path.write_text(calibration.to_json())
    assert load_calibration(path).sha256 == calibration.sha256


@pytest.mark.parametrize("name", ["model.json", "provenance.json", "report.html"])
def test_one_changed_byte_is_refused(folder, name):
    path = folder / name
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(bytes(data))
    with pytest.raises(ContainerError, match="changed") as caught:
        load(folder)
    assert caught.value.problem is Problem.FILE_CHANGED
    assert "\n" not in str(caught.value)


def test_a_missing_and_a_shortened_file_are_refused(folder):
    (folder / "report.html").write_bytes(b"<p>")
    with pytest.raises(ContainerError, match="size") as caught:
        load(folder)
    assert caught.value.problem is Problem.FILE_CHANGED
    (folder / "report.html").unlink()
    with pytest.raises(ContainerError, match="missing") as caught:
        load(folder)
    assert caught.value.problem is Problem.FILE_MISSING


def _edit(folder, **changes):
    path = folder / "manifest.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | changes))


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"schema": 2}, Problem.SCHEMA),
        ({"schema": "1"}, Problem.SCHEMA),
        ({"kind": "something else"}, Problem.NOT_A_CALIBRATION),
        ({"written_by": "999.0"}, Problem.VERSION),
        ({"written_by": "new"}, Problem.NOT_A_CALIBRATION),
        ({"written_by": None}, Problem.NOT_A_CALIBRATION),
        ({"files": {}}, Problem.NOT_A_CALIBRATION),
        ({"files": ["model.json"]}, Problem.NOT_A_CALIBRATION),
        ({"files": {"../x": {"bytes": 1, "sha256": "0" * 64}}}, Problem.NOT_A_CALIBRATION),
        ({"files": {"/etc/passwd": {"bytes": 1, "sha256": "0" * 64}}}, Problem.NOT_A_CALIBRATION),
        ({"files": {"model.json": {"bytes": 1}}}, Problem.NOT_A_CALIBRATION),
        ({"files": {"model.json": 3}}, Problem.NOT_A_CALIBRATION),
    ],
)
def test_manifests_that_do_not_fit_are_refused_with_their_reason(folder, changes, problem):
    _edit(folder, **changes)
    with pytest.raises(ContainerError) as caught:
        load(folder)
    assert caught.value.problem is problem
    assert isinstance(caught.value, CalibrationError)


@pytest.mark.parametrize("data", [b"", b"[]", b"{", b"\xff\xfe", b"[" * 100_000, b" " * 200_000])
def test_a_manifest_that_is_none(folder, data):
    (folder / "manifest.json").write_bytes(data)
    with pytest.raises(ContainerError) as caught:
        load(folder)
    assert caught.value.problem is Problem.NOT_A_CALIBRATION


def test_a_folder_without_a_manifest_is_no_calibration(tmp_path):
    with pytest.raises(ContainerError, match="can't be opened"):
        load(tmp_path)


def test_an_honest_hash_of_a_malformed_model_is_refused(folder, calibration):
    data = calibration.to_json().replace('"schema": 1', '"schema": 7').encode()
    (folder / "model.json").write_bytes(data)
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest["files"]["model.json"] = {
        "bytes": len(data),
        "sha256": container.hashlib.sha256(data).hexdigest(),
    }
    (folder / "manifest.json").write_text(json.dumps(manifest))
    with pytest.raises(ContainerError) as caught:
        load(folder)
    assert caught.value.problem is Problem.MODEL


def test_an_existing_folder_is_replaced_only_when_asked_and_only_a_calibration(
    folder, tmp_path, calibration
):
    with pytest.raises(FileExistsError):
        save(folder, calibration, {})
    save(folder, calibration, {"title": "second"}, replace=True)
    assert load(folder).provenance == {"title": "second"}
    assert load(folder).files == ("model.json", "provenance.json")
    other = tmp_path / "holiday pictures"
    other.mkdir()
    with pytest.raises(FileExistsError, match="no calibration"):
        save(other, calibration, {}, replace=True)


def test_what_else_lies_in_a_calibrations_folder_is_not_lost_with_it(folder, calibration):
    (folder / "my notes.txt").write_text("three women moved away")
    with pytest.raises(FileExistsError, match=r"holds my notes.txt, which is no part"):
        save(folder, calibration, {"title": "second"}, replace=True)
    assert (folder / "my notes.txt").exists()
    assert load(folder).provenance == {"title": "a study"}


def test_a_write_that_fails_leaves_the_old_folder_and_no_rubbish(folder, calibration, monkeypatch):
    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        save(folder, calibration, {"title": "second"}, replace=True)
    assert load(folder).provenance == {"title": "a study"}
    assert [path.name for path in folder.parent.iterdir()] == ["one"]


@pytest.mark.parametrize("name", ["model.json", "../x", "", "a/b", ".hidden"])
def test_names_that_would_harm_are_refused_on_writing(tmp_path, calibration, name):
    with pytest.raises(ValueError, match="name"):
        save(tmp_path / "new", calibration, {}, {name: b""})
    assert not (tmp_path / "new").exists()


def test_the_version_that_wrote_it_is_written(folder):
    assert json.loads((folder / "manifest.json").read_text())["written_by"] == __version__
