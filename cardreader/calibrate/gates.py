"""Where the numbers come from that the default calibration is made with."""

from __future__ import annotations

from cardreader.calibrate import bleaching, default
from cardreader.core.gates import Stage, chosen

GATES = (
    Stage(
        "The default calibration",
        default,
        (
            chosen("HB_RANGE_G_DL", "g/dL", "beyond any blood that is read, on either side"),
            chosen("DOMAIN_G_DL", "g/dL", "what is read"),
            chosen("N_LOTS", "lot"),
            chosen("MISS_RATE", "1", "intervals hold nine times in ten"),
            chosen("RIDGE", "1 / standardised signature²"),
            chosen("CLIP", "sd of signatures"),
            chosen("TAIL", "degree of freedom", "heavy tails: some photos stray"),
            chosen("STRAY_SHARE", "of photos", "docs/hard.md shows what it buys"),
            chosen("VOLUME_CV", "of haemoglobin", "a real study puts replicates in its place"),
            chosen("N_TWO_BLOTS", "sitting", "the own share then scatters by about 0.03"),
            chosen("_DEGREE", "power"),
            chosen("_LEAST_FOLD", "sitting", "fewer say little of their own"),
            chosen("_DOUBTS", "1", "candidates; the likeliest for unseen sittings is taken"),
            chosen("_COVARIANCE_BINS_G_DL", "g/dL"),
        ),
        beside=("_TWO_BLOTS",),
    ),
    Stage(
        "Effects of bleaching",
        bleaching,
        (
            chosen("FRESH", "of cards", "no cards in use have been measured"),
            chosen("TYPICAL_SHARE", "of an ink", "no cards in use have been measured"),
            chosen("_SHARE", "of an ink"),
            chosen("_RIDGE", "of each variance"),
            chosen("_N_SITTINGS", "sitting"),
        ),
    ),
)
