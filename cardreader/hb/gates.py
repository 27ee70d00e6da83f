"""Where the numbers come from by which a colour becomes haemoglobin, or doesn't."""

from __future__ import annotations

from cardreader.core.gates import Stage, chosen, derived, measured
from cardreader.hb import calibration, container, estimate, fading, plausible

_NO_FIT = "far beyond what any fit of this project gave"

ESTIMATE = Stage(
    "Haemoglobin of a colour",
    estimate,
    (
        measured(
            "MAX_STRANGENESS",
            "1, mean of the fit's cards",
            "a card of other inks than the simulation's came out at 3.6 and was read rightly",
        ),
        measured(
            "MAX_FADE",
            "of an ink",
            "bleaching is told to about 0.03 of an ink; seeds not kept",
        ),
        measured(
            "STRAY_WIDTH",
            "1",
            "none of 3,271 usable colours is then wrong; seed not kept",
        ),
    ),
    beside=("G_L_PER_G_DL",),
)

FADING = Stage(
    "Fading",
    fading,
    (derived("MOST_INKS", "ink", "magenta and yellow make up the shades of blood"),),
)

PLAUSIBLE = Stage(
    "Numbers that no fit can have given",
    plausible,
    (
        chosen("HIGHEST_HB_G_DL", "g/dL", "far above any blood"),
        chosen("MOST_KNOTS", "knot"),
        chosen("LONGEST_TEXT", "character"),
        chosen("_LARGEST", "of each table", _NO_FIT),
        chosen("_LARGEST_FADING", "of each table", _NO_FIT),
        chosen("_RANGES", "of each number", _NO_FIT),
        chosen("_LEAST_SD", "ln XYZ"),
        chosen("_LEAST_VARIANCE", "(ln XYZ)²"),
    ),
)

CALIBRATION = Stage(
    "A calibration",
    calibration,
    (chosen("MAX_JSON_BYTES", "byte"),),
    beside=("SCHEMA",),
)

CONTAINER = Stage(
    "A calibration's files",
    container,
    (
        chosen("MAX_MANIFEST_BYTES", "byte"),
        chosen("MAX_FILE_BYTES", "byte"),
        chosen("MAX_FILES", "file"),
        chosen("MOST_WORDS", "character"),
    ),
    beside=("SCHEMA",),
)

GATES = (ESTIMATE, FADING, CALIBRATION, PLAUSIBLE, CONTAINER)
