"""A measurement small enough to keep: all that judging and reporting need, no pixels.

Numbers are kept to their last bit, so that a photo judged from its record gives
the very reading that opening it again would give.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import NoneType
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from cardreader.batch.packed import DamagedError, packed, unpacked
from cardreader.card import layout
from cardreader.card.lots import Lots
from cardreader.core.refusal import Reason, Refusal
from cardreader.hb.measured import N_SIGNATURE, Measured
from cardreader.read.blot import BlotColour
from cardreader.read.correct import ColourCorrection
from cardreader.read.locate import CardPose
from cardreader.read.photo import Exif, Photo
from cardreader.result.reading import Findings, Measurement

Json = dict[str, Any]


@dataclass(frozen=True, eq=False)
class _Kept(Measurement):
    """A measurement brought back: stages hold what reports ask of them and nothing more."""

    kept: Findings = field(kw_only=True)

    @property
    def findings(self) -> Findings:
        return self.kept


@dataclass(frozen=True, eq=False)
class _KeptCorrection:
    residual_de00: NDArray[np.float64]
    spoiled_prints: tuple[str, ...]


def pack(measured: Measurement) -> bytes:
    """The record of a measurement."""
    findings = measured.findings
    content: Json = {
        "sha256": measured.sha256,
        "lot_number": findings.lot_number,
        "refusal": _refusal(findings.refusal),
        "findings": None
        if findings.measured is None
        else _numbers(findings.measured, "log_ratio", "covariance", "signature"),
        "photo": _photo(measured.photo),
        "pose": _pose(measured.pose),
        "correction": None
        if measured.correction is None
        else _numbers(measured.correction, "residual_de00", "spoiled_prints"),
        "blot": _blot(measured.blot),
    }
    return packed(content)


def unpack(record: bytes, lots: Lots) -> Measurement:
    """The measurement of a record; the card's lot must be what it was when measured.

    DamagedError for a record that `pack` can't have made.
    """
    content = unpacked(record)
    try:
        return _measurement(content, lots)
    except (ValueError, TypeError, KeyError, IndexError, AttributeError, OverflowError) as error:
        raise DamagedError(
            "the record kept of this photo is damaged: remove the journal and run again"
        ) from error


def _measurement(content: Json, lots: Lots) -> Measurement:
    numbers, refusal, number = content["findings"], content["refusal"], content["lot_number"]
    if (refusal is None) != (numbers is not None) or type(number) not in (int, NoneType):
        raise ValueError("neither measured nor refused")
    return _Kept(
        sha256=_text(content["sha256"]),
        photo=_photo_back(content["photo"], content["sha256"]),
        pose=_pose_back(content["pose"]),
        lot=None if number is None else lots.get(number),
        correction=_correction_back(content["correction"]),
        blot=_blot_back(content["blot"]),
        kept=Findings(
            number,
            None
            if refusal is None
            else Refusal(Reason(refusal[0]), _text(refusal[1]), _text(refusal[2])),
            None if numbers is None else _colour_back(numbers),
        ),
    )


def _refusal(refusal: Refusal | None) -> list[str] | None:
    return None if refusal is None else [str(refusal.reason), refusal.stage, refusal.detail]


def _numbers(stage: object, *names: str) -> Json | None:
    values = {name: getattr(stage, name) for name in names}
    if any(value is None for value in values.values()):
        return None
    return {
        name: value.tolist() if isinstance(value, np.ndarray | np.generic) else value
        for name, value in values.items()
    }


_SHAPES = {
    "homography": (3, 3), "marker_corners_px": (4, 4, 2), "log_ratio": (3,),
    "covariance": (3, 3), "lab": (3,), "paper_lab": (3,),
    "outline_mm": (None, 2),
}  # fmt: skip
_LARGEST = 1e9
"""No pixel, colour or millimetre kept here comes near."""


def _arrays(content: Mapping[str, Any], *names: str) -> dict[str, NDArray[np.float64]]:
    return {name: _array(content[name], _SHAPES[name]) for name in names}


def _array(value: object, shape: tuple[int | None, ...]) -> NDArray[np.float64]:
    array = np.array(value, float)
    if not array.size and None in shape:  # JSON has no empty table of two columns
        array = array.reshape([side or 0 for side in shape])
    fits = len(array.shape) == len(shape) and all(
        want in (None, side) for side, want in zip(array.shape, shape, strict=True)
    )
    if not fits or not (np.abs(array) < _LARGEST).all():
        raise ValueError(f"an array of shape {array.shape}, not {shape}")
    return array


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < _LARGEST:
        raise ValueError("not a number")
    return value


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError("not a text")
    return value


def _colour_back(content: Json) -> Measured:
    arrays = _arrays(content, "log_ratio", "covariance")
    arrays["signature"] = _array(content["signature"], (N_SIGNATURE,))
    covariance = arrays["covariance"]
    least, _, most = np.linalg.eigvalsh(covariance)
    # Eigenvalues are found from one triangle alone, and nothing may come out as less.
    if not np.allclose(covariance, covariance.T) or not most > 0 or least < -1e-9 * most:
        raise ValueError("a covariance that is none")
    return Measured(**arrays)


def _photo(photo: Photo | None) -> Json | None:
    if photo is None:
        return None
    taken = photo.exif.taken
    return {
        "full_size": photo.full_size,
        "scale": photo.scale,
        "make_model": photo.exif.make_model,
        "taken": taken.isoformat() if taken else None,
        "orientation": photo.exif.orientation,
        "icc_name": photo.icc_name,
        "notes": photo.notes,
    }


def _photo_back(content: Json | None, sha256: str) -> Photo | None:
    if content is None:
        return None
    taken = content["taken"]
    return Photo(
        encoded=np.empty((0, 0, 3), np.uint8),
        full_size=_size(content["full_size"]),
        scale=_number(content["scale"]),
        sha256=sha256,
        exif=Exif(
            None if content["make_model"] is None else _text(content["make_model"]),
            datetime.fromisoformat(taken) if taken else None,
            int(_number(content["orientation"])),
        ),
        icc_name=_text(content["icc_name"]),
        notes=tuple(map(_text, content["notes"])),
    )


def _size(content: object) -> tuple[int, int]:
    match content:
        case [int(width), int(height)] if 0 < width < _LARGEST and 0 < height < _LARGEST:
            return width, height
    raise ValueError("not the size of a picture")


_POSE = (
    "homography", "lens", "image_size", "lot_number", "px_per_mm", "tilt_deg", "residual_px",
    "marker_corners_px", "sharpness",
)  # fmt: skip


_POSE_NUMBERS = (
    "lens", "lot_number", "px_per_mm", "tilt_deg", "residual_px", "sharpness",
)  # fmt: skip


def _pose(pose: CardPose | None) -> Json | None:
    return None if pose is None else _numbers(pose, *_POSE)


def _pose_back(content: Json | None) -> CardPose | None:
    if content is None:
        return None
    arrays = _arrays(content, "homography", "marker_corners_px")
    plain = {name: _number(content[name]) for name in _POSE_NUMBERS}
    return CardPose(**{**content, **arrays, **plain, "image_size": _size(content["image_size"])})


def _correction_back(content: Json | None) -> ColourCorrection | None:
    if content is None:
        return None
    kept = _KeptCorrection(
        _array(content["residual_de00"], (len(layout.cells()),)),
        _prints(content["spoiled_prints"]),
    )
    return cast(ColourCorrection, kept)


def _prints(names: object) -> tuple[str, ...]:
    known = {cell.name for cell in layout.cells()}
    if not isinstance(names, list) or not known.issuperset(names) or len({*names}) < len(names):
        raise ValueError("not names of prints, each once")
    return tuple(names)


_BLOT = (
    "log_ratio", "covariance", "lab", "paper_lab", "outline_mm", "area_mm2", "unevenness",
    "n_pixels",
)  # fmt: skip


def _blot(blot: BlotColour | None) -> Json | None:
    return None if blot is None else _numbers(blot, *_BLOT)


def _blot_back(content: Json | None) -> BlotColour | None:
    if content is None:
        return None
    arrays = _arrays(content, "log_ratio", "covariance", "lab", "paper_lab", "outline_mm")
    plain = {name: _number(content[name]) for name in ("area_mm2", "unevenness", "n_pixels")}
    return BlotColour(**{**content, **arrays, **plain})
