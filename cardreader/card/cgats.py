"""Card lots as CGATS.17 text, the keyword-and-table form of ISO 28178.

A lot file has one row for each patch, named as in `layout.cells` ("R05a"), and
the rows PAPER (blank blotting paper) and STOCK (unprinted card). Colour stands
in LAB_L LAB_A LAB_B, or in XYZ_X XYZ_Y XYZ_Z on 0..100, or only in spectra; it
is always D50 and 2 degrees. Three keywords of our own say which lot it is:
LOT_NUMBER, EXPIRES (ISO 8601 date) and BASIS (measured or nominal).

The reader takes the form as measuring software varies it (tabs or spaces,
quotes, comments, field order, extra fields and keywords), and refuses content
that is missing, doubled, contradictory or out of range.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Literal, NoReturn, cast

import numpy as np
from numpy.typing import NDArray

from cardreader import __version__
from cardreader.card import layout
from cardreader.card.lot import Lot
from cardreader.colour.cielab import xyz_to_lab

PAPER = "PAPER"
STOCK = "STOCK"

MAX_BYTES = 2**20
"""A lot with spectra every nanometre stays under 400 kB; larger is no lot file."""
MAX_FIELDS = 1_000
MAX_ROWS = 1_000

SPECTRUM_AGREES_DE = 2.0
"""CIE 1976 colour difference allowed between a row's Lab and its own spectrum.

Instruments weight spectra by tables of their own, which moves colours by a few
tenths; a row mixed up with another is off by more than this.
"""


class LotFileError(ValueError):
    """A lot file that can't be used; the message is one line and names the place."""


@dataclass
class _Table:
    """CGATS text split into its parts; every item remembers its line."""

    keywords: dict[str, list[tuple[int, str]]] = field(default_factory=dict)
    fields: list[str] = field(default_factory=list)
    fields_line: int = 0
    rows: list[tuple[int, list[str]]] = field(default_factory=list)
    last_line: int = 0


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
    table = _split(text)
    _check_conditions(table)
    number = int(_keyword(table, "LOT_NUMBER", r"[0-9]{1,7}"))
    expires = _date(table, "EXPIRES")
    basis = cast(
        Literal["measured", "nominal"], _keyword(table, "BASIS", "measured|nominal").lower()
    )
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
            instrument=_free_text(table, "INSTRUMENTATION"),
            note=_free_text(table, "DESCRIPTOR"),
            created=_created(table),
        )
    except ValueError as error:
        raise LotFileError(str(error)) from error


def write_lot(lot: Lot) -> str:
    """CGATS text of a lot, with Lab to 1e-4 and reflectance factors to 1e-6."""
    source = "reflectance" if lot.basis == "measured" else "none, colours as designed"
    lines = ["CGATS.17", f'ORIGINATOR "cardreader {__version__}"']
    if lot.note:
        lines.append(f'DESCRIPTOR "{lot.note}"')
    if lot.created is not None:
        lines.append(f'CREATED "{lot.created.isoformat()}"')
    if lot.instrument:
        lines.append(f'INSTRUMENTATION "{lot.instrument}"')
    lines.append(f'MEASUREMENT_SOURCE "{source}"')
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


# --- splitting the text ------------------------------------------------------

_TOKEN = re.compile(r'"([^"]*)"|(#)|([^\s"#]+)')
_SHEET = re.compile(r"(CGATS|ISO|IT8|CTI)[A-Z0-9./_-]*", re.IGNORECASE)


def _tokens(line: str, number: int) -> list[str]:
    """Words and quoted strings of a line, up to a comment."""
    out = []
    at = 0
    line = line.rstrip()
    while at < len(line):
        if line[at].isspace():
            at += 1
            continue
        match = _TOKEN.match(line, at)
        if match is None:
            _fail(number, "a quoted string does not end")
        if match.group(2):
            break
        out.append(match.group(3) if match.group(3) is not None else match.group(1))
        at = match.end()
    return out


def _split(text: str) -> _Table:
    if len(text) > MAX_BYTES:
        raise LotFileError(f"larger than {MAX_BYTES} characters")
    table = _Table()
    # "first" -> "header" -> "format" -> "header" -> "data" -> "done"
    state = "first"
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text.removeprefix("\ufeff")), 1):
        words = _tokens(line, number)
        if not words:
            continue
        table.last_line = number
        head = words[0]
        if state == "first":
            if _SHEET.fullmatch(head) is None:
                _fail(number, "the file does not begin as CGATS text does (CGATS.17)")
            state = "header"
        elif state == "format":
            if head == "END_DATA_FORMAT":
                state = "header"
                continue
            table.fields += words
            if len(table.fields) > MAX_FIELDS:
                _fail(number, f"more than {MAX_FIELDS} fields")
        elif state == "data":
            if head == "END_DATA":
                state = "done"
                continue
            if len(words) != len(table.fields):
                _fail(number, f"{len(words)} values for {len(table.fields)} fields")
            table.rows.append((number, words))
            if len(table.rows) > MAX_ROWS:
                _fail(number, f"more than {MAX_ROWS} rows")
        elif state == "done":
            _fail(number, "text after END_DATA; a lot file holds one table")
        elif head == "BEGIN_DATA_FORMAT":
            if table.fields:
                _fail(number, "a second BEGIN_DATA_FORMAT; a lot file holds one table")
            state, table.fields_line = "format", number
        elif head == "BEGIN_DATA":
            if not table.fields:
                _fail(number, "BEGIN_DATA before the fields are named")
            state = "data"
        elif head == "KEYWORD":
            continue
        else:
            if head in table.keywords and head in _OWN_KEYWORDS:
                _fail(number, f"{head} is given twice")
            table.keywords.setdefault(head, []).append((number, " ".join(words[1:]).strip()))
    if state != "done":
        _fail(table.last_line, "the file ends before END_DATA")
    _check_counts(table)
    return table


_OWN_KEYWORDS = ("LOT_NUMBER", "EXPIRES", "BASIS")


def _check_counts(table: _Table) -> None:
    for keyword, found in (
        ("NUMBER_OF_FIELDS", len(table.fields)),
        ("NUMBER_OF_SETS", len(table.rows)),
    ):
        if keyword in table.keywords:
            stated = _keyword(table, keyword, r"[0-9]{1,6}")
            if int(stated) != found:
                _fail(table.keywords[keyword][0][0], f"{keyword} says {stated}, found {found}")
    doubled = {f for f in table.fields if table.fields.count(f) > 1}
    if doubled:
        _fail(table.fields_line, f"field {min(doubled)} is named twice")


# --- keywords ----------------------------------------------------------------


def _keyword(table: _Table, keyword: str, pattern: str) -> str:
    if keyword not in table.keywords:
        raise LotFileError(f"keyword {keyword} is missing")
    for line, value in table.keywords[keyword]:
        if re.fullmatch(pattern, value, re.IGNORECASE) is None:
            _fail(line, f"{keyword} can't be {value[:40]!r}")
    return table.keywords[keyword][0][1]


def _date(table: _Table, keyword: str) -> date:
    value = _keyword(table, keyword, r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
    try:
        return date.fromisoformat(value)
    except ValueError:
        _fail(table.keywords[keyword][0][0], f"{keyword} {value} is no day of the calendar")


def _created(table: _Table) -> date | None:
    """The day of CREATED where it is written year first; other orders can't be told apart."""
    try:
        return date.fromisoformat(_free_text(table, "CREATED")[:10])
    except ValueError:
        return None


def _free_text(table: _Table, keyword: str) -> str:
    """Text for people: shortened and made plain rather than refused."""
    text = " ".join(value for _, value in table.keywords.get(keyword, []))
    plain = text[:200].encode("ascii", "replace").decode().replace('"', "'")
    return "".join(c if c.isprintable() else " " for c in plain).strip()


def _check_conditions(table: _Table) -> None:
    """Colour under another illuminant or observer would be read as if it were D50, 2 degrees."""
    if "ILLUMINATION_NAME" in table.keywords:
        _keyword(table, "ILLUMINATION_NAME", "D50")
    if "OBSERVER_ANGLE" in table.keywords:
        _keyword(table, "OBSERVER_ANGLE", r"2(\.0)?( ?(deg|degree|degrees|\N{DEGREE SIGN}))?")
    for line, value in table.keywords.get("WEIGHTING_FUNCTION", []):
        stated = value.upper()
        if re.search(r"ILLUMINANT,? *(?!D50)[A-Z]", stated) or re.search(r"\b10 ?DEG", stated):
            _fail(line, "WEIGHTING_FUNCTION is not D50 and 2 degrees")


# --- rows --------------------------------------------------------------------

_ROW_NAMES = (*(cell.name for cell in layout.cells()), PAPER, STOCK)
_NUMBER = re.compile(r"[+-]?[0-9]{1,6}(\.[0-9]{0,20})?([eE][+-]?[0-9]{1,2})?|[+-]?\.[0-9]{1,20}")
_SPECTRAL_FIELD = re.compile(r"(?:SPECTRAL_(NM|DEC|PCT)?_?|SPEC_|NM_?)([0-9]{3,4}(?:\.[0-9]+)?)")


def _rows_by_name(table: _Table) -> list[tuple[int, list[str]]]:
    """The rows (line, values) in the order of `_ROW_NAMES`."""
    column = None
    for name in ("SAMPLE_NAME", "SAMPLE_ID", "SampleID"):
        if name in table.fields:
            column = table.fields.index(name)
            break
    if column is None:
        _fail(table.fields_line, "no field SAMPLE_NAME")
    found: dict[str, tuple[int, list[str]]] = {}
    for line, values in table.rows:
        name = values[column].strip()
        if name in found:
            _fail(line, f"patch {name[:20]!r} is given twice (first on line {found[name][0]})")
        if name not in _ROW_NAMES:
            _fail(line, f"no patch of the card is named {name[:20]!r}")
        found[name] = (line, values)
    missing = [name for name in _ROW_NAMES if name not in found]
    if missing:
        more = f" and {len(missing) - 3} more" if len(missing) > 3 else ""
        raise LotFileError(f"no row for {', '.join(missing[:3])}{more}")
    return [found[name] for name in _ROW_NAMES]


def _numbers(
    rows: list[tuple[int, list[str]]], columns: list[int], fields: list[str]
) -> NDArray[np.float64]:
    out = np.empty((len(rows), len(columns)))
    for i, (line, values) in enumerate(rows):
        for j, column in enumerate(columns):
            if _NUMBER.fullmatch(values[column]) is None:
                _fail(line, f"{fields[column]} is no number: {values[column][:20]!r}")
            out[i, j] = float(values[column])
    return out


def _columns(table: _Table, names: tuple[str, ...]) -> list[int] | None:
    present = [name for name in names if name in table.fields]
    if not present:
        return None
    if len(present) < len(names):
        _fail(table.fields_line, f"fields {', '.join(names)} belong together")
    return [table.fields.index(name) for name in names]


def _spectra(
    table: _Table, rows: list[tuple[int, list[str]]]
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
        _fail(
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
        _fail(rows[i][0], f"{table.fields[columns[j]]} is no reflectance")
    return nm, values


def _lab(
    table: _Table,
    rows: list[tuple[int, list[str]]],
    nm: NDArray[np.float64] | None,
    spectra: NDArray[np.float64] | None,
) -> NDArray[np.float64]:
    """Lab of all rows, (74, 3): as given, else from XYZ, else from the spectra."""
    from_spectra = None
    if nm is not None and spectra is not None:
        from_spectra = xyz_to_lab(spectra_to_xyz(nm, spectra))
    lab_columns = _columns(table, ("LAB_L", "LAB_A", "LAB_B"))
    xyz_columns = _columns(table, ("XYZ_X", "XYZ_Y", "XYZ_Z"))
    if lab_columns is not None:
        lab = _numbers(rows, lab_columns, table.fields)
    elif xyz_columns is not None:
        xyz = _numbers(rows, xyz_columns, table.fields)
        for (line, _), row in zip(rows, xyz, strict=True):
            if np.any(row < 0) or np.any(row > 150):
                _fail(line, "XYZ is outside 0..150")
        if xyz[-1, 1] <= 1.5:  # see the same choice for spectra
            _fail(rows[-1][0], "XYZ must be on the scale where a white diffuser has Y = 100")
        lab = xyz_to_lab(xyz / 100)
    elif from_spectra is not None:
        lab = from_spectra
    else:
        _fail(table.fields_line, "no colour: neither LAB_L.., XYZ_X.. nor spectra")
    for (line, _), row in zip(rows, lab, strict=True):
        if not 0 <= row[0] <= 100:
            _fail(line, f"L* is {row[0]:.2f}, outside 0..100")
    if from_spectra is not None:
        apart = np.linalg.norm(lab - from_spectra, axis=1)
        worst = int(np.argmax(apart))
        if apart[worst] > SPECTRUM_AGREES_DE:
            _fail(
                rows[worst][0],
                f"Lab and spectrum are {apart[worst]:.1f} apart in CIE 1976 colour difference",
            )
    return lab


def spectra_to_xyz(
    wavelengths_nm: NDArray[np.float64], spectra: NDArray[np.float64]
) -> NDArray[np.float64]:
    """XYZ (diffuser Y = 1) of reflectance factors (m, n) under D50 for the 2 degree observer.

    Wavelengths stand in equal steps. Beyond their ends the last value is kept,
    as CIE 15 advises where nothing better is known.
    """
    import colour

    shape = colour.SpectralShape(360, 780, 5)
    msds = colour.MultiSpectralDistributions(spectra.T, wavelengths_nm).align(shape)
    xyz = colour.msds_to_XYZ(
        msds,
        colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape),
        colour.SDS_ILLUMINANTS["D50"].copy().align(shape),
        method="Integration",
        shape=shape,
    )
    return np.asarray(xyz, np.float64) / 100


def _fail(line: int, message: str) -> NoReturn:
    raise LotFileError(f"line {line}: {message}")
