"""Where the numbers come from by which a colour becomes haemoglobin, or doesn't."""

from __future__ import annotations

from cardreader.core.gates import Stage, chosen, derived, measured
from cardreader.hb import (
    calibrationnumbers,
    combine,
    container,
    distribution,
    estimate,
    fading,
    filenumbers,
    lotcolours,
    paper,
    plausible,
    posterior,
    seencards,
    sittings,
)
from cardreader.hb import measured as measured_module

_NO_FIT = "far beyond what any fit of this project gave"

ESTIMATE = Stage(
    "Haemoglobin of a colour",
    estimate,
    (
        chosen("MAX_VIVIDNESS_SD", "sd of the fit's phones", "a twentieth of phones lie further"),
        chosen("MOST_AT_ONCE", "photo", "memory of some hundred megabytes"),
    ),
)

DISTRIBUTION = Stage(
    "Distributions",
    distribution,
    (chosen("GRID_STEP_G_DL", "g/dL", "a tenth of the narrowest interval"),),
)

COMBINE = Stage(
    "Several blots",
    combine,
    (chosen("FALSE_ALARMS", "of women", "rare enough to be heeded; a second look costs little"),),
)

MEASURED = Stage(
    "Numbers kept of a photo",
    measured_module,
    (),
    beside=("COLOUR_COLUMNS", "N_COLOUR", "N_SIGNATURE", "VIVIDNESS_AT"),
)

LOT_COLOURS = Stage(
    "Colours of a lot, known again",
    lotcolours,
    (
        chosen(
            "MOST_MEAN_DE00",
            "CIEDE2000",
            "about twice what one instrument differs by from day to day in means of three cards "
            "(common practice, no source); moves readings of ten sample photos by 0.1 to 0.4 g/dL "
            "(root mean square)",
        ),
        chosen("MOST_DE00", "CIEDE2000", "as for a print that has moved, docs/card.md"),
    ),
    beside=("_STEP", "_KNOWN"),
)

PAPER = Stage(
    "Blotting paper",
    paper,
    (
        chosen(
            "LONGEST_NAME",
            "character",
            "a line on a label; no name that is typed in is longer (the pages take 40)",
        ),
        chosen("MOST_BATCHES", "batch", "far more than a site uses up in a card's life"),
    ),
)

FADING = Stage(
    "Fading",
    fading,
    (
        derived("MOST_INKS", "ink", "cyan, magenta and yellow; black is of carbon and keeps"),
        derived("ANY", "of the signature", "beyond any number that a signature can hold"),
        derived("_MOST_SHARE", "of an ink", "far beyond what any calibration lets pass"),
    ),
    beside=("_AT_ONCE", "_CELLS"),
)

PLAUSIBLE = Stage(
    "Numbers that no fit can have given",
    plausible,
    (
        chosen("HIGHEST_HB_G_DL", "g/dL", "far above any blood"),
        chosen(
            "MOST_KNOTS",
            "knot",
            "forty times those of the shipped calibrations; the table grows with them",
        ),
        chosen("LONGEST_TEXT", "character", "five lines on a screen; source is one sentence"),
        chosen("_LARGEST", "of each table", _NO_FIT),
        chosen("_LARGEST_FADING", "of each table", _NO_FIT),
        chosen("_RANGES", "of each number", _NO_FIT),
        chosen(
            "_LEAST_SD",
            "ln XYZ",
            "a ten-thousandth of what signatures of the fit scatter by; far below, "
            "dividing by it overflows",
        ),
        chosen(
            "_LEAST_VARIANCE",
            "(ln XYZ)²",
            "a standard deviation of 1e-5 ln XYZ, a ten-thousandth of a code; below it "
            "the density would be one step of the grid",
        ),
    ),
)

CALIBRATION = Stage(
    "A calibration",
    calibrationnumbers,
    (
        chosen(
            "MAX_JSON_BYTES",
            "byte",
            "six times the shipped calibrations; half still holds theirs, double only "
            "takes longer to turn away",
        ),
        chosen(
            "LONGEST_CHAIN",
            "character",
            "a name and a number; it is shown in one line of a refusal",
        ),
        measured(
            "MAX_STRANGENESS",
            "1, mean of the fit's cards",
            "a card of other inks than the simulation's came out at 3.6 and was read rightly",
        ),
        measured(
            "USUAL_STRANGENESS",
            "1, mean of the fit's cards",
            "errors are level below (RMSE 0.64 g/dL, seed 9202)",
        ),
        measured(
            "STRANGE",
            "1, mean of the fit's cards",
            "errors are level from here to 12 (RMSE 1.1 to 1.2 g/dL, seed 9202)",
        ),
        measured(
            "MAX_FADE", "of an ink", "bleaching is told to about 0.03 of an ink; seeds not kept"
        ),
        measured("STRAY_WIDTH", "1", "none of 3,271 usable colours is then wrong; seed not kept"),
        measured(
            "VIVIDNESS_CLIP",
            "sd of the fit's phones",
            "held-out renderings and others drawn for "
            "tuning (seed 9202), fits of seed 9101: RMSE flat from 0.5 to 1.5, more beyond",
        ),
    ),
    beside=("SCHEMA", "NO_CHAIN"),
)

POSTERIOR = Stage(
    "What is not known of a site",
    posterior,
    (chosen("MOST_WEIGHTS", "weight", "memory; twice what a signature of 42 asks for"),),
    beside=("_DIGITS",),
)

FILE_NUMBERS = Stage(
    "Numbers as a calibration's file keeps them",
    filenumbers,
    (derived("_ROUNDING", "share of the trace", "the file keeps seven digits of each element"),),
    beside=("DIGITS",),
)

CONTAINER = Stage(
    "A calibration's files",
    container,
    (
        chosen("MAX_MANIFEST_BYTES", "byte", "a hundred times that of the demonstration study"),
        chosen("MAX_FILE_BYTES", "byte", "sixty times the largest file of the demonstration study"),
        chosen(
            "MAX_FILES",
            "file",
            "a study's calibration has five; the rest is room for papers of its own",
        ),
        chosen(
            "MOST_WORDS",
            "character",
            "five lines on a screen: an error of a library may hold the whole file",
        ),
    ),
    beside=("SCHEMA",),
)

SEEN_CARDS = Stage(
    "Cards that a site's pairs were read beside",
    seencards,
    (derived("_DIGITS", "digit", "a distance of half the nearest moves by under a hundredth"),),
)

SITTINGS = Stage(
    "Photos of one sitting",
    sittings,
    (
        measured(
            "OWN_SHARE",
            "of variance",
            "0.055 to 0.057 of 400 sittings drawn whole, three photos and blots each, seed 663003",
        ),
    ),
    beside=("_DIGITS",),
)

GATES = (
    MEASURED,
    ESTIMATE,
    DISTRIBUTION,
    COMBINE,
    FADING,
    LOT_COLOURS,
    SEEN_CARDS,
    SITTINGS,
    PAPER,
    CALIBRATION,
    PLAUSIBLE,
    POSTERIOR,
    FILE_NUMBERS,
    CONTAINER,
)
