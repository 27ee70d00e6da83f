"""Embedded ICC profile -> tone curves and primaries, for matrix/TRC RGB profiles.

Phones embed such profiles (sRGB, Display P3); look-up-table profiles belong to
printers and scanners and are not read. Layout of the tags: ICC.1:2022
(ISO 15076-1), clauses 7.2, 7.3, 10.6 (curveType), 10.18 (parametricCurveType)
and 10.31 (XYZType).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Columns: red, green, blue of sRGB as XYZ under D50 (IEC 61966-2-1 with the
# Bradford transform to the ICC connection space); each row sums to D50.
SRGB_D50 = np.array(
    [
        [0.4360657, 0.3851515, 0.1430784],
        [0.2224932, 0.7168870, 0.0606169],
        [0.0139160, 0.0970764, 0.7140961],
    ]
)

_MAX_PROFILE_BYTES = 4_000_000
_PARAMETERS = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}


class ProfileError(ValueError):
    """The profile is malformed or of a kind that is not read."""


@dataclass(frozen=True)
class Curve:
    """Tone response of one channel: a sampled table, or a parametric function.

    ``table`` holds linear values at equal steps of the encoded value; otherwise
    ``gabcdef`` holds the parameters g, a, b, c, d, e, f of
    ``(a x + b)**g + e`` from ``d`` up and ``c x + f`` below it.
    """

    table: tuple[float, ...] = ()
    gabcdef: tuple[float, ...] = (1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0)

    def __call__(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Linear value of encoded values 0..1, same shape."""
        if self.table:
            return np.interp(x, np.linspace(0.0, 1.0, len(self.table)), self.table)
        g, a, b, c, d, e, f = self.gabcdef
        high = np.maximum(a * x + b, 0.0) ** g + e
        return np.where(x >= d, high, c * x + f)


@dataclass(frozen=True)
class Profile:
    """Tone curves (red, green, blue) and ``to_srgb`` (3, 3), linear device -> linear sRGB."""

    name: str
    curves: tuple[Curve, Curve, Curve]
    to_srgb: NDArray[np.float64]


SRGB_CURVE = Curve(gabcdef=(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045, 0.0, 0.0))


def read_profile(data: bytes) -> Profile:
    """Read a matrix/TRC RGB profile.

    Raises
    ------
    ProfileError
        For anything else, whatever the bytes.
    """
    try:
        return _read(data)
    except (struct.error, IndexError, OverflowError, UnicodeError) as error:
        raise ProfileError(f"malformed profile: {error}") from error


def _read(data: bytes) -> Profile:
    if not 132 <= len(data) <= _MAX_PROFILE_BYTES or data[36:40] != b"acsp":
        raise ProfileError("not an ICC profile")
    if data[16:20] != b"RGB " or data[20:24] != b"XYZ ":
        raise ProfileError("not an RGB profile over XYZ")
    tags = _tags(data)
    if not {b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC"} <= tags.keys():
        raise ProfileError("not a matrix/TRC profile")
    colorants = np.stack([_xyz(tags[t]) for t in (b"rXYZ", b"gXYZ", b"bXYZ")], axis=1)
    # Primaries that hardly span a colour space, or whose white is far from the
    # connection space's, would blow every colour up: such a profile is broken.
    white = colorants.sum(axis=1)
    if abs(np.linalg.det(colorants)) < 0.01 or np.abs(white - SRGB_D50.sum(axis=1)).max() > 0.05:
        raise ProfileError("implausible primaries")
    curves = (_curve(tags[b"rTRC"]), _curve(tags[b"gTRC"]), _curve(tags[b"bTRC"]))
    for curve in curves:
        _check_curve(curve)
    return Profile(_name(tags.get(b"desc", b"")), curves, np.linalg.solve(SRGB_D50, colorants))


def _tags(data: bytes) -> dict[bytes, bytes]:
    (count,) = struct.unpack_from(">I", data, 128)
    if count > 200:
        raise ProfileError(f"{count} tags")
    out = {}
    for i in range(count):
        signature, offset, size = struct.unpack_from(">4sII", data, 132 + 12 * i)
        if offset + size <= len(data):
            out[signature] = data[offset : offset + size]
    return out


def _xyz(tag: bytes) -> NDArray[np.float64]:
    if tag[:4] != b"XYZ ":
        raise ProfileError("colorant is not XYZType")
    return np.array(struct.unpack_from(">3i", tag, 8)) / 65536.0


def _curve(tag: bytes) -> Curve:
    if tag[:4] == b"curv":
        (count,) = struct.unpack_from(">I", tag, 8)
        if count == 0:
            return Curve()
        if count > 65536:
            raise ProfileError(f"curve of {count} entries")
        values = struct.unpack_from(f">{count}H", tag, 12)
        if count == 1:
            return Curve(gabcdef=(values[0] / 256.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0))
        return Curve(table=tuple(v / 65535.0 for v in values))
    if tag[:4] == b"para":
        (kind,) = struct.unpack_from(">H", tag, 8)
        if kind not in _PARAMETERS:
            raise ProfileError(f"parametric curve of kind {kind}")
        p = [v / 65536.0 for v in struct.unpack_from(f">{_PARAMETERS[kind]}i", tag, 12)]
        return Curve(gabcdef=_parametric(kind, p))
    raise ProfileError(f"curve of type {tag[:4]!r}")


def _parametric(kind: int, p: list[float]) -> tuple[float, ...]:
    """Bring the five forms of parametricCurveType to the widest of them."""
    if kind == 0:
        return (p[0], 1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    if kind in (1, 2):
        g, a, b = p[:3]
        if a == 0.0:
            raise ProfileError("parametric curve divides by zero")
        c = p[3] if kind == 2 else 0.0
        return (g, a, b, 0.0, -b / a, c, c)
    g, a, b, c, d = p[:5]
    e, f = (p[5], p[6]) if kind == 4 else (0.0, 0.0)
    return (g, a, b, c, d, e, f)


def _check_curve(curve: Curve) -> None:
    with np.errstate(all="ignore"):
        y = curve(np.linspace(0.0, 1.0, 256))
    if not np.isfinite(y).all() or np.diff(y).min() < -1e-3:
        raise ProfileError("tone curve is not rising")
    if abs(y[0]) > 0.02 or abs(y[-1] - 1.0) > 0.02:
        raise ProfileError("tone curve does not run from 0 to 1")


def _name(tag: bytes) -> str:
    """Name from a textDescriptionType or multiLocalizedUnicodeType tag, else ''."""
    if tag[:4] == b"desc":
        (size,) = struct.unpack_from(">I", tag, 8)
        raw = tag[12 : 12 + min(size, 80)].split(b"\0")[0].decode("ascii", "replace")
    elif tag[:4] == b"mluc" and len(tag) >= 28:
        size, offset = struct.unpack_from(">II", tag, 20)
        raw = tag[offset : offset + min(size, 160)].decode("utf-16-be", "replace")
    else:
        raw = ""
    return "".join(ch for ch in raw if ch.isprintable()).strip()
