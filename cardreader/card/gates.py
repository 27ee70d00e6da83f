"""Where the numbers come from by which a card and its lot are judged."""

from __future__ import annotations

from cardreader.card import cgats, cgatstable, layout, lot, lots
from cardreader.core.gates import Stage, chosen, derived, measured, standard

LAYOUT = Stage(
    "The card",
    layout,
    (
        standard("WIDTH_MM", "mm", "ID-1, ISO/IEC 7810"),
        standard("HEIGHT_MM", "mm", "ID-1, ISO/IEC 7810"),
        chosen("RAMP_HB_G_DL", "g/dL", "our own steps: closest where a decision turns"),
        chosen(
            "NEUTRAL_L",
            "CIE L*",
            "even steps of 15 to 18 from bare stock to Y 0.05; half the range would leave "
            "deep blood to the prior of the tone curve, fewer steps its bends",
        ),
        derived("MARKER_BASE", "1", "four corners of 146 fit the 587 codes of the family"),
        derived("_WEIGHTS", "1", "prime to 146, so any one misread digit changes the sum"),
        chosen("_CHECK_SHIFT", "1", "not 0, so that digits all 0 are no lot; any would do"),
    ),
    beside=(
        "COLUMNS",
        "ROWS",
        "PITCH_MM",
        "PATCH_MM",
        "MARKER_MM",
        "BAY_MM",
        "N_PATCHES",
        "N_SHADES",
    ),
)

LOT = Stage(
    "A lot",
    lot,
    (
        measured(
            "NOMINAL_PRINT_SD",
            "ln XYZ, relative",
            "nearly twice what simulated print runs with ink scatter of 3 % show (0.015 to 0.019)",
        ),
        chosen("_MAX_AB", "CIELAB a*, b*", "beyond any print"),
        derived("_LEAST_XYZ", "perfect diffuser = 1", "the darkest velvet sends back more"),
        derived("_MAX_REFLECTANCE", "1", "brightened paper may send back more than a diffuser"),
        chosen(
            "_MAX_TEXT",
            "character",
            "two lines on a screen; half cuts the names of some instruments short",
        ),
    ),
)

LOTS = Stage(
    "A folder of lots",
    lots,
    (
        chosen(
            "MAX_LOT_FILES",
            "file",
            "a store of cards has tens; more is a folder given by mistake, and every file "
            "of it would be read",
        ),
    ),
)

FILE = Stage(
    "A lot's file",
    cgatstable,
    (
        derived("MAX_BYTES", "byte", "a lot with spectra every nanometre stays under 400 kB"),
        chosen(
            "MAX_FIELDS",
            "column",
            "a spectrum every nanometre has 401; half would not hold one with its names",
        ),
        chosen(
            "MAX_ROWS",
            "row",
            "a lot has 74; other targets in one file have some hundreds, MAX_BYTES holds "
            "the rest off; as many keywords, of which a lot has a score",
        ),
    ),
)

FILE_COLOURS = Stage(
    "Colours in a lot's file",
    cgats,
    (
        derived(
            "SPECTRUM_AGREES_DE",
            "CIE 1976 colour difference",
            "instruments differ by a few tenths, rows mixed up by more",
        ),
    ),
)

GATES = (LAYOUT, LOT, LOTS, FILE, FILE_COLOURS)
