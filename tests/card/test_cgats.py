"""Lot files: round trip, a second reader, files as other software writes them, hostile ones."""

from __future__ import annotations

import ctypes
import ctypes.util
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path

import colour
import numpy as np
import PIL
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lots import made_up_lot
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.cgats import read_lot, read_lot_file
from cardreader.card.cgats import write_lot as write
from cardreader.card.cgatstable import MAX_BYTES, MAX_FIELDS, MAX_ROWS, LotFileError
from cardreader.card.lot import Lot
from cardreader.card.spectra import spectra_to_xyz
from cardreader.colour.cielab import lab_to_xyz, xyz_to_lab

NM = np.arange(380.0, 731.0, 10.0)
NAMES = [*(cell.name for cell in layout.cells()), "PAPER", "STOCK"]


@cache
def spectral_lot() -> Lot:
    """A lot with smooth made-up spectra and the Lab that belongs to them."""
    rng = np.random.default_rng(1)
    centre, width = rng.uniform(430, 680, (72, 1)), rng.uniform(30, 120, (72, 1))
    spectra = 0.85 * (1 - rng.uniform(0.2, 0.95, (72, 1)) * np.exp(-(((NM - centre) / width) ** 2)))
    paper, stock = np.full(NM.size, 0.82), np.linspace(0.84, 0.9, NM.size)
    lab = xyz_to_lab(spectra_to_xyz(NM, np.vstack([spectra, paper, stock])))
    return replace(
        made_up_lot(),
        basis="measured",
        lab=lab[:72],
        paper_lab=lab[72],
        stock_lab=lab[73],
        spectra=spectra,
        wavelengths_nm=NM,
        paper_spectrum=paper,
        stock_spectrum=stock,
        instrument="45/0 spectrophotometer",
        created=date(2026, 11, 2),
    )


def table(fields: str, columns: NDArray[np.float64], header: str = "", sep: str = "\t") -> str:
    """A lot file in a hand of its own, with `columns` (74, n) under `fields`."""
    rows = [
        sep.join([name, *(f"{v:.4f}" for v in row)])
        for name, row in zip(NAMES, columns, strict=True)
    ]
    body = "\n".join(rows)
    return (
        'IT8.7/3\nORIGINATOR "a spectrophotometer"\nLOT_NUMBER 261101\nEXPIRES "2029-12-31"\n'
        f'BASIS "measured"\n{header}'
        f"BEGIN_DATA_FORMAT\nSAMPLE_NAME {fields}\nEND_DATA_FORMAT\n"
        f"BEGIN_DATA\n{body}\nEND_DATA\n"
    )


def all_lab(lot: Lot) -> NDArray[np.float64]:
    return np.vstack([lot.lab, lot.paper_lab, lot.stock_lab])


@pytest.mark.parametrize(
    "lot",
    [made_up_lot(note="A note, plain."), made_up_lot(basis="photographed"), spectral_lot()],
)
def test_round_trip(lot: Lot) -> None:
    again = read_lot(write(lot))
    assert np.allclose(all_lab(again), all_lab(lot), atol=5.1e-5)
    for name in ("number", "expires", "basis", "instrument", "note", "created"):
        assert getattr(again, name) == getattr(lot, name)
    if lot.spectra is None:
        assert again.spectra is None
    else:
        for name in ("spectra", "wavelengths_nm", "paper_spectrum", "stock_spectrum"):
            assert np.allclose(getattr(again, name), getattr(lot, name), atol=5.1e-7)
    assert write(again) == write(lot)


@settings(max_examples=30)
@given(
    number=st.integers(0, 146**3 - 1),
    seed=st.integers(0, 2**32 - 1),
    note=st.text(st.characters(min_codepoint=32, max_codepoint=126, exclude_characters='"')),
    expires=st.dates(),
)
def test_any_lot_comes_back(number: int, seed: int, note: str, expires: date) -> None:
    rng = np.random.default_rng(seed)
    lab = rng.uniform((20, -30, -30), (100, 30, 30), (72, 3))
    lot = replace(made_up_lot(number), lab=lab, note=note.strip()[:200].strip(), expires=expires)
    again = read_lot(write(lot))
    assert (again.number, again.expires) == (number, expires)
    assert again.note == lot.note
    assert np.allclose(again.lab, lot.lab, atol=5.1e-5)


# --- a second reader: the IT8 / CGATS part of Little CMS, as bundled with Pillow ---------


def little_cms() -> ctypes.CDLL:
    """Little CMS by C calls; no Python package that reads CGATS.17 was found."""
    bundled = sorted(Path(PIL.__file__).parent.parent.glob("pillow.libs/liblcms2*"))
    name = str(bundled[0]) if bundled else ctypes.util.find_library("lcms2")
    if name is None:
        pytest.skip("no shared library of Little CMS here")
    lib = ctypes.CDLL(name)
    lib.cmsIT8LoadFromMem.restype = ctypes.c_void_p
    lib.cmsIT8LoadFromMem.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_uint32]
    lib.cmsIT8GetProperty.restype = ctypes.c_char_p
    lib.cmsIT8GetProperty.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    lib.cmsIT8GetDataDbl.restype = ctypes.c_double
    lib.cmsIT8GetDataDbl.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p]
    lib.cmsIT8SetIndexColumn.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    lib.cmsIT8SaveToMem.argtypes = [
        ctypes.c_void_p,
        ctypes.c_void_p,
        ctypes.POINTER(ctypes.c_uint32),
    ]
    lib.cmsIT8Free.argtypes = [ctypes.c_void_p]
    return lib


@contextmanager
def opened(lib: ctypes.CDLL, text: str) -> Iterator[int]:
    data = text.encode()
    handle = lib.cmsIT8LoadFromMem(None, data, len(data))
    assert handle, "Little CMS did not take the file"
    try:
        assert lib.cmsIT8SetIndexColumn(handle, b"SAMPLE_NAME")
        yield handle
    finally:
        lib.cmsIT8Free(handle)


@pytest.mark.parametrize("lot", [made_up_lot(note="A note, plain."), spectral_lot()])
def test_little_cms_reads_what_we_write(lot: Lot) -> None:
    lib = little_cms()
    with opened(lib, write(lot)) as handle:
        for i, name in enumerate(NAMES):
            got = [
                lib.cmsIT8GetDataDbl(handle, name.encode(), column)
                for column in (b"LAB_L", b"LAB_A", b"LAB_B")
            ]
            assert np.allclose(got, all_lab(lot)[i], atol=5.1e-5)
        if lot.spectra is not None:
            value = lib.cmsIT8GetDataDbl(handle, b"R05b", b"SPECTRAL_NM560")
            row = NAMES.index("R05b")
            assert value == pytest.approx(lot.spectra[row, list(NM).index(560)], abs=1e-6)
        for keyword, value in (
            (b"LOT_NUMBER", lot.lot_id),
            (b"EXPIRES", lot.expires.isoformat()),
            (b"BASIS", lot.basis),
            (b"ILLUMINATION_NAME", "D50"),
            (b"OBSERVER_ANGLE", "2"),
            (b"NUMBER_OF_SETS", "74"),
        ):
            assert lib.cmsIT8GetProperty(handle, keyword).decode() == value


def test_we_read_what_little_cms_writes() -> None:
    lib = little_cms()
    with opened(lib, write(spectral_lot())) as handle:
        size = ctypes.c_uint32(0)
        assert lib.cmsIT8SaveToMem(handle, None, ctypes.byref(size))
        buffer = ctypes.create_string_buffer(size.value)
        assert lib.cmsIT8SaveToMem(handle, buffer, ctypes.byref(size))
    text = buffer.raw[: size.value].rstrip(b"\0").decode()
    again = read_lot(text)
    assert np.allclose(all_lab(again), all_lab(spectral_lot()), atol=1e-3)
    assert again.number == spectral_lot().number


# --- as other software writes them --------------------------------------------------------


def test_spaces_quotes_comments_and_line_ends_vary() -> None:
    text = table("LAB_L LAB_A LAB_B", all_lab(made_up_lot()), sep="   ")
    text = text.replace("N11a", '"N11a"').replace("BEGIN_DATA\n", "BEGIN_DATA\n# remark\n\n")
    text = text.replace("LOT_NUMBER 261101", 'LOT_NUMBER "261101" # as printed')
    want = all_lab(made_up_lot())
    for variant in (text, "\ufeff" + text, text.replace("\n", "\r\n"), text.replace("\n", "\r")):
        assert np.allclose(all_lab(read_lot(variant)), want, atol=1e-4)


def test_order_of_rows_and_fields_does_not_matter_and_more_fields_are_ignored() -> None:
    text = table(
        "LAB_B RGB_R LAB_L LAB_A", np.insert(all_lab(made_up_lot())[:, [2, 0, 1]], 1, 7, axis=1)
    )
    head, rest = text.split("BEGIN_DATA\n")
    body, _ = rest.split("END_DATA\n")
    text = head + "BEGIN_DATA\n" + "\n".join(reversed(body.splitlines())) + "\nEND_DATA\n"
    assert np.allclose(all_lab(read_lot(text)), all_lab(made_up_lot()), atol=1e-4)


def test_xyz_instead_of_lab() -> None:
    lab = all_lab(made_up_lot())
    text = table("XYZ_X XYZ_Y XYZ_Z", 100 * lab_to_xyz(lab))
    assert np.allclose(all_lab(read_lot(text)), lab, atol=0.01)
    with pytest.raises(LotFileError, match="Y = 100"):
        read_lot(table("XYZ_X XYZ_Y XYZ_Z", lab_to_xyz(lab)))


@pytest.mark.parametrize(
    ("field", "scale"),
    [("SPECTRAL_NM{:.0f}", 1), ("SPECTRAL_{:.0f}", 1), ("SPEC_{:.0f}", 100), ("NM_{:.0f}", 100)],
)
def test_spectra_alone_as_factors_or_percent(field: str, scale: float) -> None:
    lot = spectral_lot()
    spectra = np.vstack([lot.spectra, lot.paper_spectrum, lot.stock_spectrum])  # type: ignore[list-item]
    text = table(" ".join(field.format(nm) for nm in NM), scale * spectra)
    again = read_lot(text)
    assert np.allclose(all_lab(again), all_lab(lot), atol=0.02)
    assert again.spectra is not None
    assert np.allclose(again.spectra, spectra[:72], atol=1e-4)


def test_unplain_text_in_remarks_is_made_plain(tmp_path: Path) -> None:
    text = table("LAB_L LAB_A LAB_B", all_lab(made_up_lot()), 'DESCRIPTOR "gr\u00fcn 45\u00b0"\n')
    for encoding in ("utf-8", "latin-1"):
        file = tmp_path / "lot.txt"
        file.write_bytes(text.encode(encoding))
        assert read_lot_file(file).note == "gr?n 45?"


def test_date_of_making_in_another_order_is_left_out() -> None:
    text = table("LAB_L LAB_A LAB_B", all_lab(made_up_lot()), 'CREATED "11/02/2026 13:44"\n')
    assert read_lot(text).created is None


# --- colour of spectra ----------------------------------------------------------------------


def test_spectra_give_the_colours_that_definitions_ask_for() -> None:
    flat = np.array([[1.0], [0.184], [0.03]]) * np.ones(NM.size)
    lab = xyz_to_lab(spectra_to_xyz(NM, flat))
    # CIE 15: a neutral has L* = 116 Y^(1/3) - 16 and a* = b* = 0.
    assert np.allclose(lab[:, 0], 116 * np.cbrt(flat[:, 0]) - 16, atol=0.01)
    assert np.abs(lab[:, 1:]).max() < 0.05


@pytest.mark.parametrize("step", [5, 10, 20])
def test_spectra_agree_with_astm_e308(step: int) -> None:
    """colour-science's ASTM E308 tables, another way from spectrum to XYZ."""
    nm = np.arange(380.0, 781.0, step)
    spectra = np.stack([0.85 - 0.8 * np.exp(-(((nm - c) / 45) ** 2)) for c in range(440, 640, 20)])
    ours = xyz_to_lab(spectra_to_xyz(nm, spectra))
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    d50 = colour.SDS_ILLUMINANTS["D50"]
    with colour.utilities.suppress_warnings(colour_runtime_warnings=True):  # of its alignment
        theirs = [
            xyz_to_lab(
                colour.sd_to_XYZ(
                    colour.SpectralDistribution(values, nm), observer, d50, method="ASTM E308"
                )
                / 100
            )
            for values in spectra
        ]
    assert np.linalg.norm(ours - theirs, axis=1).max() < (0.1 if step < 20 else 0.6)


# --- refused, with the line -------------------------------------------------------------------

GOOD = write(made_up_lot())


def line_of(text: str, part: str) -> int:
    return next(i for i, line in enumerate(text.split("\n"), 1) if part in line)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("CGATS.17\n", "%PDF-1.4\n", "line 1: the file does not begin as CGATS"),
        ('LOT_NUMBER "261101"', 'LOT_NUMBER "26I101"', "LOT_NUMBER can't be '26I101'"),
        ('LOT_NUMBER "261101"', 'LOT_NUMBER "9999999"', "outside"),
        ('\nLOT_NUMBER "261101"', "", "keyword LOT_NUMBER is missing"),
        ('"2029-12-31"', '"2029-02-30"', "no day of the calendar"),
        ('"2029-12-31"', '"31.12.2029"', "EXPIRES can't be"),
        ('BASIS "nominal"', 'BASIS "guess"', "BASIS can't be 'guess'"),
        ('BASIS "nominal"', 'BASIS "nominal"\nBASIS "measured"', "BASIS is given twice"),
        ('"D50"', '"D65"', "ILLUMINATION_NAME can't be 'D65'"),
        ('OBSERVER_ANGLE "2"', 'OBSERVER_ANGLE "10"', "OBSERVER_ANGLE can't be '10'"),
        ("NUMBER_OF_SETS 74", "NUMBER_OF_SETS 75", "NUMBER_OF_SETS says 75, found 74"),
        ("NUMBER_OF_FIELDS 5", "NUMBER_OF_FIELDS 6", "says 6, found 5"),
        ("LAB_A", "LAB_X", "belong together"),
        ("LAB_A", "LAB_L", "named twice"),
        ("SAMPLE_ID", "SAMPLE_NAME", "named twice"),
        ('"R05b"', '"R05a"', "patch 'R05a' is given twice"),
        ('"R05b"', '"Q05b"', "no patch of the card is named 'Q05b'"),
        ("93.0000", "nan", "LAB_L is no number: 'nan'"),
        ("93.0000", "9_3", "LAB_L is no number"),
        ("93.0000", "93,0", "LAB_L is no number"),
        ("93.0000", "\uff19\uff13", "LAB_L is no number"),
        ("93.0000", "9" * 400, "LAB_L is no number"),
        ("93.0000", "193.0", "outside 0..100"),
        ('"N11a"', '"N11a', "does not end"),
        ("\t93.0000", "", "4 values for 5 fields"),
        ("END_DATA\n", "", "ends before END_DATA"),
        ("END_DATA\n", "END_DATA\nBEGIN_DATA\n", "one table"),
        ("BEGIN_DATA_FORMAT\n", "", "BEGIN_DATA before the fields"),
    ],
)
def test_wrong_content_is_refused(old: str, new: str, says: str) -> None:
    position = GOOD.rindex(old) if old == "END_DATA\n" else GOOD.index(old)
    text = GOOD[:position] + new + GOOD[position + len(old) :]
    with pytest.raises(LotFileError) as caught:
        read_lot(text)
    message = str(caught.value)
    assert says in message
    assert "\n" not in message


def test_errors_name_the_very_line() -> None:
    text = GOOD.replace('"R05b"', '"Q05b"')
    with pytest.raises(LotFileError, match=f"line {line_of(text, 'Q05b')}:"):
        read_lot(text)


def test_a_missing_patch_is_named() -> None:
    text = "\n".join(line for line in GOOD.split("\n") if '"PAPER"' not in line)
    with pytest.raises(LotFileError, match="no row for PAPER"):
        read_lot(text.replace("NUMBER_OF_SETS 74", "NUMBER_OF_SETS 73"))


@pytest.mark.parametrize("stated", ["ILLUMINANT, D65", "OBSERVER, 10 degree"])
def test_other_weighting_is_refused(stated: str) -> None:
    header = 'WEIGHTING_FUNCTION "ILLUMINANT, D50"\nWEIGHTING_FUNCTION "OBSERVER, 2 degree"\n'
    lab = all_lab(made_up_lot())
    read_lot(table("LAB_L LAB_A LAB_B", lab, header))
    with pytest.raises(LotFileError, match="WEIGHTING_FUNCTION"):
        read_lot(table("LAB_L LAB_A LAB_B", lab, header + f'WEIGHTING_FUNCTION "{stated}"\n'))


def test_lab_that_is_not_of_its_spectrum_is_refused() -> None:
    lot = spectral_lot()
    lab = lot.lab.copy()
    lab[[10, 40]] = lab[[40, 10]]
    text = write(replace(lot, lab=lab))
    with pytest.raises(LotFileError, match=r"line \d+: Lab and spectrum are"):
        read_lot(text)


@pytest.mark.parametrize("bad", [np.arange(420.0, 701.0, 10.0), np.array([400.0, 500, 700])])
def test_spectra_with_gaps_are_refused(bad: NDArray[np.float64]) -> None:
    text = table(" ".join(f"SPECTRAL_NM{nm:g}" for nm in bad), np.full((74, bad.size), 0.5))
    with pytest.raises(LotFileError, match="400 to 700 nm"):
        read_lot(text)


# --- hostile --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\0" * 1000,
        "CGATS.17\n" + '"' * 500_000,
        "CGATS.17\n" + " " * (MAX_BYTES - 100),
        "CGATS.17\nNUMBER_OF_SETS 999999\nNUMBER_OF_FIELDS 999999\nBEGIN_DATA_FORMAT\n",
        "CGATS.17\nBEGIN_DATA_FORMAT\n" + "A " * 400_000,
        "CGATS.17\nBEGIN_DATA_FORMAT\nA\nEND_DATA_FORMAT\nBEGIN_DATA\n" + "1\n" * 400_000,
        "CGATS.17\n" + "KEYWORD x\n" * 80_000,
        "CGATS.17\n" + "a b\n" * 200_000,
        "x" * (MAX_BYTES + 1),
    ],
)
def test_hostile_text_costs_little_and_is_refused(text: str) -> None:
    tracemalloc.start()
    with pytest.raises(LotFileError):
        read_lot(text)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 100 * MAX_BYTES


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("CGATS.17\n" + "a b\n" * (MAX_ROWS + 1), f"line {MAX_ROWS + 2}: more than 1000 keywords"),
        ("CGATS.17\nBEGIN_DATA_FORMAT\n" + "A " * (MAX_FIELDS + 1), "more than 1000 fields"),
        ("CGATS.17\nBEGIN_DATA_FORMAT\nA\nEND_DATA_FORMAT\nBEGIN_DATA\n" + "1 " * 2000, "1001"),
    ],
)
def test_it_is_said_what_there_is_too_much_of(text: str, says: str) -> None:
    with pytest.raises(LotFileError, match=says):
        read_lot(text)


def test_long_words_for_people_do_no_harm() -> None:
    """Only their beginning is kept, of however many words."""
    long = GOOD.replace("\n", '\nDESCRIPTOR "a"' + " b" * 3000 + "\n", 1)
    assert read_lot(long).lab == pytest.approx(read_lot(GOOD).lab)


def test_a_huge_file_is_not_read_whole(tmp_path: Path) -> None:
    file = tmp_path / "huge.txt"
    with file.open("wb") as out:
        out.truncate(10 * 2**30)  # sparse
    with pytest.raises(LotFileError, match="larger than"):
        read_lot_file(file)


@settings(max_examples=150)
@given(data=st.data())
def test_damaged_files_are_refused_or_read_never_anything_else(data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(GOOD)))
    end = data.draw(st.integers(at, min(len(GOOD), at + 60)))
    text = GOOD[:at] + data.draw(st.text(max_size=20)) + GOOD[end:]
    with suppress(LotFileError):
        assert isinstance(read_lot(text), Lot)
