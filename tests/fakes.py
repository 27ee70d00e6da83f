"""Invented results of the stages, for tests of what is made of them.

Nothing here was measured: the values are plausible and made up.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from statistics import NormalDist
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np

from cardreader.card import layout
from cardreader.core.refusal import Reason, Refusal
from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import decide
from cardreader.decide.subject import Subject
from cardreader.hb.measured import Measured

SHA = "ab" * 32
PX_PER_MM = 9.0
MARGIN_PX = 120.0


@dataclass(frozen=True)
class Normal:
    """An estimate with a normal distribution, straight from the standard library."""

    hb_g_dl: float
    sd_g_dl: float = 0.6
    sd_measurement_g_dl: float = 0.41234567
    sd_calibration_g_dl: float = 0.3
    volume_floor_g_dl: float = 0.25
    level: float = 0.9
    n_blots: int = 1
    blots_disagree: bool = False
    beyond_pairs: str | None = None

    @property
    def interval_g_dl(self) -> tuple[float, float]:
        half = 1.6449 * self.sd_g_dl
        return self.hb_g_dl - half, self.hb_g_dl + half

    def p_below(self, threshold_g_dl: float) -> float:
        return NormalDist(self.hb_g_dl, self.sd_g_dl).cdf(threshold_g_dl)


class Pose:
    """A card seen straight on, turned by a few degrees."""

    lot_number = 1
    px_per_mm = PX_PER_MM
    tilt_deg = 3.2
    residual_px = 0.21
    sharpness = 0.05

    def to_px(self, points_mm: Any) -> np.ndarray:
        points = np.asarray(points_mm, float) * PX_PER_MM + MARGIN_PX
        turn = np.array([[0.998, -0.06], [0.06, 0.998]])
        return points @ turn.T + (20.0, -5.0)


def picture() -> np.ndarray:
    """A grey table with a drawn card and a blot: something to draw upon."""
    image = np.full((760, 1040, 3), 120, np.uint8)
    pose = Pose()
    corners = [(0, 0), (layout.WIDTH_MM, 0), (layout.WIDTH_MM, layout.HEIGHT_MM)]
    outline = pose.to_px([*corners, (0, layout.HEIGHT_MM)])
    cv2.fillPoly(image, [outline.astype(np.int32)], (245, 244, 240))
    cv2.fillPoly(image, [pose.to_px(blot_outline()).astype(np.int32)], (150, 60, 60))
    return image


def blot_outline() -> np.ndarray:
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    radius = 5 + 0.4 * np.sin(3 * angle)
    x, y = layout.CENTRE_MM
    return np.stack([x + radius * np.cos(angle), y + radius * np.sin(angle)], axis=1)


def photo() -> SimpleNamespace:
    return SimpleNamespace(
        encoded=picture(),
        full_size=(4160, 3040),
        scale=0.25,
        sha256=SHA,
        exif=SimpleNamespace(
            make_model="Invented P1", taken=datetime(2026, 3, 4, 9, 30), orientation=1
        ),
        icc_name="",
        phone_note=None,
        white=255,
        to_srgb=None,
    )


def lot(basis: str = "nominal", instrument: str = "") -> SimpleNamespace:
    lab = np.full((72, 3), (60.0, 30.0, 25.0))
    for i, cell in enumerate(layout.cells()):
        if cell.hb_g_dl is not None:
            lab[i] = (66 - 1.4 * cell.hb_g_dl, 36 + 0.9 * cell.hb_g_dl, 24 + 0.4 * cell.hb_g_dl)
    return SimpleNamespace(
        number=1,
        lot_id="000001",
        basis=basis,
        expires=date(2030, 1, 31),
        lab=lab,
        instrument=instrument,
        is_demonstration=instrument.startswith("simulated"),
        fingerprint="0123456789abcdef",
    )


def blot() -> SimpleNamespace:
    return SimpleNamespace(
        lab=np.array([52.123456, 48.0, 29.0]),
        paper_lab=np.array([93.0, 0.5, 2.0]),
        log_ratio=np.array([-0.9, -1.4, -1.8]),
        area_mm2=np.float64(78.9123456),
        unevenness=np.float32(0.04),
        n_pixels=np.int64(6210),
        outline_mm=blot_outline(),
        reflection=False,
    )


def reading(
    hb_g_dl: float = 9.0,
    sd_g_dl: float = 0.6,
    protocol_id: str = "common-practice",
    subject: Subject | None = None,
    basis: str = "nominal",
    calibration_basis: str = "simulated",
) -> SimpleNamespace:
    subject = subject or Subject()
    protocol = load_protocol(protocol_id)
    estimate = Normal(hb_g_dl, sd_g_dl)
    return SimpleNamespace(
        sha256=SHA,
        version="0.1.0",
        lot=lot(basis),
        lot_id="000001",
        calibration_id="invented",
        calibration_basis=calibration_basis,
        calibration_sha256="cd" * 32,
        paper="",
        another_paper=False,
        paper_taken="",
        protocol_id=protocol.id,
        protocol_sha256=protocol.sha256,
        subject=subject,
        photo=photo(),
        pose=Pose(),
        samples=None,
        correction=SimpleNamespace(residual_de00=np.linspace(0.1, 4.2, 72), spoiled_prints=()),
        blot=blot(),
        estimate=estimate,
        measured=Measured([-0.9, -1.4, -1.8], 1e-4 * np.eye(3), np.zeros(42)),
        refusal=None,
        decision=decide(estimate, protocol, subject),
    )


def refused(reason: Reason = Reason.NO_CARD, with_card: bool = False) -> SimpleNamespace:
    out = reading()
    refusal = Refusal(reason, "locate", "no marker in 12 candidates")
    out.estimate = out.blot = out.correction = out.measured = None
    if not with_card:
        out.pose = out.lot = out.lot_id = None
    if reason is Reason.NOT_AN_IMAGE:
        out.photo = None
    out.refusal = refusal
    out.decision = decide(refusal, load_protocol(), out.subject)
    return out
