"""Where the numbers come from that the researcher's bench asks, tells and judges by."""

from __future__ import annotations

from cardreader.calibrate import (
    breakdown,
    bridge,
    diagnostic,
    drift,
    features,
    kept,
    locus,
    locusregressor,
    planning,
    provenance,
    repeatability,
    scores,
    splits,
    study,
    studycolumns,
    validate,
    verdict,
    workflow,
)
from cardreader.calibrate.commands import fitting
from cardreader.core.gates import Stage, chosen, derived, measured, standard

BENCH = (
    Stage(
        "The verdict on a calibration",
        verdict,
        (
            chosen(
                "WANTED_BIAS_G_DL",
                "g/dL",
                "about half a step between the shades from 7 to 11 g/dL; half asks for four "
                "times the women",
            ),
            chosen(
                "WANTED_LIMITS_G_DL",
                "g/dL",
                "a severe case is then seldom read above 9; half is met by no table of "
                "docs/accuracy.md at ordinary control",
            ),
            chosen(
                "WANTED_SENSITIVITY",
                "1",
                "one woman in twenty is missed at most; half as many ask for about twice the women",
            ),
            chosen(
                "COVERAGE_SLACK",
                "of intervals",
                "the 95 % interval of what was found may reach so far below the promise: some "
                "40 women show it where the promise is just kept; half takes four times as many",
            ),
            chosen(
                "OVER_COVERAGE",
                "of intervals",
                "94 % in place of 90 is intervals a seventh wider, and women sent to be tested "
                "for nothing; half could not be told from chance by a hundred women",
            ),
            chosen(
                "MISSED_AT_MOST",
                "of severe cases",
                "none missed of 35 shows so much (Wilson); half asks for 73 severe women",
            ),
        ),
    ),
    Stage(
        "Least women",
        workflow,
        (
            measured(
                "LEAST_WOMEN_OF_A_SITE",
                "woman",
                "eight simulated sites with one laboratory value of another woman: 90 % intervals "
                "held 40, 64, 82 and 93 % of 1, 2, 3 and 5 women; seeds not kept",
            ),
        ),
    ),
    Stage(
        "What a fit says of its ends",
        fitting,
        (chosen("WOMEN_TO_TEACH", "woman", "of one or two each may be a slip"),),
    ),
    Stage(
        "Cut-offs of reports",
        diagnostic,
        (
            chosen("SEVERE_G_DL", "g/dL", "common practice in pregnancy, no source"),
            chosen("ANAEMIA_G_DL", "g/dL", "common practice in pregnancy, no source"),
        ),
    ),
    Stage(
        "Parts of a validation",
        breakdown,
        (
            derived("BAND_EDGES_G_DL", "g/dL", "the cut-offs, and the middle between them"),
            chosen(
                "LEAST_WOMEN", "woman", "of nine women all read well may be seven in ten (Wilson)"
            ),
            chosen(
                "GREY_ZONE_G_DL",
                "g/dL",
                "about twice what a laboratory's value is uncertain by at 11 (2 %)",
            ),
        ),
    ),
    Stage(
        "Repeating",
        repeatability,
        (standard("LIMIT_FACTOR", "1", "1.96 times the root of 2, as ISO 5725-6 rounds it"),),
    ),
    Stage(
        "Bridging to a new lot or phone",
        bridge,
        (
            derived("MARGIN_G_DL", "g/dL", "the bias that the verdict lets pass"),
            chosen("LEVEL", "1", "usual for two one-sided tests, which is a 90 % interval"),
            derived("LEAST_WOMEN", "woman", "as many as a calibration takes at least"),
            chosen(
                "WOMEN_FOR_SLOPE",
                "woman",
                "with fewer a slope follows the noise; with 20 over 4 g/dL, each off by 0.7, it is "
                "known to 0.13",
            ),
            chosen("RANGE_FOR_SLOPE_G_DL", "g/dL", "from severe to not anaemic"),
        ),
    ),
    Stage(
        "Charts of drift",
        drift,
        (
            chosen(
                "EWMA_WEIGHT",
                "1",
                "usual is 0.1 to 0.3, and the least sees small shifts soonest (NIST handbook, "
                "6.3.2.4)",
            ),
            derived("EWMA_WIDTH", "sd", "one false alarm in 500 results in control"),
            standard("CUSUM_SLACK", "sd", "half of the shift that is to be seen, one sd"),
            standard("CUSUM_LIMIT", "sd", "one false alarm in 465 (Montgomery; Hawkins 1993)"),
            chosen("LEAST_CENTRE", "pair", "the centre is then known to a quarter of an sd"),
        ),
    ),
    Stage(
        "Models without a prior of worlds",
        locusregressor,
        (
            chosen("LEAST_ROWS", "photo", "with fewer no such model is held by its data"),
            chosen(
                "BEYOND_G_DL",
                "g/dL",
                "about the uncertainty of a reading: with none, half of the women at the ends of "
                "the range would be refused, the severest among them",
            ),
            chosen("TAIL", "degree of freedom", "some photos stray; near normal from 30 on"),
            chosen("OFF_LOCUS", "of good blots", "refused for nothing: one in ten thousand"),
        ),
        beside=("MAX_ROUNDS",),
    ),
    Stage(
        "A locus without a prior of worlds",
        locus,
        (
            chosen("MARGIN_G_DL", "g/dL", "shows that a colour lies beyond, and by how much"),
            chosen("LOWEST_G_DL", "g/dL", "below any living woman's blood"),
        ),
        beside=("GRID_G_DL", "FLOOR_VARIANCE"),
    ),
    Stage(
        "Folds by phone and lot",
        splits,
        (chosen("MOST_LEVELS", "fold", "each is a fit of its own; more are put into groups"),),
    ),
    Stage(
        "The study table",
        studycolumns,
        (
            chosen("LOWEST_HB_G_DL", "g/dL", "below any living woman's blood"),
            chosen("HIGHEST_HB_G_DL", "g/dL", "above any woman's blood"),
            chosen("USUAL_HB_G_DL", "g/dL", "few women's blood lies outside: it is asked about"),
            chosen("HIGHEST_HAEMATOCRIT_PERCENT", "%", "above any pregnant woman's"),
            chosen("HUNDRED_PERCENT_G_DL", "g/dL", "24 g/dL is then 160 %: common practice"),
            chosen("POSITIVE", "in any unit", "beyond any value of any unit; g/dL are held closer"),
        ),
    ),
    Stage(
        "A study's file",
        study,
        (
            chosen("MAX_FILE_BYTES", "byte", "a table of MAX_ROWS at 250 letters a row"),
            chosen("MAX_ROWS", "row", "more photos than a study of one place takes"),
        ),
    ),
    Stage(
        "A study's photos",
        features,
        (chosen("MAX_PHOTO_BYTES", "byte", "more than `read` opens, which then says why not"),),
    ),
    Stage(
        "What a register kept of photos",
        kept,
        (chosen("MAX_FILE_BYTES", "byte", "a hundred thousand photos and more"),),
    ),
    Stage(
        "Sample sizes",
        planning,
        (chosen("MAX_SUBJECTS", "woman", "no study has as many"),),
    ),
    Stage(
        "What a calibration says of its making",
        provenance,
        (chosen("LARGEST_CENTRE_G_DL", "g/dL", "a chart's centre further off is a damaged file"),),
        beside=("LARGEST_SCORE",),
    ),
    Stage(
        "Women of a Passing-Bablok line",
        validate,
        (chosen("MOST_FOR_RANKS", "woman", "it sorts the slopes of all pairs: 4.5 million"),),
    ),
    Stage(
        "Scores of women left out",
        scores,
        (
            chosen("LEAST_STRETCH_TRIED", "1", "below it a reading is as good as right"),
            chosen("LARGEST_STRETCH_TRIED", "1", "beyond it no interval holds the value: infinite"),
        ),
        beside=("_HALVINGS",),
    ),
)
