"""Photos of a study: colours of the good ones, reasons for every other row."""

import json
import shutil
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cardreader.calibrate.demo import LIGHTS, OPERATORS, PHONES, demo_study
from cardreader.calibrate.features import read_features
from cardreader.calibrate.study import read_study
from cardreader.card.lots import Lots
from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import load_protocol
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import estimates
from cardreader.pipeline import read_photo
from cardreader.reader import Reader

SAMPLES = Path(__file__).parents[2] / "sample_images"
DAY = date(2026, 11, 2)


def _row(photo, hb, lot="027001", subject=None):
    return {
        "photo": photo,
        "subject": subject or photo,
        "lab_value": hb,
        "lab_unit": "g/dL",
        "lab_method": "analyser",
        "phone": "synthetic",
        "light": "synthetic",
        "lot": lot,
        "operator": "K",
        "replicate": 1,
    }


@pytest.fixture(scope="module")
def base():
    return Calibration.load(shipped("default"))


@pytest.fixture(scope="module")
def features(tmp_path_factory):
    folder = tmp_path_factory.mktemp("study")
    good = ["severe-6.8-led", "moderate-9.2-morning"]
    rows = []
    for name in good:
        shutil.copy(SAMPLES / "good" / f"{name}.jpg", folder)
        truth = json.loads((SAMPLES / "good" / f"{name}.truth.json").read_text())
        rows.append(_row(f"{name}.jpg", truth["hb_g_dl"], truth["lot"]))
    for name in ("blot-at-border", "red-ink"):
        shutil.copy(SAMPLES / "refused" / f"{name}.jpg", folder)
        rows.append(_row(f"{name}.jpg", 9.0))
    shutil.copy(folder / f"{good[0]}.jpg", folder / "again.jpg")
    shutil.copy(SAMPLES / "good" / "moderate-8.3-tube.jpg", folder)
    (folder / "words.jpg").write_text("not a photo")
    rows += [
        _row("again.jpg", 6.8),
        _row("moderate-8.3-tube.jpg", 8.3, lot="027002"),
        _row("words.jpg", 9.0),
        _row("nowhere.jpg", 9.0),
    ]
    pd.DataFrame(rows).to_csv(folder / "study.csv", index=False)
    study = read_study(folder / "study.csv")
    assert not study.errors
    return read_features(study, Lots.load(shipped("lots")), DAY)


def test_every_row_is_kept_with_its_reason(features):
    reasons = dict(zip(features.rows["photo"], features.rows["refusal"], strict=True))
    assert reasons["severe-6.8-led.jpg"] == ""
    assert reasons["moderate-9.2-morning.jpg"] == ""
    assert reasons["blot-at-border.jpg"].startswith("blot_touches_border")
    assert reasons["red-ink.jpg"] == ""  # has a colour: the fit weighs it, nobody drops it
    assert reasons["again.jpg"] == "the same photo as an earlier row, under another name"
    assert reasons["moderate-8.3-tube.jpg"] == "the photo shows card lot 027001, not 027002"
    assert reasons["words.jpg"].startswith("not_an_image")
    assert reasons["nowhere.jpg"].startswith("the file can't be opened")
    assert (features.rows["lot_basis"] == "measured").all()
    assert len(features.rows) == len(features.used) + len(features.refused) == 8


def test_stored_measurements_read_as_the_photos_do(features, base):
    found = estimates(features.measured(), base).final()
    lowest, _ = found.interval(base.coverage)
    reader = Reader(Lots.load(shipped("lots")), base, load_protocol(), DAY)
    for photo, hb, low in zip(features.used["photo"], found.median, lowest, strict=True):
        if photo == "red-ink.jpg":
            continue
        reading = read_photo((SAMPLES / "good" / photo).read_bytes(), reader)
        assert hb == pytest.approx(reading.estimate.hb_g_dl, abs=1e-6)
        assert low == pytest.approx(reading.estimate.interval_g_dl[0], abs=1e-6)


def test_a_small_demonstration_study_is_whole_and_labelled(tmp_path, base):
    study, features, truth = demo_study(tmp_path, n_women=10)
    assert (tmp_path / "study.csv").read_text().count("synthetic") >= 80
    assert study.n_rows == 40
    assert features.rows["photo"].str.startswith("synthetic/").all()
    assert set(features.rows["phone"]) <= set(PHONES)
    assert set(features.rows["light"]) <= set(LIGHTS)
    assert set(features.rows["operator"]) <= set(OPERATORS)
    assert features.measured().signature.shape == (len(features.used), len(base.signature_mean))
    lab = features.rows["lab_g_dl"].to_numpy()
    assert np.abs(lab - truth.hb_g_dl).max() < 3
    readings = estimates(features.measured(), base).final().median
    assert np.corrcoef(readings, features.used["lab_g_dl"])[0, 1] > 0.9
