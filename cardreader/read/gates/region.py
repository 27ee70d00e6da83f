"""Where the numbers come from by which the blot and its paper are found and measured."""

from __future__ import annotations

from cardreader.core.gates import Stage, chosen, derived, measured
from cardreader.read import bay, blot, lostchannel, paper, paperpeak, sameblot, segment, sheen
from cardreader.read.gates.origins import RESTATED

BAY = Stage(
    "The bay",
    bay,
    (
        chosen(
            "EDGE_MM",
            "mm",
            "2.4 times MAX_BLUR_MM: of a blurred edge 1 % lies beyond; half lets 11 % of "
            "it into colour and paper, double leaves small blots no core",
        ),
    ),
    beside=("GRID_PX_PER_MM", "TILE_PX", "TILES"),
)

PAPER = Stage(
    "Light on the paper",
    paper,
    (
        chosen(
            "MAX_PAPER_RESIDUAL",
            "ln light, rms",
            "carried under the blot it is 0.8 g/dL at the most (0.045 ln Y a g/dL at 9); "
            "half refuses creased paper, double lets the edge of a shadow in",
        ),
        chosen(
            "MAX_PAPER_MARKS",
            "of the tiles",
            "50 of 841 tiles: a few splashes; half refuses specks, double lets a smear "
            "bend the field under the blot",
        ),
        chosen(
            "_MARK",
            "ln red - ln green, or ln light",
            "a third of what counts as a blot; half takes grain and coloured light for "
            "marks, double leaves thin smears in the paper's light",
        ),
        chosen(
            "_WIDE_TILES",
            "tiles",
            "4 mm: letters written close fill three tiles both ways; half takes those for a "
            "shadow, double takes a finger's shadow for writing",
        ),
        measured(
            "_INK",
            "ln light",
            "says only which advice is given: pens leave 0.51 to 1.2, shadows 0.09 to 0.27, "
            "creases 0.10 to 0.17 (drawn photos, seed 9101)",
        ),
        measured(
            "_BRIGHTER",
            "of the squares",
            "says only which advice is given: glints of a sleeve 0.81 to 0.99, creases 0.47 to "
            "0.70, shadows 0.48 to 0.78 (drawn photos, seed 9101)",
        ),
        measured(
            "_ANY_DARK",
            "of the tiles",
            "says only which advice is given: glints leave none, shadows whose rest is as bright "
            "0.07 or more (seed 9101)",
        ),
        chosen(
            "MAX_TILE_CLIPPED",
            "of a tile",
            "as MAX_CLIPPED for prints: so much moves a mean by a fifth of its scatter",
        ),
        chosen(
            "MIN_BLANK",
            "of the bay",
            "168 of 841 tiles for a field of six numbers; half may lie on one side of the "
            "blot alone, double refuses large blots",
        ),
        chosen(
            "MIN_BLANK_UNCLIPPED",
            "of the bay",
            "84 tiles for six numbers; half may lie on one side of the blot alone, double "
            "refuses bright photos that read well",
        ),
        derived("_KNEE", "sd of the largest of three", RESTATED),
        chosen(
            "_LEAST_SD",
            "ln light",
            "a tenth of an eight-bit code at middle grey; below it whole codes that agree "
            "by chance would call others off",
        ),
    ),
)

PAPER_PEAK = Stage(
    "Light that peaks on the paper",
    paperpeak,
    (
        derived("MAX_PAPER_BUMP", "ln light", "a lamp 20 cm above makes 0.007, vignetting as much"),
        measured(
            "MAX_OWN_BUMP",
            "ln light",
            "where light falls off by 20 to 30 % from the middle to the corners the paper bends by "
            "0.0015 at most beyond the card, by 40 % 0.003; with a reflection of 3 % of white as "
            "wide as the bay by 0.002 or more (drawn photos, seed 662060). At 0.0025 one such of "
            "160 in light that falls off was wrong beyond 99 % (seed 662150), at 0.0018 none",
        ),
        derived(
            "MIN_FALL_OFF",
            "ln light",
            "says only which advice is given: where the card falls off by less, what is left of "
            "MAX_PAPER_BUMP is beyond MAX_OWN_BUMP anyway",
        ),
        measured(
            "_DARK_TAIL",
            "skewness",
            "says only which advice is given: reflections over the bay leave -0.2 to 1.4, edges of "
            "paper, creases and rings of stains -0.7 to -4.3 (drawn photos, seed 610000)",
        ),
        chosen(
            "_ONE_WAY",
            "of the stronger bend",
            "says only which advice is given: a tube's image four times as long as wide still "
            "counts as a reflection, a straight edge of a shadow bends one way alone",
        ),
    ),
)

BLOT = Stage(
    "Finding the blot",
    segment,
    (
        chosen(
            "BORDER_MM",
            "mm",
            "the rim of EDGE_MM and a fifth must be seen; half hides blots that ran over "
            "the frame, double refuses large ones",
        ),
        chosen(
            "MIN_AREA_MM2",
            "mm²",
            "5 mm across: inside the rim of EDGE_MM 9 mm² stay; half the area would leave "
            "less than a core",
        ),
        chosen(
            "MIN_CORE_MM2",
            "mm²",
            "500 pixels of the bay laid out, so grain counts for a twentieth of a "
            "pixel's; half says little of unevenness",
        ),
        chosen(
            "MIN_REDNESS",
            "ln(red/green)",
            "a fifth of what the palest shade (3 g/dL) has over paper by its lot file; "
            "half finds stains, double loses pale blots in red light",
        ),
        chosen(
            "MAX_FRAGMENTS",
            "of the red area",
            "splashes; half refuses them, double lets two drops pass for one, whose blood "
            "an area is another",
        ),
        chosen(
            "MAX_HOLES",
            "of the area",
            "a bubble or a fibre; half refuses those, double lets torn blots in",
        ),
        chosen(
            "_OUTSHINES",
            "ln red over the paper's",
            "says only which advice is given: bare paper in a hole has 0, to the grain and the "
            "halo of sharpening; lamps that opened a hole in drawn wet blots had 0.10 to 0.21",
        ),
        chosen(
            "MAX_GLARE",
            "of the core",
            "so little shine moves no trimmed mean, but its veil covers more than shines; "
            "double lets a veil of a g/dL pass, half refuses single fibres",
        ),
        chosen(
            "MAX_PALE",
            "of the core",
            "half of what the trimmed mean drops at an end; double reaches into the mean",
        ),
        measured(
            "_MOST_SHINES",
            "of the core",
            "says only which advice is given: lamps' images in wet blots are 0.02 to 0.12, the "
            "paler of two blots 0.32 or more (drawn photos, seed 610000)",
        ),
        measured(
            "_RIM",
            "of the median depth",
            "says only which advice is given: pale rims of spirit lie 0.03 to 0.35 as deep as the "
            "core, lamps' images 1.5 to 2.7 (drawn photos, seed 610000)",
        ),
        chosen(
            "_ONE_PLACE",
            "1",
            "says only which advice is given: a rim pale all round has 0 to 0.2, half of a rim "
            "0.64, a lamp at the edge 0.9",
        ),
        chosen(
            "MAX_DARKER",
            "ln reflectance",
            "a reflection only adds light: with places a fifth darker than the middle the "
            "blood itself is uneven, and is said to be",
        ),
        chosen(
            "MAX_PAPER_CLIPPED",
            "of the paper",
            "six tiles in ten still make the field; double would leave it to a rim, half "
            "refuses bright paper that reads well",
        ),
        chosen("_TRIM", "of the pixels, each end", "as for prints"),
    ),
)

SAME_BLOT = Stage(
    "One blot in several photos",
    sameblot,
    (
        chosen("MAX_APART", "ln Y", "about 1.2 g/dL; photos without a reflection differ by 0.01"),
        measured(
            "MIN_OVERLAP",
            "of the blot",
            "one blot by two phones, sizes and lamps 0.95 and more, 97 of 100 pairs of blots of "
            "one volume less (seeds 664104 and 664105)",
        ),
        chosen("_SAME", "ln light", "noise of one place stays below"),
        chosen(
            "_INSET_MM",
            "mm",
            "EDGE_MM and a fifth: two photos lie over each other to a few tenths; half "
            "compares edges, double leaves small blots nothing",
        ),
        chosen("_MIN_SHARED_MM2", "mm²", "as much as a core must have"),
    ),
)

BLOT_COLOUR = Stage(
    "The blot's colour",
    blot,
    (
        chosen("_DEPTH", "1", "blood takes green and blue about alike, and red little"),
        chosen("MAX_PAPER_TINT", "CIELAB a*, b*", "lightness is left out: the light decides it"),
        chosen(
            "MAX_UNEVENNESS",
            "half ln(Y Z)",
            "of the order of 2 g/dL within one blot (0.045 ln Y a g/dL at 9), of which "
            "the trimmed mean keeps little; half refuses even blots in grain, double lets "
            "rings of dried blood in. 0.12 in the file's green and blue, a sixth more than "
            "this in plain photos, before the phone's rendering was undone",
        ),
    ),
)

SHEEN = Stage(
    "A faint reflection on the blot",
    sheen,
    (
        chosen(
            "MIN_TILES",
            "tiles",
            "a surface of six numbers then leaves nine to tell the scatter by; half leaves "
            "two, double is more than small blots have",
        ),
        measured(
            "MIN_SIGMAS",
            "sd",
            "beyond it lie 7 of 273 photos that ought to be read and have no reflection on the "
            "blot, 49 of 80 with one of 2 % of white, and 12 of 19 that one made wrong (cells "
            "of the hard benchmark, seed 9101); at 2.25 14, 52 and 12, at 3 none, 43 and 11",
        ),
        measured(
            "BLOOD_MISTAKEN",
            "ln Y of ln Y",
            "nine in ten of 24 blots drawn pooled to one side drift less towards white than that "
            "share of what they drift themselves (seed 9202). At 0.25 14 of 25 blots drawn with "
            "very uneven oxygen are taken for shining, at 0.35 2; of 92 with rings, blotches or "
            "pooled blood 1",
        ),
        measured(
            "REACH_MM",
            "mm",
            "the 90 % interval then holds 93 % of 114 photos seen to shine, and 55 % without "
            "(seed 9101); at 4 89 %, at 8 96 % by intervals a sixth wider",
        ),
        measured(
            "STEEPEST_PER_MM",
            "of white a mm",
            "a reflection of 2 % falls to nothing over half the bay. Without it some pale blots "
            "with none, where light and blood look alike, came out 4 times as wide, with it 2.2 "
            "times (seed 9101); at 0.001 1.5 times, but 89 % in the 90 % interval where it shines",
        ),
        measured(
            "_LIGHT_SD",
            "ln light",
            "a third of MAX_PAPER_RESIDUAL; half of it, and half as much again, part as well "
            "(seed 9101)",
        ),
        measured(
            "_LEAST_SD",
            "ln light",
            "about that of tiles of paper; half as much again parts as well (seed 9101)",
        ),
    ),
    beside=("_NOTHING", "_DARKEST_PAPER"),
)

LOST_CHANNEL = Stage(
    "A channel lost at the blot",
    lostchannel,
    (
        measured(
            "SPREAD",
            "ln reflectance",
            "44 blots of plain photos (seeds from 70001) lie 0.32 in green and 0.26 in blue about "
            "the shades, one at -1.3. Of draws that lost green (seeds from 71100, up to +45 %) "
            "0.35 covers 93 %, 0.6 95 %, 0.8 98 %, by wider intervals",
        ),
        derived("MAX_ABOVE", "ln reflectance", "two SPREAD: beyond it the correction is off"),
        measured(
            "MAX_UNLIKE",
            "ln reflectance",
            "93 % of blots of blood in 264 of those draws are within it; old blots gone brown "
            "miss by 0.28 to 0.47, and without it 4 of 7 of those were read (seeds from 78000)",
        ),
        measured(
            "DOUBT_SD",
            "ln XYZ",
            "blots of photos made livelier (seeds from 70001): 88 and 86 % covered without it "
            "where green and blue were lost, 92 and 95 % with it, at a SPREAD of 0.35",
        ),
        derived("_AT_TOP", "nominal linear RGB", "CLIPPED_CODE of the sampled patches"),
        chosen(
            "_LEAST_REFLECTANCE",
            "1",
            "half of the darkest that blots have (0.01); at double the deepest shades are taken "
            "for paler, at half the matrix's misses there make them black",
        ),
    ),
    beside=("N_VALUES", "_RED", "_GREEN", "_BLUE", "_CODES", "_HALVINGS", "_ROUNDS"),
)

GATES = (BAY, PAPER, PAPER_PEAK, BLOT, SAME_BLOT, BLOT_COLOUR, SHEEN, LOST_CHANNEL)
