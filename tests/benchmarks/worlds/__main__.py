"""How a site gets from no pairs to many, in worlds that the prior was not fitted to.

    python -m tests.benchmarks.worlds --studies 3 --workers 32 --out tables.md

Each site draws a study (women with two photos each, four phones, five lamps, the
laboratory 2 % off, blood volume scattering by 3 %) and new women read with the same
phones and lamps or with others. The calibration is what `cardreader study fit` makes of
the first n photos. Everything is synthetic. The tables are put into docs/sites.md by hand,
among what is said of them; `python docs/build.py` then makes the first table of that page anew.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from cardreader.calibrate.condition import SitePairs
from cardreader.calibrate.defaultcli import DEFAULT_PHOTOS
from cardreader.calibrate.prior import fit_prior
from cardreader.calibrate.site import fit_site
from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import load_protocol
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import estimates
from cardreader.hb.measured import N_SIGNATURE, Measured
from cardreader.simulate.worlds.draws import draw_worlds

from .sites import LAB_CV, SAME, STUDY, UNSEEN, SiteData, draw_site, judging_sites

Array = NDArray[np.float64]
PAIRS = (0, 5, 10, 20, 40, 80, 160, 240)
WOMEN, TESTS = 120, 80
BASES = ("Lab", "photos", "design", "spectra")
LOT_WORLDS_SEED, PHOTOS_A_WORLD = 20262, DEFAULT_PHOTOS
"""Of the priors by a lot's spectra."""
SEVERE_G_DL, HARMFUL_G_DL = 7.0, 9.0
CERTAINTY = load_protocol("common-practice").certainty


@dataclass(frozen=True, eq=False)
class Row:
    """Readings of one study's test women: truth and reading (m,), the share not read."""

    site: str
    basis: str
    n: int
    part: int
    hb_g_dl: Array
    read_g_dl: Array
    in_90: NDArray[np.bool_]
    in_99: NDArray[np.bool_]
    width_g_dl: Array
    missed: NDArray[np.bool_]
    harmful: NDArray[np.bool_]
    n_photos: int


def main() -> None:
    """Draw, fit, read, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=3, help="studies a site")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument(
        "--lot-worlds",
        type=int,
        default=0,
        help="worlds with each site's own cards for a prior by their spectra",
    )
    parser.add_argument("--sites", type=int, default=99, help="only the first so many sites")
    parser.add_argument("--out", type=Path, help="file to write the tables to, over what it holds")
    arguments = parser.parse_args()
    sites = judging_sites()[: arguments.sites]
    workers = arguments.workers
    own = {site: prior_of_lot(*site, arguments.lot_worlds, workers) for site in sites}
    with ProcessPoolExecutor(workers) as pool:
        jobs = [(*site, study, own[site]) for study in range(arguments.studies) for site in sites]
        rows = [row for part in pool.map(judge, jobs) for row in part]
    text = tables(rows)
    print(text)
    if arguments.out:
        arguments.out.write_text(text)


def prior_of_lot(kind: str, variant: int, lot_worlds: int, workers: int) -> str:
    """JSON of the prior of worlds with a site's own cards, known by their spectra; empty for
    no worlds. Every study of a site has the same cards."""
    if not lot_worlds:
        return ""
    lot = draw_site(kind, variant, 0, 0, 0).lot
    drawn = draw_worlds(lot_worlds, PHOTOS_A_WORLD, LOT_WORLDS_SEED, workers, lot)
    return fit_prior(drawn, date(2026, 1, 1), "own", workers=workers).to_json()


def judge(job: tuple[str, int, int, str]) -> list[Row]:
    """All rows of one study."""
    kind, variant, study, own = job
    data = draw_site(kind, variant, study, WOMEN, TESTS)
    priors = {
        "Lab": (Calibration.load(shipped("worlds")), data.by_lot),
        "photos": (Calibration.load(shipped("worlds-photographed")), data.by_photos),
        "design": (Calibration.load(shipped("worlds-design")), data.by_design),
    }
    if own:
        priors["spectra"] = Calibration.from_json(own), data.by_lot
    return [
        row
        for basis, (prior, photos) in priors.items()
        for n in PAIRS
        for row in _rows(data, basis, prior, photos, n)
    ]


def _rows(
    data: SiteData, basis: str, prior: Calibration, photos: list[Measured | None], n: int
) -> list[Row]:
    good = np.array([photo is not None for photo in photos])
    # One photo of every woman first, then their second ones.
    second = np.arange(len(good)) % 2
    order = [i for k in (0, 1) for i in np.flatnonzero((data.part == STUDY) & good & (second == k))]
    site = fit_site(prior, _pairs(data, photos, np.array(order[:n], dtype=int)))
    out = []
    for part in (SAME, UNSEEN):
        at = np.flatnonzero((data.part == part) & good)
        read = estimates(Measured.stack([photos[i] for i in at]), site.calibration)  # type: ignore[misc]
        kept = read.readable
        found, truth = read.final()[kept], data.hb_g_dl[at][kept]
        low, high = found.interval(0.9)
        far_low, far_high = found.interval(0.99)
        out.append(
            Row(
                data.name,
                basis,
                n,
                part,
                truth,
                found.median,
                (low <= truth) & (truth <= high),
                (far_low <= truth) & (truth <= far_high),
                high - low,
                (truth < SEVERE_G_DL) & (found.all_below(SEVERE_G_DL) < CERTAINTY.severe_raised_at),
                (truth <= HARMFUL_G_DL) & (found.all_below(11.0) < CERTAINTY.not_anaemic_at_most),
                int((data.part == part).sum()),
            )
        )
    return out


def _pairs(data: SiteData, photos: list[Measured | None], at: NDArray[np.intp]) -> SitePairs:
    if len(at):
        found = Measured.stack([photos[i] for i in at])  # type: ignore[misc]
    else:
        found = Measured(np.zeros((0, 3)), np.zeros((0, 3, 3)), np.zeros((0, N_SIGNATURE)))
    lab = data.lab_g_dl[at]
    return SitePairs(
        found, lab, LAB_CV * lab, data.woman[at].astype(str), data.blot[at].astype(str)
    )


def tables(rows: list[Row]) -> str:
    """Markdown."""
    out = []
    for basis in BASES:
        for part, words in ((SAME, "same phones and lamps"), (UNSEEN, "others")):
            mine = [row for row in rows if row.basis == basis and row.part == part]
            if not mine:
                continue
            out += [
                f"### Lot known by {basis}, {words}",
                "",
                "| pairs | RMSE | worst world | 90 % covers | worst world | 99 % covers | width "
                "| refused | missed severe | harmful | n |",
                "|---|---|---|---|---|---|---|---|---|---|---|",
            ]
            for n in PAIRS:
                out.append(_line(n, [row for row in mine if row.n == n]))
            out.append("")
    return "\n".join(out)


def _line(n: int, rows: list[Row]) -> str:
    worlds = sorted({row.site for row in rows})

    def of(name: str, chosen: list[Row]) -> Array:
        return np.concatenate([getattr(row, name) for row in chosen])

    def rmse(chosen: list[Row]) -> float:
        return float(np.sqrt(np.mean((of("read_g_dl", chosen) - of("hb_g_dl", chosen)) ** 2)))

    by = [[row for row in rows if row.site == world] for world in worlds]
    truth = of("hb_g_dl", rows)
    severe, low = (truth < SEVERE_G_DL).sum(), (truth <= HARMFUL_G_DL).sum()
    total = sum(row.n_photos for row in rows)
    return (
        f"| {n} | {rmse(rows):.2f} | {max(map(rmse, by)):.2f} | {of('in_90', rows).mean():.1%} | "
        f"{min(of('in_90', w).mean() for w in by):.1%} | {of('in_99', rows).mean():.1%} | "
        f"{of('width_g_dl', rows).mean():.2f} | {1 - len(truth) / total:.1%} | "
        f"{of('missed', rows).sum()} of {severe} | {of('harmful', rows).sum()} of {low} | {total} |"
    )


if __name__ == "__main__":
    main()
