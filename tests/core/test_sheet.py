"""Tables as spreadsheets write them, read as they are meant."""

import csv
import io

import pandas as pd
import pytest

from cardreader.core.sheet import SheetError, read_sheet

NAMES = ("photo", "lab_value", "light")
ROWS = [["a.jpg", "11.2", "shade; near a window"], ["b.jpg", "9", "été"]]


def _written(separator, encoding="utf-8", end="\n", before=""):
    """As Python's own writer has it: an independent hand at the quoting."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator, lineterminator=end)
    writer.writerows([list(NAMES), *ROWS])
    return (before + text.getvalue()).encode(encoding)


@pytest.mark.parametrize(
    "data",
    [
        _written(","),
        _written(",", "utf-8-sig", "\r\n"),
        _written(";", "utf-8-sig", "\r\n"),
        _written(";", end="\r\n", before="sep=;\r\n"),
        _written("\t", "utf-16"),
        _written("\t", end="\r"),
        _written(",", before="\r\n\r\n"),
    ],
    ids=["plain", "bom", "semicolons", "sep line", "unicode text", "old mac", "blank first"],
)
def test_whatever_parts_the_columns(data):
    sheet = read_sheet(data, NAMES)
    assert sheet.names == NAMES
    assert [list(row.cells.values()) for row in sheet] == ROWS


@pytest.mark.parametrize("header", ["PHOTO,LAB_VALUE,LIGHT", "Photo,Lab value , light"])
def test_names_in_capitals_or_with_spaces_are_the_known_ones(header):
    assert read_sheet(f"{header},My Own\na,9,b,c\n".encode(), NAMES).names == (*NAMES, "My Own")


@pytest.mark.parametrize("start", [b"PK\x03\x04", bytes.fromhex("d0cf11e0a1b11ae1")])
def test_a_spreadsheets_own_file_is_told(start):
    """Signatures: ZIP (APPNOTE 4.3.7) and Compound File Binary ([MS-CFB] 2.2)."""
    with pytest.raises(SheetError, match=r"spreadsheet's own file.* CSV UTF-8"):
        read_sheet(start + b"\0" * 40, NAMES)


def test_a_column_without_a_name_is_told_as_that():
    """A data frame's own numbers, by pandas' writer: no decimal comma is about."""
    frame = pd.DataFrame([dict(zip(NAMES, row, strict=True)) for row in ROWS])
    (first, _) = list(read_sheet(frame.to_csv().encode(), NAMES))
    assert first.problem == "has text in column 1, which has no name: name it or leave it out"
    assert not any(row.problem for row in read_sheet(frame.to_csv(index=False).encode(), NAMES))
    blank = b"photo,lab_value,light,,\na.jpg,11,2,shade,\n"  # cells beside the table's last column
    (row,) = read_sheet(blank, NAMES)
    assert "write 11.2, not 11,2" in row.problem


def test_a_comma_is_a_decimal_sign_only_where_it_parts_no_columns():
    assert read_sheet(b"photo;lab_value\na;11,2", NAMES).number("11,2") == "11.2"
    assert read_sheet(b"photo;lab_value\na;11,2", NAMES).number("1,1,2") == "1,1,2"
    assert read_sheet(b'photo,lab_value\na,"11,2"', NAMES).number("11,2") == "11,2"


def test_a_decimal_comma_that_parts_a_cell_in_two_moves_no_other_cell():
    rows = list(read_sheet(b"photo,lab_value,light\na.jpg,11,2,shade\nb.jpg,9,shade\n", NAMES))
    assert "11.2, not 11,2" in rows[0].problem
    assert rows[0].cells["photo"] == "a.jpg"
    assert not rows[1].problem


def test_blank_rows_and_columns_are_nothing_but_count():
    rows = list(read_sheet(b"photo,lab_value,,\na,9,,\n,,,\n\nb,8,,\n", NAMES))
    assert [(row.number, row.cells["photo"]) for row in rows] == [(1, "a"), (4, "b")]
    assert not any(row.problem for row in rows)


@pytest.mark.parametrize("data", [b"", b"\r\n", b",,\na,b,c", b"caf\xe9,photo\n"])
def test_what_is_no_table_is_said_in_one_line(data):
    with pytest.raises(SheetError) as caught:
        list(read_sheet(data, NAMES))
    assert "\n" not in str(caught.value)


def test_a_quote_that_never_closes_is_said_when_it_is_met():
    with pytest.raises(SheetError):
        list(read_sheet(b'photo,lab_value\na,"9\n', NAMES))
