"""A blot of which the phone left nothing of a channel -> corrections for what that may have been.

A lost channel isn't no news. It was at most what is left of it; and blood, like the printed
shades of it, is of colours that lie along a line, so the two channels that were kept tell
about where on that line the third was. What it was is then a normal in the logarithm about
what the shades make expected, cut off at what is left. Each of some equally likely values is
filled in where the phone's rendering is undone: below a code of 0, had codes gone on there. So
the two other channels are taken back by as much as they ought to be, and how far the values'
colours lie apart is what isn't known (`blot`).

Shades that lost a channel are filled in likewise, with what their measured colour makes
expected: what was kept of them says how far the correction is off at that depth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.read.leftover import Leftover
from cardreader.read.light import EPSILON
from cardreader.read.ramp import RampTrend
from cardreader.read.sample import CRUSHED_LINEAR
from cardreader.read.vividness import encoded_srgb

if TYPE_CHECKING:
    from cardreader.read.correct import ColourCorrection

Array = NDArray[np.float64]

SPREAD = 0.6
"""Standard deviation of ln reflectance of a blot in one channel, about that of a shade that has
its other: twice what is seen, since the tail is long."""
MAX_ABOVE = 1.2
"""ln reflectance by which a shade may have more of the lost channel than the blot has left."""
MAX_UNLIKE = 0.25
"""ln reflectance in red by which a blot may differ from a shade: old blood is darker."""
DOUBT_SD = 0.03
"""Of ln XYZ, for a correction fitted without the shades that are as deep."""
N_VALUES = 9
"""Equally likely values of the lost channel."""

_RED, _GREEN, _BLUE = range(3)
_RAMP = layout.of_kind(Kind.RAMP)
_AT_TOP = 0.98
_LEAST_REFLECTANCE = 0.005
_CODES = (-1.0, 0.2)
"""Encoded values between which a lost channel is looked for."""
_HALVINGS = 30
_ROUNDS = 3


@dataclass(frozen=True, eq=False)
class FilledCorrection:
    """A colour correction with one value of a lost channel filled in, for one blot.

    Attributes
    ----------
    base : ColourCorrection
    ramp_trend : RampTrend
    leftover : Leftover
        Both with the lost channels of shades filled in.
    at_mm : (2,) array
        Where the blot is.
    channel : int or None
        The one the blot lost; None where only shades as deep lost any.
    log_reflectance : float
        What stands for it.
    """

    base: ColourCorrection
    ramp_trend: RampTrend
    leftover: Leftover
    at_mm: Array
    channel: int | None = None
    log_reflectance: float = 0.0

    def xyz(self, linear: ArrayLike, at_mm: ArrayLike) -> Array:
        """As `ColourCorrection.xyz`, of colours that lost the channel and of others."""
        at = np.asarray(at_mm, float)
        plain = self._plain(np.asarray(linear, float), at)
        return np.asarray(self.base.light.reflectance(plain, at) @ self.base.matrix.T)

    def best_xyz(self, linear: ArrayLike, at_mm: ArrayLike) -> Array:
        """As `ColourCorrection.best_xyz`."""
        return self.leftover.taken_off(self.xyz(linear, at_mm))

    def log_ratio_covariance(self, linear: ArrayLike, reference: ArrayLike) -> Array:
        """As `ColourCorrection.log_ratio_covariance`, and what is less sure for the loss."""
        rgb = np.stack([np.asarray(linear, float), np.asarray(reference, float)])
        plain = self._plain(rgb, np.tile(self.at_mm, (2, 1)))
        known = self.base.light_covariance(plain) + self.ramp_trend.covariance
        return np.asarray(known + DOUBT_SD**2 * np.eye(3))

    def reaches(self, linear: ArrayLike, at_mm: ArrayLike) -> bool:
        """True: this is for blots that the card's shades don't reach."""
        return True

    def filled(self, linear: ArrayLike, at_mm: ArrayLike) -> tuple[FilledCorrection, ...]:
        """Itself."""
        return (self,)

    def _plain(self, linear: Array, at_mm: Array) -> Array:
        plain = self.base.vividness.undone(linear)
        if self.channel is None:
            return plain
        lost = linear[:, self.channel] < CRUSHED_LINEAR
        if lost.any():
            channel = np.full(int(lost.sum()), self.channel)
            value = np.full(len(channel), np.exp(self.log_reflectance))
            plain[lost] = _filled(self.base, linear[lost], at_mm[lost], channel, value)
        return plain


def filled_corrections(
    correction: ColourCorrection, linear: Array, at_mm: Array
) -> tuple[FilledCorrection, ...]:
    """Equally likely corrections for a blot, in ascending order of what the channel was.

    One where the blot kept its channels and only shades as deep lost any. None where two
    channels are lost, or red; where the blot has less left than blood would have; and where
    what was kept isn't blood's.

    Parameters
    ----------
    correction : ColourCorrection
    linear, at_mm : (3,), (2,) arrays
        The blot's nominal linear RGB, and where it is.
    """
    filled = filled_shades(correction)
    lost = np.flatnonzero(linear < CRUSHED_LINEAR)
    if not lost.size:
        return (FilledCorrection(correction, *filled, at_mm),)
    channel = int(lost[0])
    if lost.size > 1 or channel == _RED:
        return ()
    expected, most, unlike = _expected(correction, linear, at_mm, channel)
    if expected - most > MAX_ABOVE or abs(unlike) > MAX_UNLIKE:
        return ()
    # Few photos lose a channel, and it brings random numbers and exact fractions with it.
    from statistics import NormalDist

    below = NormalDist().cdf((most - expected) / SPREAD)
    shares = (np.arange(N_VALUES) + 0.5) / N_VALUES * below
    values = [expected + SPREAD * NormalDist().inv_cdf(float(share)) for share in shares]
    return tuple(FilledCorrection(correction, *filled, at_mm, channel, value) for value in values)


def filled_shades(correction: ColourCorrection) -> tuple[RampTrend, Leftover]:
    """Trend and leftover with the ramp's shades that lost one channel, and that not red, filled
    in.
    """
    linear, trend, leftover = correction.samples.linear, correction.ramp_trend, correction.leftover
    lost = linear < CRUSHED_LINEAR
    fillable = (lost.sum(axis=1) == 1) & ~lost[:, _RED] & (linear < _AT_TOP).all(axis=1)
    prints = np.flatnonzero(_RAMP & fillable)
    if not prints.size:
        return trend, leftover
    channel = lost[prints].argmax(axis=1)
    at_mm, seen = layout.centres_mm()[prints], linear[prints]
    value = _of_shades(correction)[prints, channel]
    value = np.minimum(value, _left(correction, seen, at_mm, channel))
    plain = _filled(correction, seen, at_mm, channel, value)
    xyz = correction.patch_xyz.copy()
    xyz[prints] = correction.light.reflectance(plain, at_mm) @ correction.matrix.T
    sound = np.where(_RAMP & fillable, 1.0, correction.sound)
    return (
        replace(trend, seen=xyz[_RAMP], sound=sound[_RAMP]),
        replace(leftover, seen=xyz, sound=sound),
    )


def _of_shades(correction: ColourCorrection) -> Array:
    """Reflectance-like RGB (72, 3) that the prints' measured colours make expected."""
    rgb = np.linalg.solve(correction.matrix, correction.lot.xyz.T).T
    return np.asarray(np.maximum(rgb, _LEAST_REFLECTANCE))


def _expected(
    correction: ColourCorrection, linear: Array, at_mm: Array, channel: int
) -> tuple[float, float, float]:
    """What a blot's lost channel was likely, and was at most, in ln reflectance; and by how much
    its red is another than a shade's.
    """
    kept = _GREEN if channel == _BLUE else _BLUE
    shades = np.log(_of_shades(correction)[_RAMP])
    shades = shades[np.argsort(shades[:, kept], kind="stable")]
    seen, at, channels = linear[None], at_mm[None], np.array([channel])
    most = _left(correction, seen, at, channels)
    plain = correction.vividness.undone(seen)
    for _ in range(_ROUNDS):  # what is filled in moves the channels kept, by a little
        rgb = np.log(np.maximum(correction.light.reflectance(plain, at)[0], EPSILON))
        likely = float(np.interp(rgb[kept], shades[:, kept], shades[:, channel]))
        value = np.minimum(np.exp([likely]), most)
        plain = _filled(correction, seen, at, channels, value)
    red = float(np.interp(rgb[kept], shades[:, kept], shades[:, _RED]))
    return likely, float(np.log(most[0])), float(rgb[_RED] - red)


def _left(correction: ColourCorrection, linear: Array, at_mm: Array, channel: Array) -> Array:
    """Reflectance (n,) in the lost channel of what the file has left of it: the most it was.

    A mean over pixels of which some ended at 0 is too high, never too low.
    """
    plain = correction.vividness.undone_past_nothing(encoded_srgb(linear))
    rows = np.arange(len(linear))
    return np.asarray(correction.light.reflectance(plain, at_mm)[rows, channel])


def _filled(
    correction: ColourCorrection, linear: Array, at_mm: Array, channel: Array, value: Array
) -> Array:
    """Nominal linear RGB (n, 3), rendering undone, with this reflectance (n,) in the lost channel.

    The code that would have given it is found by bisection.
    """
    encoded, rows = encoded_srgb(linear), np.arange(len(linear))
    low, high = (np.full(len(linear), end) for end in _CODES)
    for _ in range(_HALVINGS):
        encoded[rows, channel] = (low + high) / 2
        plain = correction.vividness.undone_past_nothing(encoded)
        short = correction.light.reflectance(plain, at_mm)[rows, channel] < value
        low = np.where(short, encoded[rows, channel], low)
        high = np.where(short, high, encoded[rows, channel])
    return plain
