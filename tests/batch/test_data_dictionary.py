"""The data dictionary, held against the table by the library of its own standard.

Source: Frictionless Data, https://datapackage.org and https://framework.frictionlessdata.io.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from batchrig import batch

from cardreader.batch.columns import COLUMNS
from cardreader.batch.dictionary import table_schema


@pytest.fixture(scope="module")
def out(
    tmp_path_factory: pytest.TempPathFactory, card_photo: bytes, bad_files: dict[str, bytes]
) -> Path:
    """A batch of a read, a refused and a failed photo."""
    root = tmp_path_factory.mktemp("batch")
    (root / "blot.jpg").write_bytes(card_photo)
    (root / "words.jpg").write_bytes(bad_files["words.jpg:not_an_image"])
    (root / "list.csv").write_text(
        "photo,phone,light,gestation_weeks\nblot.jpg,Pelqua 3,shade,22\n"
        "words.jpg,,,\nmissing.jpg,,,\n"
    )
    done = batch(root / "list.csv", "--out", root / "out", "--workers", "1", "--no-summary")
    assert done.returncode == 0, done.stderr
    return root / "out"


def _report(package: Path) -> Any:
    import frictionless  # here, since each process of the tests would load it

    with frictionless.system.use_context(trusted=True):
        return frictionless.validate(str(package), type="package")


def test_the_table_is_valid_by_its_dictionary(out: Path) -> None:
    report = _report(out / "datapackage.json")
    assert report.valid, report.flatten(["rowNumber", "fieldName", "type", "note"])
    assert report.stats["tasks"] == 1
    assert report.tasks[0].stats["rows"] == 3


@pytest.mark.parametrize(
    ("find", "put", "fault"),
    [
        ("read", "red", "constraint-error"),
        ("hb_g_dl", "hb_mg_dl", "incorrect-label"),
        ("22", "22.5", "type-error"),
    ],
)
def test_a_spoiled_table_is_not(out: Path, tmp_path: Path, find: str, put: str, fault: str) -> None:
    text = (out / "results.csv").read_text(encoding="utf-8")
    cell = f",{find},"
    assert cell in text
    (tmp_path / "results.csv").write_text(text.replace(cell, f",{put},", 1), encoding="utf-8")
    (tmp_path / "datapackage.json").write_bytes((out / "datapackage.json").read_bytes())
    report = _report(tmp_path / "datapackage.json")
    assert fault in {kind for (kind,) in report.flatten(["type"])}


def test_every_column_has_its_field_and_measures_their_unit() -> None:
    fields = {field["name"]: field for field in table_schema()["fields"]}
    assert list(fields) == [column.name for column in COLUMNS]
    assert all(field["description"] for field in fields.values())
    for name, unit in {
        "hb_low_g_dl": "g/dL", "px_per_mm": "px/mm", "tilt_deg": "degree", "blur_mm": "mm",
        "blot_area_mm2": "mm2", "width_px": "px", "elevation_m": "m", "gestation_weeks": "week",
    }.items():  # fmt: skip
        assert fields[name]["unit"] == unit
    assert "unit" not in fields["p_below_7"]
    json.dumps(fields)


def test_names_are_categories_in_pandas_and_polars(out: Path) -> None:
    import polars as pl  # here, since each process of the tests would load it

    pandas = pd.read_parquet(out / "results.parquet")
    polars = pl.read_parquet(out / "results.parquet")
    names = [column.name for column in COLUMNS if column.kind == "category"]
    assert "status" in names
    assert "phone" in names
    for name in names:
        assert isinstance(pandas[name].dtype, pd.CategoricalDtype), name
        assert polars[name].dtype == pl.Categorical, name
    assert sorted(pandas["status"].unique()) == ["failed", "read", "refused"]
    assert pandas["hb_g_dl"].dtype == float
    assert polars["refer"].dtype == pl.Boolean
