"""Typed refusals: why a photo can't be read and what the person holding the phone can do.

A refusal is a result, not an exception: every stage returns its own result object
or one of these, and the pipeline stops at the first one. Ask which by
``isinstance``: a refusal has no truth value, since ``check() or result`` once let
refused photos through.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Reason(StrEnum):
    """Machine-readable reason of a refusal; the value is what JSON carries."""

    NOT_AN_IMAGE = "not_an_image"
    FORMAT_NOT_READ = "format_not_read"
    IMAGE_TOO_LARGE = "image_too_large"
    IMAGE_TOO_SMALL = "image_too_small"
    NO_CARD = "no_card"
    CARD_PART_HIDDEN = "card_part_hidden"
    CARD_MIRRORED = "card_mirrored"
    CARD_BENT = "card_bent"
    TWO_CARDS = "two_cards"
    CARD_TOO_SMALL = "card_too_small"
    CARD_TOO_TILTED = "card_too_tilted"
    BLURRED = "blurred"
    CLIPPED = "clipped"
    TOO_DARK = "too_dark"
    GLARE_ON_PATCHES = "glare_on_patches"
    GLARE_ON_BLOT = "glare_on_blot"
    SHADOW_EDGE = "shadow_edge"
    COLOUR_NOT_CORRECTABLE = "colour_not_correctable"
    LOT_NOT_MEASURED = "lot_not_measured"
    CARD_SOILED = "card_soiled"
    CARD_FADED = "card_faded"
    PAPER_NOT_BLANK = "paper_not_blank"
    PAPER_OUT_OF_PLACE = "paper_out_of_place"
    PAPER_UNLIKE = "paper_unlike"
    BLOT_MISSING = "blot_missing"
    NOT_ONE_BLOT = "not_one_blot"
    BLOT_TOO_SMALL = "blot_too_small"
    BLOT_UNEVEN = "blot_uneven"
    BLOT_TOUCHES_BORDER = "blot_touches_border"
    NOT_BLOOD_COLOUR = "not_blood_colour"
    OUT_OF_RANGE = "out_of_range"
    LOT_UNKNOWN = "lot_unknown"
    LOT_EXPIRED = "lot_expired"
    CALIBRATION_UNFIT = "calibration_unfit"
    LOT_CHANGED = "lot_changed"
    NOT_CALIBRATED = "not_calibrated"


ADVICE: dict[Reason, str] = {
    Reason.NOT_AN_IMAGE: "This file is not a photo that can be opened. Take the photo again.",
    Reason.FORMAT_NOT_READ: "Pictures in this file format can't be opened here. Set the phone's "
    "camera to save photos as JPEG, and take the photo again.",
    Reason.IMAGE_TOO_LARGE: "This image has more pixels than can be opened. "
    "Send one photo as the camera took it, best as a JPEG.",
    Reason.IMAGE_TOO_SMALL: "This image is too small. Send the original photo, not a thumbnail.",
    Reason.NO_CARD: "No card was found. Lay the card flat, move closer, get the whole of it in the "
    "picture, and hold still.",
    Reason.CARD_PART_HIDDEN: "Part of the card is hidden or cut off. Show all four corners, "
    "clean and with nothing lying on them.",
    Reason.CARD_MIRRORED: "The picture is mirrored. Use the back camera with mirroring off.",
    Reason.CARD_BENT: "The card is bent. Lay it flat on a hard surface and take the photo again.",
    Reason.TWO_CARDS: "More than one card is in the picture. Keep one card in view.",
    Reason.CARD_TOO_SMALL: "The card is too small in the picture. Move closer. If it fills the "
    "picture already, send the photo in its full size.",
    Reason.CARD_TOO_TILTED: "The phone is tilted too far. Hold it straight above the card.",
    Reason.BLURRED: "The picture is blurred. Hold still, tap the card to focus, and try again.",
    Reason.CLIPPED: "The card is too bright in the picture. Move out of direct sun "
    "and coloured light, switch flash and filters off, or tap the card so that the phone darkens "
    "the picture.",
    Reason.TOO_DARK: "The picture is too dark or grainy. Move to brighter, even light, "
    "and photograph the card itself, not a screen.",
    Reason.GLARE_ON_PATCHES: "Light is reflecting off the card. Switch the flash off, turn away "
    "from the lamp or window, and take the card out of any plastic sleeve.",
    Reason.GLARE_ON_BLOT: "Light is reflecting off the blot. Let it dry until it no longer "
    "shines, and turn away from the lamp or window.",
    Reason.SHADOW_EDGE: "A shadow lies across part of the card. Put the whole card in even light, "
    "best daylight, or wholly in shade, without flash, away from leaves and bars. If no shadow is "
    "seen, switch off HDR and picture enhancement, and wipe the card clean.",
    Reason.COLOUR_NOT_CORRECTABLE: "The colours of the card don't come out as printed. "
    "Switch off filters and coloured light, and wipe the card clean. If that does not help, try "
    "another card, but no copy or picture of one.",
    Reason.LOT_NOT_MEASURED: "The colours of this card come out far from its design, and its "
    "print was never measured. Try by daylight; if that does not help, have the lot measured, or "
    "use a card of a measured lot.",
    Reason.CARD_SOILED: "The print of the card is dirty or covered in places. Take fingers off it, "
    "wipe it clean and dry, or use a fresh card.",
    Reason.CARD_FADED: "The card's colours look faded. Try by daylight, with the phone's "
    "ordinary colours and no filter; if that does not help, use a fresh card, and keep cards in "
    "the dark when they are not in use.",
    Reason.PAPER_NOT_BLANK: "No clean blank paper is seen around the blot. "
    "Use fresh blotting paper with a clean margin around the blot.",
    Reason.PAPER_OUT_OF_PLACE: "The blotting paper does not lie flat and straight in the window. "
    "Lay it so that it covers the window and none of the colours, and press creases flat. "
    "If it lies well, turn away from the lamp or window.",
    Reason.PAPER_UNLIKE: "The blotting paper looks different from the paper tested here. "
    "Photograph it again in even light with nothing over the card, without filter or picture "
    "enhancement. If it looks different still, use the paper that was tested, clean and dry, on "
    "the same backing. If its batch has changed, blots on it can't be read yet: send her for a "
    "blood test.",
    Reason.BLOT_MISSING: "No blot was found in the window of the card. "
    "Put the blotting paper in the window with the blot in the middle.",
    Reason.NOT_ONE_BLOT: "The photos don't show the same blot in the same place. Leave the paper "
    "as it lies and photograph the blot from another side again. Send a photo of another blot as "
    "another blot.",
    Reason.BLOT_TOO_SMALL: "The blot is too small. Make a new blot from one full drop.",
    Reason.BLOT_UNEVEN: "The blot is uneven. Turn away from lamp and window and take the photo "
    "again. If it is uneven still, make a new blot from one full drop and let it soak in and dry "
    "without touching it.",
    Reason.BLOT_TOUCHES_BORDER: "The blot touches the edge of the window, or no paper lies there. "
    "Move the paper so that blank paper is seen all around the blot.",
    Reason.NOT_BLOOD_COLOUR: "The colour of the spot is not that of a fresh blood blot. "
    "Make a new blot and read it as soon as it is dry.",
    Reason.OUT_OF_RANGE: "The blot is outside the range that this card can read. "
    "Make a new blot; if it happens again, have the blood tested at a health facility.",
    Reason.LOT_UNKNOWN: "This card's lot is not known here. Use a card of a known lot, "
    "or add the lot's measurement file.",
    Reason.LOT_EXPIRED: "This card is past its expiry date. Use a card that is in date.",
    Reason.CALIBRATION_UNFIT: "The calibration was made with cards of other lots. "
    "Use one of those, or send her for a blood test.",
    Reason.LOT_CHANGED: "The file of this card's lot has other colours than the calibration was "
    "fitted with. Fit again with the new file, or put the old file back.",
    Reason.NOT_CALIBRATED: "No blood test has been held against cards like this one here, so "
    "its colours can't be told as haemoglobin. Send her for a blood test.",
}


@dataclass(frozen=True)
class Refusal:
    """A photo that can't be read.

    Attributes
    ----------
    reason : Reason
        Why, for machines.
    stage : str
        Name of the stage that refused (``"locate"``, ``"blot"``, ...).
    detail : str
        What was measured against which limit, for the technically minded; one line.
    """

    reason: Reason
    stage: str
    detail: str = ""

    @property
    def advice(self) -> str:
        """What to do about it, in one or two plain sentences."""
        return ADVICE[self.reason]

    def __bool__(self) -> bool:
        raise ValueError("a refusal has no truth value: use isinstance or 'is not None'")
