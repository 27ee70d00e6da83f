"""Light that falls off smoothly over the card, beside what its lamp does by itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.simulate.scene import Scene, with_light_factor

Field = NDArray[np.float64]
Fall = Callable[[Field], Field]
"""Share of the light at card positions (..., 2), 1 where nothing is lost."""

_MIDDLE = np.array(layout.CENTRE_MM)
_CORNER_MM = float(np.hypot(*_MIDDLE))
_ROOM = 0.8
"""Exposure, so that nothing is too bright for the fall-off's sake."""


@dataclass(frozen=True)
class _Falling(Scene):
    """A scene whose light falls off."""

    fall: Fall = np.ones_like

    def shade(self, at_mm: Field) -> Field:
        return super().shade(at_mm) * self.fall(np.asarray(at_mm, float))


def vignette(lost: float) -> Fall:
    """Loses ``lost`` from the middle to the corners, with the square of the distance."""
    return lambda at: 1 - lost * ((at - _MIDDLE) ** 2).sum(axis=-1) / _CORNER_MM**2


def lamp(height_mm: float) -> Fall:
    """A small lamp above a place beside the middle, falling off with the inverse square."""
    above = np.add(_MIDDLE, (14.0, -8.0))
    return lambda at: (1 + ((at - above) ** 2).sum(axis=-1) / height_mm**2) ** -1.5


def in_falling_light(scene: Scene, fall: Fall | None) -> Scene:
    """The scene a little darker, in light that falls off; None leaves it even."""
    scene = with_light_factor(scene, _ROOM)
    if fall is None:
        return scene
    return _Falling(**{f.name: getattr(scene, f.name) for f in fields(Scene)}, fall=fall)
