"""A calibration folder by a hostile author: hashes are right, what they cover is not."""

from __future__ import annotations

import json
from functools import cache

import pytest

from cardreader.calibrate.provenance import Past, past_of
from cardreader.cli import main
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.hb.container import ContainerError, Problem, load, load_calibration, save
from cardreader.terminal.exitcodes import ExitCode

SHA = "ab" * 32


@cache
def shipped_calibration() -> Calibration:
    return Calibration.load(shipped("default"))


@cache
def shipped_text() -> str:
    return shipped_calibration().to_json()


def test_what_later_commands_count_with_is_taken_over():
    told = {"conformity_scores": [0.5, 2], "photos_sha256": [SHA], "drift_centre_g_dl": -0.25}
    assert past_of(told) == Past((0.5, 2.0), frozenset({SHA}), -0.25)
    assert past_of({"title": "a study", "drift_centre_g_dl": None}) == Past()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("conformity_scores", "many"),
        ("conformity_scores", [0.5, "0.6"]),
        ("conformity_scores", [float("nan")]),
        ("conformity_scores", [-1.0]),
        ("conformity_scores", [True]),
        ("photos_sha256", SHA),
        ("photos_sha256", [[SHA]]),
        ("photos_sha256", [SHA[:-1]]),
        ("drift_centre_g_dl", "0.1"),
        ("drift_centre_g_dl", [0.1]),
        ("drift_centre_g_dl", float("inf")),
        ("drift_centre_g_dl", 1e6),
    ],
)
def test_provenance_that_cannot_be_counted_with_is_refused(name, value):
    with pytest.raises(ContainerError, match=name) as refused:
        past_of({name: value})
    assert refused.value.problem is Problem.PROVENANCE


def test_the_drift_watch_refuses_a_hostile_centre_in_one_line(tmp_path, capsys):
    table = tmp_path / "c.csv"
    table.write_text(
        "date,lot,phone,hb_g_dl,sd_g_dl,lab_g_dl,lab_sd_g_dl\n2026-09-01,027001,P,9,0.5,9,0.3\n"
    )
    folder = tmp_path / "calibration"
    save(folder, Calibration.load(shipped("default")), {"drift_centre_g_dl": [1]})
    words = ["study", "drift", str(table), "--calibration", str(folder)]
    assert main(words) == ExitCode.BAD_DATA
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "drift_centre_g_dl" in said


@pytest.mark.parametrize("with_manifest", [True, False])
@pytest.mark.parametrize("change", [{"tail": "x" * 100_000}, {"y" * 100_000: 1}])
def test_a_message_does_not_repeat_a_whole_file(tmp_path, change, with_manifest, monkeypatch):
    sound = shipped_calibration()
    text = json.dumps({**json.loads(shipped_text()), **change})
    monkeypatch.setattr(Calibration, "to_json", lambda self: text)
    save(tmp_path / "c", sound, {})
    if not with_manifest:
        (tmp_path / "c" / "manifest.json").unlink()
    with pytest.raises(CalibrationError) as refused:
        (load if with_manifest else load_calibration)(tmp_path / "c")
    assert len(str(refused.value)) < 1000


def _changed(name: str, value: object) -> str:
    return json.dumps({**json.loads(shipped_text()), name: value})


def _table(name: str, at: tuple[int, ...], value: float) -> list[object]:
    table = json.loads(shipped_text())[name]
    row = table
    for index in at[:-1]:
        row = row[index]
    row[at[-1]] = value
    return table


IMPLAUSIBLE = {
    "a scatter of one triangle": ("covariance", lambda: _table("covariance", (5, 0, 2), 0.098)),
    "a precision without end": (
        "signature_precision",
        lambda: _table("signature_precision", (4, 1), -1e300),
    ),
    "a precision of one triangle": (
        "signature_precision",
        lambda: _table("signature_precision", (0, 4), 1e3),
    ),
    "a shift without end": ("signature_shift", lambda: _table("signature_shift", (0, 0), 1e300)),
    "a scatter of nearly nothing": ("signature_sd", lambda: _table("signature_sd", (0,), 1e-320)),
    "a certainty that nobody has": ("conformal_scale", lambda: 1e-320),
    "an id that is a list": ("id", lambda: ["x"]),
    "an id of two lines": ("id", lambda: "a\nb"),
    "lots that are numbers": ("lots", lambda: [27001]),
    "half a pair": ("n_pairs", lambda: 0.5),
}


@pytest.mark.parametrize("with_manifest", [True, False])
@pytest.mark.parametrize("what", IMPLAUSIBLE)
def test_numbers_that_no_fit_gives_are_refused(tmp_path, what, with_manifest, monkeypatch):
    name, value = IMPLAUSIBLE[what]
    sound = shipped_calibration()
    text = _changed(name, value())
    monkeypatch.setattr(Calibration, "to_json", lambda self: text)
    save(tmp_path / "c", sound, {})
    if not with_manifest:
        (tmp_path / "c" / "manifest.json").unlink()
    with pytest.raises(CalibrationError, match=name) as refused:
        load_calibration(tmp_path / "c")
    assert "\n" not in str(refused.value)
