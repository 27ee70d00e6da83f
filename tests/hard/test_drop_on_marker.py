"""Simulated photos, by cameras and lamps never fitted to, with one drop on one marker."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from sitting import Sitting, draw_sitting, stored, take

from cardreader.card import layout
from cardreader.read.locate import CardPose, locate
from cardreader.read.photo import Photo, open_photo
from cardreader.simulate.cardmap import CardMap
from cardreader.simulate.scene import BLOT_VOLUMES

OVER_THE_CARD = np.stack(np.meshgrid(np.linspace(3, 82, 9), np.linspace(3, 51, 7)), axis=-1)


def with_drop(sitting: Sitting, at_mm: np.ndarray, radius_mm: float) -> bytes:
    blood = [float(np.interp(1.0, BLOT_VOLUMES, c)) for c in sitting.scene.raw_blot.T]

    def drop(card: CardMap) -> None:
        centre = [round(float(v) * card.px_per_mm) for v in at_mm]
        radius = round(radius_mm * card.px_per_mm)
        cv2.circle(card.colour, centre, radius, blood, -1, cv2.LINE_AA)

    return stored(sitting, take(sitting, on_card=drop))


@pytest.mark.parametrize("place", [(4.4, 4.4), (4.0, 0.0), (8.8, 5.2)])
@pytest.mark.parametrize("corner", range(4))
def test_the_card_is_found_where_it_lies(corner: int, place: tuple[float, float]) -> None:
    sitting = draw_sitting(57, 0, corner)
    at_mm = layout.marker_corners_mm()[corner][0] + place
    photo = open_photo(with_drop(sitting, at_mm, 2.0))
    assert isinstance(photo, Photo)
    pose = locate(photo)
    assert isinstance(pose, CardPose), pose
    assert pose.lot_number == sitting.scene.lot.number
    truth = sitting.view.projection.to_px(OVER_THE_CARD.reshape(-1, 2)) * photo.scale
    error = np.linalg.norm(pose.to_px(OVER_THE_CARD).reshape(-1, 2) - truth, axis=-1)
    assert error.max() / pose.px_per_mm < 0.2
