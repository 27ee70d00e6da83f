"""The card's own artwork, printed to pixels and photographed by plain image operations.

Everything here is told from the file alone; the truth comes from tests/printed.py,
which shares nothing with the package's renderer.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from lots import made_up_lot
from numpy.typing import NDArray
from printed import TONES, Shot, linear_to_srgb, shoot
from scipy.stats import spearmanr

from cardreader.card import layout
from cardreader.card.lot import Lot
from cardreader.card.lots import Lots
from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import Outcome
from cardreader.hb.calibration import Calibration
from cardreader.pipeline import read_photo
from cardreader.read.locate import CardPose, locate
from cardreader.read.photo import Photo, open_photo
from cardreader.read.sample import PatchSamples, sample
from cardreader.reader import Reader
from cardreader.result.reading import Reading

CASES: dict[str, dict[str, Any]] = {
    "level": {"seed": 1, "tone": "filmic", "tilt_deg": 4.0},
    "log, sideways": {"seed": 2, "tone": "log", "tilt_deg": 15.0, "exif_orientation": 6},
    "contrasty, other way": {"seed": 3, "tone": "contrasty", "exif_orientation": 8},
    "steep": {"seed": 4, "tone": "flat", "tilt_deg": 42.0},
    "small in the frame": {"seed": 5, "fill": 0.3, "megapixels": 6.0, "exif_orientation": 3},
    "uneven light": {"seed": 6, "tone": "log", "evenness": 0.8, "page": "letter"},
    "noisy and soft": {"seed": 7, "tone": "contrasty", "noise": 0.02, "blur_px": 2.0},
    "hazy, strong lens": {"seed": 8, "tone": "filmic", "haze": 0.03, "lens": -0.03},
    "12 megapixels": {"seed": 9, "tone": "flat", "megapixels": 12.0, "tilt_deg": 20.0},
}

each_case = pytest.mark.parametrize("case", CASES)


@cache
def shot(case: str) -> Shot:
    settings = {"megapixels": 3.0} | CASES[case]
    return shoot(made_up_lot(), 4.0 + settings["seed"], **settings)


@cache
def opened(case: str) -> Photo:
    photo = open_photo(shot(case).jpeg)
    assert isinstance(photo, Photo), photo
    return photo


@cache
def posed(case: str) -> CardPose:
    pose = locate(opened(case))
    assert isinstance(pose, CardPose), pose
    return pose


@cache
def sampled(case: str) -> PatchSamples:
    samples = sample(opened(case), posed(case))
    assert isinstance(samples, PatchSamples), samples
    return samples


def at_working_scale(full_px: NDArray[np.float64], photo: Photo) -> NDArray[np.float64]:
    """Pixel centres are whole numbers at either scale."""
    return (full_px + 0.5) * photo.scale - 0.5


@each_case
def test_card_is_found_where_it_lies(case: str) -> None:
    truth, photo, pose = shot(case), opened(case), posed(case)
    assert photo.full_size == truth.size
    assert pose.lot_number == made_up_lot().number
    assert pose.tilt_deg == pytest.approx(truth.tilt_deg, abs=1.5)
    centres = np.array([(c.x_mm, c.y_mm) for c in layout.cells()])
    off_mm = (pose.to_px(centres) - at_working_scale(truth.cells_px, photo)) / pose.px_per_mm
    assert np.linalg.norm(off_mm, axis=1).max() < 0.15
    off_px = pose.marker_corners_px - at_working_scale(truth.markers_px, photo)
    assert np.sqrt((off_px**2).sum(-1).mean()) / pose.px_per_mm < 0.06


@each_case
def test_every_patch_has_the_code_that_was_printed_and_lit(case: str) -> None:
    """In 8-bit steps, against the camera's own arithmetic at the middle of each patch.

    What is left (0.4 to 0.5 steps) is the file's: before JPEG the patches' means
    are within 0.1 steps of that arithmetic, and the format rounds colour coarsely.
    """
    samples = sampled(case)
    code = shot(case).expected
    # A channel pushed below black by the mixing is held there, and noise only lifts it.
    in_range = np.all((code > 0.05) & (code < 0.95), axis=1)
    assert in_range.sum() >= 68
    off = 255 * (linear_to_srgb(samples.linear) - code)[in_range]
    assert np.abs(off).max() < 3.0
    assert np.sqrt(np.mean(off**2)) < 1.0
    assert np.abs(off.mean(axis=0)).max() < 0.5
    assert samples.clipped_share[in_range].max() == 0


@each_case
def test_shades_come_in_order_once_the_tone_curve_is_undone(case: str) -> None:
    """Mirrored pairs averaged, so that the light's gradient drops out."""
    light = TONES[CASES[case].get("tone", "filmic")].inverse(linear_to_srgb(sampled(case).linear))
    cells = layout.cells()
    levels = [
        np.mean([light[i, 1] for i, c in enumerate(cells) if c.shade[:2] == f"N{k}"])
        for k in range(1, len(layout.NEUTRAL_L) + 1)
    ]
    assert np.all(np.diff(levels) < 0)
    ramp = [i for i, c in enumerate(cells) if c.kind is layout.Kind.RAMP]
    green = light[ramp, 1].reshape(-1, 2).mean(axis=1)
    assert len(green) == len(layout.RAMP_HB_G_DL)
    assert spearmanr(green, layout.RAMP_HB_G_DL).statistic < -0.97


# --- the whole chain, on the shipped design and calibration ---------------------------------------

BLOTS = range(8)


@cache
def blot_shot(i: int) -> Shot:
    """Another light, camera and haemoglobin each time, 4.0 to 14.5 g/dL."""
    tone = list(TONES)[i % len(TONES)]
    return shoot(design(), 4.0 + 1.5 * i, 100 + i, tone=tone, tilt_deg=5.0 + 3 * i, megapixels=3.0)


@cache
def design() -> Lot:
    return next(lot for lot in Lots.load(shipped("lots")).values() if lot.basis == "nominal")


@cache
def reader() -> Reader:
    return Reader(
        # These prints have the design's colours exactly, so they count as measured.
        lots=Lots([replace(design(), basis="measured")]),
        calibration=replace(
            Calibration.load(shipped("default", "model.json")), lots=(design().lot_id,)
        ),
        protocol=load_protocol(),
        today=design().expires,
    )


@cache
def read(i: int) -> Reading:
    reading = read_photo(blot_shot(i).jpeg, reader())
    assert reading.refusal is None, reading.refusal
    return reading


@pytest.mark.parametrize("i", BLOTS)
def test_blot_is_read_on_the_printed_ramp(i: int) -> None:
    """Hb as the nearest corrected shade, no calibration.

    Not an accuracy claim: blot and ramp are the same ink here. It shows that
    colour correction and blot segmentation hold outside the package's renderer.
    """
    reading = read(i)
    assert reading.correction is not None
    assert reading.blot is not None
    assert np.median(reading.correction.residual_de00) < 1.0
    on_ramp = [j for j, c in enumerate(layout.cells()) if c.kind is layout.Kind.RAMP]
    ramp = design().lab[on_ramp][::2]
    grid = np.linspace(layout.RAMP_HB_G_DL[0], layout.RAMP_HB_G_DL[-1], 561)
    shades = np.stack([np.interp(grid, layout.RAMP_HB_G_DL, ramp[:, k]) for k in range(3)], axis=1)
    nearest = grid[np.argmin(np.linalg.norm(shades - reading.blot.lab, axis=1))]
    assert nearest == pytest.approx(blot_shot(i).hb_g_dl, abs=0.6)
    assert 50 < reading.blot.area_mm2 < 140


def test_estimates_agree_with_the_printed_ramp() -> None:
    """The shipped calibration against the ramp's own values.

    No blood volume varies here, so that the stated intervals, which allow for
    it, should hold nearly always; one of eight may miss.
    """
    off, inside = [], 0
    for i in BLOTS:
        estimate, hb_g_dl = read(i).estimate, blot_shot(i).hb_g_dl
        assert estimate is not None
        low, high = estimate.interval_g_dl
        inside += low <= hb_g_dl <= high
        off.append(estimate.hb_g_dl - hb_g_dl)
    assert inside >= len(BLOTS) - 1
    assert np.sqrt(np.mean(np.square(off))) < 0.6
    assert abs(np.mean(off)) < 0.4


def test_no_low_blot_is_called_not_anaemic() -> None:
    for i in BLOTS:
        decision = read(i).decision
        assert decision.screening_only
        if blot_shot(i).hb_g_dl <= 9:
            assert decision.outcome is not Outcome.NOT_ANAEMIC
