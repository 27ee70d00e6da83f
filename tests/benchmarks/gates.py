"""What simulated sittings show of the quantities that the colour stages refuse by.

    python tests/benchmarks/gates.py --seed 40201 --draws 100

For each control, a line a quantity: its median, 95th and 99th hundredth, and the share of
sittings beyond half the limit, beyond it and beyond its double. Patch means, no pictures; lamps
and cameras of the fitting family. The seed is apart from those of the fit, of tuning and of the
benchmarks that are reported.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from datetime import date

import numpy as np

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.core.refusal import Refusal
from cardreader.read import correct, correctable, twins
from cardreader.read.gates.colour import CORRECTABLE, LIGHT, SPOILED
from cardreader.read.sample import PatchSamples
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.scene import GOOD, ORDINARY, POOR, draw_scene, simulated_lot

CONTROLS = {"good": GOOD, "ordinary": ORDINARY, "poor": POOR}
GATES = {
    gate.name: (stage, gate) for stage in (LIGHT, SPOILED, CORRECTABLE) for gate in stage.gates
}


def _limit(name: str, at: int | None = None) -> float:
    stage, gate = GATES[name]
    value = stage.value(gate)
    return float(value if at is None else value[at])


LIMITS = {
    "mean dE00": _limit("MAX_MEAN_DE00"),
    "ramp dE00": _limit("MAX_RAMP_DE00"),
    "left out, ln": _limit("MAX_LEFT_OUT"),
    "veil": _limit("MAX_GLARE"),
    "light ratio": _limit("MAX_LIGHT_RATIO"),
    "twins apart, ln": _limit("MIN_DIFFERENCE"),
    "better of twins off, ln": _limit("MAX_BOTH_MISS"),
    "prints off, ln": _limit("_USUAL_MISS"),
    "slope of tone": _limit("_TONE_PRIOR", 1),
    "bend of tone": _limit("_TONE_PRIOR", 2),
    "slope of one channel": _limit("_TONE_CHANNEL_PRIOR", 0),
    "bend of one channel": _limit("_TONE_CHANNEL_PRIOR", 1),
    "slope of field": _limit("_FIELD_PRIOR", 0),
    "bend of field": _limit("_FIELD_PRIOR", 2),
    "field of one channel": _limit("_FIELD_CHANNEL_PRIOR"),
}
_RAMP = layout.of_kind(Kind.RAMP)
_PLAIN = ~layout.of_kind(Kind.CHROMATIC)


def seen(seed: int, draws: int, control: str) -> Iterator[dict[str, float]]:
    """The quantities of each sitting that gave a colour at all."""
    for index in range(draws):
        rng = np.random.default_rng([seed, list(CONTROLS).index(control), index])
        number = int(rng.integers(12))
        lot = simulated_lot(number, date.max, number)
        scene = draw_scene(rng, rng.uniform(3, 18), lot, number, CONTROLS[control], rendered=True)
        samples = patch_draw(scene, rng).samples
        found = correct.correct(samples, lot)
        if not isinstance(found, Refusal):
            yield _quantities(samples, found)


def _quantities(samples: PatchSamples, found: correct.ColourCorrection) -> dict[str, float]:
    model = found.light
    mean_tone = model.tone.mean(axis=0)
    own = np.abs(model.tone - mean_tone)
    miss = found.miss(np.ones(len(_RAMP), bool))
    better = np.where(~layout.shades_of_kind(Kind.CHROMATIC), layout.by_shade(miss).min(axis=1), 0)
    told = ~found.samples.crushed
    apart = twins.compare_twins(samples.linear).log_ratio
    return {
        "mean dE00": float(found.residual_de00[told].mean()),
        "ramp dE00": float(found.residual_de00[_RAMP & told].mean()),
        "left out, ln": found.ramp_trend.left_out_rms,
        "veil": model.glare,
        "light ratio": float(np.exp(np.ptp(model.log_light(layout.centres_mm()), axis=0).max())),
        "twins apart, ln": float(np.quantile(np.abs(apart), 0.95)),
        "better of twins off, ln": float(better.max()),
        "prints off, ln": float(np.median(miss[_PLAIN])),
        "slope of tone": float(abs(mean_tone[1] - 1)),
        "bend of tone": float(abs(mean_tone[2])),
        "slope of one channel": float(own[:, 1].max()),
        "bend of one channel": float(own[:, 2].max()),
        "slope of field": float(np.abs(model.field[:2]).max()),
        "bend of field": float(np.abs(model.field[2:]).max()),
        "field of one channel": float(np.abs(model.field_channel).max()),
    }


def main() -> None:
    """Print a table a control."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=40201)
    parser.add_argument("--draws", type=int, default=100)
    asked = parser.parse_args()
    for gate in ("MAX_MEAN_DE00", "MAX_RAMP_DE00", "MAX_LEFT_OUT", "MAX_GLARE", "MAX_LIGHT_RATIO"):
        setattr(correctable, gate, np.inf)  # what lies beyond a limit is to be seen
    for control in CONTROLS:
        rows = list(seen(asked.seed, asked.draws, control))
        print(f"\n{control}: {len(rows)} of {asked.draws} gave a colour, seed {asked.seed}")
        print(f"{'':24}{'limit':>8}{'50 %':>8}{'95 %':>8}{'99 %':>8}   beyond half, it, double")
        for name, limit in LIMITS.items():
            values = np.array([row[name] for row in rows])
            middle = "".join(f"{v:8.3g}" for v in np.quantile(values, (0.5, 0.95, 0.99)))
            beyond = ", ".join(f"{(values > k * limit).mean():.1%}" for k in (0.5, 1, 2))
            print(f"{name:24}{limit:8.3g}{middle}   {beyond}", flush=True)


if __name__ == "__main__":
    main()
