"""The steps of prick and blot, in words. Common practice, no source; local protocol decides."""

from __future__ import annotations

from dataclasses import dataclass

from cardreader.web.texts import mark

DRYING_S = 180
"""Time for a blot to lose its wet shine: invented; the card's own instructions decide."""


@dataclass(frozen=True)
class Step:
    """One step: what to do, and what to beware of."""

    do: str
    beware: str = ""


STEPS = (
    Step(
        mark("Look at the card: clean, dry, flat, and in date. Lay it in even light."),
        mark("No direct sun, no flash."),
    ),
    Step(
        mark("Wash your hands and put on gloves."),
        mark("Treat all blood as infectious, dry blots too."),
    ),
    Step(
        mark(
            "Warm her hand. Clean the side of the tip of her middle or ring finger and let it dry."
        ),
        mark("Not where the skin is sore, swollen or pierced before."),
    ),
    Step(
        mark("Prick once with a new lancet. Drop the lancet in the sharps box at once."),
        mark("Never use a lancet twice. Never put its cap back."),
    ),
    Step(
        mark("Wipe the first drop away. Let a second, full drop come by itself."),
        mark("Do not squeeze: tissue fluid thins the blood and makes it look pale."),
    ),
    Step(
        mark("Touch the full drop to the middle of the blotting paper, once. Let it soak in."),
        mark("Do not smear it or add a second drop."),
    ),
    Step(
        mark("Press clean cotton on her finger until it stops bleeding."),
        mark("Cotton, gloves and blots go into the waste for infectious material."),
    ),
    Step(
        mark("Start the drying timer. The blot is ready when it no longer shines."),
        mark("Do not blow on it or dry it in the sun. Do not leave it until it turns brown."),
    ),
)
