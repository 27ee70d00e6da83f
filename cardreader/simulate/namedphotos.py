"""Synthetic photos to hand out: each with a telling name and its truth.

They show cards of the shipped demonstration lot, so they can be read as they are.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

import numpy as np

from cardreader.simulate.demolots import IN_DATE
from cardreader.simulate.photograph import photograph
from cardreader.simulate.scene import ORDINARY, draw_scene
from cardreader.simulate.view import draw_view


@dataclass(frozen=True)
class SyntheticPhoto:
    """JPEG bytes under a file name, with the truth as JSON values."""

    name: str
    data: bytes
    truth: dict[str, Any]


def named_photo(hb_g_dl: float, seed: int, number: int) -> SyntheticPhoto:
    """Photo ``number`` (from 1) of a seed: ordinary light, phone, print and view, all drawn."""
    rng = np.random.default_rng([seed, number])
    scene = draw_scene(rng, hb_g_dl, IN_DATE.lot(), IN_DATE.print_seed, ORDINARY)
    view = draw_view(rng)
    data = photograph(scene, view, int(rng.integers(2**31)))
    name = f"synthetic-{number:04d}-hb-{hb_g_dl:04.1f}.jpg"
    truth = {
        "file": name,
        "synthetic": True,
        "sha256": hashlib.sha256(data).hexdigest(),
        "hb_g_dl": hb_g_dl,
        "so2": round(scene.so2, 4),
        "light": scene.light_name,
        "camera": scene.camera.name,
        "lot_id": scene.lot.lot_id,
        "card_share": round(view.card_share, 3),
        "tilt_deg": round(view.tilt_deg, 1),
    }
    return SyntheticPhoto(name, data, truth)
