"""The conditions: each makes photos that are harder, level by level.

Levels are called mild, moderate, severe; a condition may have more. ``usable``
says whether a photo of that level ought to be read; where it is False a refusal
is as good an answer as a right reading. Where ``blood`` is False there is no
right reading at all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import fileformats
import numpy as np
import phoneprocessing
import spoiledblots
from bentcard import bend
from drawnlines import line_about_markers
from falling import in_falling_light, lamp, vignette
from numpy.typing import NDArray
from printed import TONES, shoot
from sitting import SIZE, Sitting, draw_sitting, stored, take

from cardreader.card import layout
from cardreader.simulate import wornprint
from cardreader.simulate.colorimetry import TABULATED_LIGHTS, light
from cardreader.simulate.demolots import design_lot
from cardreader.simulate.notblood import dried_brown, red_ink
from cardreader.simulate.otherlight import in_other_light, raw_of
from cardreader.simulate.rendering import (
    Rendering,
    saturate_about_luma,
    saturate_in_hsv,
    saturate_in_oklab,
)
from cardreader.simulate.scene import BLOT_VOLUMES, Scene, with_light_factor
from cardreader.simulate.soiling import soil, splash
from cardreader.simulate.view import ShadowEdge, Spot, draw_view

_X, _Y = layout.CENTRE_MM


@dataclass(frozen=True)
class Level:
    """One severity: what it is called, the number behind it and whether it should be read."""

    name: str
    value: Any
    usable: bool
    says: str


@dataclass(frozen=True)
class Condition:
    """``make(sitting, value)`` gives the photo's bytes.

    ``hb`` gives the truth; the sitting's own by default. ``again`` gives a second photo
    of the same blot from another side, to be read with the first as one.
    """

    name: str
    make: Callable[[Sitting, Any], bytes]
    levels: tuple[Level, ...]
    blood: bool = True
    hb: Callable[[Sitting], float] = lambda sitting: sitting.scene.hb_g_dl
    again: Callable[[Sitting, Any], bytes] | None = None


_SATURATE = {"luma": saturate_about_luma, "HSV": saturate_in_hsv, "Oklab": saturate_in_oklab}


def vivid(sitting: Sitting, value: tuple[str, float]) -> Scene:
    """The same sitting before a phone that makes colour livelier, or duller, in its file."""
    how, gain = value
    rendering = Rendering(how, lambda encoded: _SATURATE[how](encoded, gain))
    return replace(sitting.scene, camera=replace(sitting.scene.camera, rendering=rendering))


_NAMES = ("mild", "moderate", "severe", "extreme")


def _levels(says: str, *values: Any, usable: int = 2) -> tuple[Level, ...]:
    """Levels from mild on; the first ``usable`` ought to be read. ``says`` formats the value."""
    return tuple(
        Level(name, value, i < usable, says.format(value))
        for i, (name, value) in enumerate(zip(_NAMES, values, strict=False))
    )


def _never(says: str, *values: Any) -> tuple[Level, ...]:
    return _levels(says, *values, usable=0)


# --- the view ------------------------------------------------------------------------------------


def _viewed(sitting: Sitting, value: float, field: str) -> bytes:
    view = sitting.seen(**{field: value})
    return stored(sitting, take(sitting, view=view), view)


def _blurred(sitting: Sitting, blur_mm: float, field: str) -> bytes:
    # Blur is said on the card: in pixels it would depend on the distance.
    corners = np.array([[_X, _Y]])
    px = blur_mm * float(sitting.view.projection.px_per_mm(corners)[0])
    view = replace(sitting.view, **{field: px})
    return stored(sitting, take(sitting, view=view), view)


def _upside_down(sitting: Sitting, turn_deg: float) -> bytes:
    return _viewed(sitting, sitting.view.rotation_deg + turn_deg, "rotation_deg")


def _two_cards(sitting: Sitting, share: float) -> bytes:
    """A second card fills the right half of the frame: ``share`` of it is in view."""
    w, _ = sitting.view.size
    left = sitting.seen(card_share=0.16, rotation_deg=90.0, offset=(-0.24, 0.0), tilt_deg=5.0)
    right = replace(left, offset=(0.24 + 0.34 * (1 - share), 0.0))
    picture = take(sitting, view=left)
    picture[:, w // 2 :] = take(sitting, view=right)[:, w // 2 :]
    return stored(sitting, picture, left)


# --- light ---------------------------------------------------------------------------------------


def _mixed_light(sitting: Sitting, part: float) -> bytes:
    """A second lamp from one side: ``part`` of its light more at one edge than at the other."""
    names = [n for n in TABULATED_LIGHTS if n != sitting.scene.light_name]
    other = in_other_light(sitting.scene, light(str(sitting.rng.choice(names))))
    strength = float(sitting.scene.raw_stock.mean() / other.raw_stock.mean())
    other = with_light_factor(other, strength)
    to_mm = sitting.view.projection.to_mm
    angle = sitting.rng.uniform(0, 2 * np.pi)

    def share(shape: tuple[int, int]) -> NDArray[np.float64]:
        y, x = np.mgrid[: shape[0] : 16, : shape[1] : 16]
        u = (to_mm(np.stack([x, y], axis=-1)) - layout.CENTRE_MM) / (layout.WIDTH_MM / 2)
        slope = np.clip(u @ [np.cos(angle), np.sin(angle)], -1, 1)
        small = np.clip(0.3 + part / 2 * slope, 0, 1)
        return np.kron(small, np.ones((16, 16)))[: shape[0], : shape[1]]

    return stored(sitting, take(sitting, second_lamp=(other, share)))


def _flicker(sitting: Sitting, depth: float) -> bytes:
    """Bands of a rolling shutter under a lamp on alternating current, a little coloured."""
    h = sitting.view.size[1]
    period = sitting.rng.uniform(0.15, 0.6) * h
    wave = np.sin(2 * np.pi * (np.arange(h) / period + sitting.rng.uniform()))
    rows = 1 + depth * wave[:, None] * np.array([0.9, 1.0, 1.15])
    return stored(sitting, take(sitting, rows=rows))


def _shadow(sitting: Sitting, depth: float, softness_mm: float) -> bytes:
    """A shadow's edge anywhere across the card."""
    x, y = _X + sitting.rng.uniform(-30, 30), _Y + sitting.rng.uniform(-15, 15)
    edge = ShadowEdge(x, y, sitting.rng.uniform(0, 360), softness_mm, depth)
    view = replace(sitting.view, shadows=(edge,))
    return stored(sitting, take(sitting, view=view), view)


def _spot_places() -> list[tuple[float, float]]:
    patches = [(c.x_mm, c.y_mm) for c in layout.cells()]
    bay = [(_X + dx, _Y + dy) for dx in (-7.0, 0.0, 7.0) for dy in (-7.0, 0.0, 7.0)]
    return patches + bay


def _glare(sitting: Sitting, strength: float, size_mm: float) -> bytes:
    """A lamp's reflection; the sittings of a cell take the patches and the bay in turn."""
    places = _spot_places()
    x, y = places[(37 * sitting.index) % len(places)]
    scene = with_light_factor(sitting.scene, 0.8)
    view = replace(sitting.view, spots=(Spot(x, y, size_mm, strength),))
    return stored(sitting, take(sitting, scene=scene, view=view), view)


def _bay_glare(sitting: Sitting, strength: float) -> bytes:
    """A reflection on or about the blot, of any size."""
    x, y = _X + sitting.rng.uniform(-6, 6), _Y + sitting.rng.uniform(-6, 6)
    spot = Spot(x, y, float(np.exp(sitting.rng.uniform(np.log(0.5), np.log(12)))), strength)
    scene = with_light_factor(sitting.scene, 0.8)
    view = replace(sitting.view, spots=(spot,))
    return stored(sitting, take(sitting, scene=scene, view=view), view)


def _reflected(sitting: Sitting) -> Sitting:
    """The sitting that 'one photo' and 'two photos' share: they differ in nothing else."""
    return draw_sitting(sitting.key[0], 990, sitting.index)


def _moving_reflection(sitting: Sitting, strength: float, side: int) -> bytes:
    """A reflection on or about the blot, elsewhere and of another size on each side."""
    sitting = _reflected(sitting)
    rng = np.random.default_rng([*sitting.key, 3, side])
    x, y = _X + rng.uniform(-6, 6), _Y + rng.uniform(-6, 6)
    spot = Spot(x, y, float(np.exp(rng.uniform(np.log(0.5), np.log(12)))), strength)
    view = sitting.view if side == 0 else draw_view(rng, SIZE)
    view = replace(view, spots=(spot,))
    scene = with_light_factor(sitting.scene, 0.8)
    return stored(sitting, take(sitting, scene=scene, view=view), view)


def _veil(sitting: Sitting, share: float) -> bytes:
    tint = sitting.rng.lognormal(0, 0.1, 3)
    scene = replace(sitting.scene, glare=share * sitting.scene.raw_stock * tint)
    return stored(sitting, take(sitting, scene=scene))


def _uneven_veil(sitting: Sitting, share: float) -> bytes:
    """A veil that lies over one side of the card: a window beside the lens."""
    side = sitting.rng.uniform(0, 2 * np.pi)
    x, y = _X + 70 * np.cos(side), _Y + 70 * np.sin(side)
    view = replace(sitting.view, spots=(Spot(x, y, 45.0, 3.4 * share),))
    scene = with_light_factor(sitting.scene, 0.85)
    return stored(sitting, take(sitting, scene=scene, view=view), view)


def _exposed(sitting: Sitting, factor: float) -> bytes:
    return stored(sitting, take(sitting, scene=with_light_factor(sitting.scene, factor)))


def _night(sitting: Sitting, level: float) -> bytes:
    """Little light: grain grows, and the phone smears it."""
    view = replace(sitting.view, read_noise=0.004 * level, shot_noise=1.0e-3 * level, sharpen=0.6)
    scene = with_light_factor(sitting.scene, 0.9 - 0.1 * level)
    picture = phoneprocessing.denoised(take(sitting, scene=scene, view=view), level)
    return stored(sitting, picture, view)


# --- the phone and the file ----------------------------------------------------------------------


def _processed(
    sitting: Sitting, strength: float, process: Callable[..., NDArray[np.uint8]]
) -> bytes:
    return stored(sitting, process(take(sitting), strength))


def _filtered(sitting: Sitting, strength: float) -> bytes:
    """A warm or a cold filter of the camera app."""
    sign = 1 if sitting.index % 2 else -1
    picture = phoneprocessing.tinted(take(sitting), 1 + sign * strength, 1 - sign * strength)
    return stored(sitting, picture)


def _resent(sitting: Sitting, value: tuple[int, int, int]) -> bytes:
    size, quality, times = value
    return phoneprocessing.resent(take(sitting), size, quality, times)


def _wide_gamut(sitting: Sitting, embedded: bool) -> bytes:
    scene = fileformats.wide_gamut(sitting.scene)
    picture = take(sitting, scene=scene)
    if embedded:
        return fileformats.jpeg_with_profile(picture, fileformats.icc_profile())
    return stored(sitting, picture)


def _oriented(sitting: Sitting, first: int) -> bytes:
    view = replace(sitting.view, orientation=first + sitting.index % 4)
    return stored(sitting, take(sitting, view=view), view)


def _other_file(sitting: Sitting, kind: str) -> bytes:
    picture = take(sitting)
    if kind == "HEIF":
        return fileformats.heif(picture)
    return {"PNG": fileformats.png16, "TIFF": fileformats.tiff16}[kind](picture, sitting.rng)


# --- the card ------------------------------------------------------------------------------------


def _bent(sitting: Sitting, sag_mm: float) -> bytes:
    sign = 1 if sitting.index % 2 else -1
    lengthwise = sitting.index % 4 < 2
    sag = sign * sag_mm * (1.0 if lengthwise else layout.HEIGHT_MM / layout.WIDTH_MM)
    return stored(sitting, take(sitting, bend=bend(sag, lengthwise)))


def _soiled(sitting: Sitting, share: float, everywhere: bool = False) -> bytes:
    rng = sitting.rng
    return stored(sitting, take(sitting, on_card=lambda card: soil(card, rng, share, everywhere)))


def _splashed(sitting: Sitting, drops: int) -> bytes:
    blood = np.array([np.interp(1.0, BLOT_VOLUMES, c) for c in sitting.scene.raw_blot.T])
    rng = sitting.rng
    return stored(sitting, take(sitting, on_card=lambda card: splash(card, rng, blood, drops)))


def _lined(sitting: Sitting, line: tuple[float, float]) -> bytes:
    return stored(sitting, take(sitting, on_card=lambda card: line_about_markers(card, *line)))


def _worn(sitting: Sitting, value: float, change: Callable[[Scene, float], Scene]) -> bytes:
    return stored(sitting, take(sitting, scene=change(sitting.scene, value)))


def one_ink_bleached(sitting: Sitting, share: float) -> Scene:
    """Magenta and yellow in turn, each by itself."""
    ink = ([0, 1, 0, 0], [0, 0, 1, 0])[sitting.index % 2]
    return wornprint.inks_bleached(sitting.scene, np.multiply(share, ink))


def _reprinted(sitting: Sitting, scatter: float) -> bytes:
    scene = wornprint.reprinted(sitting.scene, sitting.rng, scatter)
    return stored(sitting, take(sitting, scene=scene))


# --- the blot ------------------------------------------------------------------------------------


def _clotted(sitting: Sitting, strength: float) -> bytes:
    return stored(sitting, take(sitting, blot=spoiledblots.clotted(sitting.rng, strength)))


def _moved(sitting: Sitting, outside: float) -> bytes:
    return stored(sitting, take(sitting, blot=spoiledblots.moved(sitting.rng, outside)))


def _spot_of(sitting: Sitting, amount: float, spectrum: Callable[..., Any]) -> bytes:
    spots = raw_of(sitting.scene, spectrum(amount * BLOT_VOLUMES))
    return stored(sitting, take(sitting, scene=replace(sitting.scene, raw_blot=spots)))


def _dyed(sitting: Sitting, strength: float) -> bytes:
    scene = spoiledblots.dyed(sitting.scene, sitting.rng)
    scaled = np.stack(
        [np.interp(strength * BLOT_VOLUMES, BLOT_VOLUMES, c) for c in scene.raw_blot.T], axis=1
    )
    return stored(sitting, take(sitting, scene=replace(scene, raw_blot=scaled)))


# --- the second renderer -------------------------------------------------------------------------

_TONES = tuple(TONES)
DESIGN = design_lot()
"""Only a lot not yet measured can be printed."""


def _printed_hb(sitting: Sitting) -> float:
    return float(np.clip(sitting.scene.hb_g_dl, 3.2, 16.5))


def _printed(sitting: Sitting, value: dict[str, Any]) -> bytes:
    return shoot(
        DESIGN,
        _printed_hb(sitting),
        int(sitting.rng.integers(1 << 31)),
        megapixels=1.92,
        tone=_TONES[sitting.index % len(_TONES)],
        **value,
    ).jpeg


_REFLECTION = _levels("{:.0%} of white", 0.01, 0.02, 0.03, 0.06)

CONDITIONS: tuple[Condition, ...] = (
    Condition(
        "nothing wrong",
        lambda s, _: stored(s, take(s)),
        (Level("none", None, True, "ordinary control"),),
    ),
    Condition(
        "tilt", partial(_viewed, field="tilt_deg"), _levels("{} deg", 25.0, 40.0, 50.0, 59.0)
    ),
    Condition(
        "card fills the frame",
        partial(_viewed, field="card_share"),
        _levels("{:.0%} of it", 0.65, 0.80),
    ),
    Condition(
        "card far away",
        partial(_viewed, field="card_share"),
        _levels("{:.0%} of the frame", 0.12, 0.08, 0.05, 0.03),
    ),
    Condition("mixed light", _mixed_light, _levels("{:.0%} apart", 0.1, 0.25, 0.6)),
    Condition("flicker bands", _flicker, _levels("{:.0%} deep", 0.02, 0.05, 0.12, 0.25)),
    Condition(
        "soft shadow edge",
        partial(_shadow, softness_mm=25.0),
        _levels("{:.0%} deep", 0.06, 0.12, 0.25, 0.5),
    ),
    Condition(
        "sharp shadow edge",
        partial(_shadow, softness_mm=2.0),
        _levels("{:.0%} deep", 0.03, 0.10, 0.25, 0.5, usable=1),
    ),
    Condition(
        "glare on a patch or the bay",
        partial(_glare, size_mm=2.5),
        _levels("{:.0%} of white", 0.05, 0.15, 0.4, 0.9),
    ),
    Condition(
        "glare about the blot",
        _bay_glare,
        _levels("{:.0%} of white", 0.02, 0.06, 0.2, 0.6, usable=1),
    ),
    Condition("veiling glare", _veil, _levels("{:.0%} of white", 0.01, 0.02, 0.035, 0.05)),
    Condition(
        "uneven veil", _uneven_veil, _levels("{:.1%} amid the card", 0.005, 0.01, 0.02, 0.05)
    ),
    Condition("overexposed", _exposed, _levels("{} x", 1.15, 1.3, 1.6, 2.2, usable=1)),
    Condition("underexposed", _exposed, _levels("{} x", 0.5, 0.25, 0.1, 0.04)),
    Condition(
        "out of focus",
        partial(_blurred, field="defocus_px"),
        _levels("sd {} mm", 0.12, 0.22, 0.35, 0.6),
    ),
    Condition("shaken", partial(_blurred, field="motion_px"), _levels("{} mm", 0.4, 0.8, 1.4, 2.5)),
    Condition("noise at night", _night, _levels("x{}", 1.0, 2.0, 4.0, 8.0)),
    Condition(
        "local tone mapping",
        partial(_processed, process=phoneprocessing.local_tone),
        _levels("strength {}", 0.1, 0.25, 0.5, 0.9),
    ),
    Condition(
        "vivid colour",
        partial(_processed, process=phoneprocessing.vivid),
        _levels("{:+.0%}", 0.1, 0.25, 0.5, 1.0, usable=0),
    ),
    Condition(
        "faded to grey",
        partial(_processed, process=phoneprocessing.vivid),
        _levels("{:+.0%}", -0.15, -0.3, -0.6, -0.95, usable=0),
    ),
    Condition("warm or cold filter", _filtered, _levels("{:.0%}", 0.04, 0.10, 0.2, 0.35)),
    Condition(
        "messaging app",
        _resent,
        _levels(
            "{0[0]} px, quality {0[1]}, {0[2]} times",
            (1600, 75, 1),
            (1280, 60, 1),
            (1024, 45, 2),
            (640, 30, 3),
        ),
    ),
    Condition(
        "heavy JPEG", partial(_viewed, field="jpeg_quality"), _levels("quality {}", 60, 35, 18, 7)
    ),
    Condition(
        "P3 photo",
        _wide_gamut,
        (
            Level("mild", True, True, "profile embedded"),
            Level("moderate", False, True, "profile lost"),
        ),
    ),
    Condition("orientation tags", _oriented, _levels("from {}", 1, 5)),
    Condition("other files", _other_file, _levels("{}", "PNG", "HEIF", "TIFF", usable=3)),
    Condition("bent card", _bent, _levels("{} mm", 1.0, 2.5, 6.0, 12.0)),
    Condition("dirt on the print", _soiled, _levels("{:.0%} covered", 0.02, 0.05, 0.12, 0.3)),
    Condition(
        "dirt on print and bay",
        partial(_soiled, everywhere=True),
        _levels("{:.0%} covered", 0.02, 0.05, 0.12, 0.3, usable=1),
    ),
    Condition("blood on the print", _splashed, _levels("{} drops", 2, 6, 15, 40)),
    Condition(
        "colour inks faded",
        partial(_worn, change=wornprint.faded),
        _levels("{:.0%}", 0.03, 0.08, 0.2, 0.5, usable=1),
    ),
    Condition(
        "one ink faded",
        lambda s, v: stored(s, take(s, scene=one_ink_bleached(s, v))),
        _levels("{:.0%}", 0.03, 0.08, 0.2, 0.5, usable=1),
    ),
    Condition(
        "all inks faded",
        partial(_worn, change=partial(wornprint.faded, black_too=True)),
        _levels("{:.0%}", 0.03, 0.08, 0.2, 0.5, usable=0),
    ),
    Condition(
        "card yellowed",
        partial(_worn, change=wornprint.yellowed_card),
        _levels("{}", 0.15, 0.4, 1.0, 2.0),
    ),
    Condition(
        "paper yellowed",
        partial(_worn, change=wornprint.yellowed_paper),
        _levels("{}", 0.2, 0.5, 1.0, 2.0),
    ),
    Condition(
        "poor reprint", _reprinted, _levels("{:.0%} of ink", 0.02, 0.05, 0.12, 0.3, usable=1)
    ),
    Condition("two cards", _two_cards, _never("{:.0%} of the second", 1.0, 0.6)),
    Condition("mirrored", partial(_viewed, field="mirrored"), _never("as by a front camera", True)),
    Condition("upside down", _upside_down, _levels("{} deg", 180.0, 135.0)),
    Condition(
        "printed copy",
        partial(_worn, change=wornprint.printed_copy),
        _never("saturation {}", 1.0, 1.3),
    ),
    Condition(
        "blot gone brown",
        partial(_worn, change=spoiledblots.browned),
        _levels("{:.0%} turned", 0.05, 0.15, 0.4, 1.0, usable=1),
    ),
    Condition(
        "blood thinned",
        partial(_worn, change=spoiledblots.thinned),
        _levels("{:.0%} fluid", 0.03, 0.1, 0.25, 0.5, usable=1),
    ),
    Condition("blood clotted", _clotted, _levels("sd {}", 0.06, 0.12, 0.25, 0.5, usable=1)),
    Condition("blot half outside", _moved, _never("{:.0%}", 0.1, 0.3, 0.5)),
    Condition(
        "red ink",
        partial(_spot_of, spectrum=red_ink),
        _never("{} of a drop", 1.0, 0.6, 0.3),
        blood=False,
    ),
    Condition("any red dye", _dyed, _never("{} of a drop", 1.0, 0.6, 0.35), blood=False),
    Condition(
        "old brown blot",
        partial(_spot_of, spectrum=dried_brown),
        _never("{} of a drop", 1.0, 0.6),
        blood=False,
    ),
    Condition(
        "other renderer",
        _printed,
        (
            Level("mild", {"evenness": 0.2}, True, "even light"),
            Level(
                "moderate",
                {"evenness": 0.5, "haze": 0.01, "tilt_deg": 25.0},
                True,
                "1 % haze, 25 deg",
            ),
            Level(
                "severe",
                {"evenness": 1.0, "haze": 0.03, "tilt_deg": 40.0, "noise": 0.02, "quality": 50},
                False,
                "3 % haze, 40 deg, noise",
            ),
        ),
        hb=_printed_hb,
    ),
    Condition(
        "reflection on the blot, one photo",
        partial(_moving_reflection, side=0),
        _REFLECTION,
        hb=lambda sitting: _reflected(sitting).scene.hb_g_dl,
    ),
    Condition(
        "reflection on the blot, two photos",
        partial(_moving_reflection, side=0),
        _REFLECTION,
        hb=lambda sitting: _reflected(sitting).scene.hb_g_dl,
        again=partial(_moving_reflection, side=1),
    ),
    Condition(
        "livelier in the file",
        lambda s, v: stored(s, take(s, scene=vivid(s, v))),
        (
            Level("mild", ("Oklab", 1.15), True, "Oklab chroma +15 %"),
            Level("moderate", ("luma", 1.3), True, "luma +30 %"),
            Level("severe", ("HSV", 1.3), False, "HSV saturation +30 %"),
            Level("extreme", ("luma", 1.6), False, "luma +60 %"),
        ),
    ),
    Condition(
        "duller in the file",
        lambda s, v: stored(s, take(s, scene=vivid(s, v))),
        (
            Level("mild", ("luma", 0.92), True, "luma -8 %"),
            Level("moderate", ("Oklab", 0.85), True, "Oklab chroma -15 %"),
            Level("severe", ("HSV", 0.7), False, "HSV saturation -30 %"),
        ),
    ),
    Condition(
        "light falls off to the corners",
        lambda s, v: stored(s, take(s, scene=in_falling_light(s.scene, vignette(v)))),
        _levels("{:.0%} lost", 0.15, 0.25, 0.4, 0.6),
    ),
    Condition(
        "light falls off from a lamp close by",
        lambda s, v: stored(s, take(s, scene=in_falling_light(s.scene, lamp(v)))),
        _levels("{:.0f} mm above", 175.0, 125.0, 85.0, 60.0),
    ),
    Condition(
        "line about the markers",
        _lined,
        _levels("{0[0]} mm off, {0[1]} mm wide", (1.4, 0.4), (0.6, 0.4), (0.6, 1.0), (0.2, 0.4)),
    ),
)
