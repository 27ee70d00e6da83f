"""Whether a card's colours come out well enough to judge a blot by them: the gates of `correct`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cardreader.card import layout
from cardreader.card.layout import Kind
from cardreader.card.lot import Lot
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.light import LightModel
from cardreader.read.sample import PatchSamples

Array = NDArray[np.float64]

MAX_MEAN_DE00 = 2.6
MAX_RAMP_DE00 = 3.0
"""Mean CIEDE2000 left over, at all patches and at the ramp: beyond it the card isn't itself."""

MAX_LEFT_OUT = 0.065
"""Root mean square log ratio by which left-out shades miss: beyond it this card's ramp is
not its lot's."""

MAX_GLARE = 0.08
"""Veiling glare relative to a perfect diffuser; the darkest neutral reflects 0.05."""

MAX_LIGHT_RATIO = 3.0
"""Brightest to dimmest place of the card."""

MAX_BANDS = 0.18
"""Amplitude of bands in ln light: 0.14 was tried with good readings, 0.29 went astray."""

LEAST_SHADES = 6
"""Shades of blood, of 14, that must have kept their colour: a blot may not be deeper than
those (`blot.too_deep`), and a trend through fewer says little. What is read with 6 to 8 is
pale blood, where a refusal would cost most."""

DESIGN_TOLERANCE = 4.0
"""Factor on what patches may be off by where a lot is known by its design only.

Prints come out 1 to 9 dE00 from what was asked, nearly the same on every card of a lot:
a calibration learns it from pairs, so it need not stop the photo. Ours.
"""

_RAMP = layout.of_kind(Kind.RAMP)
_RAMP_SHADES = layout.shades_of_kind(Kind.RAMP)
_NEUTRAL = layout.of_kind(Kind.NEUTRAL)


def tolerance(lot: Lot) -> float:
    """Factor on every limit of what patches may be off by: 1 for a measured lot."""
    return DESIGN_TOLERANCE if lot.basis == "nominal" else 1.0


def colours_lost(samples: PatchSamples) -> Refusal | None:
    """COLOUR_NOT_CORRECTABLE where too few prints kept their colour to fit anything to."""
    crushed = samples.crushed
    greys = int(crushed[_NEUTRAL].sum())
    shades = int((~layout.by_shade(crushed)[_RAMP_SHADES]).all(axis=1).sum())
    if not greys and shades >= LEAST_SHADES:
        return None
    return Refusal(
        Reason.COLOUR_NOT_CORRECTABLE,
        "correct",
        f"a channel came out at nothing in {greys} greys, and {shades} shades of blood kept "
        f"all three; at least {LEAST_SHADES} are needed and every grey",
    )


def why_not(
    light: LightModel,
    samples: PatchSamples,
    residual_de00: Array,
    left_out_rms: float,
    most: float = 1.0,
) -> Refusal | None:
    """The first gate that a fitted correction fails; None if it may be used.

    Parameters
    ----------
    light, samples : LightModel, PatchSamples
        As fitted.
    residual_de00 : (72,) array
        CIEDE2000 left over at each patch.
    left_out_rms : float
        See `RampTrend.left_out_rms`.
    most : float
        See `tolerance`.
    """
    told = ~samples.crushed  # lost colours are no sign of another card
    mean, ramp = residual_de00[told].mean(), residual_de00[_RAMP & told].mean()
    ratio = float(np.exp(np.ptp(light.log_light(layout.centres_mm()), axis=0).max()))
    bands = float((light.bands * light.banding.amplitude).max())
    tone = light.tone_slope(samples.linear[_NEUTRAL]).min()
    not_correctable = Reason.COLOUR_NOT_CORRECTABLE
    for fails, reason, detail in (
        (
            light.glare > MAX_GLARE,
            Reason.GLARE_ON_PATCHES,
            f"veil of {light.glare:.3f} > {MAX_GLARE}",
        ),
        (tone <= 0, not_correctable, "brighter greys came out darker"),
        (
            ratio > MAX_LIGHT_RATIO,
            Reason.SHADOW_EDGE,
            f"light falls off {ratio:.1f} to 1 over the card > {MAX_LIGHT_RATIO:g}",
        ),
        (
            bands > MAX_BANDS,
            Reason.SHADOW_EDGE,
            f"bands of {bands:.0%} across the card > {MAX_BANDS:.0%}",
        ),
        (
            mean > MAX_MEAN_DE00 * most or ramp > MAX_RAMP_DE00 * most,
            not_correctable,
            f"mean dE00 {mean:.1f} at the patches (limit {MAX_MEAN_DE00 * most:g}), "
            f"{ramp:.1f} at the shades (limit {MAX_RAMP_DE00 * most:g})",
        ),
        (
            left_out_rms > MAX_LEFT_OUT * most,
            not_correctable,
            f"shades left out are foretold to {left_out_rms:.1%} > {MAX_LEFT_OUT * most:.1%}",
        ),
    ):
        if fails:
            return Refusal(reason, "correct", detail)
    return None
