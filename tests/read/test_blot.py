"""The blot: found whatever its shape, coloured against the paper, refused when unfit."""

import itertools
from functools import cache

import colour
import cv2
import numpy as np
import pytest
import rig
from lots import made_up_lot
from skimage.color import xyz2lab

from cardreader.card import layout
from cardreader.card.lot import Lot
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.blot import (
    BlotColour,
    blot_colour,
    measure_blot,
)
from cardreader.read.locate import CardPose, locate
from cardreader.read.masks import bulged
from cardreader.read.photo import Photo
from cardreader.read.segment import BlotRegion, segment_blot

X, Y = layout.CENTRE_MM


ONE = (rig.Blot(),)
draw_card = cache(rig.draw_card)


def photographed(blots=ONE, after=None, paper=rig.PAPER, **shot):
    """Photo and pose; ``after`` changes the linear picture, given its scene."""
    shot = {"size": (1200, 900), "fill": 0.8, **shot}
    scene = rig.photograph(draw_card(blots=blots, paper=paper), rig.Shot(**shot))
    rgb = scene.rgb
    if after is not None:
        linear = colour.models.eotf_sRGB(np.arange(256) / 255)[rgb]
        rgb = rig.encode(after(linear, scene))
    photo = Photo(encoded=rgb, full_size=rgb.shape[1::-1], scale=1.0, sha256="0" * 64)
    pose = locate(photo)
    assert isinstance(pose, CardPose), pose
    return photo, pose


def found(*args, **more) -> BlotRegion:
    region = segment_blot(*photographed(*args, **more))
    assert isinstance(region, BlotRegion), region
    return region


def reason(*args, **more) -> Reason:
    refusal = measure_blot(*photographed(*args, **more), LinearCorrection(), made_up_lot())
    assert isinstance(refusal, Refusal), refusal
    assert refusal.stage == "blot"
    return refusal.reason


def near_bay(scene, dx=0.0, dy=0.0):
    """Distance in mm of every pixel from a point by the middle of the bay."""
    height, width = scene.rgb.shape[:2]
    x, y = scene.to_px(np.array([X + dx, Y + dy]))
    scale = scene.shot.fill * width / layout.WIDTH_MM
    return (np.arange(width) - x) / scale, (np.arange(height)[:, None] - y) / scale


# -- found -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("blot", "shot"),
    [
        (rig.Blot(), {}),
        (rig.Blot(colour=(0.6, 0.3, 0.2)), {}),
        (rig.Blot(colour=(0.25, 0.04, 0.03)), {}),
        (rig.Blot(radii_mm=(3.2, 3.0)), {}),
        (rig.Blot(radii_mm=(7.5, 5.0), ragged=0.1), {"turn_deg": 190}),
        (rig.Blot(rim=0.6), {}),
        (rig.Blot(rim=1.3), {}),
        (rig.Blot(centre_mm=(X + 3, Y - 2.5)), {"slope": (0.5, 0.3), "gain": (0.6, 0.6, 0.6)}),
        (rig.Blot(), {"fill": 0.45}),
        (rig.Blot(), {"tilt_deg": 40, "fill": 0.65}),
        (rig.Blot(), {"gain": (0.15, 0.13, 0.10), "noise": 0.01}),
        (rig.Blot(), {"gain": (0.9, 0.6, 0.3)}),
    ],
)
def test_colour_and_outline_agree_with_the_drawing(blot, shot):
    region = found((blot,), **shot)
    ratio = region.linear / region.paper_linear
    truth = np.array(blot.colour) / rig.PAPER
    # Half a step of an 8-bit code in the darkest channel is 2 % of it.
    np.testing.assert_allclose(ratio, truth, rtol=0.04, atol=0.004)
    drawn = blot.outline_mm().astype(np.float32)
    assert region.area_mm2 == pytest.approx(cv2.contourArea(drawn), rel=0.06)
    outline = region.outline_mm.astype(np.float32)
    far = [abs(cv2.pointPolygonTest(drawn, (float(x), float(y)), True)) for x, y in outline]
    assert max(far) < 0.5
    np.testing.assert_allclose(region.centre_mm, drawn.mean(axis=0), atol=0.6)
    assert cv2.contourArea(outline) == pytest.approx(region.area_mm2, rel=0.05)
    assert 0.2 * region.area_mm2 < region.core_area_mm2 < region.area_mm2


def test_a_finger_in_the_window_is_no_second_drop():
    """A new blot is no help against it: it comes in from outside the frame."""
    finger = stroke(5.0, (9.0, 0.0), (20.0, 6.0), ink=(0.42, 0.25, 0.17))
    assert reason((rig.Blot(colour=THIN),), after=finger) is Reason.BLOT_TOUCHES_BORDER
    drops = (rig.Blot(radii_mm=(4, 4)), rig.Blot(centre_mm=(X + 7, Y), radii_mm=(2.5, 2.5)))
    assert reason(drops) is Reason.BLOT_UNEVEN


def test_rim_does_not_count():
    plain, ringed = found((rig.Blot(rim=1.0),)), found((rig.Blot(rim=0.5),))
    np.testing.assert_allclose(ringed.linear, plain.linear, rtol=0.02)


def test_light_falling_off_does_not_change_the_ratio():
    even = found(slope=(0, 0), gain=(0.6,) * 3)
    sloping = found(slope=(0.6, -0.5), gain=(0.6,) * 3)
    np.testing.assert_allclose(
        sloping.linear / sloping.paper_linear, even.linear / even.paper_linear, rtol=0.03
    )


def test_paper_is_told_at_the_place_of_the_blot():
    blot = rig.Blot(centre_mm=(X + 3, Y + 2))
    photo, pose = photographed((blot,), slope=(0.4, 0.4), gain=(0.6,) * 3)
    region = segment_blot(photo, pose)
    width, height = photo.full_size
    x, y = pose.to_px(region.centre_mm)
    light = 1 + 0.4 * (2 * x / (width - 1) - 1) + 0.4 * (2 * y / (height - 1) - 1)
    np.testing.assert_allclose(region.paper_linear, 0.6 * light * np.array(rig.PAPER), rtol=0.01)


def stroke(width_mm, *points_mm, ink=(0.03, 0.03, 0.04)):
    """Something drawn or lying on the card, from point to point by the middle of the bay."""

    def drawn(linear, scene):
        x, y = near_bay(scene)
        for (x0, y0), (x1, y1) in itertools.pairwise(points_mm):
            dx, dy = x1 - x0, y1 - y0
            along = np.clip(((x - x0) * dx + (y - y0) * dy) / (dx**2 + dy**2), 0, 1)
            off = np.hypot(x - x0 - along * dx, y - y0 - along * dy)
            cover = np.clip((width_mm - 2 * off) / 0.1 + 0.5, 0, 1)
            on = cover > 0
            linear[on] += cover[on][:, None] * (ink - linear[on])
        return linear

    return drawn


NAME = ((-8, 8), (-7, 6.5), (-6, 8), (-5, 6.5), (-3.5, 8), (-2.5, 7), (-1, 8), (0, 6.5))
HAIR = ((-13, -3), (-4, 1), (3, -1), (13, 4))


@pytest.mark.parametrize(
    "lying",
    [
        stroke(0.5, *NAME),
        stroke(0.5, *NAME, ink=(0.05, 0.08, 0.35)),
        stroke(0.12, *HAIR),
        stroke(0.4, (-9, -9), (-7, -8), (-8, -6), (-6, -7), ink=(0.5, 0.1, 0.2)),
    ],
    ids=["a name", "a name in blue", "a hair across the blot", "red lint"],
)
def test_a_stroke_of_a_pen_or_a_hair_is_no_shadow_and_no_blood(lying):
    plain, marked = found(), found(after=lying)
    np.testing.assert_allclose(marked.linear, plain.linear, rtol=0.02)
    np.testing.assert_allclose(marked.paper_linear, plain.paper_linear, rtol=0.01)
    assert marked.area_mm2 == pytest.approx(plain.area_mm2, rel=0.1)


def test_covariance_covers_the_scatter_of_repeats():
    """Photos that differ in grain only: the scatter is what was promised, within a factor."""
    regions = [found(seed=s, noise=0.02, gain=(0.3,) * 3) for s in range(12)]
    scatter = np.std([r.linear for r in regions], axis=0, ddof=1)
    promised = np.sqrt(np.mean([np.diag(r.covariance) for r in regions], axis=0))
    assert (scatter < 3 * promised).all()
    assert (promised < 8 * scatter + 0.001).all()


# -- refused -----------------------------------------------------------------


def small_blot(dx, dy, **more):
    return rig.Blot(centre_mm=(X + dx, Y + dy), radii_mm=(2.2, 2.2), **more)


@pytest.mark.parametrize(
    ("blots", "expected"),
    [
        ((), Reason.BLOT_MISSING),
        ((rig.Blot(radii_mm=(2, 2)),), Reason.BLOT_TOO_SMALL),
        ((rig.Blot(centre_mm=(X + 7, Y)),), Reason.BLOT_TOUCHES_BORDER),
        ((rig.Blot(centre_mm=(X, Y - 12)),), Reason.BLOT_TOUCHES_BORDER),
        ((rig.Blot(radii_mm=(14, 14)),), Reason.BLOT_TOUCHES_BORDER),
        ((small_blot(-4, 0), small_blot(4, 0, seed=4)), Reason.BLOT_TOO_SMALL),
        (
            (rig.Blot(radii_mm=(4, 4)), small_blot(7, -5), small_blot(-7, 5)),
            Reason.BLOT_UNEVEN,
        ),
        ((rig.Blot(), small_blot(1, -1, colour=(0.2, 0.03, 0.02))), Reason.BLOT_UNEVEN),
        ((rig.Blot(), small_blot(1, -1, colour=(0.5, 0.35, 0.3))), Reason.BLOT_UNEVEN),
        ((rig.Blot(), small_blot(1, 1, colour=rig.PAPER)), Reason.BLOT_UNEVEN),
        # A dark spot that isn't red, such as pen ink or a shadow's umbra.
        ((rig.Blot(colour=(0.05, 0.05, 0.05)),), Reason.BLOT_MISSING),
    ],
)
def test_unfit_blots(blots, expected):
    assert reason(blots) is expected


def test_ring_of_red_around_the_bay():
    def ring(linear, scene):
        x, y = near_bay(scene)
        inside = np.maximum(np.abs(x), np.abs(y)) < 9.5
        bay = np.maximum(np.abs(x), np.abs(y)) < layout.BAY_MM / 2
        return np.where((bay & ~inside)[..., None], np.array(rig.BLOOD), linear)

    assert reason((), after=ring, turn_deg=0, tilt_deg=0) is Reason.BLOT_TOUCHES_BORDER


@pytest.mark.parametrize(("depth", "softness_mm"), [(0.5, 0.1), (0.5, 2.0), (0.25, 0.1)])
@pytest.mark.parametrize("at_mm", [0.0, 5.0, -8.0])
def test_shadow_edge(depth, softness_mm, at_mm):
    def shadow(linear, scene):
        x, y = near_bay(scene)
        across = 0.8 * x + 0.6 * y - at_mm
        return linear * (1 - depth / (1 + np.exp(-across / softness_mm * 2)))[..., None]

    with np.errstate(over="ignore"):
        assert reason(after=shadow) is Reason.SHADOW_EDGE


@pytest.mark.parametrize("at_mm", [3.0, 8.0])
def test_a_shadows_wide_soft_edge_is_no_reflection(at_mm):
    def shadow(linear, scene):
        x, y = near_bay(scene)
        across = 0.6 * x - 0.8 * y - at_mm
        return linear * (1 - 0.5 / (1 + np.exp(-across / 6)))[..., None]

    assert reason(after=shadow) is Reason.SHADOW_EDGE


def test_whole_bay_in_shade_is_read():
    assert found(after=lambda linear, scene: linear * 0.3)


@pytest.mark.parametrize(("strength", "size_mm"), [(0.1, 1.0), (0.4, 0.6), (0.4, 0.8)])
def test_glare_on_the_blot(strength, size_mm):
    def spot(linear, scene):
        x, y = near_bay(scene, 1.0, -0.5)
        return linear + strength * np.exp(-(x**2 + y**2) / (2 * size_mm**2))[..., None]

    assert reason(after=spot, gain=(0.6,) * 3) is Reason.GLARE_ON_BLOT


@pytest.mark.parametrize(("dx", "dy"), [(0.5, -0.5), (0.0, -3.1)])
def test_a_lamp_seen_in_the_wet_blot_is_no_hole_in_it(dx, dy):
    def lamp(linear, scene):
        x, y = near_bay(scene, dx, dy)
        spot = (x / 2.4) ** 2 + (y / 0.8) ** 2 < 1
        return linear + 0.55 * cv2.GaussianBlur(spot.astype(float), (0, 0), 1)[..., None]

    assert reason(after=lamp, gain=(0.6,) * 3) is Reason.GLARE_ON_BLOT


THIN, THINNER = (0.58, 0.28, 0.22), (0.72, 0.46, 0.40)
"""Little blood, and what spirit leaves of it: still nearer to it than to blank paper."""


def test_a_pale_ring_of_thinned_blood_is_no_reflection():
    """No turning away from the lamp helps; a lamp in the same place does shine."""
    ringed = (
        rig.Blot(radii_mm=(7.0, 6.5), colour=THINNER),
        rig.Blot(radii_mm=(4.9, 4.5), colour=THIN),
    )
    assert reason(ringed, gain=(0.6,) * 3) is Reason.BLOT_UNEVEN

    def lamp(linear, scene):
        x, y = near_bay(scene, 3.6, 0.0)
        return linear + 0.3 * np.exp(-(x**2 + y**2) / (2 * 0.4**2))[..., None]

    assert reason(after=lamp, gain=(0.6,) * 3) is Reason.GLARE_ON_BLOT


def test_two_blots_grown_together_of_which_one_is_paler_do_not_shine():
    two = (
        rig.Blot(centre_mm=(X + 3.4, Y), radii_mm=(4.0, 4.0), colour=THINNER),
        rig.Blot(centre_mm=(X - 3.6, Y), radii_mm=(4.6, 4.6), colour=THIN),
    )
    assert reason(two, gain=(0.6,) * 3) is Reason.BLOT_UNEVEN


@pytest.mark.parametrize(("strength", "size_mm"), [(0.1, 3.0), (0.4, 1.5), (0.4, 3.0)])
def test_wide_glare_on_the_blot(strength, size_mm):
    """May pass for an unevenness, but not for a blot."""

    def spot(linear, scene):
        x, y = near_bay(scene, 1.0, -0.5)
        return linear + strength * np.exp(-(x**2 + y**2) / (2 * size_mm**2))[..., None]

    refused = reason(after=spot, gain=(0.6,) * 3)
    assert refused in (Reason.GLARE_ON_BLOT, Reason.BLOT_UNEVEN, Reason.BLOT_MISSING)


@pytest.mark.parametrize("size_mm", [6.0, 9.0, 12.0])
def test_wide_weak_reflection_shows_on_the_paper(size_mm):
    def spot(linear, scene):
        x, y = near_bay(scene, 1.0, -1.0)
        return linear + 0.04 * np.exp(-(x**2 + y**2) / (2 * size_mm**2))[..., None]

    assert reason(after=spot, gain=(0.6,) * 3) is Reason.GLARE_ON_BLOT


def test_paper_edges_round_the_blot_are_no_reflection():
    """One paper over another: the lower one is a little darker, and darkest at the upper's edge."""

    def two_papers(linear, scene):
        x, y = near_bay(scene, 0.3, 0.3)
        past = np.maximum(np.abs(x), np.abs(y)) - 9.0
        off = np.maximum(np.abs(x), np.abs(y)) < 12.4
        lower = off * (past > 0) * (0.03 + 0.15 * np.exp(-np.maximum(past, 0) / 0.3))
        return linear * (1 - lower)[..., None]

    assert reason(after=two_papers, gain=(0.6,) * 3) is Reason.SHADOW_EDGE


PINK = (0.80, 0.60, 0.62)


def test_a_blot_on_pink_paper_touches_no_border():
    assert reason(paper=PINK) is Reason.PAPER_NOT_BLANK
    assert reason((rig.Blot(radii_mm=(14, 14)),), paper=PINK) is Reason.BLOT_TOUCHES_BORDER


def test_overexposed_paper():
    assert reason(gain=(1.4,) * 3) is Reason.CLIPPED


def test_paper_clipped_a_little_everywhere():
    """Four columns in nine at the top of the range: no part of the paper is sound."""
    photo, pose = photographed(gain=(0.95,) * 3, slope=(0, 0), turn_deg=0, tilt_deg=0)
    (left, top), (right, bottom) = pose.to_px(layout.bay_corners_mm()[[0, 2]]).round().astype(int)
    step = round(0.8 * pose.px_per_mm)
    bay = photo.encoded[top:bottom, left:right]
    light = bay[..., 1] > 150
    for column in range(3 * step // 8 + 1):
        bay[:, column::step][light[:, column::step]] = 255
    refusal = segment_blot(photo, pose)
    assert isinstance(refusal, Refusal)
    assert refusal.reason is Reason.CLIPPED
    assert "isn't clipped" in refusal.detail


@pytest.mark.parametrize("stain", [(0.75, 0.62, 0.40), (0.8, 0.6, 0.55)])
def test_stained_paper(stain):
    smears = tuple(
        rig.Blot(centre_mm=(X + dx, Y + dy), radii_mm=(3, 2), colour=stain, rim=1.0)
        for dx, dy in ((-8, -8), (8, 7.5), (-8, 8))
    )
    assert reason((rig.Blot(), *smears)) is Reason.PAPER_NOT_BLANK


def test_a_notch_in_the_red_still_belongs_to_the_blot():
    """A lamp's image at the edge leaves one; what stays dark round it makes it a hole."""
    red = np.zeros((40, 40), bool)
    red[10:30, 10:30] = True
    notched = red.copy()
    notched[10:20, 15:25] = False
    assert (bulged(notched) == red).all()


def test_paper_written_over_above_and_below_the_blot():
    lines = [stroke(0.6, *[(x + 1, y + dy) for x, y in NAME]) for dy in (-17, 0)]

    def written(linear, scene):
        for line in lines:
            linear = line(linear, scene)
        return linear

    assert reason(after=written) is Reason.PAPER_NOT_BLANK


# -- colour ------------------------------------------------------------------


class LinearCorrection:
    """A correction known exactly: XYZ under D50 of linear sRGB, scaled by place."""

    matrix = np.array(
        [[0.4360657, 0.3851515, 0.1430784], [0.2224932, 0.7168870, 0.0606169],
         [0.0139160, 0.0970764, 0.7140961]]
    )  # fmt: skip

    def xyz(self, linear, at_mm):
        gain = 1 + 0.01 * (np.asarray(at_mm)[:, :1] - X)
        return gain * np.asarray(linear) @ self.matrix.T

    best_xyz = xyz

    def log_ratio_covariance(self, linear, reference):
        return np.zeros((3, 3))

    def reaches(self, linear, at_mm):
        return True


def test_colour_agrees_with_scikit_image():
    made = blot_colour((0.4, 0.1, 0.07), (0.8, 0.8, 0.75), np.zeros((3, 3)), (X, Y),
                       LinearCorrection())  # fmt: skip
    xyz = np.array([(0.4, 0.1, 0.07), (0.8, 0.8, 0.75)]) @ LinearCorrection.matrix.T
    expected = xyz2lab(xyz, illuminant="D50", observer="2")
    np.testing.assert_allclose(made.lab, expected[0], atol=0.03)
    np.testing.assert_allclose(made.paper_lab, expected[1], atol=0.03)
    np.testing.assert_allclose(made.log_ratio, np.log(xyz[0] / xyz[1]), atol=1e-12)


def test_covariance_agrees_with_monte_carlo():
    """GUM supplement 1 (JCGM 101): draw the inputs, look at the scatter of the output."""
    rng = np.random.default_rng(4)
    blot, paper = np.array([0.4, 0.1, 0.07]), np.array([0.8, 0.8, 0.75])
    a, b = rng.normal(0, 1, (2, 3, 3))
    covariance, paper_covariance = 4e-6 * a @ a.T, 1e-5 * b @ b.T
    made = blot_colour(blot, paper, covariance, (X + 3, Y), LinearCorrection(),
                       paper_covariance=paper_covariance)  # fmt: skip
    blots = rng.multivariate_normal(blot, covariance, 40000)
    papers = rng.multivariate_normal(paper, paper_covariance, 40000)
    matrix = LinearCorrection.matrix.T
    drawn = np.cov((np.log(blots @ matrix) - np.log(papers @ matrix)).T)
    np.testing.assert_allclose(made.covariance, drawn, rtol=0.08, atol=2e-6)


def test_wrong_shapes_are_a_mistake():
    with pytest.raises(ValueError, match="not"):
        blot_colour((1, 2), (1, 2), np.zeros((2, 2)), (X, Y), LinearCorrection())


def test_measured_from_the_photo(lot):
    photo, pose = photographed(gain=(0.8,) * 3, slope=(0, 0))
    made = measure_blot(photo, pose, LinearCorrection(), lot)
    assert isinstance(made, BlotColour)
    xyz = np.array([rig.BLOOD, rig.PAPER]) @ LinearCorrection.matrix.T
    np.testing.assert_allclose(made.log_ratio, np.log(xyz[0] / xyz[1]), atol=0.02)
    assert len(made.outline_mm) > 10
    assert made.n_pixels > 1000
    assert (np.linalg.eigvalsh(made.covariance) > 0).all()


def test_paper_of_another_tint(lot):
    photo, pose = photographed(gain=(0.8, 0.75, 0.5), slope=(0, 0))
    refusal = measure_blot(photo, pose, LinearCorrection(), lot)
    assert isinstance(refusal, Refusal)
    assert refusal.reason is Reason.PAPER_NOT_BLANK


class UndoneCorrection(LinearCorrection):
    """Of a phone that pulled linear colours apart by a matrix, known exactly."""

    def __init__(self, pulled):
        self.matrix = LinearCorrection.matrix @ np.linalg.inv(pulled)


def test_a_lively_phone_leaves_an_even_blot_even(lot):
    """Little is left of green and blue, so that in the file's values the same soak is half
    again as uneven or more."""

    def soaked(linear, scene):
        x, y = near_bay(scene)
        waves = np.where(np.hypot(x, y) < 8, 0.06 * np.sin(2 * x) * np.sin(2 * y), 0)
        return linear * np.exp(waves[..., None] * (0.2, 1.0, 1.0))

    grey = np.full((3, 3), 1 / 3)
    pulled = np.eye(3) + 0.18 * (np.eye(3) - grey)

    def lively(linear, scene):
        return soaked(linear, scene) @ pulled.T

    plain = measure_blot(*photographed(after=soaked), LinearCorrection(), lot)
    undone = measure_blot(*photographed(after=lively), UndoneCorrection(pulled), lot)
    in_the_file = found(after=lively).unevenness / found(after=soaked).unevenness
    assert in_the_file > 1.3
    assert undone.unevenness == pytest.approx(plain.unevenness, rel=0.1)


def test_refusal_passes_through(lot):
    photo, pose = photographed(())
    refusal = measure_blot(photo, pose, LinearCorrection(), lot)
    assert isinstance(refusal, Refusal)
    assert refusal.reason is Reason.BLOT_MISSING


@pytest.fixture
def lot() -> Lot:
    return made_up_lot()
