"""A measurement small enough to keep: all that judging and reporting need, no pixels.

Numbers are kept to their last bit, so that a photo judged from its record gives
the very reading that opening it again would give.
"""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from cardreader.blot import BlotColour
from cardreader.card import Lots
from cardreader.correct import ColourCorrection
from cardreader.locate import CardPose
from cardreader.photo import Exif, Photo
from cardreader.pipeline import Findings, Measurement
from cardreader.refusal import Reason, Refusal

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


def pack(measured: Measurement) -> bytes:
    """The record of a measurement."""
    findings = measured.findings
    content: Json = {
        "sha256": measured.sha256,
        "lot_number": findings.lot_number,
        "refusal": _refusal(findings.refusal),
        "findings": _numbers(findings, "log_ratio", "covariance", "signature"),
        "photo": _photo(measured.photo),
        "pose": _pose(measured.pose),
        "residual_de00": None
        if measured.correction is None
        else measured.correction.residual_de00.tolist(),
        "blot": _blot(measured.blot),
    }
    return zlib.compress(json.dumps(content, allow_nan=False).encode(), 1)


def unpack(record: bytes, lots: Lots) -> Measurement:
    """The measurement of a record; the card's lot must be what it was when measured."""
    content: Json = json.loads(zlib.decompress(record))
    numbers, refusal, number = content["findings"], content["refusal"], content["lot_number"]
    return _Kept(
        sha256=content["sha256"],
        photo=_photo_back(content["photo"], content["sha256"]),
        pose=_pose_back(content["pose"]),
        lot=None if number is None else lots.get(number),
        correction=_correction_back(content["residual_de00"]),
        blot=_blot_back(content["blot"]),
        kept=Findings(
            number,
            None if refusal is None else Refusal(Reason(refusal[0]), refusal[1], refusal[2]),
            **({} if numbers is None else {key: np.array(numbers[key]) for key in numbers}),
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
        full_size=(content["full_size"][0], content["full_size"][1]),
        scale=content["scale"],
        sha256=sha256,
        exif=Exif(
            content["make_model"],
            datetime.fromisoformat(taken) if taken else None,
            content["orientation"],
        ),
        icc_name=content["icc_name"],
        notes=tuple(content["notes"]),
    )


_POSE = (
    "homography", "lens", "image_size", "lot_number", "px_per_mm", "tilt_deg", "residual_px",
    "marker_corners_px", "sharpness",
)  # fmt: skip


def _pose(pose: CardPose | None) -> Json | None:
    return None if pose is None else _numbers(pose, *_POSE)


def _pose_back(content: Json | None) -> CardPose | None:
    if content is None:
        return None
    for name in ("homography", "marker_corners_px"):
        content[name] = np.array(content[name])
    content["image_size"] = tuple(content["image_size"])
    return CardPose(**content)


def _correction_back(residual_de00: list[float] | None) -> ColourCorrection | None:
    if residual_de00 is None:
        return None
    return cast(ColourCorrection, _KeptCorrection(np.array(residual_de00)))


_BLOT = (
    "log_ratio", "covariance", "lab", "paper_lab", "outline_mm", "area_mm2", "unevenness",
    "n_pixels",
)  # fmt: skip


def _blot(blot: BlotColour | None) -> Json | None:
    return None if blot is None else _numbers(blot, *_BLOT)


def _blot_back(content: Json | None) -> BlotColour | None:
    if content is None:
        return None
    for name in ("log_ratio", "covariance", "lab", "paper_lab", "outline_mm"):
        content[name] = np.array(content[name])
    return BlotColour(**content)
