"""A stored picture turned upright without a copy, and copies of those parts that are looked at.

Phones store what the sensor saw and note how to turn it. To turn every pixel takes as long as
to measure the card, and most pixels are never looked at again. So a picture is turned as a
view, whose strides run backwards or down; what is wanted of it is copied here by OpenCV, which
turns several times faster than NumPy copies a turned view.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Image = NDArray[Any]

_FARTHEST = 32000
"""Beyond any picture's side, and still a short integer."""


def turned(stored: Image, orientation: int) -> Image:
    """View of a stored picture (H, W, ...) upright, by its EXIF orientation.

    CIPA DC-008, tag 0x0112: 1..8.
    """
    if orientation >= 5:
        stored = stored.swapaxes(0, 1)
    if orientation in (3, 4, 7, 8):
        stored = stored[::-1]
    return stored[:, ::-1] if orientation in (2, 3, 6, 7) else stored


@dataclass(frozen=True)
class _Stored:
    """A view's pixels in the order in which they lie in memory, and how the view turns them."""

    pixels: Image
    swapped: bool
    upwards: bool
    leftwards: bool

    def turned(self, image: Image) -> Image:
        """The stored picture, or one made from it, as the view shows it: a view again."""
        image = image[:: -1 if self.upwards else 1, :: -1 if self.leftwards else 1]
        return image.swapaxes(0, 1) if self.swapped else image

    def upright(self, image: Image) -> Image:
        """A copy of the stored picture, or of one made from it, as the view shows it."""
        if self.upwards or self.leftwards:
            code = -1 if self.upwards and self.leftwards else 0 if self.upwards else 1
            image = cv2.flip(image, code)
        return cv2.transpose(image) if self.swapped else image


def _stored(view: Image) -> _Stored:
    swapped = abs(view.strides[0]) < abs(view.strides[1])
    pixels = view.swapaxes(0, 1) if swapped else view
    upwards, leftwards = pixels.strides[0] < 0, pixels.strides[1] < 0
    if upwards:
        pixels = pixels[::-1]
    if leftwards:
        pixels = pixels[:, ::-1]
    return _Stored(pixels, swapped, upwards, leftwards)


def solid(view: Image) -> Image:
    """The pixels (H, W, C) or (H, W) in rows as the view shows them; itself if they lie so."""
    if view.flags.c_contiguous:
        return view
    stored = _stored(view)
    return np.ascontiguousarray(stored.upright(stored.pixels))


def channel(view: Image, which: int) -> Image:
    """One channel (H, W) of a view (H, W, 3), a copy turned as the view is."""
    stored = _stored(view)
    return stored.turned(np.asarray(cv2.extractChannel(stored.pixels, which)))


def shrunk(view: Image, factor: float) -> Image:
    """Means of the pixels (H, W) of one channel as seen at ``factor`` of the size, in rows."""
    if factor == 0.5 and not any(side % 2 for side in view.shape):
        # Four whole numbers have one mean, whichever way they lie: less is left to turn.
        stored = _stored(view)
        return solid(stored.turned(_resized(stored.pixels, factor)))
    return _resized(solid(view), factor)


def _resized(image: Image, factor: float) -> Image:
    return np.asarray(cv2.resize(image, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA))


def nearest(view: Image, at_px: Array) -> Image:
    """Pixels (n, m, C) of a view (H, W, C) nearest to points (n, m, 2), those beyond an edge
    as the edge is.
    """
    stored = _stored(view)
    # Whatever a pose makes of a point, a whole number comes out.
    at = np.rint(np.fmin(np.fmax(at_px, -_FARTHEST), _FARTHEST)).astype(np.int16)
    height, width = view.shape[:2]
    if stored.swapped:
        at, height, width = at[..., ::-1], width, height
    if stored.leftwards or stored.upwards:
        at = at.copy()
    if stored.leftwards:
        at[..., 0] = width - 1 - at[..., 0]
    if stored.upwards:
        at[..., 1] = height - 1 - at[..., 1]
    nothing = np.empty(0, np.uint16)
    where = np.ascontiguousarray(at)
    return np.asarray(
        cv2.remap(stored.pixels, where, nothing, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    )


def between(view: Image, x_px: Array, y_px: Array) -> Image:
    """Values (n, m, C) of a view (H, W, C) at points (n, m) between its pixels, linearly.

    Of one channel (H, W) likewise. Beyond an edge the picture is as at the edge.
    """
    x, y = x_px.astype(np.float32), y_px.astype(np.float32)
    # Whole pixels off a float take nothing from it, so only what is looked at need be upright.
    left, right = _reach(x, view.shape[1])
    top, bottom = _reach(y, view.shape[0])
    part = solid(view[top:bottom, left:right])
    x -= np.float32(left)
    y -= np.float32(top)
    return np.asarray(cv2.remap(part, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _reach(along: NDArray[np.float32], size: int) -> tuple[int, int]:
    """First pixel and end of what interpolation at these coordinates looks at."""
    low, high = float(along.min()), float(along.max())
    if not (low > -_FARTHEST and high < _FARTHEST):  # or no number at all
        return 0, size
    first = min(max(int(low) - 1, 0), size - 1)
    return first, max(min(int(high) + 3, size), first + 1)
