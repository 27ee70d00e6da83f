"""Where the numbers come from by which a photo is opened and its card found."""

from __future__ import annotations

from cardreader.core.gates import Stage, chosen, derived, measured
from cardreader.read import (
    banding,
    blurredmarker,
    consensusline,
    edges,
    hiddenmarker,
    locate,
    markers,
    photo,
    posefit,
    turned,
    whitespots,
)
from cardreader.read.gates.origins import EIGHT_BITS, RESTATED, RIG

OPENING = Stage(
    "Opening a photo",
    photo,
    (
        chosen(
            "MAX_FILE_BYTES",
            "byte",
            "200 megapixels at 2.6 bits each; half may refuse such a photo, double only "
            "costs memory",
        ),
        chosen("MAX_PIXELS", "pixel", "lets a 200-megapixel photo through, in JPEG and HEIF"),
        chosen(
            "MAX_PIXELS_UNSCALED", "pixel", "other formats hold every pixel; 8160 x 6144 passes"
        ),
        derived("MIN_LONG_SIDE_PX", "pixel", "a card as wide as the picture then has 5.6 px/mm"),
        chosen("WORKING_LONG_SIDE_PX", "pixel", "speed; a card that fills half keeps 9 px/mm"),
    ),
    beside=("_EXIF_MAKE", "_EXIF_MODEL", "_EXIF_ORIENTATION", "_EXIF_IFD", "_EXIF_TAKEN"),
)

TURNING = Stage(
    "Turning a photo upright",
    turned,
    (derived("_FARTHEST", "pixel", "just below 2^15, what a short integer holds"),),
)

FINDING = Stage(
    "Finding the card",
    locate,
    (
        measured("MIN_PX_PER_MM", "pixel/mm", f"below it patches are off by over 1.5 %: {RIG}"),
        chosen(
            "MAX_TILT_DEG",
            "degree",
            "the card then looks half as wide (cos 60); at 75 a quarter, and the far "
            "prints are out of focus; at 30 hands that lean are refused",
        ),
        measured("MAX_RESIDUAL_MM", "mm", "a card arched by 5 mm leaves as much"),
        measured("MAX_BLUR_MM", "mm", f"from 0.35 on a patch's surround shows in it: {RIG}"),
        chosen("MIN_SHARPNESS", "of the contrast, per pixel", "below it a picture is soft"),
        chosen(
            "_BRIGHT",
            "grey level",
            "leaves a fifth of the range above the brightest hundredth; at half the "
            "search works as badly as in the dark (_DARK), higher clips",
        ),
        measured("_DARK", "grey level", "577 tags in 131 real photos, darkened"),
        chosen("_MOST_GAIN", "1", "steps of the code values grow as tall as the contrast"),
        chosen(
            "DARKEST",
            "grey level",
            "half of what _MOST_GAIN can bring up; the 15 good samples are called blurred at a "
            "thirtieth of their code values, where it is 7, and too dark by their prints at a 20th",
        ),
        derived("_LET_GO", "corner", "those at the ends of one edge"),
        chosen("_CLEARLY", "of the residual", "blaming an edge must halve what is left"),
        measured("_LET_GO_RESIDUAL", "of MAX_RESIDUAL_MM", f"least that bent cards leave: {RIG}"),
        measured(
            "_SOFT_MM",
            "mm",
            "says only which advice is given: flat cards told to be bent had 0.32 and more, bent "
            "ones 0.09 to 0.11 (drawn photos, seed 9202)",
        ),
        derived("_CLIPPED_CODE", "of white", EIGHT_BITS),
        chosen("_MANY_CLIPPED", "of 16 places", "half; says only which advice is given"),
    ),
    beside=("DETECT_LONG_SIDE_PX", "_MORE_WINDOWS", "_BESIDE_MM"),
)

MARKERS = Stage(
    "Markers",
    markers,
    (
        derived("MAX_WRONG_BITS", "bit of 36", "codes of the family differ in eleven or more"),
        chosen(
            "MIN_CONTRAST",
            "grey level",
            "a tenth of eight bits; half hands texture on, for the code to turn away; "
            "double loses markers in dim light",
        ),
        derived("_MIN_PERIMETER", "of the long side", "half of what a readable card has"),
        measured("_MIN_APART", "of the perimeter", "lines drawn 0.8 to 3.3 mm about markers"),
        chosen(
            "_SHARPEN",
            "1",
            "takes back to first order a blur of 0.6 module (sd squared / 2 = 0.7 / 4); "
            "half leaves soft markers to the slow search, double turns grain into bits",
        ),
    ),
    beside=("MODULES", "_MAX_QUADS", "_POINTS"),
)

SOFT_MARKER = Stage(
    "A marker out of focus",
    blurredmarker,
    (
        measured("MIN_LIKENESS", "correlation", "45 soft photos without a card reach 0.952"),
        measured("MIN_LIKENESS_OF_TWO", "correlation", "the same photos reach 0.913"),
        derived("_AS_LARGE", "1", "perspective of a card 16 cm away, tilted by 60 degrees: 1.93"),
        derived("_AS_FAR", "1", "the same card's perspective: 1.54"),
        chosen(
            "_BLURS",
            "module",
            "steps of a third of a module, up to where codes run together; twice the step "
            "loses likeness between two of them",
        ),
        chosen(
            "_SHAKES",
            "module",
            ("a step of a module from where the sharp search fails up to where codes run together"),
        ),
        chosen(
            "_MIN_CONTRAST",
            "grey level, root mean square",
            "two thirds of the 12 that a sharp marker of MIN_CONTRAST has; at half grain "
            "alone is compared, at double soft markers in dim light are passed over",
        ),
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
        chosen(
            "_SURROUND",
            "module",
            "half of the white printed around a marker; at none there is no outer edge to "
            "find, at all of it cards near the picture's rim are lost",
        ),
    ),
)

EDGES = Stage(
    "Edges of markers",
    edges,
    (
        chosen("_REACH", "module", "the border is one wide, the surround a little less"),
        derived("_CLOSE", "module", "0.5 mm: lines drawn nearer than that aren't kept clear of"),
        measured("_DROP", "of an edge's contrast", "photos without a line keep 0.05"),
        measured("_RISE", "of an edge's contrast", "blur and shake leave 0.2 at most"),
        measured(
            "_FALL",
            "of an edge's contrast",
            "hard photos without a line leave 0.2 at most (seed 664101), lines that begin 0.2 or "
            "0.3 mm off 0.6 and more",
        ),
        derived("_CLIPPED", "1", "a Gaussian rise at the limit, seen through the short profile"),
        measured("_OFF", "of the reach", "unspoiled profiles keep within 0.02"),
        measured("_AGREED", "of the profiles", "along the rim of a drop of 4.4 mm 0.25 agree"),
    ),
    beside=("_MOVED", "_PROFILES", "_MAX_STEPS", "_BINS"),
)

LINES = Stage(
    "A line through most points",
    consensusline,
    (
        chosen(
            "MIN_APART",
            "of the range of x",
            "a line through two points so near is four times as unsure as through the "
            "ends; half tries more and worse lines, double leaves few where a part is "
            "spoiled",
        ),
    ),
)

POSE = Stage(
    "Pose and lens",
    posefit,
    (
        chosen(
            "_LENS_PRIOR",
            "1 (k1)",
            "k1 of main cameras is a few hundredths; half would leave wide lenses' bend "
            "in the corners, double lets one bad corner pass for a lens",
        ),
        chosen(
            "_CORNER_SD_PX",
            "pixel",
            "acts only by its ratio to _LENS_PRIOR: double is half that prior",
        ),
    ),
    beside=("_FIT_ROUNDS", "_FIT_HALVINGS"),
)

WHITE_SPOTS = Stage(
    "White card between patches",
    whitespots,
    (
        derived("_SPOT_MM", "mm", "half the gap between patches"),
        derived("_CLIPPED_CODE", "of white", EIGHT_BITS),
        chosen(
            "_DARKEST_SHARE",
            "of the median spot",
            "the fall-off that is let through (MAX_LIGHT_RATIO) leaves the dimmest place "
            "0.58 of the middle; half takes covered spots for card, above 0.58 sound ones "
            "go",
        ),
    ),
    beside=("_SPOT_SAMPLES",),
)

BANDS = Stage(
    "Bands of a pulsing lamp",
    banding,
    (
        chosen(
            "MIN_SPOTS",
            "spot",
            "a third of 120; a field and a wave take 10 numbers, so at half bands could "
            "be fitted to chance; at double a hand beside the card ends the search",
        ),
        derived("MIN_PERIOD_MM", "mm", "two and a half pitches: shorter ones hide between spots"),
        chosen(
            "_FIRST_CYCLES",
            "cycle over the card",
            "just below MIN_CYCLES, so that a peak at that limit is seen from both sides",
        ),
        chosen("MIN_CYCLES", "cycle over the card", "slower is light that falls off"),
        chosen(
            "DEPTH_IN_LIGHT",
            "1",
            "flat tone curves near white; not measured",
        ),
        derived("_KNEE", "sd of the largest of three", RESTATED),
        chosen("_LEAST_SCATTER", "ln light", "spots may agree by chance, as whole codes do"),
        measured(
            "MIN_EXPLAINED",
            "of the variance",
            "ordinary simulated photos stay below 0.12; seeds not kept",
        ),
        derived("_MIN_EXPLAINED_SPOTS", "1 / spot", "of grain the best frequency explains 11 / n"),
        chosen("MAX_UNLIKE", "of what bands leave", "shadow edges and reflections leave more"),
        chosen(
            "_UNLIKE_OF_ALL",
            "of the variance",
            "a tenth of the least that bands must explain; double lets edges of shadows "
            "in, half refuses bands over the grain of eight bits",
        ),
        derived("MAX_HARMONIC", "of the base", "a fully rectified sine has 0.2"),
        chosen(
            "_HARMONIC_NOISE",
            "ln light",
            ("a fifth of MIN_AMPLITUDE, for the grain; none would refuse the faintest bands"),
        ),
        chosen("MIN_AMPLITUDE", "ln nominal RGB", "less does no harm"),
        chosen("MAX_AMPLITUDE", "ln nominal RGB", "more is left to the gates of light"),
    ),
    beside=("_STEP_CYCLES", "_ROUNDS", "_RIDGE", "_FINER"),
)

GATES = (
    OPENING,
    TURNING,
    FINDING,
    MARKERS,
    SOFT_MARKER,
    HIDDEN_MARKER,
    EDGES,
    LINES,
    POSE,
    WHITE_SPOTS,
    BANDS,
)
