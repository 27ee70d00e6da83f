"""What the pages' own look at a picture knows of the card: ``static/card.js``.

Positions, codes and limits are the reader's. ``python -m cardreader.web.cardfacts`` writes
the file again after one of them has changed; a test fails until that is done.
"""

from __future__ import annotations

import json
from pathlib import Path

from cardreader.card import layout
from cardreader.core.files import write_atomic
from cardreader.read import locate, markers, photo, sample

FILE = Path(__file__).parent / "static" / "card.js"

_HEAD = """\
// What a look at a picture knows of the card and of the reader's limits.
// Written by cardreader/web/cardfacts.py; changes are made there.
"use strict";

const CARD = """


def text() -> str:
    """The file's text."""
    facts = {
        "width": layout.WIDTH_MM,
        "height": layout.HEIGHT_MM,
        "corners": layout.marker_corners_mm().round(3).tolist(),
        "lightest": [
            [round(c.x_mm, 3), round(c.y_mm, 3)]
            for c in layout.cells()
            if c.shade in ("N11", "N12")
        ],
        "patches": layout.centres_mm().round(3).tolist(),
        "sampled": round(sample.SAMPLED_MM, 3),
        "base": layout.MARKER_BASE,
        "codes": _codes(),
    }
    limits = {
        "longSide": photo.MIN_LONG_SIDE_PX,
        "workingSide": photo.WORKING_LONG_SIDE_PX,
        "detectSide": locate.DETECT_LONG_SIDE_PX,
        "pxPerMm": locate.MIN_PX_PER_MM,
        "tiltDeg": locate.MAX_TILT_DEG,
        "blurMm": locate.MAX_BLUR_MM,
        "sharpness": locate.MIN_SHARPNESS,
        "clippedCode": round(sample.CLIPPED_CODE * 255),
        "clipped": sample.MAX_CLIPPED,
        "light": sample.MIN_LIGHT,
        "wrongBits": markers.MAX_WRONG_BITS,
        "contrast": markers.MIN_CONTRAST,
    }
    lines = [f"  {name}: {json.dumps(value)}," for name, value in facts.items()]
    lines.append("  limits: {")
    lines += [f"    {name}: {json.dumps(value)}," for name, value in limits.items()]
    return _HEAD + "{\n" + "\n".join(lines) + "\n  },\n};\n"


def _codes() -> str:
    """Every identity's 36 bits, row by row, 1 white, as nine hexadecimal digits each."""
    bits = (markers.signed_codes()[0] > 0).astype(int)
    return "".join(f"{int(''.join(map(str, row)), 2):09x}" for row in bits)


if __name__ == "__main__":
    write_atomic(FILE, text())
