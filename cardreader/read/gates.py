"""Where the numbers come from by which a photo is read or refused."""

from __future__ import annotations

from cardreader.core.gates import Stage, chosen, derived, measured, standard
from cardreader.read import (
    banding,
    bay,
    blot,
    blurredmarker,
    consensusline,
    correct,
    correctable,
    edges,
    hiddenmarker,
    light,
    locate,
    markers,
    matrix,
    paper,
    photo,
    posefit,
    ramp,
    sameblot,
    sample,
    segment,
    spoiled,
    twins,
    vividness,
)

_EIGHT_BITS = "eight bits: two codes from white are lost to rounding and noise"
_RIG = "test rig (tests/rig.py), which shares nothing with the renderer"
_RESTATED = "restated for a right scale so that the same residuals lose weight; before it, chosen"

OPENING = Stage(
    "Opening a photo",
    photo,
    (
        chosen("MAX_FILE_BYTES", "byte"),
        chosen("MAX_PIXELS", "pixel", "lets a 200-megapixel photo through, in JPEG and HEIF"),
        chosen(
            "MAX_PIXELS_UNSCALED", "pixel", "other formats hold every pixel; 8160 x 6144 passes"
        ),
        derived("MIN_LONG_SIDE_PX", "pixel", "a card as wide as the picture then has 5.6 px/mm"),
        chosen("WORKING_LONG_SIDE_PX", "pixel", "speed; a card that fills half keeps 9 px/mm"),
    ),
    beside=("_EXIF_MAKE", "_EXIF_MODEL", "_EXIF_ORIENTATION", "_EXIF_IFD", "_EXIF_TAKEN"),
)

FINDING = Stage(
    "Finding the card",
    locate,
    (
        measured("MIN_PX_PER_MM", "pixel/mm", f"below it patches are off by over 1.5 %: {_RIG}"),
        chosen("MAX_TILT_DEG", "degree"),
        measured("MAX_RESIDUAL_MM", "mm", "a card arched by 5 mm leaves as much"),
        measured("MAX_BLUR_MM", "mm", f"from 0.35 on a patch's surround shows in it: {_RIG}"),
        chosen("MIN_SHARPNESS", "of the contrast, per pixel", "below it a picture is soft"),
        chosen("_BRIGHT", "grey level"),
        measured("_DARK", "grey level", "577 tags in 131 real photos, darkened"),
        chosen("_MOST_GAIN", "1", "steps of the code values grow as tall as the contrast"),
        derived("_LET_GO", "corner", "those at the ends of one edge"),
        chosen("_CLEARLY", "of the residual", "blaming an edge must halve what is left"),
        measured("_LET_GO_RESIDUAL", "of MAX_RESIDUAL_MM", f"least that bent cards leave: {_RIG}"),
    ),
    beside=("DETECT_LONG_SIDE_PX", "_MORE_WINDOWS"),
)

MARKERS = Stage(
    "Markers",
    markers,
    (
        derived("MAX_WRONG_BITS", "bit of 36", "codes of the family differ in eleven or more"),
        chosen("MIN_CONTRAST", "grey level"),
        derived("_MIN_PERIMETER", "of the long side", "half of what a readable card has"),
        measured("_MIN_APART", "of the perimeter", "lines drawn 0.8 to 3.3 mm about markers"),
        chosen("_SHARPEN", "1"),
    ),
    beside=("MODULES", "_MAX_QUADS", "_POINTS"),
)

SOFT_MARKER = Stage(
    "A marker out of focus",
    blurredmarker,
    (
        measured("MIN_LIKENESS", "correlation", "45 soft photos without a card reach 0.952"),
        measured("MIN_LIKENESS_OF_TWO", "correlation", "the same photos reach 0.913"),
        chosen("_BLURS", "module"),
        chosen("_SHAKES", "module"),
        chosen("_MIN_CONTRAST", "grey level, root mean square"),
    ),
    beside=("_SCALES", "_FINE", "_SURROUND"),
)

HIDDEN_MARKER = Stage(
    "A marker under a drop",
    hiddenmarker,
    (
        measured("MAX_WRONG_MODULES", "module of 64", "a drop of 4.4 mm leaves at most 6"),
        measured("MIN_LEAD", "bit", "with it under 1 of a million other digits passes (test)"),
        chosen("MAX_APART", "module", "root mean square about one flat card"),
        chosen("_SURROUND", "module"),
    ),
)

EDGES = Stage(
    "Edges of markers",
    edges,
    (
        chosen("_REACH", "module", "the border is one wide, the surround a little less"),
        derived("_CLOSE", "module", "0.5 mm: lines drawn nearer than that aren't kept clear of"),
        measured("_DROP", "of an edge's contrast", "photos without a line keep 0.05"),
        derived("_CLIPPED", "1", "a Gaussian rise at the limit, seen through the short profile"),
        measured("_OFF", "of the reach", "unspoiled profiles keep within 0.02"),
        measured("_AGREED", "of the profiles", "along the rim of a drop of 4.4 mm 0.25 agree"),
    ),
    beside=("_MOVED", "_PROFILES", "_MAX_STEPS", "_BINS"),
)

LINES = Stage(
    "A line through most points",
    consensusline,
    (chosen("MIN_APART", "of the range of x"),),
)

POSE = Stage(
    "Pose and lens",
    posefit,
    (
        chosen("_LENS_PRIOR", "1 (k1)"),
        chosen("_CORNER_SD_PX", "pixel"),
    ),
    beside=("_FIT_ROUNDS", "_FIT_HALVINGS"),
)

BANDS = Stage(
    "Bands of a pulsing lamp",
    banding,
    (
        derived("_SPOT_MM", "mm", "half the gap between patches"),
        derived("_CLIPPED_CODE", "of white", _EIGHT_BITS),
        chosen("_DARKEST_SHARE", "of the median spot"),
        chosen("MIN_SPOTS", "spot"),
        derived("MIN_PERIOD_MM", "mm", "two and a half pitches: shorter ones hide between spots"),
        chosen("_FIRST_CYCLES", "cycle over the card"),
        chosen("MIN_CYCLES", "cycle over the card", "slower is light that falls off"),
        chosen(
            "DEPTH_IN_LIGHT",
            "1",
            "flat tone curves near white; not measured",
        ),
        derived("_KNEE", "sd of the largest of three", _RESTATED),
        chosen("_LEAST_SCATTER", "ln light", "spots may agree by chance, as whole codes do"),
        measured(
            "MIN_EXPLAINED",
            "of the variance",
            "ordinary simulated photos stay below 0.12; seeds not kept",
        ),
        derived("_MIN_EXPLAINED_SPOTS", "1 / spot", "of grain the best frequency explains 11 / n"),
        chosen("MAX_UNLIKE", "of what bands leave", "shadow edges and reflections leave more"),
        chosen("_UNLIKE_OF_ALL", "of the variance"),
        derived("MAX_HARMONIC", "of the base", "a fully rectified sine has 0.2"),
        chosen("_HARMONIC_NOISE", "ln light"),
        chosen("MIN_AMPLITUDE", "ln nominal RGB", "less does no harm"),
        chosen("MAX_AMPLITUDE", "ln nominal RGB", "more is left to the gates of light"),
    ),
    beside=("_SPOT_SAMPLES", "_STEP_CYCLES", "_ROUNDS", "_RIDGE", "_FINER"),
)

SAMPLING = Stage(
    "Sampling the patches",
    sample,
    (
        derived("CENTRE_SHARE", "of the side", "keeps 0.92 mm from the edge, see MAX_BLUR_MM"),
        chosen("TRIM", "of the pixels, each end", "specks; the mean stays efficient"),
        derived("CLIPPED_CODE", "of white", _EIGHT_BITS),
        derived("CRUSHED_CODE", "of white", "eight bits: the last code above black"),
        chosen("CRUSHED_LINEAR", "nominal linear RGB", "below it nothing is left to invert"),
        chosen("PLATEAU_CODE", "of white", "a chart photo by others ended its whites at 0.97"),
        chosen("_PLATEAU_SHARE", "of a print's pixels", "noise leaves about a fifth there"),
        chosen("_PLATEAU_CODES", "code", "one white for all channels is no colour"),
        chosen("MAX_CLIPPED", "of the lightest neutral's pixels"),
        chosen("MIN_LIGHT", "nominal linear green", "below it eight bits leave too few steps"),
    ),
    beside=("_MIN_SIDE", "MAX_SIDE", "_SIDE_STEP"),
)

TWINS = Stage(
    "Twins compared",
    twins,
    (
        chosen("_FLOOR", "nominal linear RGB", "noise near black then counts for little"),
        chosen("_KNEE", "ln"),
    ),
    beside=("_ROUNDS",),
)

SPOILED = Stage(
    "Spoiled prints",
    spoiled,
    (
        chosen("MAX_SUSPECT_PAIRS", "pair of 36", "beyond it more is wrong than some prints"),
        measured("MAX_SUSPECT_NEUTRALS", "pair of 10", "eight let the wrong prints be left out"),
        chosen("MAX_BOTH_MISS", "ln XYZ"),
        chosen("MIN_DIFFERENCE", "ln"),
        chosen("_MOST_LOST", "shade"),
        chosen("_DIFFERENCE_SD", "sd"),
        chosen("_SAMPLING_SD", "ln"),
        derived("_INK_SD", "of the ink", "scatter of poor control (simulate.scene.POOR)"),
        chosen("_USUAL_MISS", "ln XYZ"),
        chosen("_MUCH_WORSE", "1"),
        chosen("_VEIL_SD", "of white"),
        chosen("_COLOURED", "brightest to darkest channel"),
        chosen("_AS_MUCH", "of the brightest's change"),
        chosen("_ONE_SIDE", "1", "1: all lie one way; 0: all round"),
        chosen("_EPSILON", "linear RGB", "floor of logarithms"),
    ),
)

LIGHT = Stage(
    "Tone, glare and light",
    light,
    (
        chosen("_TONE_PRIOR", "ln light, powers 0 to 3"),
        chosen("_TONE_CHANNEL_PRIOR", "ln light, powers 1 to 3"),
        chosen("_GLARE_PRIOR", "perfect diffuser = 1"),
        chosen("_FIELD_PRIOR", "ln light"),
        chosen("_FIELD_CHANNEL_PRIOR", "ln light"),
        chosen("_BANDS_PRIOR", "1"),
        chosen("_SAMPLING_LOG_SD", "ln"),
        derived("_PRINT_SD", "of the ink", "scatter of ordinary control (simulate.scene.ORDINARY)"),
        chosen("_KNEE", "sd"),
        chosen("EPSILON", "perfect diffuser = 1", "a hundredth of black ink"),
    ),
)

MATRIX = Stage(
    "Matrix",
    matrix,
    (
        derived("_KNEE", "sd", _RESTATED),
        chosen("LEAST_XYZ", "perfect diffuser = 1"),
    ),
)

VIVIDNESS = Stage(
    "Vividness",
    vividness,
    (
        standard("LUMA", "1", "ITU-R BT.709"),
        measured(
            "_PRIOR",
            "1",
            "a third of chart photos by others carry +0.15 to +0.9",
        ),
        chosen("_MISFIT_SD", "cube root of XYZ, times three", "0.8 of L*: what good prints miss"),
        chosen("_KNEE", "sd", "a dirty print loses weight"),
        chosen("_DARK", "encoded", "below it the inverse would cross 0"),
    ),
    beside=(
        "N_PARAMETERS",
        "PLAIN",
        "_N_FITTED",
        "_MATRIX",
        "_ROUNDS",
        "_SETTLED",
    ),
)

CORRECTION = Stage(
    "Correction",
    correct,
    (
        chosen("_RAMP_WEIGHT", "1", "shades of blood count double"),
        chosen("_CLIPPED_LOSES", "of the weight"),
        chosen("_CLIPPED_GREY", "of a grey's pixels"),
        derived("_LEAST_GREYS", "print of 20", "all four sides and three levels at least"),
    ),
)

RAMP = Stage(
    "Ramp trend",
    ramp,
    (
        measured(
            "LEFT_OUT_SD", "ln XYZ", "ordinary simulated sittings miss by no more; seeds not kept"
        ),
        derived("_KNEE", "sd", _RESTATED),
        derived("_RIDGE", "1", "far below the least weight of a print, so it moves nothing"),
        chosen("_LOST", "root weight", "a print half clipped has no colour to test"),
        derived("_LEAST_SD", "ln XYZ", "LEFT_OUT_SD over 2.28, on the scale of three numbers"),
        chosen("_FARTHEST_STRAY", "of the median", "one stray shade must not refuse alone"),
        chosen("_EPSILON", "perfect diffuser = 1", "floor of logarithms"),
    ),
)

CORRECTABLE = Stage(
    "Whether the colours come out",
    correctable,
    (
        chosen("LEAST_SHADES", "of 14", "a trend through fewer says little"),
        chosen("MAX_MEAN_DE00", "CIEDE2000"),
        measured(
            "DESIGN_TOLERANCE",
            "1, for lots known by design",
            "98 % of sittings in 800 worlds then give a colour; seed 20261",
        ),
        chosen("MAX_RAMP_DE00", "CIEDE2000"),
        measured(
            "MAX_LEFT_OUT",
            "ln XYZ, rms",
            "poor reprints wrong beyond 99 %: 9 % before, none of 160 after; seeds not kept",
        ),
        chosen("MAX_GLARE", "perfect diffuser = 1", "the darkest neutral reflects 0.05"),
        chosen("MAX_LIGHT_RATIO", "brightest to dimmest"),
        measured("MAX_BANDS", "ln light", "0.14 read well, 0.29 went astray; seeds not kept"),
    ),
)

BAY = Stage(
    "The bay",
    bay,
    (chosen("EDGE_MM", "mm"),),
    beside=("GRID_PX_PER_MM", "TILE_PX", "TILES"),
)

PAPER = Stage(
    "Light on the paper",
    paper,
    (
        chosen("MAX_PAPER_RESIDUAL", "ln light, rms"),
        chosen("MAX_PAPER_MARKS", "of the tiles"),
        chosen("_MARK", "ln red - ln green"),
        derived("MAX_PAPER_BUMP", "ln light", "a lamp 20 cm above makes 0.007, vignetting as much"),
        chosen("MAX_TILE_CLIPPED", "of a tile"),
        chosen("MIN_BLANK", "of the bay"),
        chosen("MIN_BLANK_UNCLIPPED", "of the bay"),
        derived("_KNEE", "sd of the largest of three", _RESTATED),
        chosen("_LEAST_SD", "ln light"),
    ),
)

BLOT = Stage(
    "Finding the blot",
    segment,
    (
        chosen("BORDER_MM", "mm"),
        chosen("MIN_AREA_MM2", "mm²"),
        chosen("MIN_CORE_MM2", "mm²"),
        chosen("MIN_REDNESS", "ln(red/green)"),
        chosen("MAX_FRAGMENTS", "of the red area"),
        chosen("MAX_HOLES", "of the area"),
        chosen("MAX_UNEVENNESS", "ln reflectance"),
        chosen("MAX_GLARE", "of the core"),
        chosen("MAX_PALE", "of the core"),
        chosen("MAX_DARKER", "ln reflectance"),
        chosen("MAX_PAPER_CLIPPED", "of the paper"),
        chosen("_TRIM", "of the pixels, each end"),
    ),
)

SAME_BLOT = Stage(
    "One blot in several photos",
    sameblot,
    (
        chosen("MAX_APART", "ln Y", "about 1.2 g/dL; photos without a reflection differ by 0.01"),
        chosen("_SAME", "ln light", "noise of one place stays below"),
        chosen("_INSET_MM", "mm"),
        chosen("_MIN_SHARED_MM2", "mm²", "as much as a core must have"),
    ),
)

BLOT_COLOUR = Stage(
    "The blot's colour",
    blot,
    (chosen("MAX_PAPER_TINT", "CIELAB a*, b*", "lightness is left out: the light decides it"),),
)

GATES = (
    OPENING,
    FINDING,
    MARKERS,
    SOFT_MARKER,
    HIDDEN_MARKER,
    EDGES,
    LINES,
    POSE,
    BANDS,
    SAMPLING,
    TWINS,
    SPOILED,
    LIGHT,
    MATRIX,
    VIVIDNESS,
    CORRECTION,
    RAMP,
    CORRECTABLE,
    BAY,
    PAPER,
    BLOT,
    BLOT_COLOUR,
    SAME_BLOT,
)
