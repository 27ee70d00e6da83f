"""The steps of prick and blot and of the tube, in words.

Common practice, no source; local protocol decides. The pages say so beside them.
"""

from __future__ import annotations

from dataclasses import dataclass

from cardreader.register.kinds import Source
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
        mark("The cotton goes into the waste for infectious material."),
    ),
    Step(
        mark("Start the drying timer. The blot is ready when it no longer shines."),
        mark("Do not blow on it or dry it in the sun. Do not leave it until it turns brown."),
    ),
)

TUBE_BEFORE = (
    Step(
        mark("Look at tube and pipette: clean, dry and whole."),
        mark("Old blood or water left in them changes the value."),
    ),
    Step(mark("Fill N/10 hydrochloric acid up to the lowest mark of the tube.")),
    Step(
        mark("Wash your hands and put on gloves. Clean the side of her fingertip and let it dry."),
        mark("A wet finger thins the blood."),
    ),
    Step(
        mark("Prick once with a new lancet. Drop the lancet in the sharps box at once."),
        mark("Never use a lancet twice. Never put its cap back."),
    ),
    Step(
        mark("Wipe the first drop away with dry cotton. Let a full drop come by itself."),
        mark("Do not squeeze: tissue fluid thins the blood and makes it look pale."),
    ),
    Step(
        mark("Draw blood up to the one mark of the pipette, 20 mm³, with a bulb and without air."),
        mark("Nothing is ever sucked towards the mouth. With air in it, start again."),
    ),
    Step(
        mark("Wipe the outside of the pipette. The blood must still stand at the mark."),
        mark("Blood outside makes the value too high."),
    ),
    Step(
        mark(
            "Put its tip under the acid, press the blood out, and rinse the pipette "
            "two or three times with the acid."
        ),
        mark("Blood left in the pipette makes the value too low."),
    ),
    Step(
        mark("Mix, and start the timer at once. Wait the whole ten minutes."),
        mark("Read too early, the value is too low."),
    ),
)

TUBE_AFTER = (
    Step(
        mark("Add water drop by drop and mix after each, until the colour matches the glass."),
        mark("A drop too many can't be taken back, and the value is too high."),
    ),
    Step(
        mark("Compare with the glass on both sides, in daylight, with the stirrer lifted out."),
        mark("Not under a lamp, not in direct sun."),
    ),
    Step(mark("Read the lower edge of the curved surface, at the level of your eye.")),
)

_SHARPS = Step(
    mark("Is the lancet in the sharps box? Close the box when it is three quarters full."),
    mark("Never reach into it, never empty it."),
)
_INFECTIOUS = mark("Put swabs and cotton into the waste for infectious material.")
_HANDS = Step(mark("Take the gloves off last and wash your hands with soap."))

WASTE = {
    Source.PHOTO: (
        _SHARPS,
        Step(
            mark("Put blot, swabs and cotton into the waste for infectious material."),
            mark("A dry blot is infectious too. Keep one only where local protocol asks for it."),
        ),
        Step(mark("Wipe the card clean if blood has touched it, and let it dry.")),
        _HANDS,
    ),
    Source.TUBE: (
        _SHARPS,
        Step(_INFECTIOUS),
        Step(
            mark(
                "Put the tube, the pipette and used gloves into chlorine solution (0.5 %) "
                "for ten minutes; then wash the glass and let it dry."
            ),
            mark("Make the solution fresh each day. Keep it off skin, eyes and clothes."),
        ),
        Step(mark("Wash your hands with soap.")),
    ),
}
"""What to do with what blood has touched, by how the value was read."""
