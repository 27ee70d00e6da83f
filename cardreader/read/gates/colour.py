"""Where the numbers come from by which a photo's colours are corrected, or not."""

from __future__ import annotations

from cardreader.core.gates import Stage, chosen, derived, measured, standard
from cardreader.read import (
    cardlight,
    correct,
    correctable,
    lampmisfit,
    leftover,
    light,
    lightfit,
    likelyprint,
    matrix,
    printcolours,
    ramp,
    sample,
    spoiled,
    twins,
    vividness,
    whitecard,
)
from cardreader.read.gates.origins import EIGHT_BITS, RESTATED

SAMPLING = Stage(
    "Sampling the patches",
    sample,
    (
        derived("CENTRE_SHARE", "of the side", "keeps 0.92 mm from the edge, see MAX_BLUR_MM"),
        chosen("TRIM", "of the pixels, each end", "specks; the mean stays efficient"),
        derived("CLIPPED_CODE", "of white", EIGHT_BITS),
        derived("CRUSHED_CODE", "of white", "eight bits: the last code above black"),
        chosen("CRUSHED_LINEAR", "nominal linear RGB", "below it nothing is left to invert"),
        chosen("PLATEAU_CODE", "of white", "a chart photo by others ended its whites at 0.97"),
        chosen("_PLATEAU_SHARE", "of a print's pixels", "noise leaves about a fifth there"),
        chosen("_PLATEAU_CODES", "code", "one white for all channels is no colour"),
        measured(
            "_AS_WHITE",
            "of the white spots",
            "0.38 at most in 475 photos of white short of its end, 0.59 to 1 where it ends (seeds "
            "661001, 661011, 661012, 661020); lots print their lightest grey 3 L* darker than the "
            "card",
        ),
        measured(
            "_AS_CALM",
            "of darker greys' grain",
            "0 to 0.29 where white ends, else 0.5 in the middle and 0.14 or more in 95 of 100 flat "
            "ones (the same seeds); alone where a printer left the lightest grey bare",
        ),
        chosen(
            "MAX_CLIPPED",
            "of the lightest neutral's pixels",
            "clipping a quarter of a normal scatter moves its mean by 0.15 of the "
            "scatter, half by 0.40; at half of the limit bright photos are refused for "
            "nothing",
        ),
        chosen("MIN_LIGHT", "nominal linear green", "below it eight bits leave too few steps"),
    ),
    beside=("_MIN_SIDE", "MAX_SIDE", "_SIDE_STEP"),
)

TWINS = Stage(
    "Twins compared",
    twins,
    (
        chosen("_FLOOR", "nominal linear RGB", "noise near black then counts for little"),
        chosen(
            "_KNEE",
            "ln",
            "what ordinary ink lets twins differ by (0.012 times the root of 2); half "
            "wastes sound pairs, double lets a stain tilt the plane",
        ),
    ),
    beside=("_ROUNDS",),
)

SPOILED = Stage(
    "Spoiled prints",
    spoiled,
    (
        chosen("MAX_SUSPECT_PAIRS", "pair of 36", "beyond it more is wrong than some prints"),
        measured("MAX_SUSPECT_NEUTRALS", "pair of 10", "eight let the wrong prints be left out"),
        chosen(
            "MAX_BOTH_MISS",
            "ln XYZ",
            "in 99 of 100 sittings the better twin is off by at most 0.07 with good, 0.13 "
            "with poor ink (seed 40201); half begins to refuse sound cards, double lets a "
            "stain stand in for a stain",
        ),
        chosen(
            "MIN_DIFFERENCE",
            "ln",
            "a twentieth of a card's twins differ by 0.03 with good and 0.07 with "
            "ordinary ink (seed 40201); half suspects prints of nearly every card, double "
            "leaves stains of 17 %",
        ),
        chosen(
            "_MOST_LOST",
            "shade",
            "a drop on either side covers three shades at most; more at once is another "
            "card or light, which other gates tell",
        ),
        chosen(
            "_DIFFERENCE_SD",
            "sd",
            "4 sd by chance in one of 150 sound cards (36 pairs, 3 channels), 3 sd in one "
            "of four; at 5 a light stain stays",
        ),
        chosen(
            "_SAMPLING_SD",
            "ln",
            "four times the light fit's for greys, for grain in the dark channel of deep "
            "shades; half suspects those for nothing",
        ),
        derived("_INK_SD", "of the ink", "scatter of poor control (simulate.scene.POOR)"),
        chosen(
            "_USUAL_MISS",
            "ln XYZ",
            "the middle print is off by 0.02 with good, 0.03 with poor ink (seed 40201); "
            "half lets noise choose between twins, double passes faint stains over",
        ),
        chosen(
            "_MUCH_WORSE",
            "1",
            "at 1 noise would choose which of two is left out, at 4 a stain of middling "
            "depth stays",
        ),
        chosen(
            "_VEIL_SD",
            "of white",
            "an eighth of ordinary simulated veil; half suspects dark prints in uneven "
            "veil, double hides stains on them",
        ),
        chosen(
            "_COLOURED",
            "brightest to darkest channel",
            "then the darkest channel tells added light (changes by as much) from another "
            "amount of ink (by under half)",
        ),
        derived(
            "_AS_MUCH",
            "of the brightest's change",
            "another amount of ink changes the darkest channel by under 1 / _COLOURED of that, "
            "added light by as much",
        ),
        chosen("_ONE_SIDE", "1", "1: all lie one way; 0: all round"),
        chosen("_EPSILON", "linear RGB", "floor of logarithms"),
    ),
)

LIGHT = Stage(
    "Tone, glare and light",
    lightfit,
    (
        chosen(
            "_TONE_PRIOR",
            "ln light, powers 0 to 3",
            "95 of 100 fits leave slope by 0.34 and bend by 0.18 (seed 40201): half of "
            "that, so that it speaks only where no grey does; half bends deep blood "
            "towards the identity, double leaves it to chance",
        ),
        chosen(
            "_TONE_CHANNEL_PRIOR",
            "ln light, powers 1 to 3",
            "three times what 95 of 100 fits show of a single channel (seed 40201); half "
            "would still hold those, double lets a coloured veil pass for a curve",
        ),
        chosen(
            "_GLARE_PRIOR",
            "perfect diffuser = 1",
            "the most that ordinary control veils by (simulate.scene.ORDINARY); half "
            "pulls real veil into the curve, double lets the curve into the veil",
        ),
        chosen(
            "_FIELD_PRIOR",
            "ln light",
            "95 of 100 fits show slopes of 0.09, 0.23, 0.29 and bends of 0.10, 0.15, 0.21 "
            "with good, ordinary, poor control (seed 40201); half flattens poor light, "
            "double says nothing",
        ),
        chosen(
            "_FIELD_CHANNEL_PRIOR",
            "ln light",
            "twice what 95 of 100 fits to one lamp show (seed 40201); half holds the "
            "light of two lamps flat, double lets it take up ink",
        ),
        chosen(
            "_BANDS_PRIOR",
            "1",
            "with DEPTH_IN_LIGHT 1.5 every depth from none to twice that lies within two "
            "sd; half would force the depth, double lets bands take up a shade",
        ),
        chosen(
            "_SAMPLING_LOG_SD",
            "ln",
            "a fifth of an eight-bit code at middle grey; below 0.78 of white the ink's "
            "scatter is more",
        ),
        derived("PRINT_SD", "of the ink", "scatter of ordinary control (simulate.scene.ORDINARY)"),
        chosen(
            "_KNEE",
            "sd",
            "Cauchy's loss keeps 95 % of least squares' efficiency at 2.39 (Holland and "
            "Welsch 1977, from memory); half wastes a fifth of the greys, double lets "
            "dirt in",
        ),
    ),
)

LIGHT_MODEL = Stage(
    "Light",
    light,
    (chosen("EPSILON", "perfect diffuser = 1", "a hundredth of black ink"),),
)

MATRIX = Stage(
    "Matrix",
    matrix,
    (
        derived("_KNEE", "sd", RESTATED),
        chosen(
            "LEAST_XYZ",
            "perfect diffuser = 1",
            "what black ink reflects; at a tenth black prints and their noise would weigh "
            "five times as much (10 to the 2/3)",
        ),
    ),
)

LAMP_MISFIT = Stage(
    "What lamps leave at the prints",
    lampmisfit,
    (
        measured(
            "N_DIRECTIONS",
            "1",
            "20 read no better, none reads 9 to 11 g/dL worse by 5 % (lamps CIE FL3.1 to 3.15 and "
            "HP1 to HP5, held-out cameras, seed 9202)",
        ),
    ),
)

LIKELY_PRINT = Stage(
    "What a print likely is",
    likelyprint,
    (
        measured(
            "RANK",
            "way",
            "8 to 30 foretell alike where a print model or the inks are left out, 4 worse by a "
            "tenth (worlds of seed 20261)",
        ),
        measured(
            "MOST_SD",
            "sd",
            "2.5 to 4 foretell alike there, and so does no limit; a foreign print went far out",
        ),
    ),
)

PRINT_COLOURS = Stage(
    "A lot's colours from photos",
    printcolours,
    (
        chosen(
            "BELIEVED",
            "of the photos",
            "where print model and inks were left out of the table, 5 of 24 prints lost more "
            "(seed 70123)",
        ),
        measured("LEAST_PHOTOS", "photo", "10, 20 and 40 read alike on 32 sites, seed 31337"),
        measured(
            "LEAST_PHONES",
            "phone",
            "20 photos of one phone gained half of what those of four did, seed 31337",
        ),
    ),
)

VIVIDNESS = Stage(
    "Vividness",
    vividness,
    (
        standard("LUMA", "1", "ITU-R BT.709"),
        measured("SPREAD", "1", "a third of chart photos by others carry +0.15 to +0.9"),
        chosen(
            "SPREAD_BY_DESIGN",
            "1",
            "a tenth of it for the two ways that a print which misses its design looks like",
        ),
        chosen("_MISFIT_SD", "cube root of XYZ, times three", "0.8 of L*: what good prints miss"),
        chosen("_KNEE", "sd", "a dirty print loses weight"),
        chosen("_DARK", "encoded", "below it the inverse would cross 0"),
        chosen("_DARK_LINEAR", "linear", "the same, where Oklab gives linear light"),
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
        chosen(
            "_CLIPPED_LOSES",
            "of the weight",
            "a hundredth stays, so that no weight is nought; a tenth would let lost "
            "colours bend the matrix",
        ),
        derived(
            "_CLIPPED_GREY",
            "of a grey's pixels",
            "as many as the trimmed mean drops at an end (TRIM), so none of them is in it",
        ),
        derived("_LEAST_GREYS", "print of 20", "all four sides and three levels at least"),
    ),
)

LEFTOVER = Stage(
    "What is left at colours like it",
    leftover,
    (
        measured(
            "REACH_LAB",
            "CIELAB",
            "left-out patches of 16 real chart photos and simulated sittings apart from those "
            "reported (seeds 9101, 9202): flat from 18 to 35",
        ),
        measured("PRIOR_SD", "ln XYZ", "as REACH_LAB; only its ratio to PRINT_SD counts"),
        measured("PRINT_SD", "ln XYZ", "as REACH_LAB: flat from a quarter of PRIOR_SD to 0.8"),
        derived("_LEAST_SOUND", "1", "far below what a print counts for, so it moves nothing"),
        chosen("_EPSILON", "perfect diffuser = 1", "floor of logarithms"),
    ),
)

RAMP = Stage(
    "Ramp trend",
    ramp,
    (
        measured(
            "LEFT_OUT_SD", "ln XYZ", "ordinary simulated sittings miss by no more; seeds not kept"
        ),
        derived("_KNEE", "sd", RESTATED),
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
        measured(
            "LEAST_SHADES",
            "of 14",
            "with 6 to 8 left RMSE was 0.4 g/dL and 21 of 22 were covered (seeds 9101, 9202)",
        ),
        chosen(
            "MAX_MEAN_DE00",
            "CIEDE2000",
            "1.4 times the largest hundredth of poor sittings (seed 40201); half refuses "
            "3 % of good and 40 % of poor ones; double was not measured",
        ),
        measured(
            "DESIGN_TOLERANCE",
            "1, for lots known by design",
            "98 % of sittings in 800 worlds then give a colour; seed 20261",
        ),
        chosen(
            "MAX_RAMP_DE00",
            "CIEDE2000",
            "three times the largest hundredth of poor sittings (seed 40201); half "
            "refuses none of 297 either: MAX_LEFT_OUT acts first",
        ),
        measured(
            "MAX_LEFT_OUT",
            "ln XYZ, rms",
            "poor reprints wrong beyond 99 %: 9 % before, none of 160 after; seeds not kept",
        ),
        chosen("MAX_GLARE", "perfect diffuser = 1", "the darkest neutral reflects 0.05"),
        chosen(
            "MAX_LIGHT_RATIO",
            "brightest to dimmest",
            "poor shade reaches 1.9 (seed 40201); half refuses 12 % of ordinary and 32 % "
            "of poor sittings, double leaves the dim side a sixth of the light",
        ),
        measured("MAX_BANDS", "ln light", "0.14 read well, 0.29 went astray; seeds not kept"),
    ),
)

WHITE_CARD = Stage(
    "Why the colours failed",
    whitecard,
    (
        chosen(
            "DARKER",
            "ln light",
            "says only which advice is given, as all of these do; half takes light that falls off "
            "for a shadow, double misses thin shade",
        ),
        measured(
            "MIN_DARKENED",
            "of the white spots",
            "even light darkens at most 0.04 of them, shadows that refuse 0.11 or more (drawn "
            "photos, seed 9101)",
        ),
        measured(
            "MIN_BROWN",
            "of the loss",
            "neutral shadows -0.10 to 0.12, dirt, dust and fingers 0.43 to 1.0 (seed 9101)",
        ),
        measured(
            "MIN_COLOURED",
            "of the loss",
            "neutral shadows 0.03 to 0.29, the rest for light of the sky; pens 1.2 to 1.7 (seed "
            "9101)",
        ),
        measured(
            "_SPARED",
            "of the mean loss",
            "edges of light of another colour -0.7 to 0.23 where a spot was darkened, dirt 0.6, "
            "fingers over a twelfth of the spots or more 0.15 to 0.8 (drawn photos, seed 610000)",
        ),
        measured(
            "_THICK",
            "ln light",
            "light of another colour takes 0.10 to 0.30, fingers 0.7 or more, save one (drawn "
            "photos, seed 610000)",
        ),
        measured(
            "MIN_IN_ROWS",
            "of the squares",
            "bands of a pulsing lamp 0.67 to 0.91, dirt and dust 0.36 at most (seeds 9101, 9202)",
        ),
        measured(
            "MIN_BANDED",
            "of the white spots",
            "those bands 0.42 to 0.82; fingers, which may lie along a row, 0.17 at most (seeds "
            "9101, 9202)",
        ),
        measured(
            "MAX_UNEVEN",
            "ln light",
            "beside creased and curled paper 0.007 to 0.014, even light 0.018 at most; weak "
            "shadows that refuse 0.024 or more (seed 9101)",
        ),
        measured(
            "SHADED",
            "ln light",
            "cards faded, copied or by vivid phones 0.007 to 0.03, thin shadows of leaves and "
            "hands 0.06 or more (seeds 9101, 9202); light that falls off by up to 15 % more than "
            "ordinarily 0.012 to 0.031, edges of shadows that refuse 0.07 or more (seeds 661001, "
            "661010)",
        ),
        measured(
            "FALLS_OFF",
            "ln light",
            "says only which advice is given: light that falls off towards the corners by up to "
            "30 % makes 0.019 at most, by half 0.021 or more (drawn photos, seeds 662000, 662060)",
        ),
        measured(
            "BRIGHTER",
            "ln light",
            "reflections 0.03 to 0.4, other ink and pens 0.01 to 0.03 (seeds 9101, 9202)",
        ),
        chosen(
            "MIN_ADDED_PAIRS",
            "pair of 36",
            "a median of three; one pair may be a drop of water",
        ),
        measured(
            "LIKE_PAPER",
            "ln light",
            "paper over a print comes to -0.2 and more; veils of a sixth of white to -0.5, dirt to "
            "-0.5 (seed 9101)",
        ),
        measured(
            "_UNCOVERED",
            "ln light",
            "paper over part of a grey's prints makes 0.9 to 2.9 between them, grey copies of "
            "cards leave 0.02 to 0.20 (drawn photos, seed 610000)",
        ),
        chosen("MIN_UNDER_PAPER", "print of 12", "a corner covers two; one may be a glint"),
        chosen("MAX_CHROMATIC_UNDER_PAPER", "pair of 12", "poor ink alone makes one or two differ"),
        measured(
            "MAX_GRAIN",
            "ln(red/green)",
            "plain photos 0.03 at most, coloured lamps 0.05; refused night photos 0.10 to 0.34 "
            "(seed 9101)",
        ),
        measured(
            "MOST_GRAIN",
            "ln(red/green)",
            "photos with shadows, reflections and clotted blots 0.05 at most; good samples with "
            "noise of 16 in 255 0.06 to 0.09, 14 of 15 read, of 32 0.10 to 0.16 (seeds 664108 "
            "and 664109)",
        ),
        chosen("_LIGHTER", "quantile", "a quarter of the card in full light, as under leaves"),
        chosen("_LIGHTEST_TENTH", "quantile", "a corner of paper on a print; less is a speck"),
    ),
    beside=("_STRIPS", "_PRINTS_OF_A_LEVEL"),
)

CARD_LIGHT = Stage(
    "The card's own light",
    cardlight,
    (
        measured(
            "MAX_FALL_OFF_UNEVEN",
            "ln light",
            "light that falls off by up to 30 % leaves 0.024 at most, by 40 % 0.027; edges of "
            "shadows that refuse 0.031 or more, but for those that change over half the card "
            "(drawn photos, seeds 662000, 662030, 662060)",
        ),
        measured(
            "MAX_FALL_OFF_PEAK",
            "ln light",
            "a lamp close by of which the corners lose half makes 0.026 at most, and reads as even "
            "light does; beyond it no photo was tried (drawn photos, seed 662000)",
        ),
        derived("_KNEE", "ln light", "as for twins"),
        chosen("_DARK", "quantile", "a tenth at each end leaves specks and glints out"),
        chosen("_LIGHT", "quantile", "as _DARK"),
        chosen("_LEAST_LIGHT", "nominal linear RGB", "floor of logarithms"),
    ),
    beside=("_ROUNDS", "_BAY_SHARE"),
)

GATES = (
    SAMPLING,
    TWINS,
    SPOILED,
    LIGHT_MODEL,
    LIGHT,
    MATRIX,
    LAMP_MISFIT,
    LIKELY_PRINT,
    PRINT_COLOURS,
    VIVIDNESS,
    CORRECTION,
    LEFTOVER,
    RAMP,
    CORRECTABLE,
    WHITE_CARD,
    CARD_LIGHT,
)
