"""Blots: the truth they keep, and the ways in which they go wrong."""

import numpy as np
import pytest

from cardreader.card import layout
from cardreader.simulate.blotshape import BlotKind, draw_blot

STEP_MM = 0.05


def _bay():
    steps = np.arange(-layout.BAY_MM / 2, layout.BAY_MM / 2, STEP_MM) + STEP_MM / 2
    return np.stack(np.meshgrid(*(c + steps for c in layout.CENTRE_MM)), axis=-1)


BAY = _bay()


def _blot(seed, kind=BlotKind.GOOD):
    return draw_blot(np.random.default_rng(seed), kind)


@pytest.mark.parametrize("seed", range(8))
def test_mean_volume_of_the_core_is_1(seed):
    blot = _blot(seed)
    assert blot.volume(BAY)[blot.in_core(BAY)].mean() == pytest.approx(1.0, abs=0.002)


@pytest.mark.parametrize("seed", range(8))
def test_good_blot_is_a_fair_drop_inside_the_bay(seed):
    volume = _blot(seed).volume(BAY)
    area = (volume > 0.5).sum() * STEP_MM**2
    assert 8.4 < 2 * np.sqrt(area / np.pi) < 13.6
    rows, columns = np.nonzero(volume > 0.05)
    assert rows.min() > 20
    assert columns.min() > 20
    assert rows.max() < BAY.shape[0] - 20
    assert columns.max() < BAY.shape[1] - 20


@pytest.mark.parametrize("seed", range(8))
def test_good_blot_is_even_to_a_few_per_cent(seed):
    blot = _blot(seed)
    assert 0.003 < blot.volume(BAY)[blot.in_core(BAY)].std() < 0.07


def test_volume_stays_within_the_table():
    for kind in BlotKind:
        volume = _blot(3, kind).volume(BAY)
        assert volume.min() >= 0
        assert volume.max() <= 2


def test_no_blot():
    assert not _blot(1, BlotKind.NONE).volume(BAY).any()


def test_tiny_blot():
    area = (_blot(1, BlotKind.TINY).volume(BAY) > 0.5).sum() * STEP_MM**2
    assert 0 < area < 12


def test_uneven_blot():
    blot = _blot(1, BlotKind.UNEVEN)
    assert blot.volume(BAY)[blot.in_core(BAY)].std() > 0.15


def test_touching_blot_reaches_the_border():
    volume = _blot(1, BlotKind.TOUCHING).volume(BAY)
    assert volume[:, [0, -1]].max() > 0.5


def test_fragments_are_apart():
    from scipy.ndimage import label

    parts, n = label(_blot(1, BlotKind.FRAGMENTS).volume(BAY) > 0.3)
    sizes = np.bincount(parts.ravel())[1:] * STEP_MM**2
    assert n >= 2
    assert np.sort(sizes)[-2] > 15


def test_same_seed_same_blot():
    np.testing.assert_array_equal(_blot(5).volume(BAY), _blot(5).volume(BAY))
