"""Corners in a picture -> one homography and one lens term for a flat card.

Any corners of markers will do, so that one that was spoiled can be left out.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

_LENS_PRIOR = 0.03
_CORNER_SD_PX = 0.2
_FIT_ROUNDS, _FIT_HALVINGS = 20, 10

Array = NDArray[np.float64]


def frame(image_size: tuple[int, int]) -> tuple[Array, float]:
    """Middle (2,) of an image of (width, height) pixels and its half diagonal, in pixels."""
    width, height = image_size
    return np.array([(width - 1) / 2, (height - 1) / 2]), math.hypot(width, height) / 2


def apply_homography(h: Array, points: Array) -> Array:
    """Points (..., 2) mapped by a homography (3, 3)."""
    mapped = cv2.perspectiveTransform(points.reshape(-1, 1, 2), h)
    return np.asarray(mapped, dtype=np.float64).reshape(points.shape)


def project(h: Array, lens: float, size: tuple[int, int], points: Array) -> Array:
    """Pixels (..., 2) of card points (..., 2) in mm; ``lens`` as in ``locate.CardPose``."""
    seen = apply_homography(h, points)
    if lens == 0.0:
        return seen
    (x0, y0), radius = frame(size)
    x, y = seen[..., 0] - x0, seen[..., 1] - y0
    stretch = 1.0 + lens * ((x**2 + y**2) / radius**2)
    seen[..., 0] = x * stretch + x0
    seen[..., 1] = y * stretch + y0
    return seen


def fit_homography(model: Array, corners: Array) -> Array:
    """Least-squares homography (3, 3) from mm ``model`` (n, 2) to px ``corners`` (n, 2).

    At least four points, no lens term.
    """
    h, _ = cv2.findHomography(model, corners)
    return np.asarray(h, dtype=np.float64)


def fit_pose(model: Array, corners: Array, size: tuple[int, int]) -> tuple[Array, float]:
    """Homography (3, 3) and lens term that bring ``model`` (n, 2), mm, onto ``corners``, px.

    Gauss-Newton, a step halved for as long as it makes things worse.
    """
    start = fit_homography(model, corners)
    scale = np.append(np.abs(start).ravel()[:8] + 1e-6, 1.0)
    p = np.append(start.ravel()[:8], 0.0)
    residual, jacobian = _misfit(p, model, corners, size)
    for _ in range(_FIT_ROUNDS):
        step = scale * np.linalg.lstsq(jacobian * scale, -residual, rcond=None)[0]
        cost = residual @ residual
        for _ in range(_FIT_HALVINGS):
            trial, slopes = _misfit(p + step, model, corners, size)
            if trial @ trial <= cost:
                break
            step /= 2
        else:
            break
        p, residual, jacobian = p + step, trial, slopes
        if cost - residual @ residual <= 1e-12 * cost:
            break
    return np.append(p[:8], 1.0).reshape(3, 3), float(p[8])


def _misfit(p: Array, model: Array, corners: Array, size: tuple[int, int]) -> tuple[Array, Array]:
    """Residuals (2n + 1,) and Jacobian (2n + 1, 9) by the homography's first 8 terms and the lens.

    Pixels of the n corners, and last the lens term against its prior: one
    that the corners don't ask for stays at nothing.
    """
    h, lens = np.append(p[:8], 1.0).reshape(3, 3), p[8]
    centre, radius = frame(size)
    plane = np.column_stack([model, np.ones(len(model))]) / (model @ h[2, :2] + 1.0)[:, None]
    ideal = plane @ h[:2].T
    u = (ideal - centre) / radius
    r2 = (u**2).sum(-1)
    by_h = np.zeros((len(model), 2, 8))
    by_h[:, 0, :3] = by_h[:, 1, 3:6] = plane
    by_h[:, :, 6:] = -ideal[:, :, None] * plane[:, None, :2]
    stretch = (1 + lens * r2)[:, None, None] * np.eye(2) + 2 * lens * u[:, :, None] * u[:, None, :]
    jacobian = np.zeros((2 * len(model) + 1, 9))
    jacobian[:-1, :8] = (stretch @ by_h).reshape(-1, 8)
    jacobian[:-1, 8] = (radius * u * r2[:, None]).ravel()
    jacobian[-1, 8] = _CORNER_SD_PX / _LENS_PRIOR
    seen = centre + radius * u * (1 + lens * r2)[:, None]
    residual = np.append((seen - corners).ravel(), lens * jacobian[-1, 8])
    return residual, jacobian
