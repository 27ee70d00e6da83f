"""Whether the numbers of a calibration from elsewhere can be those of blots on paper.

`Calibration` asks that they fit together. A file may still hold numbers that no
fit gives: a scatter that is no covariance, a factor of nearly nothing, a table for
haemoglobin without end. Reading with those overflows, or states a certainty that
nobody has, so they are refused before the first photo.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cardreader.hb.calibration import Calibration
from cardreader.hb.calibrationnumbers import CalibrationError
from cardreader.hb.fading import Fading

Array = NDArray[np.float64]

HIGHEST_HB_G_DL = 60.0
"""Far above any blood; the table of the distribution grows with it."""
MOST_KNOTS = 1000
LONGEST_TEXT = 500
_LARGEST = {
    "locus": 20.0,
    "covariance": 10.0,
    "signature_mean": 1e4,
    "signature_sd": 1e4,
    "signature_axis": 1e4,
    "signature_shift": 1e4,
    "signature_slope": 1e4,
    "signature_precision": 1e6,
}
_LARGEST_FADING = {
    "offset": 1.0,
    "gain": 1e3,
    "scatter": 1.0,
    "signature": 100.0,
    "colour": 50.0,
}
_RANGES = {
    "conformal_scale": (0.01, 100.0),
    "coverage": (0.5, 0.9999),
    "tail": (0.5, 1e6),
    "signature_clip": (0.01, 1e3),
    "vividness_clip": (0.01, 1e3),
    "max_distance2": (0.01, 1e6),
}
_LEAST_SD = 1e-6
_LEAST_VARIANCE = 1e-10


def must_be_plausible(calibration: Calibration) -> None:
    """CalibrationError, with one line on what is wrong, when no fit can have given it."""
    _texts(calibration)
    for name, largest in _LARGEST.items():
        if not (np.abs(getattr(calibration, name)) <= largest).all():
            raise CalibrationError(f"{name} holds a number beyond {largest:g}")
    for name, (low, high) in _RANGES.items():
        if not low <= getattr(calibration, name) <= high:
            raise CalibrationError(f"{name} must lie within {low:g} to {high:g}")
    knots = calibration.knots_hb_g_dl
    if len(knots) > MOST_KNOTS or not (np.abs(knots) <= HIGHEST_HB_G_DL).all():
        raise CalibrationError(
            f"knots_hb_g_dl must number at most {MOST_KNOTS}, up to {HIGHEST_HB_G_DL:g} g/dL"
        )
    if (calibration.signature_sd < _LEAST_SD).any():
        raise CalibrationError("signature_sd holds a number of nearly nothing")
    if not _is_covariance(calibration.covariance, _LEAST_VARIANCE):
        raise CalibrationError("covariance must be symmetric and positive definite at every knot")
    if not _is_covariance(calibration.signature_precision, 0.0):
        raise CalibrationError("signature_precision must be symmetric and positive")
    if calibration.fading is not None:
        _fading(calibration.fading)


def _fading(fading: Fading) -> None:
    for name, largest in _LARGEST_FADING.items():
        if not (np.abs(getattr(fading, name)) <= largest).all():
            raise CalibrationError(f"fading {name} holds a number beyond {largest:g}")
    if not np.allclose(fading.gain @ fading.signature.T, np.eye(len(fading.offset)), atol=1e-3):
        raise CalibrationError("fading gain must find each ink's share and no other's")


def _is_covariance(matrices: Array, least: float) -> bool:
    """Whether matrices (..., n, n) are symmetric with no eigenvalue below ``least``.

    Eigenvalues are found from one triangle alone, so both must be the same first.
    """
    if not matrices.size:
        return True
    scale = np.abs(matrices).max()
    if not np.allclose(matrices, np.swapaxes(matrices, -1, -2), rtol=1e-6, atol=1e-9 * scale):
        return False
    # Nine digits are kept, and a value of nothing may come out as one of less.
    return bool((np.linalg.eigvalsh(matrices) >= least - 1e-7 * scale * (least == 0.0)).all())


def _texts(calibration: Calibration) -> None:
    for name in ("id", "created", "source"):
        text = getattr(calibration, name)
        if not isinstance(text, str) or len(text) > LONGEST_TEXT or not text.isprintable():
            raise CalibrationError(f"{name} must be a line of at most {LONGEST_TEXT} characters")
    pairs = calibration.n_pairs
    if not isinstance(pairs, int) or isinstance(pairs, bool) or pairs < 0:
        raise CalibrationError("n_pairs must be a whole number")
    coloured = [one.lot_id for one in calibration.lot_colours]
    named = (*calibration.lots, *calibration.lots_by_design, *coloured)
    if not all(isinstance(lot, str) and lot.isprintable() for lot in named):
        raise CalibrationError("lots must be lot numbers, as texts")
