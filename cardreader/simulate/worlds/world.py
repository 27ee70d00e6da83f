"""One world: its card lot, blotting paper and blood; and sittings in it as `Scene`s."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from cardreader.card.lot import Lot
from cardreader.colour.cielab import lab_to_xyz
from cardreader.simulate.blood import WAVELENGTHS_NM
from cardreader.simulate.cameras import Camera
from cardreader.simulate.colorimetry import lab, xyz
from cardreader.simulate.demolots import design_lot
from cardreader.simulate.scene import BLOT_VOLUMES, Control, Scene
from cardreader.simulate.worlds import inks, prints
from cardreader.simulate.worlds.blots import BlotModel, draw_blot_model
from cardreader.simulate.worlds.papers import Paper, draw_paper

Array = NDArray[np.float64]
_INSTRUMENT_LAB_SD = 0.15
_EXCITED_AT_NM = 415.0
"""Nearest to the ultraviolet that is told from it: where blood takes the brightener's light."""
_GLOW_WEIGHT = {
    "daylight": 1.0,
    "halophosphate tube": 0.5,
    "broad-band tube": 0.5,
    "three-band tube": 0.5,
}
"""Ultraviolet of a lamp against daylight's, roughly; bulbs give little, LEDs hardly any."""


@dataclass(frozen=True, eq=False)
class World:
    """A site's materials.

    Attributes
    ----------
    family : str
        Of the colorants; or "given" where the lot's spectra were.
    press : Press or None
        None where the lot's spectra were given.
    ink : (72, 4) array
        Amounts that this lot was printed with.
    printed : (72, n), stock : (n,) arrays
        Reflectance of the lot, without instrument noise.
    paper : Paper
    blot : BlotModel
    """

    family: str
    press: prints.Press | None
    ink: Array
    printed: Array
    stock: Array
    paper: Paper
    blot: BlotModel

    def lot(self, number: int, rng: np.random.Generator) -> Lot:
        """The lot as an instrument measures it, spectra included."""
        noise = rng.normal(0, _INSTRUMENT_LAB_SD, (len(self.printed), 3))
        paper = self.blank(1.0)
        return Lot(
            number=number,
            expires=date.max,
            basis="measured",
            lab=lab(self.printed) + noise,
            paper_lab=lab(np.minimum(paper, 1.0)),
            stock_lab=lab(self.stock),
            spectra=self.printed,
            wavelengths_nm=WAVELENGTHS_NM,
            paper_spectrum=paper,
            stock_spectrum=self.stock,
            instrument="simulated spectrophotometer",
        )

    def blank(self, ultraviolet: float, power: Array | None = None) -> Array:
        """Radiance factor (n,) of blank paper under a lamp with so much ultraviolet."""
        bare = self.blot.reflectance(self.paper, 0.0, 0.95, 0.0)
        return np.asarray(bare + self.glow(ultraviolet, power))

    def glow(self, ultraviolet: float, power: Array | None = None) -> Array:
        """What the paper's brightener adds to its radiance factor, shape (n,)."""
        shape = self.paper.glow * ultraviolet * self.paper.glow_shape
        # The same light comes back under any lamp: as a share it is large where the lamp is dim.
        return shape if power is None else shape / np.maximum(power, 0.05)


def draw_world(rng: np.random.Generator, lot: Lot | None = None) -> World:
    """Draw a world; with a lot that has spectra, one whose cards are of that lot."""
    paper, blot = draw_paper(rng), draw_blot_model(rng)
    if lot is not None:
        printed, stock = _given(lot)
        return World("given", None, np.zeros((72, 4)), printed, stock, paper, blot)
    family = str(rng.choice(inks.FAMILIES))
    model = str(rng.choice(prints.MODELS))
    press = prints.draw_press(rng, model, inks.draw_colorants(rng, family))
    ink = _recipe(rng, press)
    return World(family, press, ink, press(ink), press.stock, paper, blot)


def _given(lot: Lot) -> tuple[Array, Array]:
    if lot.spectra is None or lot.wavelengths_nm is None or lot.stock_spectrum is None:
        raise ValueError("the lot has no spectra")
    nm = lot.wavelengths_nm
    printed = np.stack([np.interp(WAVELENGTHS_NM, nm, row) for row in lot.spectra])
    return printed, np.interp(WAVELENGTHS_NM, nm, lot.stock_spectrum)


def _recipe(rng: np.random.Generator, press: prints.Press) -> Array:
    """Amounts (72, 4) that a print shop lays for the design's colours, with its own errors."""
    wanted = xyz_of_design(press.stock)
    ink = solve_amounts(press, wanted)
    # Presses drift by some per cent in each ink, and profiles err smoothly along the scale.
    strength = rng.lognormal(0, 0.05, 4)
    bend = rng.normal(0, 0.06, 4)
    depth = ink / press.most
    return np.repeat(ink * strength * (1 + bend * (1 - 2 * depth)), 2, axis=0)


def xyz_of_design(stock: Array) -> Array:
    """XYZ (36, 3) asked of the shades on this stock.

    Relative to the stock's white, as printers render; only the whitest grey suffers.
    """
    design = design_lot()
    return np.asarray(design.xyz[::2] / lab_to_xyz(design.stock_lab) * xyz(stock))


def solve_amounts(press: prints.Press, wanted: Array) -> Array:
    """Amounts (m, 4): the first ten (greys) of black alone, the rest of the three colours.

    Damped Gauss-Newton on all shades at once; colours that the press can't reach come out
    as near as its limits allow.
    """
    grey = np.arange(len(wanted)) < 10
    amount = np.full((len(wanted), 4), 0.15 * press.most)
    amount[grey, :3], amount[~grey, 3] = 0.0, 0.0
    free = np.where(grey[:, None], [False, False, False, True], [True, True, True, False])
    goal = np.cbrt(wanted)
    damping = np.full(len(wanted), 1e-2)
    miss = np.cbrt(xyz(press(amount))) - goal
    for _ in range(40):
        step = 1e-4 * press.most
        jacobian = np.empty((len(wanted), 3, 4))
        for k in range(4):
            moved = amount.copy()
            moved[:, k] += step
            jacobian[:, :, k] = (np.cbrt(xyz(press(moved))) - goal - miss) / step
        jacobian *= free[:, None, :] * press.most
        gram = np.einsum("mci,mcj->mij", jacobian, jacobian)
        gram += damping[:, None, None] * np.eye(4) * 0.1 + 1e-9 * np.eye(4)
        move = np.linalg.solve(gram, np.einsum("mci,mc->mi", jacobian, miss)[..., None])[..., 0]
        trial = np.clip(amount - move * free * press.most, 0, press.most)
        trial_miss = np.cbrt(xyz(press(trial))) - goal
        better = (trial_miss**2).sum(axis=1) <= (miss**2).sum(axis=1)
        amount = np.where(better[:, None], trial, amount)
        miss = np.where(better[:, None], trial_miss, miss)
        damping = np.where(better, damping * 0.3, damping * 5).clip(1e-6, 1e3)
    return amount


def draw_world_scene(
    world: World,
    rng: np.random.Generator,
    hb_g_dl: float,
    lot: Lot,
    control: Control,
    camera: Camera,
    lamp: tuple[str, Array],
    volume: float | None = None,
    like: Scene | None = None,
) -> Scene:
    """A sitting in a world, as `scene.draw_scene` draws one of the demonstration world.

    ``like`` makes it another blot of the same sitting, beside the card of that scene.
    """
    light_name, power = lamp
    blot = world.blot
    if volume is None:
        volume = float(np.exp(rng.normal(0, control.volume_cv)))
    shown = volume * float(np.exp(rng.normal(0, blot.haematocrit_sd)))
    met = float(np.clip(blot.met * (1 + blot.met_sd * rng.normal()), 0, 0.4))
    so2 = rng.uniform(0.90, 0.98)  # capillary blood, and the air takes what it lacks
    ultraviolet = _GLOW_WEIGHT.get(light_name, 0.05) * rng.lognormal(0, 0.4)
    # Sheets of one batch differ a little in level and tint.
    tint = 1 + rng.uniform(-1, 1) * control.tint_max * 0.1 * (WAVELENGTHS_NM < 480)
    glow = world.glow(ultraviolet, power)
    blank = world.blot.reflectance(world.paper, 0.0, so2, 0.0)
    amounts = hb_g_dl * shown * BLOT_VOLUMES
    stained = blot.reflectance(world.paper, amounts, so2, met)
    # The brightener's light is made and sent back within the blood, so it is taxed twice.
    through = np.minimum(stained / blank, 1.0)
    violet = through[:, int(np.argmin(np.abs(WAVELENGTHS_NM - _EXCITED_AT_NM)))]
    stained = stained * tint + glow * through * violet[:, None]
    printed = _card(world, rng, control)
    if like is not None:
        printed = like.patch_reflectance
    camera_white = camera.raw(world.stock, power)
    gain = rng.uniform(0.45, 0.85) * rng.lognormal(0, 0.03, 3) / camera_white

    def raw(reflectance: Array) -> Array:
        return np.asarray(camera.raw(reflectance, power) * gain)

    stock = raw(world.stock)
    angle = rng.uniform(0, 2 * np.pi)
    slope = rng.uniform(0, control.shade_max) * np.array([np.cos(angle), np.sin(angle)])
    at = int(np.argmin(np.abs(BLOT_VOLUMES - 1)))
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
        raw_paper=raw(blank * tint + glow),
        raw_marker=raw(0.05 * np.ones_like(WAVELENGTHS_NM)),
        raw_blot=raw(stained),
        glare=rng.uniform(0, control.glare_max) * stock * rng.lognormal(0, 0.05, 3),
        power=power,
        patch_reflectance=printed,
        blot_reflectance=stained[at],
        ink=world.ink,
        shade_slope=slope,
        shade_bend=rng.uniform(-0.4, 0.1) * control.shade_max,
    )


def _card(world: World, rng: np.random.Generator, control: Control) -> Array:
    """Reflectance (72, n) of one card of the lot, with its own scatter of ink."""
    card = rng.lognormal(0, control.card_ink, 4)
    if world.press is not None:
        return world.press(world.ink * card * rng.lognormal(0, control.cell_ink, (72, 4)))
    # Without the inks' own spectra: more or less of a shade's ink is a power of its density.
    power = rng.lognormal(0, control.card_ink) * rng.lognormal(0, control.cell_ink, (72, 1))
    share = np.maximum(world.printed / world.stock, 1e-4)
    return np.asarray(world.stock * share**power)
