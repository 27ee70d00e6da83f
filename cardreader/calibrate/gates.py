"""Where the numbers come from that the shipped priors and calibration, and a site's, are made
with."""

from __future__ import annotations

from cardreader.calibrate import (
    beyond,
    bleaching,
    condition,
    default,
    likeness,
    odddates,
    outlook,
    papercolour,
    papers,
    prior,
    site,
    sitefading,
    sitesittings,
    sittings,
    volume,
)
from cardreader.core import rowfaults, unitlook, units
from cardreader.core.gates import Stage, chosen, derived, measured, standard

_LEFT_OUT = (
    "100 drawn sites whose print model their prior had not seen, seeds 31337 and 51001; 25 of them "
    "by photos and design"
)

GATES = (
    Stage(
        "The default calibration",
        default,
        (
            chosen("HB_RANGE_G_DL", "g/dL", "beyond any blood that is read, on either side"),
            chosen("DOMAIN_G_DL", "g/dL", "what is read"),
            chosen(
                "N_LOTS",
                "lot",
                "ink strengths then scatter as their law does to a fifth (1 over the root of "
                "2 n); half may agree by chance, double only takes longer",
            ),
            chosen("MISS_RATE", "1", "intervals hold nine times in ten"),
            chosen("STRAY_SHARE", "of photos", "docs/hard.md shows what it buys"),
            chosen("VOLUME_CV", "of haemoglobin", "a real study puts replicates in its place"),
            chosen("PROMISED_G_DL", "g/dL", "what women have, and tables are of"),
            chosen("N_TWO_BLOTS", "sitting", "twenty times the numbers of a signature"),
            chosen("KNOWN_FOLDS", "fold", "each leaves four fifths, near enough to all"),
            chosen("_LEAST_FOLD", "sitting", "fewer say little of their own"),
            measured(
                "MAX_STRANGENESS",
                "1, mean of the fit's cards",
                "errors are level from 3 to 12 and a third larger beyond 20 (seed 9202)",
            ),
            measured(
                "DOUBT",
                "of an interval's width",
                "covers 90 % at 3 to 12 under lamps FL3 and HP (seed 9202), 72 % without",
            ),
        ),
        beside=("_TWO_BLOTS", "ROUNDS", "FOLD_ROUNDS"),
    ),
    Stage(
        "The prior of sites",
        prior,
        (
            chosen("HB_RANGE_G_DL", "g/dL", "beyond any blood that is read, on either side"),
            chosen("DOMAIN_G_DL", "g/dL", "what is read"),
            chosen("DEGREE", "power", "5 instead of 4 changed nothing on worlds of seed 31337"),
            chosen(
                "CLIP",
                "sd of signatures",
                "one of 16,000 normal numbers lies beyond; half would blunt real lamps, "
                "double lets one strange card steer the locus",
            ),
            chosen("TAIL", "degree of freedom", "heavy tails: some photos stray"),
            measured(
                "WIDER",
                "of the weights' covariance",
                "1 to 2.5 change RMSE by under 0.02 g/dL on worlds left out, seed 31337",
            ),
            measured(
                "SCATTER_DOF", "degree of freedom", "the worlds' sizes of scatter, seed 20261"
            ),
            chosen("OFF_LOCUS", "of good blots", "few good blots may be refused"),
            measured(
                "ROUNDS",
                "round",
                "48 drawn sites whose print model the prior had not seen, seeds 31337 and 51001",
            ),
            measured("FACTOR", "1", _LEFT_OUT),
            measured("FACTOR_BY_PHOTOS", "1", _LEFT_OUT),
            measured("FACTOR_BY_DESIGN", "1", _LEFT_OUT),
            chosen("MAX_STRANGENESS", "1, mean of all worlds' cards", "the posterior widens first"),
            chosen("LEAST_IN_BIN", "sitting", "a scatter of three channels needs some"),
            chosen(
                "_EDGES",
                "g/dL",
                "2 g/dL each, wider at the ends where sittings are fewer; half would fall "
                "below LEAST_IN_BIN, double blurs how scatter changes along the locus",
            ),
        ),
    ),
    Stage(
        "A site's posterior",
        condition,
        (
            chosen(
                "SHAPE_DOF",
                "photo",
                "a site's first hundred photos leave the shape as the worlds have it; a fifth "
                "lets 20 photos set how channels scatter together, ten times never lets them",
            ),
            chosen("UNLIKE_WEIGHT", "of a pair's", "about three times the usual miss"),
        ),
        beside=("ROUNDS",),
    ),
    Stage(
        "Beyond a site's pairs",
        beyond,
        (
            measured(
                "BEYOND_SD",
                "g/dL for each g/dL",
                "90 % intervals of six sites apart from the simulator, two studies each, seeds "
                "31337102 and 31337103; chosen among 0, 0.1, 0.15 and 0.2 on the same",
            ),
        ),
    ),
    Stage(
        "The width to expect",
        outlook,
        (
            chosen("AT_G_DL", "g/dL", "where decisions turn"),
            chosen(
                "MORE", "pair", "a day, two and a week of sessions; what is shown is a row each"
            ),
            chosen("BLOTS", "blot", "more would change no digit that is shown"),
        ),
    ),
    Stage(
        "Paper like that of the study",
        papercolour,
        (
            measured(
                "USUAL_SD",
                "ln of X/Y, Y, Z/Y",
                "twice what the papers of most of 40 drawn sites scatter by, seed 31337",
            ),
            chosen("USUAL_PHOTOS", "photo", "as many as tell a site's phones and lamps"),
            chosen("FALSE_ALARMS", "of photos", "a refusal costs one more look at the paper"),
            chosen("LEAST_PHOTOS", "photo", "fewer are no calibration either"),
        ),
    ),
    Stage(
        "Photos of one sitting, and of two",
        sittings,
        (
            chosen("TAIL", "degree of freedom", "as the colours of photos about the locus"),
            chosen("ROUNDS", "round", "the tenth moves no element by a thousandth"),
            chosen(
                "MISTAKEN",
                "of pairs",
                "one in twenty of either kind may pass for the other; taken for one sitting, two "
                "are read wider than need be",
            ),
            chosen("_RIDGE", "of a number's variance", "a number that never moved can be inverted"),
            chosen("_LEAST_GAP", "1", "so that there is a slope between the limits"),
        ),
    ),
    Stage(
        "Photos of one sitting, at a site",
        sitesittings,
        (chosen("WORLDS", "world", "with four sittings each 30 pairs a number of a signature"),),
        beside=("FILE", "PHOTOS"),
    ),
    Stage(
        "Cards like those of the study",
        likeness,
        (
            chosen("CENTRE_PHOTOS", "photo", "sites lie further apart than the photos of one"),
            chosen("SCATTER_PHOTOS", "photo", "as many as tell a site's phones and lamps"),
            measured(
                "LEAST_SHARE",
                "of the prior's limit",
                "1,648 photos with and without the study's phones and lamps, seed 31337: none "
                "refused after 60 pairs",
            ),
            measured("FAR", "of the study's mean square", _LEFT_OUT),
            measured("UNSEEN_DOUBT", "of the interval", _LEFT_OUT),
            measured("DOUBT_PHOTOS", "photo", _LEFT_OUT),
            chosen(
                "MOST_SEEN",
                "card",
                "five times the phones and lamps of a large study; half leave gaps between "
                "them, double makes the file of a calibration half as long again",
            ),
        ),
    ),
    Stage(
        "Pairs on several papers",
        papers,
        (measured("PAPER_KEPT", "1", "0.01 between two papers of 24 worlds, seed 31337"),),
    ),
    Stage(
        "A site's calibration",
        site,
        (
            chosen(
                "WOMEN_FOR_VOLUME",
                "woman",
                "fewer give differences of two or three women, and the prior decides alone",
            ),
            measured("USUAL_SCORE", "of the prior's factor", _LEFT_OUT),
            measured("USUAL_WOMEN", "woman", _LEFT_OUT),
            measured("TRUST_IN_SCORES", "power", _LEFT_OUT),
            chosen("WOMEN_FOR_RANK", "woman", "fewer let one photo set every interval"),
            measured("USUAL_FOR_RANK", "woman", _LEFT_OUT),
            measured("LEAST_SITE_FACTOR", "1", _LEFT_OUT),
        ),
        beside=("FOLDS", "DRAFT_ROUNDS", "_MOST_SCORE"),
    ),
    Stage(
        "Scatter of blood volume",
        volume,
        (
            chosen("PRIOR_CV", "of blood per area", "common practice, no source"),
            chosen("PRIOR_LOG_SD", "ln", "common practice, no source"),
            chosen(
                "_FACTOR_LOG_SD",
                "ln",
                "the calibration's own scatter is believed to within a factor of 2.2 (two "
                "sd); half would make volume answer for it, double leaves the two apart only "
                "by luck",
            ),
            chosen(
                "MEASURED_SHARE",
                "of the prior's range",
                "three quarters of the prior's range: with less narrowing it is belief, and "
                "is said to be",
            ),
            chosen("_TAIL", "degree of freedom", "single photos stray"),
        ),
    ),
    Stage(
        "Effects of bleaching",
        bleaching,
        (
            chosen("FRESH", "of cards", "no cards in use have been measured"),
            chosen("TYPICAL_SHARE", "of an ink", "no cards in use have been measured"),
            measured(
                "BRIGHTEST_SD",
                "sd of the signature",
                "phones duller by 15 % in hue, saturation and value (seed 9205): 0.46 g/dL by 2, "
                "0.43 by 1.5, 0.60 by 3, 1.05 by any; beside cards bleached by a tenth (seed 9207) "
                "1.30 high by 2, 1.38 by 1.5, were the gate cut off there as well",
            ),
            chosen(
                "SHARE",
                "of an ink",
                "well above grain, well below where depth no longer goes with the share; "
                "effects are taken for a share of 1 by proportion",
            ),
            chosen(
                "_RIDGE",
                "of each variance",
                "2 % of each variance keeps the inverse of 45 numbers from 500 sittings tame; "
                "none lets chance directions in, ten times blunts the estimate",
            ),
            chosen(
                "N_SITTINGS",
                "sitting",
                "eleven a number of the signature; half makes the inverse twice as unsure",
            ),
        ),
    ),
    Stage(
        "Bleaching of a site's cards",
        sitefading,
        (
            measured("MAX_FADE", "of an ink", "eight simulated worlds, seed 515001"),
            measured("TAKEN_OFF_UNMEASURED", "of what is seen", "twelve drawn sites, seed 515001"),
            chosen("LEAST_PHOTOS", "photo", "as many women as a calibration takes at least"),
            chosen("CENTRE_PHOTOS", "photo", "as many as a study has phones"),
            chosen(
                "TWINS",
                "sitting",
                "with 500 worlds, so that halves of them agree to a cosine of 0.99",
            ),
        ),
        beside=("_DIGITS",),
    ),
    Stage(
        "Units of laboratory values",
        units,
        (
            standard("G_L_PER_G_DL", "1", "a litre is ten decilitres"),
            standard(
                "G_DL_PER_MMOL_L",
                "1",
                "16 114.5 g/mol, a quarter of haemoglobin's 64 458 (ICSH's reference method, from "
                "memory); tables have 0.62063 for the way back (PMC3934467, table 1)",
            ),
            standard("HAEMS", "haem", "haemoglobin has four"),
        ),
    ),
    Stage(
        "Faults of a table",
        rowfaults,
        (chosen("MOST_TOLD", "fault", "what a screen holds; more are mended no sooner"),),
    ),
    Stage(
        "Values in another unit than told",
        unitlook,
        (
            chosen(
                "HARDLY_ABOVE_G_DL",
                "g/dL",
                "few women's blood lies above it, as `USUAL_HB_G_DL` of the study table has it: in "
                "mmol/L hardly any woman has more than 11.2, and a study that has women from 12 "
                "g/dL on, as it should, is not asked",
            ),
            chosen(
                "MEDIAN_BELOW_G_DL",
                "g/dL",
                "above the median of any pregnant women, common practice, no source: in mmol/L the "
                "median then lies below 9.0, and as g/dL half of the women are well below anaemic",
            ),
            chosen("FEW_ABOVE", "of values", "one in twenty may be a slip or a smoker"),
            derived(
                "LEAST_VALUES",
                "value",
                "`workflow.LEAST_WOMEN_OF_A_SITE`: with fewer nothing is fitted",
            ),
        ),
    ),
    Stage(
        "Dates of confirmatory results that are asked about",
        odddates,
        (
            chosen("NEAR_DAYS", "day", "sessions are weeks apart; a year is four times as far"),
            chosen("ALONE", "1", "of ten results near the date meant one may be near the other"),
        ),
    ),
)
