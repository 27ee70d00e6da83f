"""Words for the pages' own look at a picture: the reader's advice, in the visitor's language."""

from __future__ import annotations

import json

from cardreader.core.refusal import ADVICE, Reason
from cardreader.web.texts import gettext

LOOKED_FOR = (
    Reason.IMAGE_TOO_SMALL,
    Reason.NO_CARD,
    Reason.CARD_PART_HIDDEN,
    Reason.CARD_MIRRORED,
    Reason.TWO_CARDS,
    Reason.CARD_TOO_SMALL,
    Reason.CARD_TOO_TILTED,
    Reason.BLURRED,
    Reason.CLIPPED,
    Reason.TOO_DARK,
    Reason.GLARE_ON_PATCHES,
)
"""What can be seen in a picture before the reader has it; ``static/look.js`` names them."""


def look_words() -> str:
    """Reason -> advice, as JSON for an attribute of a page."""
    return json.dumps({reason.value: gettext(ADVICE[reason]) for reason in LOOKED_FOR})
