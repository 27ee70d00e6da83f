"""Perspective and lens: from card millimetres to picture pixels and back.

Pixel coordinates have the middle of the upper left pixel at (0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout

Array = NDArray[np.float64]
FILM_DIAGONAL_MM = 43.27
"""Diagonal of the 36 x 24 mm frame to which phone focal lengths are referred."""


@dataclass(frozen=True)
class Projection:
    """A pinhole camera over the card, with one term of radial distortion.

    Attributes
    ----------
    homography : (3, 3) array
        Card mm to undistorted pixels.
    middle : (2,) array
        Middle of the picture, about which the lens distorts.
    radius_px : float
        Half the diagonal.
    lens_k1 : float
        A point at the distance r from the middle, in half diagonals, is moved
        to r (1 + k1 r^2).
    """

    homography: Array
    middle: Array
    radius_px: float
    lens_k1: float

    @classmethod
    def of_card(
        cls,
        size: tuple[int, int],
        card_share: float,
        rotation_deg: float,
        tilt_deg: float,
        tilt_towards_deg: float,
        offset: tuple[float, float],
        focal_length_mm: float,
        lens_k1: float,
    ) -> Projection:
        """Put the camera at the distance at which the card covers ``card_share``."""
        if not 0 < card_share < 2 or not 0 <= tilt_deg < 85:
            raise ValueError(f"card share {card_share} or tilt {tilt_deg} out of reach")
        width, height = size
        diagonal = float(np.hypot(width, height))
        focal_px = focal_length_mm / FILM_DIAGONAL_MM * diagonal
        turn = _tilted(tilt_deg, tilt_towards_deg) @ _rotated(rotation_deg)
        middle = np.array([(width - 1) / 2, (height - 1) / 2])
        to_centre = np.eye(3)
        to_centre[:2, 2] = -np.array(layout.CENTRE_MM)
        shift = np.array(offset) * size

        def at_distance(z_mm: float) -> Array:
            camera = np.array([[focal_px, 0, middle[0]], [0, focal_px, middle[1]], [0, 0, 1]])
            where = [shift[0] * z_mm / focal_px, shift[1] * z_mm / focal_px, z_mm]
            return np.asarray(camera @ np.column_stack([turn[:, 0], turn[:, 1], where]) @ to_centre)

        # Nearest: the card's closest corner just in front of the lens.
        near, far = 55.0, 5000.0
        for _ in range(60):
            z = float(np.sqrt(near * far))
            if _card_area(at_distance(z)) > card_share * width * height:
                near = z
            else:
                far = z
        homography = at_distance(far)
        return cls(homography / homography[2, 2], middle, diagonal / 2, lens_k1)

    def to_px(self, at_mm: ArrayLike) -> Array:
        """Pixels (..., 2) of card positions (..., 2) in mm."""
        ideal = _apply(self.homography, np.asarray(at_mm, float)) - self.middle
        square = (ideal**2).sum(axis=-1, keepdims=True) / self.radius_px**2
        return np.asarray(self.middle + ideal * (1 + self.lens_k1 * square))

    def to_mm(self, at_px: ArrayLike) -> Array:
        """Card positions (..., 2) in mm of pixels (..., 2)."""
        seen = (np.asarray(at_px, float) - self.middle) / self.radius_px
        ideal = seen
        for _ in range(12):  # contraction: converges to below 1e-6 px for |k1| < 0.1
            ideal = seen / (1 + self.lens_k1 * (ideal**2).sum(axis=-1, keepdims=True))
        back = np.asarray(np.linalg.inv(self.homography))
        return _apply(back, np.asarray(self.middle + ideal * self.radius_px))

    def px_per_mm(self, at_mm: ArrayLike) -> Array:
        """Local scale (...) at card positions (..., 2): square root of the area ratio."""
        at = np.asarray(at_mm, float)
        h = 1e-3
        dx, dy = np.array([h, 0]), np.array([0, h])
        across = (self.to_px(at + dx) - self.to_px(at - dx)) / (2 * h)
        down = (self.to_px(at + dy) - self.to_px(at - dy)) / (2 * h)
        return np.sqrt(np.abs(across[..., 0] * down[..., 1] - across[..., 1] * down[..., 0]))


def card_corners_mm() -> Array:
    """Corners of the card, shape (4, 2), clockwise from the upper left."""
    w, h = layout.WIDTH_MM, layout.HEIGHT_MM
    return np.array([(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)])


def _apply(matrix: Array, points: Array) -> Array:
    lifted = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(lifted[..., :2] / lifted[..., 2:])


def _rotated(angle_deg: float) -> Array:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


def _tilted(tilt_deg: float, towards_deg: float) -> Array:
    a = np.radians(tilt_deg)
    lean = np.array([[np.cos(a), 0, 0], [0, 1, 0], [np.sin(a), 0, np.cos(a)]])
    lean[0, 2] = -np.sin(a)
    return np.asarray(_rotated(towards_deg) @ lean @ _rotated(-towards_deg))


def _card_area(homography: Array) -> float:
    x, y = _apply(homography, card_corners_mm()).T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)
