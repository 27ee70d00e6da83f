"""Blots: the truth they keep, and the ways in which they go wrong."""

from functools import cache

import numpy as np
import pytest

from cardreader.card import layout
from cardreader.simulate.blotshape import BlotKind, draw_blot

STEP_MM = 0.1
EDGE = round(1.0 / STEP_MM)


def _bay():
    steps = np.arange(-layout.BAY_MM / 2, layout.BAY_MM / 2, STEP_MM) + STEP_MM / 2
    return np.stack(np.meshgrid(*(c + steps for c in layout.CENTRE_MM)), axis=-1)


BAY = _bay()


@cache
def _blot(seed, kind=BlotKind.GOOD):
    return draw_blot(np.random.default_rng(seed), kind)


@cache
def _volume(seed, kind=BlotKind.GOOD):
    """Over the bay, as the blot of this seed and kind has it."""
    volume = _blot(seed, kind).volume(BAY)
    volume.flags.writeable = False
    return volume


def _in_core(seed, kind=BlotKind.GOOD):
    return _volume(seed, kind)[_blot(seed, kind).in_core(BAY)]


@pytest.mark.parametrize("seed", range(8))
def test_mean_volume_of_the_core_is_1(seed):
    assert _in_core(seed).mean() == pytest.approx(1.0, abs=0.002)


@pytest.mark.parametrize("seed", range(8))
def test_good_blot_is_a_fair_drop_inside_the_bay(seed):
    volume = _volume(seed)
    area = (volume > 0.5).sum() * STEP_MM**2
    assert 8.4 < 2 * np.sqrt(area / np.pi) < 13.6
    rows, columns = np.nonzero(volume > 0.05)
    assert rows.min() > EDGE
    assert columns.min() > EDGE
    assert rows.max() < BAY.shape[0] - EDGE
    assert columns.max() < BAY.shape[1] - EDGE


@pytest.mark.parametrize("seed", range(8))
def test_good_blot_is_even_to_a_few_per_cent(seed):
    assert 0.003 < _in_core(seed).std() < 0.07


def test_volume_stays_within_the_table():
    for kind in BlotKind:
        volume = _volume(3, kind)
        assert volume.min() >= 0
        assert volume.max() <= 2


def test_no_blot():
    assert not _volume(1, BlotKind.NONE).any()


def test_tiny_blot():
    area = (_volume(1, BlotKind.TINY) > 0.5).sum() * STEP_MM**2
    assert 0 < area < 12


def test_uneven_blot():
    assert _in_core(1, BlotKind.UNEVEN).std() > 0.15


def test_touching_blot_reaches_the_border():
    volume = _volume(1, BlotKind.TOUCHING)
    assert volume[:, [0, -1]].max() > 0.5


def test_fragments_are_apart():
    from scipy.ndimage import label

    parts, n = label(_volume(1, BlotKind.FRAGMENTS) > 0.3)
    sizes = np.bincount(parts.ravel())[1:] * STEP_MM**2
    assert n >= 2
    assert np.sort(sizes)[-2] > 15


def test_same_seed_same_blot():
    again = draw_blot(np.random.default_rng(5))
    np.testing.assert_array_equal(_volume(5), again.volume(BAY))
