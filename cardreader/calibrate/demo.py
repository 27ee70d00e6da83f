"""A worked study in an invented place, all of it synthetic: women, blood, phones and laboratory.

The scenario: antenatal outreach in the Ossemer valley (no such place). Women
are bled once for the laboratory and for two blots; the first blot is photographed
twice with one phone and once with another, the second blot once. Two printed
lots, four lights, three phones, three operators. Some laboratory values come
from acid-haematin tubes in percent, a few photos are refused, and two rows of
the table are faulty, as happens.

Photos are not drawn: each sitting's patch colours go through the reader's own
colour stages, which is what a photo comes down to.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from cardreader.calibrate.conformal import one_per_group
from cardreader.calibrate.document import render
from cardreader.calibrate.features import Features, feature_frame
from cardreader.calibrate.fit import Fit
from cardreader.calibrate.proportion import proportion
from cardreader.calibrate.study import Study, read_study
from cardreader.calibrate.studycolumns import study_package
from cardreader.calibrate.validate import Validation
from cardreader.calibrate.verdict import overall
from cardreader.core.files import write_atomic
from cardreader.core.refusal import Reason, Refusal
from cardreader.hb.measured import Measured, measured
from cardreader.simulate.cameras import Camera, Family, draw_camera
from cardreader.simulate.demolots import IN_DATE, SECOND, DemoLot
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import ORDINARY, draw_scene

TITLE = "Ossemer valley demonstration study"
LIGHTS = {
    "open shade": "D75",
    "daylight": "D65",
    "fluorescent tube": "FL10",
    "LED lamp": "LED-B3",
}
PHONES = ("phone A", "phone B", "phone C")
OPERATORS = ("op-1", "op-2", "op-3")
VOLUME_CV = 0.04
"""Invented scatter of blood per area between blots."""
REFUSED_SHARE = 0.04
"""Invented share of photos that a reader would refuse for blur or glare."""
PREVALENCE = {"severe": 0.03, "anaemic": 0.45, "not anaemic": 0.52}
"""Invented shares among the women of the valley."""
SEED = 4711
MARKS = {
    "study.csv": "synthetic/0001.jpg,",
    "datapackage.json": '"cardreader-study"',
    "README.md": f"# {TITLE}",
}
"""What a file of an older demonstration says, and a study's own file of that name doesn't."""


@dataclass(frozen=True)
class Truth:
    """What the demonstration knows and no study would: true haemoglobin per row of the table."""

    hb_g_dl: np.ndarray


@dataclass(frozen=True)
class _Sitting:
    row: dict[str, Any]
    hb_g_dl: float
    blood_g_dl: float
    camera: Camera
    light: str
    lot: DemoLot


def demo_study(folder: Path, n_women: int = 140, seed: int = SEED) -> tuple[Study, Features, Truth]:
    """Draw the study, write ``folder/study.csv`` and its dictionary, and measure its sittings.

    Parameters
    ----------
    folder : Path
        Must exist.
    n_women : int
        Each gives four photos.
    """
    rng = np.random.default_rng(seed)
    sittings = _sittings(rng, n_women)
    table = pd.DataFrame([sitting.row for sitting in sittings])
    _spoil(table)
    write_atomic(folder / "study.csv", table.to_csv(index=False))
    dictionary = json.dumps(study_package("study.csv"), indent=1, ensure_ascii=False) + "\n"
    write_atomic(folder / "datapackage.json", dictionary)
    study = read_study(folder / "study.csv")
    kept = [sittings[int(number) - 1] for number in study.rows["row"]]
    features = _measure(study, kept, rng)
    return study, features, Truth(np.array([sitting.hb_g_dl for sitting in kept]))


def _sittings(rng: np.random.Generator, n_women: int) -> list[_Sitting]:
    cameras = {
        name: draw_camera(np.random.default_rng([SEED, index]), Family.HELD_OUT)
        for index, name in enumerate(PHONES)
    }
    sittings: list[_Sitting] = []
    for woman in range(1, n_women + 1):
        hb = _draw_hb(rng)
        lab = _laboratory(rng, hb)
        lot = (IN_DATE, SECOND)[int(rng.random() < 0.4)]
        light = str(rng.choice(list(LIGHTS)))
        operator = str(rng.choice(OPERATORS))
        first, other = rng.choice(PHONES, 2, replace=False)
        volumes = np.exp(rng.normal(0, VOLUME_CV, 2))
        for blot, phone in ((1, first), (1, first), (2, first), (1, other)):
            number = len(sittings) + 1
            row = {
                "photo": f"synthetic/{number:04d}.jpg",
                "subject": f"W{woman:03d}",
                **lab,
                "phone": phone,
                "light": light,
                "lot": f"{lot.number:06d}",
                "operator": operator,
                "replicate": blot,
                "note": "synthetic",
            }
            sittings.append(
                # Blood per area and haemoglobin enter the colour as a product.
                _Sitting(row, hb, hb * volumes[blot - 1], cameras[str(phone)], light, lot)
            )
    return sittings


def _draw_hb(rng: np.random.Generator) -> float:
    """Invented: mostly mild anaemia, with more severe cases than a village has."""
    hb = rng.uniform(4.2, 7.5) if rng.random() < 0.25 else rng.normal(10.4, 1.9)
    return float(np.clip(hb, 4.0, 15.5))


def _laboratory(rng: np.random.Generator, hb: float) -> dict[str, Any]:
    method = str(rng.choice(["analyser", "photometric_hicn", "acid_haematin"], p=[0.6, 0.25, 0.15]))
    if method == "acid_haematin":
        percent = hb / 15.0 * 100
        sd = 0.06 * percent
        value, unit = float(round(percent + rng.normal(0, sd))), "percent"
    else:
        sd = 0.15 if method == "analyser" else 0.2
        value, unit = round(hb + rng.normal(0, sd), 1), "g/dL"
    return {
        "lab_value": f"{value:g}",
        "lab_unit": unit,
        "lab_method": method,
        "lab_sd": f"{sd:.2f}",
    }


def _spoil(table: pd.DataFrame) -> None:
    """Two slips that a table of this size would hold; both are reported, not guessed at."""
    plain = table.index[table["lab_unit"] == "g/dL"]
    if len(plain) > 20:
        without_point = str(table.loc[plain[7], "lab_value"]).replace(".", "")
        table.loc[plain[7], "lab_value"] = without_point + "0"
        table.loc[plain[19], "light"] = ""


def _measure(study: Study, sittings: list[_Sitting], rng: np.random.Generator) -> Features:
    lots = {demo.number: demo.lot() for demo in (IN_DATE, SECOND)}
    colours: list[Measured | None] = []
    refusals = []
    for sitting in sittings:
        scene = draw_scene(
            rng,
            sitting.blood_g_dl,
            lots[sitting.lot.number],
            sitting.lot.print_seed,
            ORDINARY,
            Family.HELD_OUT,
            light_name=LIGHTS[sitting.light],
            camera=sitting.camera,
        )
        seen = patch_draw(scene, rng).colours(scene.lot)
        if rng.random() < REFUSED_SHARE:
            seen = Refusal(Reason.BLURRED, "locate")
        if isinstance(seen, Refusal):
            refusals.append(f"{seen.reason} (synthetic)")
            colours.append(None)
            continue
        blot, correction = seen
        refusals.append("")
        colours.append(measured(blot, correction))
    size = max((len(one.signature) for one in colours if one is not None), default=0)
    blank = Measured(np.zeros(3), np.zeros((3, 3)), np.zeros(size))
    stacked = Measured.stack([blank if one is None else one for one in colours])
    rows = study.rows.reset_index(drop=True).assign(
        photo_sha256="", refusal=refusals, lot_basis="measured", print_sd=0.0
    )
    return Features(pd.concat([rows, feature_frame(stacked)], axis=1), study.n_rows, study.errors)


def readme(features: Features, truth: Truth, fitted: Fit, found: Validation) -> str:
    """Words about the demonstration, with what only a demonstration can know: the truth."""
    held, ok = found.held_out, found.held_out.accepted
    true = truth.hb_g_dl[(features.rows["refusal"] == "").to_numpy()]
    error = (held.hb_g_dl - true)[ok]
    one = np.flatnonzero(ok)[one_per_group(held.pairs.subject[ok], fitted.recipe.seed)]
    inside = (held.low_g_dl[one] <= true[one]) & (true[one] <= held.high_g_dl[one])
    return render(
        "demo.md",
        title=TITLE,
        women=found.n_women,
        refused=len(features.refused),
        verdict=overall(found.criteria),
        criteria=found.criteria,
        fitted=fitted,
        volume_cv=VOLUME_CV,
        groupings=sorted(fitted.scores[0].by_grouping) if fitted.scores else [],
        bias=float(error.mean()),
        rms=float(np.sqrt(np.mean(error**2))),
        covered=proportion(int(inside.sum()), one.size),
    )
