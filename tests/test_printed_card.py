"""The card's own artwork, printed to pixels and photographed by plain image operations.

Everything here is told from the file alone; the truth comes from tests/printed.py,
which shares nothing with the package's renderer.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from lots import made_up_lot
from numpy.typing import NDArray
from printed import TONES, Shot, linear_to_srgb, shoot
from scipy.stats import spearmanr

from cardreader import layout
from cardreader.blot import BlotColour, measure_blot
from cardreader.card import Lots
from cardreader.correct import ColourCorrection, correct
from cardreader.locate import CardPose, locate
from cardreader.photo import Photo, open_photo
from cardreader.sample import PatchSamples, sample
from cardreader.shipped import shipped

CASES: dict[str, dict[str, Any]] = {
    "level": {"seed": 1, "tone": "filmic", "tilt_deg": 4.0},
    "log, sideways": {"seed": 2, "tone": "log", "tilt_deg": 15.0, "exif_orientation": 6},
    "contrasty, other way": {"seed": 3, "tone": "contrasty", "exif_orientation": 8},
    "steep": {"seed": 4, "tone": "flat", "tilt_deg": 42.0},
    "small in the frame": {"seed": 5, "tone": "filmic", "fill": 0.3, "exif_orientation": 3},
    "uneven light": {"seed": 6, "tone": "log", "evenness": 0.8, "page": "letter"},
    "noisy and soft": {"seed": 7, "tone": "contrasty", "noise": 0.02, "blur_px": 2.0},
    "hazy, strong lens": {"seed": 8, "tone": "filmic", "haze": 0.03, "lens": -0.03},
    "12 megapixels": {"seed": 9, "tone": "flat", "megapixels": 12.0, "tilt_deg": 20.0},
}

each_case = pytest.mark.parametrize("case", CASES)


@cache
def shot(case: str) -> Shot:
    settings = {"megapixels": 4.0} | CASES[case]
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
    off = 255 * (linear_to_srgb(samples.linear) - shot(case).expected)
    assert off.shape == (72, 3)
    assert np.abs(off).max() < 3.0
    assert np.sqrt(np.mean(off**2)) < 1.0
    assert np.abs(off.mean(axis=0)).max() < 0.5
    in_range = np.all((shot(case).expected > 0.05) & (shot(case).expected < 0.95), axis=1)
    assert in_range.sum() >= 68
    assert samples.clipped_share[in_range].max() == 0
    assert samples.n_pixels.min() >= 100


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


@pytest.mark.parametrize("i", range(8))
def test_blot_is_read_on_the_printed_ramp(i: int) -> None:
    """Hb read as the nearest corrected shade; the shipped design, other light and camera each time.

    Not an accuracy claim: blot and ramp are the same ink here. It shows that
    colour correction and blot segmentation hold outside the package's renderer.
    """
    lot = Lots.load(shipped("lots"))[1]
    hb_g_dl = 4.0 + 1.5 * i
    truth = shoot(
        lot,
        hb_g_dl,
        100 + i,
        tone=list(TONES)[i % len(TONES)],
        tilt_deg=5.0 + 3 * i,
        megapixels=4.0,
    )
    photo = open_photo(truth.jpeg)
    assert isinstance(photo, Photo)
    pose = locate(photo)
    assert isinstance(pose, CardPose)
    samples = sample(photo, pose)
    assert isinstance(samples, PatchSamples)
    correction = correct(samples, lot)
    assert isinstance(correction, ColourCorrection), correction
    blot = measure_blot(photo, pose, correction, lot)
    assert isinstance(blot, BlotColour), blot
    assert np.median(correction.residual_de00) < 1.0
    ramp = lot.lab[[j for j, c in enumerate(layout.cells()) if c.kind is layout.Kind.RAMP]][::2]
    grid = np.linspace(layout.RAMP_HB_G_DL[0], layout.RAMP_HB_G_DL[-1], 561)
    shades = np.stack([np.interp(grid, layout.RAMP_HB_G_DL, ramp[:, k]) for k in range(3)], axis=1)
    read = grid[np.argmin(np.linalg.norm(shades - blot.lab, axis=1))]
    assert read == pytest.approx(truth.hb_g_dl, abs=0.6)
    assert 50 < blot.area_mm2 < 140
