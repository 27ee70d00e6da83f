"""The study table's data dictionary, held against tables by the library of its own standard.

Source: Frictionless Data, https://datapackage.org and https://framework.frictionlessdata.io.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from cardreader.calibrate.study import read_study
from cardreader.calibrate.studycolumns import COLUMNS, study_package

ROW: dict[str, Any] = {
    "photo": "p1.jpg", "subject": "W001", "lab_value": 9.4, "lab_unit": "g/dL",
    "lab_method": "photometric_hicn", "lab_sd": 0.2, "hundred_percent_g_dl": "",
    "phone": "Pelqua 3", "light": "shade", "lot": "027001", "operator": "op1", "replicate": 1,
    "visit": "", "note": "",
}  # fmt: skip


def _write(folder: Path, *rows: dict[str, Any]) -> Path:
    with (folder / "study.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, [column.name for column in COLUMNS])
        writer.writeheader()
        writer.writerows(rows)
    (folder / "datapackage.json").write_text(json.dumps(study_package("study.csv")))
    return folder


def _faults(folder: Path) -> list[str]:
    import frictionless  # here, since each process of the tests would load it

    with frictionless.system.use_context(trusted=True):
        report = frictionless.validate(str(folder / "datapackage.json"), type="package")
    assert report.stats["tasks"] == 1
    return [f"{name}: {kind}" for name, kind in report.flatten(["fieldName", "type"])]


def test_a_sound_table_is_valid_by_its_dictionary(tmp_path: Path) -> None:
    tube = {"lab_unit": "percent", "lab_method": "acid_haematin", "lab_value": 62, "lab_sd": 4}
    _write(tmp_path, ROW, {**ROW, **tube, "photo": "p2.jpg", "visit": 2})
    assert _faults(tmp_path) == []
    assert read_study(tmp_path / "study.csv").errors == ()


@pytest.mark.parametrize(
    ("changes", "fault"),
    [
        ({"lab_value": "11,2"}, "lab_value: type-error"),
        ({"lab_value": ""}, "lab_value: constraint-error"),
        ({"lab_value": -9}, "lab_value: constraint-error"),
        ({"lab_unit": "mg/dL"}, "lab_unit: constraint-error"),
        ({"lab_method": "guess"}, "lab_method: constraint-error"),
        ({"hundred_percent_g_dl": 30}, "hundred_percent_g_dl: constraint-error"),
        ({"lot": "lot 1"}, "lot: type-error"),
        ({"replicate": 0}, "replicate: constraint-error"),
        ({"visit": 1000}, "visit: constraint-error"),
        ({"operator": ""}, "operator: constraint-error"),
    ],
)
def test_what_the_dictionary_forbids_the_reader_refuses_too(
    tmp_path: Path, changes: dict[str, Any], fault: str
) -> None:
    _write(tmp_path, {**ROW, **changes})
    assert fault in _faults(tmp_path)
    (error,) = read_study(tmp_path / "study.csv").errors
    assert error.column == fault.split(":")[0]


def test_a_photo_given_twice_is_a_fault_to_both(tmp_path: Path) -> None:
    _write(tmp_path, ROW, ROW)
    assert "None: primary-key" in _faults(tmp_path) or "photo: unique-error" in _faults(tmp_path)
    assert read_study(tmp_path / "study.csv").errors


def test_every_column_says_what_it_is_and_its_unit_where_it_has_one() -> None:
    (resource,) = study_package("study.csv")["resources"]
    fields = {field["name"]: field for field in resource["schema"]["fields"]}
    assert list(fields) == [column.name for column in COLUMNS]
    assert all(field["description"] for field in fields.values())
    assert fields["hundred_percent_g_dl"]["unit"] == "g/dL"
    assert "unit" not in fields["lab_value"], "its unit stands in lab_unit"
