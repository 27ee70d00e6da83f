"""How near the reader comes to the truth, on simulated sittings it was not fitted to.

    python tests/benchmarks/accuracy.py --draws 4000 --out docs/accuracy.md

Cameras and lights are both held out: the cameras are of another functional form
than those the default calibration was fitted to, or measured ones; the lights are
the CIE tables, of which the fit saw none. Draws are patch-level: a scene is
simulated spectrally and the reader's own colour stages work on its patch means.
Next to it stand, on the same draws,

- an ideal eye at the table: it sees card and blot in the light that is there,
  adapted to it, and names the nearest shade by CIEDE2000;
- the same reader without calibration: nearest point of the card's own ramp;
- colour-science's correction functions fitted to the same patches, then the
  nearest point of the ramp.

Everything here is synthetic: no figure says how the reader does on blood.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import colour
import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.core.refusal import Refusal
from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import Outcome, decide
from cardreader.hb.calibration import Calibration
from cardreader.hb.combine import combine
from cardreader.hb.estimate import HbEstimate, read_hb
from cardreader.hb.measured import measured
from cardreader.read.correct import correct
from cardreader.simulate.cameras import Family
from cardreader.simulate.colorimetry import observer
from cardreader.simulate.patchdraw import PatchDraw, patch_draw
from cardreader.simulate.rendering import draw_unlike_the_readers
from cardreader.simulate.scene import GOOD, ORDINARY, Control, Scene, draw_scene, simulated_lot

Array = NDArray[np.float64]
D50_XY = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
CELLS = layout.cells()
RAMP = np.array([c.kind is Kind.RAMP for c in CELLS])
AT_MM = np.array([(c.x_mm, c.y_mm) for c in CELLS])
HB_RANGE_G_DL = (3.0, 18.0)
LOT_SEEDS = range(100, 112)
"""None of the lots that the default calibration was fitted to."""

BANDS_G_DL = ((3, 7), (7, 9), (9, 11), (11, 13), (13, 18))
RIVALS = ("Cheung 2004", "Finlayson 2015", "Vandermonde")


@dataclass(frozen=True)
class Draw:
    """One sitting: truth, and what each way of reading made of it (nan: refused)."""

    hb_g_dl: float
    light: str
    camera: str
    rendering: str
    read_g_dl: float
    covered: bool
    severe_sent: bool
    anaemic_sent: bool
    cleared: bool
    refusal: str
    others_g_dl: dict[str, float]


def main() -> None:
    """Draw, read, and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", type=int, default=4000, help="sittings per control")
    parser.add_argument("--safety-draws", type=int, default=10000, help="sittings at 9 and below")
    parser.add_argument("--women", type=int, default=2000, help="women of whom blots are combined")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, help="also write the tables here")
    arguments = parser.parse_args()
    calibration = Calibration.load(shipped("default"))
    text = report(
        calibration,
        n=arguments.draws,
        n_safety=arguments.safety_draws,
        n_women=arguments.women,
        seed=arguments.seed,
        workers=arguments.workers,
    )
    print(text)
    if arguments.out:
        arguments.out.write_text(text)


def report(
    calibration: Calibration, n: int, n_safety: int, n_women: int, seed: int, workers: int
) -> str:
    """All tables as Markdown."""
    lines = [
        "# Accuracy on simulated sittings",
        "",
        "Synthetic throughout; made by `python tests/benchmarks/accuracy.py`. "
        f"Calibration `{calibration.id}`, {n} draws a control, seed {seed}. Haemoglobin uniform "
        "over 3 to 18 g/dL, cameras and lights held out. All figures in g/dL unless marked. "
        "Sensitivity and specificity are of what was read: below 7, of being raised as severe or "
        "possibly so; below 11, of not being called not anaemic ('uncertain' counts as sent on). "
        "Phones treat colour after the tone curve as those held out do: in Oklab, in "
        "hue-saturation-value, by a curve on luma, or not at all; the reader undoes the first two "
        "by their formulas, so others that it doesn't know have a table of their own; so do those "
        "that map tone locally besides, by a fusion of exposures that the fit did not see. "
        "The camera `measured-2` is a stacked sensor that no phone has: its colours are often "
        "crushed and then refused.",
        "",
    ]
    image_only = replace(calibration, volume_cv=0.0)
    scatter = replace(ORDINARY, volume_cv=calibration.volume_cv)
    for title, control, model in (
        ("Good control, image only", GOOD, image_only),
        ("Ordinary control, image only", ORDINARY, image_only),
        (f"Ordinary control, blood volume CV {scatter.volume_cv:.0%}", scatter, calibration),
    ):
        draws = simulate(model, control, n, seed, workers)
        lines += section(title, draws)
    lines += other_phones(image_only, n, seed, workers)
    lines += several_blots(calibration, scatter, n_women, seed + 2, workers)
    low = simulate(calibration, scatter, n_safety, seed + 1, workers, HB_RANGE_G_DL[0], 9.0, False)
    cleared = sum(d.cleared for d in low)
    lines += [
        "## Safety",
        "",
        f"Sittings with haemoglobin of 9 g/dL or below: {len(low)}; "
        f"read {sum(not d.refusal for d in low)}; called not anaemic **{cleared}**.",
        "",
    ]
    return "\n".join(lines)


def simulate(
    calibration: Calibration,
    control: Control,
    n: int,
    seed: int,
    workers: int,
    low: float = HB_RANGE_G_DL[0],
    high: float = HB_RANGE_G_DL[1],
    others: bool = True,
    phones: str = "held out",
) -> list[Draw]:
    """Draw n sittings and read them; phones "plain" leave colour as the sensor gave it, those
    "unlike" treat it by no formula that the reader has, "local" ones map tone locally besides."""
    jobs = [
        (calibration, control, seed, start, min(100, n - start), low, high, others, phones)
        for start in range(0, n, 100)
    ]
    with ProcessPoolExecutor(workers) as pool:
        return [draw for part in pool.map(_job, jobs) for draw in part]


def _job(
    job: tuple[Calibration, Control, int, int, int, float, float, bool, str],
) -> list[Draw]:
    calibration, control, seed, start, n, *how = job
    return [
        _draw(calibration, control, np.random.default_rng([seed, start + i]), *how)
        for i in range(n)
    ]


def _draw(
    calibration: Calibration,
    control: Control,
    rng: np.random.Generator,
    low: float,
    high: float,
    others: bool,
    phones: str,
) -> Draw:
    lot_seed = int(rng.choice(LOT_SEEDS))
    lot = simulated_lot(lot_seed, date.max, lot_seed)
    scene = draw_scene(
        *(rng, rng.uniform(low, high), lot, lot_seed, control, Family.HELD_OUT),
        rendered=phones in ("held out", "local"),
        local_tone=phones == "local",
    )
    if phones == "unlike":
        rendered = draw_unlike_the_readers(rng.spawn(1)[0])
        scene = replace(scene, camera=replace(scene.camera, rendering=rendered))
    draw = patch_draw(scene, rng)
    result = _read(draw, scene, calibration)
    rivals = {"ideal eye": eye(scene)} | _rivals(draw, scene) if others else {}
    truth = scene.hb_g_dl
    rendering = scene.camera.rendering.name if scene.camera.rendering else "plain"
    if isinstance(result, Refusal):
        return Draw(
            truth, scene.light_name, scene.camera.name, rendering, np.nan, False, True, True, False,
            result.reason, rivals,
        )  # fmt: skip
    decision = decide(result, load_protocol())
    interval = result.interval_g_dl
    return Draw(
        truth,
        scene.light_name,
        scene.camera.name,
        rendering,
        result.hb_g_dl,
        interval[0] <= truth <= interval[1],
        decision.refer,
        decision.outcome is not Outcome.NOT_ANAEMIC,
        decision.outcome is Outcome.NOT_ANAEMIC,
        "",
        rivals,
    )


def _read(draw: PatchDraw, scene: Scene, calibration: Calibration) -> HbEstimate | Refusal:
    colours = draw.colours(scene.lot)
    return colours if isinstance(colours, Refusal) else read_hb(measured(*colours), calibration)


def eye(scene: Scene) -> float:
    """Nearest shade as an adapted eye at the table sees it: CIELAB under the light itself."""
    weights = observer() * scene.power[:, None]
    weights = weights / weights[:, 1].sum()
    white = weights.sum(axis=0)
    xy = white[:2] / white.sum()
    shades = colour.XYZ_to_Lab(scene.patch_reflectance[RAMP] @ weights, xy)
    blot = colour.XYZ_to_Lab(scene.blot_reflectance @ weights, xy)
    nearest = int(np.argmin(colour.delta_E(shades, blot, method="CIE 2000")))
    return float(np.repeat(layout.RAMP_HB_G_DL, 2)[nearest])


def _rivals(draw: PatchDraw, scene: Scene) -> dict[str, float]:
    """Hb by the nearest point of the ramp, after each way of correcting colour."""
    rgb, lot = draw.samples.linear, scene.lot
    corrected: dict[str, Array] = {}
    ours = correct(draw.samples, lot)
    if not isinstance(ours, Refusal):
        at = np.array([layout.CENTRE_MM])
        corrected["card ramp only"] = ours.xyz(draw.blot_rgb[None], at)[0]
    for method in RIVALS:
        corrected[f"colour-science {method}"] = colour.colour_correction(
            draw.blot_rgb, rgb, lot.xyz, method=method
        )
    return {name: nearest_on_ramp(xyz, lot.lab[RAMP]) for name, xyz in corrected.items()}


def nearest_on_ramp(xyz: Array, ramp_lab: Array) -> float:
    """Haemoglobin of the nearest point of the interpolated ramp, CIELAB distance."""
    shades = ramp_lab.reshape(-1, 2, 3).mean(axis=1)
    grid = np.linspace(layout.RAMP_HB_G_DL[0], layout.RAMP_HB_G_DL[-1], 600)
    curve = np.stack([np.interp(grid, layout.RAMP_HB_G_DL, c) for c in shades.T], axis=1)
    lab = colour.XYZ_to_Lab(np.maximum(xyz, 0), D50_XY)
    return float(grid[np.argmin(((curve - lab) ** 2).sum(axis=1))])


def other_phones(calibration: Calibration, n: int, seed: int, workers: int) -> list[str]:
    """The same sittings with phones that leave colour alone, treat it as no other here does, or
    treat a place by what lies around it."""
    lines = []
    for title, phones in (
        ("Phones that leave colour alone", "plain"),
        ("Phones that treat colour by no formula of the reader's", "unlike"),
        ("Phones that map tone locally besides", "local"),
    ):
        rows = {
            control: simulate(calibration, made, n, seed, workers, others=False, phones=phones)
            for control, made in (("good control", GOOD), ("ordinary control", ORDINARY))
        }
        if phones == "unlike":
            for name in sorted({draw.rendering for draw in rows["ordinary control"]}):
                rows[f"ordinary, {name}"] = [
                    draw for draw in rows["ordinary control"] if draw.rendering == name
                ]
        lines += [f"## {title}, image only", "", *_table("control", rows.items(), _full_row)]
    return lines


# --- several blots --------------------------------------------------------------


MOST_BLOTS = 3


@dataclass(frozen=True)
class Woman:
    """Up to `MOST_BLOTS` blots of one woman, all combined from the first on.

    ``error_g_dl``, ``width_g_dl``, ``covered``, ``disagree``: of the first one, two and
    three blots that were read.
    """

    error_g_dl: tuple[float, ...]
    width_g_dl: tuple[float, ...]
    covered: tuple[bool, ...]
    disagree: tuple[bool, ...]


def several_blots(
    calibration: Calibration, control: Control, n: int, seed: int, workers: int
) -> list[str]:
    """Blots of one woman combined: by the same phone in the same light, and by others."""
    lines = [
        "## Several blots of one woman",
        "",
        f"Ordinary control, blood volume CV {control.volume_cv:.0%}, {n} women a row. In one "
        "sitting lamp, phone and card are the same; exposure, shade, veil, volume and noise "
        "are not. Blots are told to disagree by a test that at most one woman in a hundred fails. "
        "Intervals are to hold 88 to 92 %.",
        "",
    ]
    rows = []
    for name, same in (("one sitting", True), ("another phone and light each", False)):
        women = draw_women(calibration, control, n, seed, workers, same)
        for k in range(MOST_BLOTS):
            rows.append((f"{name}: {k + 1}", [w for w in women if len(w.covered) > k], k))
    head = ("blots", "RMSE", "90 % interval covers", "mean width", "told to disagree", "women")
    lines += ["| " + " | ".join(head) + " |", "|---" * len(head) + "|"]
    for name, women, k in rows:
        rmse = np.sqrt(np.mean([w.error_g_dl[k] ** 2 for w in women]))
        width = np.mean([w.width_g_dl[k] for w in women])
        lines.append(
            f"| {name} | {rmse:.2f} | {_share([w.covered[k] for w in women])} | {width:.2f} "
            f"| {_share([w.disagree[k] for w in women])} | {len(women)} |"
        )
    return [*lines, ""]


def draw_women(
    calibration: Calibration, control: Control, n: int, seed: int, workers: int, same: bool
) -> list[Woman]:
    """Draw n women and combine their blots, the same sitting or ``same`` False another each."""
    jobs = [
        (calibration, control, seed, start, min(50, n - start), same) for start in range(0, n, 50)
    ]
    with ProcessPoolExecutor(workers) as pool:
        return [woman for part in pool.map(_women, jobs) for woman in part]


def _women(job: tuple[Calibration, Control, int, int, int, bool]) -> list[Woman]:
    calibration, control, seed, start, n, same = job
    return [
        _woman(calibration, control, np.random.default_rng([seed, start + i, int(same)]), same)
        for i in range(n)
    ]


def _woman(
    calibration: Calibration, control: Control, rng: np.random.Generator, same: bool
) -> Woman:
    hb = rng.uniform(*HB_RANGE_G_DL)
    lot_seed = int(rng.choice(LOT_SEEDS))
    lot = simulated_lot(lot_seed, date.max, lot_seed)
    scene, read = None, []
    for _ in range(MOST_BLOTS):
        like = scene if same else None
        scene = draw_scene(
            rng, hb, lot, lot_seed, control, Family.HELD_OUT, like=like, rendered=True
        )
        found = _read(patch_draw(scene, rng), scene, calibration)
        if not isinstance(found, Refusal):
            read.append(found)
    taken = [combine(read[: k + 1], calibration) for k in range(len(read))]
    ends = [one.interval_g_dl for one in taken]
    return Woman(
        tuple(one.hb_g_dl - hb for one in taken),
        tuple(high - low for low, high in ends),
        tuple(low <= hb <= high for low, high in ends),
        tuple(one.blots_disagree for one in taken),
    )


# --- tables -------------------------------------------------------------------


def section(title: str, draws: Sequence[Draw]) -> list[str]:
    """One control: summary, rivals, per band, per light, per camera."""
    return [
        f"## {title}",
        "",
        *_table("way", _ways(draws), _error_row),
        *_table("Hb band", _by(draws, _band), _full_row),
        *_table("light", _by(draws, lambda d: d.light), _full_row),
        *_table("camera", _by(draws, lambda d: d.camera), _full_row),
        *_table("rendering", _by(draws, lambda d: d.rendering), _full_row),
        f"Refused {_refusals(draws)}.",
        "",
    ]


def _ways(draws: Sequence[Draw]) -> Iterable[tuple[str, tuple[Array, Array]]]:
    truth = np.array([d.hb_g_dl for d in draws])
    yield "**cardreader**", (truth, np.array([d.read_g_dl for d in draws]))
    for name in draws[0].others_g_dl:
        yield name, (truth, np.array([d.others_g_dl.get(name, np.nan) for d in draws]))


def _band(draw: Draw) -> str:
    for low, high in BANDS_G_DL:
        if draw.hb_g_dl < high:
            return f"{low:>2} to {high}"
    return "above"


def _by(draws: Sequence[Draw], key: Callable[[Draw], str]) -> Iterable[tuple[str, Sequence[Draw]]]:
    yield "all", draws
    for value in sorted({key(d) for d in draws}):
        yield value, [d for d in draws if key(d) == value]


def _errors(truth: Array, read: Array) -> tuple[float, float, float, float]:
    error = (read - truth)[np.isfinite(read)]
    bias, sd = error.mean(), error.std(ddof=1)
    return bias, float(np.sqrt((error**2).mean())), bias - 1.96 * sd, bias + 1.96 * sd


_ERROR_HEAD = ("bias", "RMSE", "95 % limits of agreement")
_FULL_HEAD = (
    *_ERROR_HEAD,
    "90 % interval covers",
    "sensitivity < 7",
    "specificity < 7",
    "sensitivity < 11",
    "specificity < 11",
    "refused",
    "n",
)


def _error_row(pair: tuple[Array, Array] | None) -> tuple[str, ...]:
    if pair is None:
        return _ERROR_HEAD
    bias, rmse, low, high = _errors(*pair)
    return f"{bias:+.2f}", f"{rmse:.2f}", f"{low:+.2f} to {high:+.2f}"


def _full_row(draws: Sequence[Draw] | None) -> tuple[str, ...]:
    if draws is None:
        return _FULL_HEAD
    truth = np.array([d.hb_g_dl for d in draws])
    read = np.array([d.read_g_dl for d in draws])
    kept = [d for d in draws if not d.refusal]
    return (
        *_error_row((truth, read)),
        _share([d.covered for d in kept]),
        _share([d.severe_sent for d in kept if d.hb_g_dl < 7]),
        _share([not d.severe_sent for d in kept if d.hb_g_dl >= 7]),
        _share([d.anaemic_sent for d in kept if d.hb_g_dl < 11]),
        _share([not d.anaemic_sent for d in kept if d.hb_g_dl >= 11]),
        _share([bool(d.refusal) for d in draws]),
        str(len(draws)),
    )


def _share(hits: Sequence[bool]) -> str:
    return f"{np.mean(hits):.1%}" if hits else "-"


def _table(name, rows, row) -> list[str]:  # type: ignore[no-untyped-def]
    head = row(None)
    out = ["| " + " | ".join((name, *head)) + " |", "|---" * (len(head) + 1) + "|"]
    out += ["| " + " | ".join((label, *row(content))) + " |" for label, content in rows]
    return [*out, ""]


def _refusals(draws: Sequence[Draw]) -> str:
    reasons = [d.refusal for d in draws if d.refusal]
    if not reasons:
        return "none"
    counts = {reason: reasons.count(reason) for reason in sorted(set(reasons))}
    return ", ".join(f"{count} {reason}" for reason, count in counts.items())


if __name__ == "__main__":
    main()
