"""The sample photos: which ones there are, and the files made of each.

Every sample is a synthetic photo (``NAME.jpg``) with the truth behind it
(``NAME.truth.json``) and the reading that this version gives for it
(``NAME.reading.json``), in ``good`` or in ``refused``.

When the reader, the calibration or a protocol changes, the expected readings
are renewed from the photos that are there::

    python -m cardreader.simulate.samples sample_images
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from cardreader.card import layout
from cardreader.core.files import write_atomic
from cardreader.core.refusal import Reason
from cardreader.pipeline import read_photo
from cardreader.reader import Reader, load_reader
from cardreader.result.asjson import dumps, reading_json
from cardreader.simulate import demolots
from cardreader.simulate.blotshape import BlotKind, draw_blot
from cardreader.simulate.cameras import Family
from cardreader.simulate.cardmap import CardMap
from cardreader.simulate.demolots import DemoLot
from cardreader.simulate.laidover import shade_by_leaves, turn_paper
from cardreader.simulate.notblood import dried_brown, red_ink, with_spot_of
from cardreader.simulate.photograph import photograph
from cardreader.simulate.scene import GOOD, Control, Scene, draw_scene, with_light_factor
from cardreader.simulate.soiling import soil
from cardreader.simulate.view import Cover, ShadowEdge, Spot, Table, View, draw_view, fitted
from cardreader.simulate.wornprint import inks_bleached
from cardreader.terminal.progress import Progress, shown_as

TODAY = date(2026, 11, 2)
"""The day on which the samples are read, so that expiry dates don't change the result."""

_12_MP = (4000, 3000)
_8_MP = (3264, 2448)
_5_MP = (2592, 1944)
_X, _Y = layout.CENTRE_MM


@dataclass(frozen=True)
class Sample:
    """One sample photo.

    Attributes
    ----------
    name : str
        File name without ending.
    hb_g_dl : float
        Truth.
    seed : int
        Of everything not said here.
    light : str or None
        A CIE light; None draws a lamp.
    refused : Reason or None
        What the photo should be refused for; None when it should be read.
    view : dict
        Fields of `View` that are said, not drawn.
    blot : BlotKind
    lot : DemoLot
    family : Family
    change : callable or None
        What happens to the drawn scene.
    control : Control
    dirt : float
        Share of the print covered.
    paper_turn_deg : float
        How far askew the blotting paper lies.
    leaves : float
        Share of the light that leaves take where their shadows lie.
    """

    name: str
    hb_g_dl: float
    seed: int
    light: str | None = None
    refused: Reason | None = None
    view: dict[str, Any] = field(default_factory=dict)
    blot: BlotKind = BlotKind.GOOD
    lot: DemoLot = demolots.IN_DATE
    family: Family = Family.HELD_OUT
    change: Callable[[Scene], Scene] | None = None
    control: Control = GOOD
    dirt: float = 0.0
    paper_turn_deg: float = 0.0
    leaves: float = 0.0

    @property
    def folder(self) -> str:
        """``good`` or ``refused``."""
        return "good" if self.refused is None else "refused"

    def scene(self) -> Scene:
        """The scene behind the photo."""
        rng = np.random.default_rng([self.seed, 0])
        scene = draw_scene(
            rng,
            self.hb_g_dl,
            self.lot.lot(),
            self.lot.print_seed,
            self.control,
            self.family,
            self.light,
        )
        return self.change(scene) if self.change else scene

    def drawn_view(self) -> View:
        """The view of the photo: ordinary but for what the sample says."""
        drawn = draw_view(np.random.default_rng([self.seed, 1]), _8_MP)
        said = replace(drawn, **self.view)
        return said if "offset" in self.view else fitted(said)

    def photo(self) -> bytes:
        """The JPEG."""
        blot = draw_blot(np.random.default_rng([self.seed, 2]), self.blot)
        return photograph(self.scene(), self.drawn_view(), self.seed, blot, self._spoil)

    def _spoil(self, card: CardMap) -> None:
        rng = np.random.default_rng([self.seed, 3])
        if self.dirt:
            soil(card, rng, self.dirt)
        if self.paper_turn_deg:
            turn_paper(card, self.scene(), self.paper_turn_deg)
        if self.leaves:
            shade_by_leaves(card, rng, self.leaves)

    def truth(self) -> dict[str, Any]:
        """What is known about the photo because we made it."""
        scene, view = self.scene(), self.drawn_view()
        return {
            "synthetic": True,
            "note": "rendered by cardreader.simulate; not a photo of blood",
            "hb_g_dl": None if _bloodless(self) else self.hb_g_dl,
            "expected_refusal": self.refused,
            "seed": self.seed,
            "light": scene.light_name,
            "camera": f"synthetic, {scene.camera.name}",
            "lot": scene.lot.lot_id,
            "blot": self.blot,
            "card_share": round(view.card_share, 3),
            "tilt_deg": round(view.tilt_deg, 1),
            "rotation_deg": round(view.rotation_deg, 1),
            "orientation": view.orientation,
        }


def _bloodless(sample: Sample) -> bool:
    missing = sample.blot is BlotKind.NONE or not sample.view.get("with_card", True)
    return missing or sample.refused is Reason.NOT_BLOOD_COLOUR


def _with(factor: float) -> Callable[[Scene], Scene]:
    return lambda scene: with_light_factor(scene, factor)


GOOD_SAMPLES = (
    Sample("severe-3.5-daylight", 3.5, 101, "D65", view={"size": _12_MP, "orientation": 6}),
    Sample("severe-4.8-lamp", 4.8, 502, "A", view={"table": Table.STONE}),
    Sample("severe-6.1-tube", 6.1, 103, "FL2", view={"rotation_deg": 93.0}),
    Sample("severe-6.8-led", 6.8, 104, "LED-B3", view={"size": _5_MP, "orientation": 8}),
    Sample("moderate-7.4-shade", 7.4, 105, "D75", view={"tilt_deg": 28.0}),
    Sample("moderate-8.3-tube", 8.3, 106, "FL11", view={"orientation": 3}),
    Sample("moderate-9.2-morning", 9.2, 107, "D50", view={"size": _12_MP, "card_share": 0.62}),
    Sample("moderate-9.9-led", 9.9, 108, "LED-B1", view={"rotation_deg": 181.0}),
    Sample("mild-10.4-lamp", 10.4, 109, None, view={"table": Table.CLOTH}, family=Family.FITTING),
    Sample("mild-10.8-led", 10.8, 110, "LED-B5", view={"size": _5_MP, "card_share": 0.14}),
    Sample("above-11.3-daylight", 11.3, 111, "D55", view={"rotation_deg": 37.0}),
    Sample("above-12.2-tube", 12.2, 412, "FL7", view={"orientation": 6, "lens_k1": -0.03}),
    Sample("above-13.1-lamp", 13.1, 113, None, view={"size": _5_MP}, family=Family.FITTING),
    Sample("above-14.6-led", 14.6, 114, "LED-V1", lot=demolots.SECOND, view={"orientation": 1}),
    Sample("above-16.4-daylight", 16.4, 115, "D65", lot=demolots.SECOND, view={"size": _12_MP}),
)
"""Photos that should be read; the name says the band and the true haemoglobin in g/dL."""

REFUSED_SAMPLES = (
    Sample("no-card", 9.0, 201, "D65", Reason.NO_CARD, {"with_card": False, "size": _5_MP}),
    Sample(
        "thumb-on-corner", 9.0, 202, "D65", Reason.CARD_PART_HIDDEN,
        {"covers": (Cover(-12, 40, 13, 70),), "size": _5_MP},
    ),
    Sample(
        "corner-cut-off", 10.0, 203, "FL7", Reason.CARD_PART_HIDDEN,
        {"offset": (0.34, 0.02), "card_share": 0.35, "rotation_deg": 2.0, "size": _5_MP},
    ),
    Sample("too-far-away", 8.0, 204, "D55", Reason.CARD_TOO_SMALL, {"card_share": 0.012}),
    Sample(
        "strong-tilt", 8.0, 219, "D55", Reason.CARD_TOO_TILTED,
        {"tilt_deg": 64.0, "card_share": 0.2, "size": _5_MP},
    ),
    Sample("mirrored", 9.5, 205, "D65", Reason.CARD_MIRRORED, {"mirrored": True, "size": _5_MP}),
    Sample(
        "shaken", 9.0, 206, "LED-B3", Reason.BLURRED,
        {"motion_px": 28.0, "motion_deg": 25.0, "card_share": 0.35, "size": _5_MP},
    ),
    Sample(
        "out-of-focus", 12.0, 207, "FL2", Reason.BLURRED,
        {"defocus_px": 10.0, "card_share": 0.35, "size": _5_MP},
    ),
    Sample(
        "too-bright", 11.0, 208, "D65", Reason.CLIPPED, {"size": _5_MP}, change=_with(1.9)
    ),
    Sample(
        "glare-on-patches", 9.0, 230, "D65", Reason.GLARE_ON_PATCHES,
        {"spots": (Spot(_X - 22, _Y - 2, 5.0, 0.5),), "size": _5_MP},
        change=_with(0.8),
    ),
    Sample(
        "glare-on-blot", 7.6, 211, "LED-B2", Reason.GLARE_ON_BLOT,
        {
            "spots": (Spot(_X - 1.4, _Y - 1.0, 0.9, 0.45), Spot(_X + 1.8, _Y + 0.9, 0.5, 0.4)),
            "size": _5_MP,
        },
        change=_with(0.8),
    ),
    Sample(
        "shadow-edge", 9.0, 212, "D65", Reason.SHADOW_EDGE,
        {"shadows": (ShadowEdge(_X + 1.5, _Y, 20.0, 2.5, 0.45),), "size": _5_MP},
    ),
    Sample(
        "shadow-of-leaves", 9.0, 231, "D65", Reason.SHADOW_EDGE, {"size": _5_MP}, leaves=0.5,
    ),
    Sample(
        "paper-askew", 9.0, 225, "D65", Reason.PAPER_OUT_OF_PLACE, {"size": _5_MP},
        paper_turn_deg=24.0,
    ),
    Sample(
        "card-soiled", 9.0, 223, "D65", Reason.CARD_SOILED, {"size": _5_MP}, dirt=0.4,
    ),
    Sample(
        "card-faded", 9.0, 224, "D65", Reason.CARD_FADED, {"size": _5_MP},
        change=lambda scene: inks_bleached(scene, [0.1, 0.22, 0.18, 0.0]),
    ),
    Sample("no-blot", 9.0, 213, "FL4", Reason.BLOT_MISSING, {"size": _5_MP}, BlotKind.NONE),
    Sample("tiny-blot", 9.0, 214, "D50", Reason.BLOT_TOO_SMALL, {"size": _5_MP}, BlotKind.TINY),
    Sample("uneven-blot", 9.0, 215, "D65", Reason.BLOT_UNEVEN, {"size": _5_MP}, BlotKind.UNEVEN),
    Sample("two-drops", 9.0, 216, "FL3", Reason.BLOT_UNEVEN, {"size": _5_MP}, BlotKind.FRAGMENTS),
    Sample(
        "blot-at-border", 9.0, 217, "D65", Reason.BLOT_TOUCHES_BORDER, {"size": _5_MP},
        BlotKind.TOUCHING,
    ),
    Sample(
        "red-ink", 9.0, 218, "D65", Reason.NOT_BLOOD_COLOUR, {"size": _5_MP},
        change=lambda scene: with_spot_of(scene, red_ink),
    ),
    Sample(
        "dried-brown", 9.0, 220, "D55", Reason.NOT_BLOOD_COLOUR, {"size": _5_MP},
        change=lambda scene: with_spot_of(scene, dried_brown),
    ),
    Sample(
        "lot-expired", 9.0, 221, "D65", Reason.LOT_EXPIRED, {"size": _5_MP},
        lot=demolots.EXPIRED,
    ),
    Sample(
        "lot-unknown", 9.0, 222, "D65", Reason.LOT_UNKNOWN, {"size": _5_MP},
        lot=demolots.UNKNOWN,
    ),
)  # fmt: skip
"""Photos that should be refused; the name says what is wrong with them."""

SAMPLES = GOOD_SAMPLES + REFUSED_SAMPLES


def sample_reader() -> Reader:
    """What the expected readings are made with: all that ships, on `TODAY`."""
    return load_reader(today=TODAY)


def make_samples(
    folder: Path, names: tuple[str, ...] = (), progress: Progress | None = None
) -> list[Path]:
    """Write photos, truths and readings of all samples, or of those named.

    Returns the paths of the photos. Raises ValueError for a name that no
    sample has.
    """
    unknown = set(names) - {sample.name for sample in SAMPLES}
    if unknown:
        raise ValueError(f"no sample called {', '.join(sorted(unknown))}")
    chosen = [sample for sample in SAMPLES if not names or sample.name in names]
    reader = sample_reader()
    return [
        _write(sample, folder / sample.folder, reader)
        for sample in shown_as(progress, "rendering", chosen)
    ]


def reading_beside(photo: Path) -> Path:
    """Path of the expected reading of a sample photo."""
    return photo.with_suffix(".reading.json")


def renew_readings(folder: Path) -> list[Path]:
    """Read the sample photos in a folder again and write what this version makes of them."""
    reader = sample_reader()
    photos = sorted(folder.glob("*/*.jpg"))
    for path in photos:
        _write_reading(path, path.read_bytes(), reader)
    return photos


def _write(sample: Sample, folder: Path, reader: Reader) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{sample.name}.jpg"
    photo = sample.photo()
    write_atomic(path, photo)
    truth = json.dumps(sample.truth(), indent=2, sort_keys=True) + "\n"
    write_atomic(path.with_suffix(".truth.json"), truth)
    _write_reading(path, photo, reader)
    return path


def _write_reading(path: Path, photo: bytes, reader: Reader) -> None:
    write_atomic(reading_beside(path), dumps(reading_json(read_photo(photo, reader))))


if __name__ == "__main__":
    for renewed in renew_readings(Path(sys.argv[1])):
        print(reading_beside(renewed))
