"""Where the numbers come from that bound what is decided; thresholds are the protocol's own."""

from __future__ import annotations

from cardreader.core.gates import Stage, chosen, derived
from cardreader.decide import followuprules, liesoff, protocolfile, rule, subject

GATES = (
    Stage(
        "What is known of her",
        subject,
        (
            chosen("SECOND_TRIMESTER_FROM_WEEK", "week", "common convention, no single source"),
            chosen("THIRD_TRIMESTER_FROM_WEEK", "week", "common convention, no single source"),
            chosen("LONGEST_GESTATION_WEEKS", "week", "no pregnancy lasts longer"),
            chosen("LOWEST_ELEVATION_M", "m", "below the lowest shore"),
            chosen("HIGHEST_ELEVATION_M", "m", "nobody lives much higher"),
        ),
    ),
    Stage(
        "A protocol's file",
        protocolfile,
        (
            chosen("LONGEST_FILE_BYTES", "byte", "twenty times the shipped protocols"),
            chosen("HIGHEST_LIMIT_G_DL", "g/dL", "above any limit of anaemia"),
        ),
        beside=("SCHEMA",),
    ),
    Stage("Follow-up", followuprules, (chosen("LONGEST_DAYS", "day", "longer than a pregnancy"),)),
    Stage(
        "The decision",
        rule,
        (derived("_SUM_ERROR", "1", "many small probabilities added up may miss 1 by this much"),),
    ),
    Stage(
        "Sessions that lie off",
        liesoff,
        (
            chosen("LEAST_WOMEN", "woman", "fewer say little"),
            chosen("LEAST_BEFORE", "woman-day", "fewer say little"),
            chosen("LEAST_DAYS", "day", "one may have been off itself"),
            chosen(
                "BETWEEN_DAYS_SD_G_DL",
                "g/dL",
                "villages and lamps; at 0.7 in truth one day in 40 would be named for nothing, at "
                "0.4 one in a thousand (1,500 invented places, seed 660501)",
            ),
            chosen("LIMIT_SD", "sd", "one day in 370 by chance, were all as supposed"),
            chosen("LEAST_SHIFT_G_DL", "g/dL", "less changes few decisions"),
            derived("_QUARTILES_SD", "sd", "between a normal distribution's quartiles"),
        ),
    ),
)
