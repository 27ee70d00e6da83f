"""Whatever a table holds: a study, a confirmation list, or one line on what is wrong."""

import json
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from cardreader.calibrate.confirmations import COLUMNS as CONFIRMATION_COLUMNS
from cardreader.calibrate.confirmations import read_confirmations
from cardreader.calibrate.study import read_study
from cardreader.calibrate.studycolumns import COLUMNS
from cardreader.calibrate.studyfaults import StudyError
from cardreader.hb.container import ContainerError, load

HEADER = ",".join(column.name for column in COLUMNS)
CELL = st.one_of(
    st.sampled_from(["", "1", "27001", "11.2", "-1", "1e999", "nan", "inf", "g/dL", "percent"]),
    st.sampled_from(["analyser", "acid_haematin", '"', "'", "=1+1", "../x", "\x00", "\ufeff"]),
    st.text(max_size=12),
)
SETTINGS = settings(max_examples=80)


def _write(folder, name, data):
    path = Path(folder) / name
    path.write_bytes(data)
    return path


def _attempt(read, name, data, refused):
    """What reading a file gave, or None and the words it was refused with."""
    with tempfile.TemporaryDirectory() as folder:
        path = _write(folder, name, data)
        try:
            return read(path), ""
        except refused as error:
            return None, str(error)


def _text(header, rows):
    lines = [header, *(",".join(row) for row in rows)]
    return "\n".join(lines).encode("utf-8", "surrogatepass")


@SETTINGS
@given(st.lists(st.lists(CELL, min_size=1, max_size=16), max_size=6))
def test_any_cells(rows):
    study, words = _attempt(read_study, "s.csv", _text(HEADER, rows), StudyError)
    assert "\n" not in words
    if study is not None:
        assert len(study.rows) + len({e.row for e in study.errors}) == study.n_rows
        assert study.rows["lab_g_dl"].between(1, 25).all()
        assert (study.rows["lab_sd_g_dl"] > 0).all()


@SETTINGS
@given(st.binary(max_size=300), st.sampled_from(["s.csv", "s.parquet"]))
def test_any_bytes(data, name):
    study, words = _attempt(read_study, name, data, StudyError)
    assert "\n" not in words
    assert study is None or study.rows.empty


@SETTINGS
@given(st.lists(st.lists(CELL, min_size=7, max_size=7), max_size=4))
def test_any_confirmations(rows):
    data = _text(",".join(CONFIRMATION_COLUMNS), rows)
    entries, words = _attempt(read_confirmations, "c.csv", data, StudyError)
    assert "\n" not in words
    assert entries is None or all(entry.sd_g_dl > 0 for entry in entries)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=12,
)


@SETTINGS
@given(
    JSON,
    st.sampled_from([1, 2, "1", None]),
    st.sampled_from(["0.1.0", "", "1..2", "9" * 40, None, 3]),
)
def test_any_manifest(files, schema, version):
    kind = "cardreader calibration"
    manifest = {"kind": kind, "schema": schema, "written_by": version, "files": files}
    data = json.dumps(manifest).encode()
    found, words = _attempt(lambda path: load(path.parent), "manifest.json", data, ContainerError)
    assert found is None
    assert words
