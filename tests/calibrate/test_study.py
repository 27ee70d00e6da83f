"""The study table: units, row-level errors, nothing dropped in silence."""

import pandas as pd
import pytest

from cardreader.calibrate.study import read_study
from cardreader.calibrate.studycolumns import COLUMNS, LabUnit, to_g_dl
from cardreader.calibrate.studyfaults import StudyError

GOOD = {
    "photo": "a.jpg",
    "subject": "S01",
    "lab_value": "11.2",
    "lab_unit": "g/dL",
    "lab_method": "analyser",
    "lab_sd": "0.2",
    "phone": "phone A",
    "light": "shade",
    "lot": "000101",
    "operator": "K",
    "replicate": "1",
}


def _write(tmp_path, *rows, name="study.csv"):
    path = tmp_path / name
    frame = pd.DataFrame([{**GOOD, "photo": f"{i}.jpg", **row} for i, row in enumerate(rows)])
    if name.endswith(".parquet"):
        frame.to_parquet(path)
    else:
        frame.to_csv(path, index=False)
    return path


def test_acid_haematin_scale():
    # Facing marks of the tube: 24 g/dL is 160 % (common practice, no source).
    assert to_g_dl(160, LabUnit.PERCENT) == pytest.approx(24)
    assert to_g_dl(70, LabUnit.PERCENT) == pytest.approx(10.5)
    assert to_g_dl(112, LabUnit.G_L) == pytest.approx(11.2)


@pytest.mark.parametrize("name", ["study.csv", "study.parquet"])
def test_good_rows_become_g_dl_with_their_uncertainty(tmp_path, name):
    study = read_study(
        _write(
            tmp_path,
            {},
            {"lab_value": "70", "lab_unit": "percent", "lab_method": "acid_haematin", "lab_sd": ""},
            {"lab_value": "98", "lab_unit": "g/L", "lab_sd": "3", "lab_method": "photometric_hicn"},
            name=name,
        )
    )
    assert not study.errors
    assert study.rows["lab_g_dl"].tolist() == pytest.approx([11.2, 10.5, 9.8])
    assert study.rows["lab_sd_g_dl"].tolist() == pytest.approx([0.2, 0.84, 0.3])
    assert len(study.sha256) == 64


def test_mmol_l_are_of_one_haem_with_its_chain(tmp_path):
    # Masses from memory: chains 15 126.4 (P69905) and 15 867.2 (P68871), haem 616.5.
    g_mol = (15_126.4 + 15_867.2) / 2 + 616.5
    assert to_g_dl(1, LabUnit.MMOL_L) == pytest.approx(g_mol / 1e4, rel=2e-4)
    # PMC3934467, table 1: g/dL times 0.62063 are mmol/L.
    assert to_g_dl(7.5, LabUnit.MMOL_L) * 0.62063 == pytest.approx(7.5, rel=2e-4)
    row = {"lab_unit": "mmol/l", "lab_value": "7.4", "lab_sd": "0.1"}
    study = read_study(_write(tmp_path, row))
    assert not study.errors
    assert study.rows["lab_g_dl"].tolist() == pytest.approx([11.92], abs=0.01)
    assert study.rows["lab_sd_g_dl"].tolist() == pytest.approx([0.161], abs=0.001)


def _values(values, **more):
    return [
        {"subject": f"W{i}", "lab_value": f"{value:g}", "lab_sd": "", **more}
        for i, value in enumerate(values)
    ]


IN_MMOL_L = (7.4, 5.1, 6.8, 8.0, 4.2, 8.9, 6.1, 7.7)
ANAEMIC_G_DL = (6.2, 8.4, 10.9, 9.8, 7.7, 12.1, 9.9, 11.6)


def test_values_that_look_like_mmol_l_under_g_dl_are_asked_about_once(tmp_path):
    photometer = _values(ANAEMIC_G_DL, lab_method="photometric_hicn")
    other = _values(IN_MMOL_L, visit="2")
    study = read_study(_write(tmp_path, *photometer, *other))
    assert not study.errors
    (warning,) = study.warnings
    assert (warning.row, warning.column) == (9, "lab_unit")
    assert "half of the 8 values by analyser lie below 7.1 g/dL" in str(warning)
    assert "write mmol/L in lab_unit" in str(warning)


@pytest.mark.parametrize(
    "rows",
    [
        _values(IN_MMOL_L, lab_unit="mmol/L"),
        _values(ANAEMIC_G_DL),
        _values(IN_MMOL_L[:4]),
        _values(IN_MMOL_L, lab_method="acid_haematin"),
        _values([10 * value for value in ANAEMIC_G_DL], lab_unit="g/L"),
        # Severe anaemia sought out, and the women without it that a study wants too.
        _values([5.0, 5.5, 6.1, 6.4, 6.8, 6.9, 6.2, 5.9, 12.3, 13.0]),
    ],
)
def test_values_in_their_own_unit_are_not_asked_about(tmp_path, rows):
    study = read_study(_write(tmp_path, *rows))
    assert not study.errors
    assert not study.warnings


def test_mmol_l_of_the_whole_haemoglobin_are_asked_about(tmp_path):
    rows = _values([value / 4 for value in IN_MMOL_L], lab_unit="mmol/L")
    study = read_study(_write(tmp_path, *rows))
    assert not study.errors
    asked = [str(w) for w in study.warnings if w.column == "lab_unit"]
    assert len(asked) == 1
    assert "write 4 times as much" in asked[0]


def test_numeric_parquet_columns_are_read_too(tmp_path):
    path = tmp_path / "study.parquet"
    pd.DataFrame(
        [{**GOOD, "lab_value": 11.2, "replicate": 1, "lot": 101, "lab_sd": 0.2}]
    ).to_parquet(path)
    study = read_study(path)
    assert not study.errors
    assert study.rows["lot"].tolist() == ["000101"]


def test_a_parquet_file_of_too_many_rows_is_refused_before_it_is_unpacked(tmp_path):
    path = tmp_path / "study.parquet"
    pd.DataFrame({column.name: ["1"] * 200_001 for column in COLUMNS}).to_parquet(path)
    assert path.stat().st_size < 1_000_000
    with pytest.raises(StudyError, match="more than 200000 rows"):
        read_study(path)


@pytest.mark.parametrize(
    ("change", "column", "words"),
    [
        ({"lab_value": "11,2"}, "lab_value", "11.2, not 11,2"),
        ({"lab_value": "112"}, "lab_value", "wrong unit"),
        ({"lab_value": "112"}, "lab_value", "g/L in lab_unit"),
        ({"lab_value": "112"}, "lab_value", "percent are no g/L"),
        ({"lab_value": "33"}, "lab_value", "haematocrit"),
        ({"lab_value": "70", "lab_method": "acid_haematin"}, "lab_value", "percent in lab_unit"),
        ({"lab_unit": "g/L", "lab_value": "7.4"}, "lab_value", "g/dL or mmol/L"),
        ({"lab_unit": "mmol/L", "lab_value": "16.2"}, "lab_value", "write g/dL"),
        ({"lab_value": "nan"}, "lab_value", "not a number"),
        ({"lab_value": "1_1"}, "lab_value", "not a number"),
        ({"lab_value": "11.2 g/dL"}, "lab_value", "without its unit"),
        ({"lab_value": "75%"}, "lab_value", "without its unit"),
        ({"lab_value": ""}, "lab_value", "is empty"),
        ({"lab_unit": "mg/dL"}, "lab_unit", "not one of"),
        ({"lab_unit": "percent", "lab_value": "70"}, "lab_unit", "acid_haematin"),
        ({"lab_sd": "9"}, "lab_sd", "half of the value"),
        ({"lab_sd": "-1"}, "lab_sd", "not above 0"),
        ({"replicate": "0"}, "replicate", "whole number"),
        ({"replicate": "1.5"}, "replicate", "whole number"),
        ({"lot": "99999999"}, "lot", "lot number"),
        ({"photo": "../secret.jpg"}, "photo", "below the folder"),
        ({"photo": "/etc/passwd"}, "photo", "below the folder"),
        ({"subject": "x" * 101}, "subject", "printable"),
    ],
)
def test_a_faulty_cell_is_named_with_its_row_and_the_rest_is_kept(tmp_path, change, column, words):
    study = read_study(_write(tmp_path, {}, change, {}))
    assert [(error.row, error.column) for error in study.errors] == [(2, column)]
    assert words in str(study.errors[0])
    assert study.rows["row"].tolist() == [1, 3]
    assert study.n_rows == 3


def test_a_spreadsheet_of_a_country_with_decimal_commas(tmp_path):
    path = tmp_path / "study.csv"
    row = GOOD | {"lab_value": "11,2", "lab_sd": "0,2", "photo": "été.jpg"}
    text = f"{';'.join(row)}\r\n{';'.join(row.values())}\r\n;;;;;;;;;;\r\n"
    path.write_bytes(text.encode("utf-8-sig"))
    study = read_study(path)
    assert not study.errors
    assert (study.n_rows, study.rows["lab_g_dl"].tolist()) == (1, [11.2])
    assert study.rows["lab_sd_g_dl"].tolist() == [0.2]


def test_a_decimal_comma_without_quotes_is_told_and_shifts_no_column(tmp_path):
    path = tmp_path / "study.csv"
    row = GOOD | {"lab_value": "11,2"}
    path.write_text(f"{','.join(row)}\n{','.join(row.values())}\n")
    study = read_study(path)
    assert [str(error) for error in study.errors] == [
        "row 1: has more cells than there are columns; write 11.2, not 11,2"
    ]
    assert study.rows.empty


def test_all_faults_are_told_at_once(tmp_path):
    study = read_study(_write(tmp_path, {"lab_value": "x", "replicate": "y"}, {"light": ""}))
    assert len(study.errors) == 3


def test_the_same_photo_twice_is_an_error(tmp_path):
    for again in ("p.jpg", "./p.jpg", ".//p.jpg"):
        study = read_study(_write(tmp_path, {"photo": "p.jpg"}, {"photo": again}))
        assert str(study.errors[0]) == "row 2, photo: is the photo of row 1 again"


def test_two_laboratory_values_of_one_visit_are_a_warning(tmp_path):
    study = read_study(_write(tmp_path, {}, {"lab_value": "9.0"}))
    assert not study.errors
    assert "apart" in str(study.warnings[0])
    assert not read_study(_write(tmp_path, {}, {"lab_value": "9.0", "visit": "2"})).warnings


def test_missing_and_unknown_columns(tmp_path):
    path = _write(tmp_path, {})
    frame = pd.read_csv(path, dtype=str).drop(columns="phone").assign(shade="x")
    frame.to_csv(path, index=False)
    with pytest.raises(StudyError) as caught:
        read_study(path)
    assert {error.column for error in caught.value.errors} == {"phone", "shade"}


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.csv", b"\xff\xfe\x00garbage\x00"),
        ("a.csv", b""),
        ("a.csv", b'photo,subject\n"never closed,1\n'),
        ("a.parquet", b"PAR1 not really"),
        ("a.parquet", b""),
    ],
)
def test_a_file_that_is_no_table_gives_one_line(tmp_path, name, data):
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(StudyError) as caught:
        read_study(path)
    assert "\n" not in str(caught.value)


def test_the_known_columns_are_told_once(tmp_path):
    path = tmp_path / "study.csv"
    path.write_text(f"{','.join(GOOD)},ward,bed\n{','.join(GOOD.values())},3,4\n")
    with pytest.raises(StudyError) as caught:
        read_study(path)
    assert [error.column for error in caught.value.errors] == ["ward", "bed"]
    assert sum("known are" in str(error) for error in caught.value.errors) == 1


@pytest.mark.parametrize("name", ["study.csv", "study.parquet"])
def test_a_table_without_rows_is_a_fault(tmp_path, name):
    empty = pd.DataFrame(columns=list(GOOD))
    empty.to_csv(tmp_path / name, index=False) if name.endswith("csv") else empty.to_parquet(
        tmp_path / name
    )
    with pytest.raises(StudyError, match="no row below its header"):
        read_study(tmp_path / name)


def test_every_column_is_described():
    assert all(column.meaning.endswith(".") for column in COLUMNS)


def test_percent_without_the_tubes_scale_is_told_once(tmp_path):
    tube = {"lab_value": "75", "lab_unit": "percent", "lab_method": "acid_haematin"}
    study = read_study(_write(tmp_path, tube, tube | {"photo": "b.jpg", "subject": "S2"}))
    (warning,) = study.warnings
    assert str(warning) == (
        "row 1, hundred_percent_g_dl: is empty: 2 values in percent are taken at 15 g/dL for "
        "100 %; look at the tube"
    )
    assert list(study.rows["lab_g_dl"]) == [11.25, 11.25]
    stated = read_study(_write(tmp_path, tube | {"hundred_percent_g_dl": "14.5"}))
    assert not stated.warnings
    assert stated.rows["lab_g_dl"].iloc[0] == pytest.approx(10.875)


def test_a_tubes_percent_entered_as_g_l_are_asked_about_once(tmp_path):
    tube = {"lab_method": "acid_haematin", "lab_unit": "g/L", "lab_value": "70"}
    tube["subject"] = "S02"
    mmol_l = {"subject": "S04", "lab_unit": "mmol/L", "lab_value": "7", "lab_sd": ""}
    study = read_study(_write(tmp_path, {}, tube, tube | {"subject": "S03"}, tube | mmol_l))
    assert not study.errors
    (warning,) = study.warnings
    assert (warning.row, warning.column) == (2, "lab_unit")
    assert "is it percent?" in str(warning)


@pytest.mark.parametrize(("value", "asked"), [("1.12", True), ("19.5", True), ("2.6", False)])
def test_a_value_that_a_misplaced_point_leaves_is_asked_about(tmp_path, value, asked):
    study = read_study(_write(tmp_path, {"lab_value": value}))
    assert not study.errors
    assert [warning.column for warning in study.warnings] == ["lab_value"] * asked


@pytest.mark.parametrize("again", ["s01", "S 01", "S-01", "S1", "S001", "s_1"])
def test_a_woman_spelt_in_two_ways_is_no_second_woman(tmp_path, again):
    study = read_study(_write(tmp_path, {}, {"subject": again}, {"subject": "S02"}, {}))
    (error,) = study.errors
    assert str(error).startswith(f"row 2, subject: {again} is S01 in row 1")
    assert study.rows["subject"].tolist() == ["S01", "S02", "S01"]


def test_ids_that_differ_in_their_digits_or_where_they_are_parted_are_two_women(tmp_path):
    ids = ["1-11", "11-1", "S10", "S1", "S01-2", "S012", "A", "B"]
    study = read_study(_write(tmp_path, *({"subject": one} for one in ids)))
    assert not study.errors
    assert study.rows["subject"].nunique() == len(ids)


def test_a_phone_spelt_in_two_ways_is_asked_about_once(tmp_path):
    rows = [{"phone": "Phone A"}, {"phone": "phone a"}, {"phone": "phone a"}, {"phone": "B"}]
    (warning,) = read_study(_write(tmp_path, *rows)).warnings
    assert (
        str(warning) == "row 2, phone: phone a and Phone A (row 1) are taken for two; are they one?"
    )


def test_paper_that_some_rows_name_is_asked_about_in_the_others(tmp_path):
    rows = [{"paper": "B-1"}, {"paper": ""}, {"paper": "B-2"}, {"paper": "B-2"}, {"paper": ""}]
    (warning,) = read_study(_write(tmp_path, *rows)).warnings
    assert str(warning) == (
        "row 2, paper: is empty: 2 photos are taken to be on B-2, which most others name; if not, "
        "name theirs"
    )
    assert not read_study(_write(tmp_path, {"paper": ""}, {})).warnings


def test_units_and_methods_in_other_capitals_and_whole_numbers_of_a_data_frame(tmp_path):
    row = {"lab_unit": "g / dl", "lab_method": "Analyser", "lot": "101.0", "replicate": "2.0"}
    study = read_study(_write(tmp_path, row))
    assert not study.errors
    (read,) = study.rows.to_dict("records")
    assert (read["lab_unit"], read["lab_method"]) == ("g/dL", "analyser")
    assert (read["lot"], read["replicate"]) == ("000101", 2)
