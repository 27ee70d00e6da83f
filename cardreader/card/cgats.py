"""Card lots as CGATS.17 text, the keyword-and-table form of ISO 28178.

A lot file has one row for each patch, named as in `layout.cells` ("R05a"), and
the rows PAPER (blank blotting paper) and STOCK (unprinted card). Colour stands
in LAB_L LAB_A LAB_B, or in XYZ_X XYZ_Y XYZ_Z on 0..100, or only in spectra; it
is always D50 and 2 degrees. Three keywords of our own say which lot it is:
LOT_NUMBER, EXPIRES (ISO 8601 date) and BASIS (measured, photographed or nominal).

Content that is missing, doubled, contradictory or out of range is refused.
"""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import cast, get_args

import numpy as np
from numpy.typing import NDArray

from cardreader import __version__
from cardreader.card import layout
from cardreader.card.cgatstable import (
    MAX_BYTES,
    CgatsTable,
    LotFileError,
    Row,
    fail,
    split_cgats,
)
from cardreader.card.lot import Basis, Lot
from cardreader.card.spectra import spectra_to_xyz
from cardreader.colour.cielab import xyz_to_lab

PAPER = "PAPER"
STOCK = "STOCK"

SPECTRUM_AGREES_DE = 2.0
"""CIE 1976 colour difference allowed between a row's Lab and its own spectrum.

Instruments weight spectra by tables of their own, which moves colours by a few
tenths; a row mixed up with another is off by more than this.
"""


def read_lot_file(path: Path | str) -> Lot:
    """Read a lot file; LotFileError (a ValueError) names the file and the line."""
    path = Path(path)
    with path.open("rb") as file:
        data = file.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise LotFileError(f"{path.name}: larger than {MAX_BYTES} bytes")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")  # how older instruments write a degree sign
    try:
        return read_lot(text)
    except LotFileError as error:
        raise LotFileError(f"{path.name}: {error}") from error


def read_lot(text: str) -> Lot:
    """Lot held by CGATS text; LotFileError (a ValueError) names the line."""
    table = split_cgats(text)
    _check_conditions(table)
    number = int(table.keyword("LOT_NUMBER", r"[0-9]{1,7}"))
    expires = table.day("EXPIRES")
    basis = cast(Basis, table.keyword("BASIS", "|".join(get_args(Basis))).lower())
    rows = _rows_by_name(table)
    nm, spectra = _spectra(table, rows)
    lab = _lab(table, rows, nm, spectra)
    try:
        return Lot(
            number=number,
            expires=expires,
            basis=basis,
            lab=lab[:-2],
            paper_lab=lab[-2],
            stock_lab=lab[-1],
            wavelengths_nm=nm,
            spectra=None if spectra is None else spectra[:-2],
            paper_spectrum=None if spectra is None else spectra[-2],
            stock_spectrum=None if spectra is None else spectra[-1],
            instrument=table.free_text("INSTRUMENTATION"),
            note=table.free_text("DESCRIPTOR"),
            created=_created(table),
        )
    except ValueError as error:
        raise LotFileError(str(error)) from error


_SOURCE: dict[Basis, str] = {
    "measured": "reflectance",
    "photographed": "none, colours found from photos of the cards",
    "nominal": "none, colours as designed",
}


def write_lot(lot: Lot) -> str:
    """CGATS text of a lot, with Lab to 1e-4 and reflectance factors to 1e-6."""
    lines = ["CGATS.17", f'ORIGINATOR "cardreader {__version__}"']
    if lot.note:
        lines.append(f'DESCRIPTOR "{lot.note}"')
    if lot.created is not None:
        lines.append(f'CREATED "{lot.created.isoformat()}"')
    if lot.instrument:
        lines.append(f'INSTRUMENTATION "{lot.instrument}"')
    lines.append(f'MEASUREMENT_SOURCE "{_SOURCE[lot.basis]}"')
    for keyword, value in (
        ("ILLUMINATION_NAME", "D50"),
        ("OBSERVER_ANGLE", "2"),
        ("LOT_NUMBER", lot.lot_id),
        ("EXPIRES", lot.expires.isoformat()),
        ("BASIS", lot.basis),
    ):
        lines += [f'KEYWORD "{keyword}"', f'{keyword} "{value}"']

    fields = ["SAMPLE_ID", "SAMPLE_NAME", "LAB_L", "LAB_A", "LAB_B"]
    if lot.wavelengths_nm is not None:
        fields += [f"SPECTRAL_NM{nm:g}" for nm in lot.wavelengths_nm]
    lines += [
        f"NUMBER_OF_FIELDS {len(fields)}",
        "BEGIN_DATA_FORMAT",
        "\t".join(fields),
        "END_DATA_FORMAT",
        f"NUMBER_OF_SETS {len(_ROW_NAMES)}",
        "BEGIN_DATA",
        *_data_lines(lot),
        "END_DATA",
    ]
    return "\n".join(lines) + "\n"


def _data_lines(lot: Lot) -> list[str]:
    lab = np.vstack([lot.lab, lot.paper_lab, lot.stock_lab])
    spectra = np.empty((len(_ROW_NAMES), 0))
    if lot.spectra is not None:
        assert lot.paper_spectrum is not None
        assert lot.stock_spectrum is not None
        spectra = np.vstack([lot.spectra, lot.paper_spectrum, lot.stock_spectrum])
    lines = []
    for i, name in enumerate(_ROW_NAMES):
        colour = [f"{v:.4f}" for v in lab[i]]
        spectrum = [f"{v:.6f}" for v in spectra[i]]
        lines.append("\t".join([str(i + 1), f'"{name}"', *colour, *spectrum]))
    return lines


def _created(table: CgatsTable) -> date | None:
    """The day of CREATED where it is written year first; other orders can't be told apart."""
    try:
        return date.fromisoformat(table.free_text("CREATED")[:10])
    except ValueError:
        return None


def _check_conditions(table: CgatsTable) -> None:
    """Colour under another illuminant or observer would be read as if it were D50, 2 degrees."""
    if "ILLUMINATION_NAME" in table.keywords:
        table.keyword("ILLUMINATION_NAME", "D50")
    if "OBSERVER_ANGLE" in table.keywords:
        table.keyword("OBSERVER_ANGLE", r"2(\.0)?( ?(deg|degree|degrees|\N{DEGREE SIGN}))?")
    for line, value in table.keywords.get("WEIGHTING_FUNCTION", []):
        stated = value.upper()
        if re.search(r"ILLUMINANT,? *(?!D50)[A-Z]", stated) or re.search(r"\b10 ?DEG", stated):
            fail(line, "WEIGHTING_FUNCTION is not D50 and 2 degrees")


# --- rows --------------------------------------------------------------------

_ROW_NAMES = (*(cell.name for cell in layout.cells()), PAPER, STOCK)
_NUMBER = re.compile(r"[+-]?[0-9]{1,6}(\.[0-9]{0,20})?([eE][+-]?[0-9]{1,2})?|[+-]?\.[0-9]{1,20}")
_SPECTRAL_FIELD = re.compile(r"(?:SPECTRAL_(NM|DEC|PCT)?_?|SPEC_|NM_?)([0-9]{3,4}(?:\.[0-9]+)?)")


def _rows_by_name(table: CgatsTable) -> list[Row]:
    """The rows (line, values) in the order of `_ROW_NAMES`."""
    column = None
    for name in ("SAMPLE_NAME", "SAMPLE_ID", "SampleID"):
        if name in table.fields:
            column = table.fields.index(name)
            break
    if column is None:
        fail(table.fields_line, "no field SAMPLE_NAME")
    found: dict[str, Row] = {}
    for line, values in table.rows:
        name = values[column].strip()
        if name in found:
            fail(line, f"patch {name[:20]!r} is given twice (first on line {found[name][0]})")
        if name not in _ROW_NAMES:
            fail(line, f"no patch of the card is named {name[:20]!r}")
        found[name] = (line, values)
    missing = [name for name in _ROW_NAMES if name not in found]
    if missing:
        more = f" and {len(missing) - 3} more" if len(missing) > 3 else ""
        raise LotFileError(f"no row for {', '.join(missing[:3])}{more}")
    return [found[name] for name in _ROW_NAMES]


def _numbers(rows: list[Row], columns: list[int], fields: list[str]) -> NDArray[np.float64]:
    out = np.empty((len(rows), len(columns)))
    for i, (line, values) in enumerate(rows):
        for j, column in enumerate(columns):
            if _NUMBER.fullmatch(values[column]) is None:
                fail(line, f"{fields[column]} is no number: {values[column][:20]!r}")
            out[i, j] = float(values[column])
    return out


def _spectra(
    table: CgatsTable, rows: list[Row]
) -> tuple[NDArray[np.float64] | None, NDArray[np.float64] | None]:
    matches = [_SPECTRAL_FIELD.fullmatch(name.upper()) for name in table.fields]
    found = [(float(m.group(2)), i) for i, m in enumerate(matches) if m is not None]
    if not found:
        return None, None
    found.sort()
    nm = np.array([wavelength for wavelength, _ in found])
    columns = [i for _, i in found]
    step = np.diff(nm)
    if nm[0] > 400 or nm[-1] < 700 or not np.allclose(step, step[0]) or not 1 <= step[0] <= 20:
        fail(
            table.fields_line,
            "spectra must cover 400 to 700 nm in equal steps of 1 to 20 nm",
        )
    values = _numbers(rows, columns, table.fields)
    # The same field names are used for factors and for percent. The unprinted
    # card is always among the rows and reflects far more than 1.5 percent.
    if np.max(values[-1]) > 1.5:
        values = values / 100
    bad = np.argwhere((values < 0) | (values > 1.5))
    if bad.size:
        i, j = bad[0]
        fail(rows[i][0], f"{table.fields[columns[j]]} is no reflectance")
    return nm, values


def _lab(
    table: CgatsTable,
    rows: list[Row],
    nm: NDArray[np.float64] | None,
    spectra: NDArray[np.float64] | None,
) -> NDArray[np.float64]:
    """Lab of all rows, (74, 3): as given, else from XYZ, else from the spectra."""
    from_spectra = None
    if nm is not None and spectra is not None:
        from_spectra = xyz_to_lab(spectra_to_xyz(nm, spectra))
    lab = _stated_lab(table, rows)
    if lab is None:
        lab = from_spectra
    if lab is None:
        fail(table.fields_line, "no colour: neither LAB_L.., XYZ_X.. nor spectra")
    for (line, _), row in zip(rows, lab, strict=True):
        if not 0 <= row[0] <= 100:
            fail(line, f"L* is {row[0]:.2f}, outside 0..100")
    if from_spectra is not None:
        _check_agreement(rows, np.linalg.norm(lab - from_spectra, axis=1))
    return lab


def _stated_lab(table: CgatsTable, rows: list[Row]) -> NDArray[np.float64] | None:
    """Lab from the fields of Lab or XYZ; None where the file has neither."""
    lab_columns = table.columns(("LAB_L", "LAB_A", "LAB_B"))
    xyz_columns = table.columns(("XYZ_X", "XYZ_Y", "XYZ_Z"))
    if lab_columns is not None:
        return _numbers(rows, lab_columns, table.fields)
    if xyz_columns is None:
        return None
    xyz = _numbers(rows, xyz_columns, table.fields)
    for (line, _), row in zip(rows, xyz, strict=True):
        if np.any(row < 0) or np.any(row > 150):
            fail(line, "XYZ is outside 0..150")
    if xyz[-1, 1] <= 1.5:  # see the same choice for spectra
        fail(rows[-1][0], "XYZ must be on the scale where a white diffuser has Y = 100")
    return np.asarray(xyz_to_lab(xyz / 100))


def _check_agreement(rows: list[Row], apart: NDArray[np.float64]) -> None:
    worst = int(np.argmax(apart))
    if apart[worst] > SPECTRUM_AGREES_DE:
        fail(
            rows[worst][0],
            f"Lab and spectrum are {apart[worst]:.1f} apart in CIE 1976 colour difference",
        )
