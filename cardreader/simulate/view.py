"""What disturbs a photo apart from colour: where the phone is, its lens, its sensor, its file.

A `View` says all of it in plain numbers, so that a benchmark can turn one
nuisance at a time; `draw_view` draws what a careful person would get.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from cardreader.card import layout
from cardreader.simulate.geometry import Projection

FULL_SIZE = (4000, 3000)
"""Width and height of a 12-megapixel picture."""


class Table(StrEnum):
    """What the card lies on."""

    WOOD = "wood"
    CLOTH = "cloth"
    DARK = "dark"
    STONE = "stone"


@dataclass(frozen=True)
class Spot:
    """A patch of light reflected by the surface, a soft round bump.

    ``strength`` is the peak as a share of the stock's brightness; ``size_mm`` is
    the standard deviation.
    """

    x_mm: float
    y_mm: float
    size_mm: float
    strength: float


@dataclass(frozen=True)
class ShadowEdge:
    """The straight edge of a shadow.

    The line goes through (``x_mm``, ``y_mm``); ``angle_deg`` points into the
    shadow. ``depth`` is the share of light lost there, ``softness_mm`` the
    distance over which most of the change takes place.
    """

    x_mm: float
    y_mm: float
    angle_deg: float
    softness_mm: float
    depth: float


@dataclass(frozen=True)
class Cover:
    """Something opaque lying on the card: a rectangle in card mm, dark brown."""

    x0_mm: float
    y0_mm: float
    x1_mm: float
    y1_mm: float


@dataclass(frozen=True)
class View:
    """All about one photo that is not colour.

    Attributes
    ----------
    size : (width, height) of the picture as it is looked at, in pixels
    card_share : float
        Share of the frame that the card covers, about 0.08 to 0.8.
    rotation_deg : float
        Turn of the card in the picture, clockwise.
    tilt_deg, tilt_towards_deg : float
        Angle between the card's normal and the line of sight, and the direction
        in the picture in which the card recedes.
    offset : (2,) tuple
        Middle of the card from the middle of the frame, in shares of its width
        and height.
    focal_length_mm : float
        As for a 35 mm film frame (43.27 mm diagonal).
    lens_k1 : float
        Radial distortion, see `geometry.Projection`.
    defocus_px : float
        Standard deviation of the blur.
    motion_px, motion_deg : float
        Length and direction of the shake.
    read_noise, shot_noise : float
        Variance of raw (1 is full scale) is read_noise**2 + shot_noise * raw.
    sharpen : float
        Strength of the phone's sharpening, 0 for none.
    jpeg_quality, subsampling : int
        As Pillow takes them; subsampling 0 is 4:4:4, 1 is 4:2:2, 2 is 4:2:0.
    orientation : int
        EXIF tag 1 to 8; the stored pixels are turned to fit.
    spots, shadows, covers : tuples
    table : Table
    with_card : bool
        False leaves the bare table.
    mirrored : bool
        As a front camera may store it.
    """

    size: tuple[int, int] = FULL_SIZE
    card_share: float = 0.35
    rotation_deg: float = 0.0
    tilt_deg: float = 0.0
    tilt_towards_deg: float = 0.0
    offset: tuple[float, float] = (0.0, 0.0)
    focal_length_mm: float = 26.0
    lens_k1: float = 0.0
    defocus_px: float = 0.7
    motion_px: float = 0.0
    motion_deg: float = 0.0
    read_noise: float = 0.001
    shot_noise: float = 1e-4
    sharpen: float = 0.0
    jpeg_quality: int = 92
    subsampling: int = 2
    orientation: int = 1
    spots: tuple[Spot, ...] = ()
    shadows: tuple[ShadowEdge, ...] = ()
    covers: tuple[Cover, ...] = ()
    table: Table = Table.WOOD
    with_card: bool = True
    mirrored: bool = False

    @property
    def projection(self) -> Projection:
        """Where card positions fall in the picture as it is looked at."""
        return Projection.of_card(
            self.size,
            self.card_share,
            self.rotation_deg,
            self.tilt_deg,
            self.tilt_towards_deg,
            self.offset,
            self.focal_length_mm,
            self.lens_k1,
        )


def draw_view(rng: np.random.Generator, size: tuple[int, int] = FULL_SIZE) -> View:
    """Draw an ordinary view: the whole card in the frame, sharp, no glare or shadow edge."""
    angle = rng.uniform(0, 360)
    view = View(
        size=size,
        card_share=float(rng.uniform(0.18, 0.60)),
        rotation_deg=float(rng.choice([0, 90, 180, 270]) + rng.normal(0, 6)),
        tilt_deg=float(rng.uniform(0, 20)),
        tilt_towards_deg=float(angle),
        offset=(float(rng.normal(0, 0.04)), float(rng.normal(0, 0.04))),
        focal_length_mm=float(rng.uniform(24, 28)),
        lens_k1=float(rng.normal(0, 0.012)),
        defocus_px=float(rng.uniform(0.4, 1.2)),
        motion_px=float(rng.exponential(0.8)),
        motion_deg=float(rng.uniform(0, 180)),
        read_noise=float(np.exp(rng.uniform(np.log(5e-4), np.log(3e-3)))),
        shot_noise=float(np.exp(rng.uniform(np.log(5e-5), np.log(6e-4)))),
        sharpen=float(rng.choice([0.0, 0.3, 0.6])),
        jpeg_quality=int(rng.integers(82, 97)),
        subsampling=int(rng.choice([0, 2, 2, 2])),
        orientation=int(rng.choice([1, 1, 3, 6, 6, 8])),
        table=Table(rng.choice([t.value for t in Table])),
    )
    return fitted(view)


def fitted(view: View, margin: float = 0.015) -> View:
    """The view with the card made smaller and more central until all of it is in the frame."""
    width, height = view.size
    corners = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * (layout.WIDTH_MM, layout.HEIGHT_MM)
    border = margin * min(width, height)
    for _ in range(60):
        at = view.projection.to_px(corners)
        if (at > border).all() and (at < np.array([width, height]) - border).all():
            return view
        view = replace(
            view,
            card_share=view.card_share * 0.95,
            offset=(view.offset[0] * 0.85, view.offset[1] * 0.85),
        )
    raise ValueError("the card can't be brought into the frame from this view")
