"""One simulated sitting: which card, light, phone and blot, and all that disturbs them.

`draw_scene` decides everything that has to do with colour. `photograph` turns a
scene into a JPEG; `patch_draw` skips the picture and gives the reader's colour
stages the patch means that such a picture would yield, for benchmarks that need
thousands.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.lot import Lot
from cardreader.simulate.blood import blot_reflectance, paper_reflectance
from cardreader.simulate.cameras import Camera, Family, draw_camera, draw_local_tone, draw_rendering
from cardreader.simulate.colorimetry import TABULATED_LIGHTS, lab, light
from cardreader.simulate.inks import print_reflectance, recipe, stock_reflectance
from cardreader.simulate.lamps import draw_lamp

Array = NDArray[np.float64]
BLOT_VOLUMES: Array = np.linspace(0.0, 2.0, 81)
"""Blood per area, relative to nominal, at which `Scene.raw_blot` is tabulated."""


@dataclass(frozen=True)
class Control:
    """How well print, glare and shade are kept in hand: standard deviations and maxima.

    Attributes
    ----------
    cell_ink, card_ink : float
        Relative scatter of ink amount between cells of a card, and of all cells
        of a card against its lot's measurement.
    glare_max : float
        Veiling glare, as a share of the stock's brightness; drawn from 0 up to this.
    shade_max : float
        Largest relative change of light from the middle to the edge of the card.
    tint_max : float
        Largest yellowing of the blotting paper against its lot.
    volume_cv : float
        Scatter of blood per area between blots: no camera can see it.
    """

    cell_ink: float
    card_ink: float
    glare_max: float
    shade_max: float
    tint_max: float
    volume_cv: float = 0.0


GOOD = Control(cell_ink=0.006, card_ink=0.006, glare_max=0.005, shade_max=0.10, tint_max=0.05)
ORDINARY = Control(cell_ink=0.012, card_ink=0.012, glare_max=0.02, shade_max=0.25, tint_max=0.10)
POOR = Control(cell_ink=0.018, card_ink=0.018, glare_max=0.03, shade_max=0.35, tint_max=0.15)


@dataclass(frozen=True)
class Scene:
    """Everything that decides the colours of one photo.

    Raw colours are white-balanced linear camera RGB of a surface in full light,
    relative to the card's stock times ``exposure``.

    Attributes
    ----------
    hb_g_dl, so2, volume : float
        The truth about the blot.
    lot : Lot
        The lot file that the reader will be given; its measured values carry
        instrument noise and know nothing of this one card's print error.
    light_name : str
        For grouping.
    raw_patches : (72, 3) array
    raw_stock, raw_paper, raw_marker : (3,) arrays
    raw_blot : (81, 3) array
        Blot colour at `BLOT_VOLUMES`.
    glare : (3,) array
        Raw light added everywhere.
    power, patch_reflectance, blot_reflectance : (n,), (72, n), (n,) arrays
        What an eye or an instrument on the spot would have seen.
    ink : (72, 4) array
        Cyan, magenta, yellow and black on each patch.
    shade_slope, shade_bend : arrays (2,), float
        Light over the card: 1 + slope . u + bend |u|^2, with u in card halves.
    camera : Camera
    matrix : (3, 3) array
        Raw to linear display RGB.
    """

    hb_g_dl: float
    so2: float
    volume: float
    lot: Lot
    light_name: str
    camera: Camera
    matrix: Array
    raw_patches: Array
    raw_stock: Array
    raw_paper: Array
    raw_marker: Array
    raw_blot: Array
    glare: Array
    power: Array
    patch_reflectance: Array
    blot_reflectance: Array
    ink: Array
    shade_slope: Array
    shade_bend: float

    def shade(self, at_mm: Array) -> Array:
        """Relative light at card positions (..., 2) in mm, shape (...)."""
        u = (np.asarray(at_mm, float) - layout.CENTRE_MM) / (layout.WIDTH_MM / 2)
        return np.asarray(1 + u @ self.shade_slope + self.shade_bend * (u**2).sum(axis=-1))

    def develop(self, raw: Array, about: Array | None = None) -> Array:
        """Camera processing: raw (..., 3), light and glare included, to encoded 0..1.

        ``about`` as `Camera.encode` takes it.
        """
        return self.camera.encode(self.display(raw), about)

    def display(self, raw: Array) -> Array:
        """Raw (..., 3) to linear display RGB, before the tone curve."""
        return np.asarray(np.clip(np.clip(raw, 0, 1) @ self.matrix.T, 0, 1))


@lru_cache(maxsize=64)
def simulated_lot(number: int, expires: date, seed: int, noise_lab: float = 0.15) -> Lot:
    """Print a lot with its own ink strengths and measure it.

    ``noise_lab`` is the instrument's standard deviation per CIELAB coordinate. Sittings by the
    hundred share a few lots, and what a lot works out of its colours: they get the same one.
    """
    rng = np.random.default_rng(seed)
    reflectance = print_reflectance(_lot_ink(seed))
    noise = rng.normal(0, noise_lab, (reflectance.shape[0], 3))
    return Lot(
        number=number,
        expires=expires,
        basis="measured",
        lab=lab(reflectance) + noise,
        paper_lab=lab(paper_reflectance()),
        stock_lab=lab(stock_reflectance()),
        instrument="simulated spectrophotometer",
        note=f"synthetic lot, print seed {seed}",
    )


def _lot_ink(seed: int) -> Array:
    strength = np.random.default_rng([seed, 1]).lognormal(0, 0.03, 4)
    return recipe() * strength


def draw_scene(
    rng: np.random.Generator,
    hb_g_dl: float,
    lot: Lot,
    lot_seed: int,
    control: Control = ORDINARY,
    family: Family = Family.FITTING,
    light_name: str | None = None,
    camera: Camera | None = None,
    like: Scene | None = None,
    *,
    rendered: bool = False,
    local_tone: bool = False,
) -> Scene:
    """Draw a scene with a given haemoglobin; all else at random within the control.

    ``light_name`` names a CIE light; None draws a lamp of our own for the fitting
    family, a CIE light for the held-out one. ``camera`` keeps one phone over many
    scenes; None draws one of the family. ``like`` makes it another blot of the same
    sitting: lamp, phone, card and oxygenation are those of that scene. ``rendered``
    has phones treat colour after the tone curve as their family does, ``local_tone`` has
    them map tone locally; all else is drawn as without.
    """
    if light_name is None and family is Family.HELD_OUT:
        light_name = str(rng.choice(TABULATED_LIGHTS))
    light_name, power = (light_name, light(light_name)) if light_name else draw_lamp(rng)
    camera = camera or draw_camera(rng, family)
    if rendered or local_tone:
        # From a stream of its own: it moves no other draw.
        apart = rng.spawn(1)[0]
        rendering, local = draw_rendering(apart, family), draw_local_tone(apart, family)
        camera = replace(
            camera,
            rendering=rendering if rendered else camera.rendering,
            local=local if local_tone else camera.local,
        )
    so2 = rng.uniform(0.90, 0.98)
    if like is not None:
        light_name, power, camera, so2 = like.light_name, like.power, like.camera, like.so2
    volume = float(np.exp(rng.normal(0, control.volume_cv))) if control.volume_cv else 1.0
    tint = rng.uniform(-control.tint_max, control.tint_max)
    ink = _lot_ink(lot_seed) * rng.lognormal(0, control.card_ink, 4)
    ink = ink * rng.lognormal(0, control.cell_ink, ink.shape)
    if like is not None:
        ink = like.ink
    white = camera.raw(stock_reflectance(), power)
    # The phone's white balance misses by a few per cent, and so does exposure.
    gain = rng.uniform(0.45, 0.85) * rng.lognormal(0, 0.03, 3) / white

    def raw(reflectance: Array) -> Array:
        return np.asarray(camera.raw(reflectance, power) * gain)

    stock = raw(stock_reflectance())
    printed = print_reflectance(ink)
    angle = rng.uniform(0, 2 * np.pi)
    slope = rng.uniform(0, control.shade_max) * np.array([np.cos(angle), np.sin(angle)])
    return Scene(
        hb_g_dl=float(hb_g_dl),
        so2=so2,
        volume=volume,
        lot=lot,
        light_name=light_name,
        camera=camera,
        matrix=camera.matrix(power),
        raw_patches=raw(printed),
        raw_stock=stock,
        raw_paper=raw(paper_reflectance(tint)),
        raw_marker=raw(print_reflectance([0.0, 0.0, 0.0, 1.6])),
        raw_blot=raw(blot_reflectance(hb_g_dl, so2, volume * BLOT_VOLUMES, tint)),
        glare=rng.uniform(0, control.glare_max) * stock * rng.lognormal(0, 0.05, 3),
        power=power,
        patch_reflectance=printed,
        blot_reflectance=blot_reflectance(hb_g_dl, so2, volume, tint),
        ink=ink,
        shade_slope=slope,
        shade_bend=rng.uniform(-0.4, 0.1) * control.shade_max,
    )


def with_light_factor(scene: Scene, factor: float) -> Scene:
    """The same scene at another exposure."""
    return replace(
        scene,
        raw_patches=scene.raw_patches * factor,
        raw_stock=scene.raw_stock * factor,
        raw_paper=scene.raw_paper * factor,
        raw_marker=scene.raw_marker * factor,
        raw_blot=scene.raw_blot * factor,
        glare=scene.glare * factor,
    )
