"""The sample photos: complete, labelled synthetic, and read as the files beside them say."""

import io
import json
from pathlib import Path

import pytest
from PIL import ExifTags, Image

from cardreader.pipeline import read_photo
from cardreader.result.asjson import reading_json
from cardreader.simulate.samples import (
    GOOD_SAMPLES,
    REFUSED_SAMPLES,
    SAMPLES,
    make_samples,
    reading_beside,
    sample_reader,
)

FOLDER = Path(__file__).resolve().parents[2] / "sample_images"
MAX_MEGABYTES = 45

pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="an installed package has no samples")


def _photo(sample):
    return FOLDER / sample.folder / f"{sample.name}.jpg"


def _truth(sample):
    return json.loads(_photo(sample).with_suffix(".truth.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def reader():
    return sample_reader()


@pytest.fixture(scope="module")
def readings(reader):
    return {s.name: read_photo(_photo(s).read_bytes(), reader) for s in SAMPLES}


def test_there_are_enough_of_both_kinds():
    assert len(GOOD_SAMPLES) >= 12
    assert len(REFUSED_SAMPLES) >= 12
    assert len({s.name for s in SAMPLES}) == len(SAMPLES)


def test_files_are_those_of_the_samples_and_no_others():
    expected = {
        Path(s.folder) / f"{s.name}{ending}"
        for s in SAMPLES
        for ending in (".jpg", ".truth.json", ".reading.json")
    }
    found = {path.relative_to(FOLDER) for path in FOLDER.glob("*/*")}
    assert found == expected


def test_folder_is_of_modest_size():
    total = sum(path.stat().st_size for path in FOLDER.rglob("*") if path.is_file())
    assert total < MAX_MEGABYTES * 1e6


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: s.name)
def test_photo_and_truth_say_synthetic(sample):
    exif = Image.open(io.BytesIO(_photo(sample).read_bytes())).getexif()
    assert "synthetic" in exif[ExifTags.Base.Software]
    assert _truth(sample)["synthetic"] is True


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: s.name)
def test_truth_is_that_of_the_sample(sample):
    truth = _truth(sample)
    assert truth["hb_g_dl"] in (sample.hb_g_dl, None)
    assert truth["expected_refusal"] == sample.refused
    assert truth["lot"] == f"{sample.lot.number:06d}"


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: s.name)
def test_reading_is_the_expected_one(sample, readings):
    """Renew with ``python -m cardreader.simulate.samples sample_images`` after a change."""
    expected = json.loads(reading_beside(_photo(sample)).read_text("utf-8"))
    _same(reading_json(readings[sample.name]), expected, sample.name)


def _same(found, expected, where):
    """Alike but for the last digits of numbers, which differ between builds of libraries."""
    if isinstance(expected, dict):
        assert set(found) == set(expected), where
        for key, value in expected.items():
            _same(found[key], value, f"{where}.{key}")
    elif isinstance(expected, list):
        assert len(found) == len(expected), where
        for index, value in enumerate(expected):
            _same(found[index], value, f"{where}[{index}]")
    elif isinstance(expected, float):
        assert found == pytest.approx(expected, rel=0.02, abs=0.02), where
    elif not where.endswith((".detail", ".n_pixels")):  # these tell measured numbers in words
        assert found == expected, where


@pytest.mark.parametrize("sample", REFUSED_SAMPLES, ids=lambda s: s.name)
def test_refused_for_the_right_reason(sample, readings):
    refusal = readings[sample.name].refusal
    assert refusal is not None
    assert refusal.reason == sample.refused


@pytest.mark.parametrize("sample", GOOD_SAMPLES, ids=lambda s: s.name)
def test_good_photo_is_read_near_the_truth(sample, readings):
    reading = readings[sample.name]
    assert reading.refusal is None
    # A wide net, against gross error only: accuracy is the benchmark's business.
    assert abs(reading.estimate.hb_g_dl - sample.hb_g_dl) < 0.15 * sample.hb_g_dl


def test_no_sample_below_9_is_called_not_anaemic(readings):
    for sample in GOOD_SAMPLES:
        if sample.hb_g_dl <= 9:
            assert readings[sample.name].decision.outcome != "not_anaemic"


def _size(photo):
    return Image.open(io.BytesIO(photo)).size


def test_sample_is_made_again_on_demand(tmp_path):
    (path,) = make_samples(tmp_path, ("too-far-away",))
    assert path.name == "too-far-away.jpg"
    shipped_photo = (FOLDER / "refused" / path.name).read_bytes()
    assert _size(path.read_bytes()) == _size(shipped_photo)
    assert reading_beside(path).is_file()


def test_unknown_sample_is_a_mistake(tmp_path):
    with pytest.raises(ValueError, match="no sample"):
        make_samples(tmp_path, ("nobody",))
