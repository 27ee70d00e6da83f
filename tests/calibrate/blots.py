"""Invented blots: a smooth falling locus with noise, quick to draw and with known truth.

Nothing here comes from the renderer; the figures are made up.
"""

import numpy as np
import pandas as pd

from cardreader.calibrate.features import Features, feature_frame
from cardreader.calibrate.pairs import Pairs
from cardreader.hb.measured import Measured

AXIS = np.array([0.6, 1.0, 1.0])
PHOTO_SD = 0.010
OTHER_SD = 0.012


def locus(hb):
    """Log-ratio (n, 3) of blots of haemoglobin (n,)."""
    hb = np.asarray(hb, dtype=float)[:, None]
    return -1.6 * np.array([0.25, 0.55, 0.75]) * (1 - np.exp(-hb * np.array([0.11, 0.13, 0.16])))


def measured(hb, rng, volume_cv=0.0, shift=0.0):
    """Measurements of blots; ``shift`` moves all colours, as another print lot would."""
    hb = np.asarray(hb, dtype=float)
    n = len(hb)
    x = locus(hb * np.exp(rng.normal(0, volume_cv, n) if volume_cv else 1.0 * np.zeros(n)))
    x = x + rng.normal(0, PHOTO_SD, (n, 3)) * AXIS + rng.normal(0, OTHER_SD, (n, 3)) * AXIS + shift
    covariance = np.tile(np.diag((PHOTO_SD * AXIS) ** 2), (n, 1, 1))
    return Measured(x, covariance, np.zeros((n, 0)))


def study(
    rng,
    n_women=60,
    photos=((1, "A"), (1, "A"), (2, "A"), (1, "B")),
    lab_sd=0.15,
    volume_cv=0.04,
    low=4.5,
    high=14.0,
    shift=0.0,
    lot="027001",
):
    """Features of a study and the true haemoglobin of each row."""
    truth = rng.uniform(low, high, n_women)
    lab = truth + rng.normal(0, lab_sd, n_women)
    rows, blood, true = [], [], []
    for woman in range(n_women):
        volumes = np.exp(rng.normal(0, volume_cv, 9))
        for blot, phone in photos:
            rows.append(
                {
                    "row": len(rows) + 1,
                    "photo": f"{len(rows)}.jpg",
                    "subject": f"W{woman}",
                    "visit": 1,
                    "replicate": blot,
                    "phone": f"phone {phone}",
                    "light": ("shade", "tube")[woman % 2],
                    "lot": lot,
                    "operator": "K",
                    "lab_method": "analyser",
                    "lab_g_dl": lab[woman],
                    "lab_sd_g_dl": lab_sd,
                    "photo_sha256": rng.bytes(32).hex(),
                    "refusal": "",
                    "lot_basis": "measured",
                    "print_sd": 0.0,
                }
            )
            blood.append(truth[woman] * volumes[blot])
            true.append(truth[woman])
    frame = pd.concat([pd.DataFrame(rows), feature_frame(measured(blood, rng, 0.0, shift))], axis=1)
    return Features(frame, len(frame)), np.array(true)


def pairs(rng, **options):
    """Pairs of such a study, and the truth of each."""
    features, truth = study(rng, **options)
    return Pairs.of(features), truth
