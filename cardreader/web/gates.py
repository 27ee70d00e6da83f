"""Where the numbers come from that the pages go by: what may be sent, how fast, how long."""

from __future__ import annotations

from cardreader.core.gates import Stage, chosen, derived, standard
from cardreader.web import (
    calibrating,
    cli,
    daypapers,
    delay,
    drift,
    gate,
    origins,
    settings,
    state,
    steps,
    tls,
    values,
    whereabouts,
)
from cardreader.web.pages import calibration, knownby, people, pin

_SLIP = "invented, generous: beyond it an entry is taken for a slip of the pen"

LIMITS = Stage(
    "What may be sent",
    settings,
    (
        chosen("Settings.upload_limit_bytes", "byte"),
        chosen("Settings.form_limit_bytes", "byte"),
        chosen("Settings.open_form_limit_bytes", "byte"),
        chosen("Settings.free_tries", "try"),
        chosen("Settings.pair_days", "day", "haemoglobin hardly changes within them"),
        chosen("Settings.requests_a_minute", "request", "ten a second: several phones, one router"),
    ),
)

GATE = Stage(
    "Connections",
    gate,
    (
        chosen("GateLimits.places_an_address", "connection", "several phones behind one router"),
        chosen(
            "GateLimits.places",
            "connection",
            "below the 1,024 files that Linux lets a process hold open",
        ),
        chosen("GateLimits.handshake_s", "s"),
        chosen("GateLimits.head_s", "s"),
        chosen("GateLimits.body_span_s", "s"),
        derived("GateLimits.body_bytes_a_span", "byte", "500 a second; the slowest links do more"),
        chosen("GateLimits.answer_span_s", "s"),
        chosen("GateLimits.look_every_s", "s"),
    ),
)

DELAY = Stage(
    "Guessed passwords",
    delay,
    (
        chosen("LONGEST_WAIT_S", "s", "leaves 96 guesses a day at one name"),
        chosen("LONGEST_WAIT_OF_AN_ADDRESS_S", "s", "colleagues may share the address"),
        chosen("TRIES_OF_AN_ADDRESS", "times a name's", "several people sign in from one address"),
        chosen("FORGOTTEN_AFTER_S", "s", "four times the longest wait"),
        chosen("_MOST_KEPT", "name"),
    ),
)

PIN = Stage("PINs kept by a browser", pin, (derived("KEPT_S", "s", "a year of 365 days"),))

TLS = Stage(
    "Certificates",
    tls,
    (
        chosen("AUTHORITY_YEARS", "year"),
        standard("SERVER_DAYS", "day", "below the 398 that browsers take (CA/Browser Forum)"),
    ),
)

PORTS = Stage("Ports", cli, (), beside=("PORT", "START_PORT"))
STATE = Stage("Pictures held", state, (), beside=("MEGABYTE",))
LOOKING = Stage("Where the server is", whereabouts, (chosen("LOOK_EVERY_S", "s"),))
ORIGINS = Stage("Addresses remembered", origins, (chosen("MOST", "address"),))

VALUES = Stage(
    "Values typed in",
    values,
    (
        chosen("HIGHEST_VISIT", "visit"),
        chosen("OLDEST_RESULT_DAYS", "day", _SLIP),
    ),
)
VILLAGE = Stage("What she is known by", knownby, (chosen("LONGEST_VILLAGE", "character"),))
TRAIL = Stage("The trail shown", people, (chosen("ENTRIES", "entry"),))
STEPS = Stage(
    "Steps",
    steps,
    (chosen("DRYING_S", "s", "invented: the card's own instructions decide"),),
)
DRIFT = Stage(
    "Watching the readings",
    drift,
    (
        chosen("LAB_SD_G_DL", "g/dL", "invented: put in the laboratory's own figure"),
        chosen("LEAST_SD_G_DL", "g/dL", "a reading without a stated error would weigh too much"),
    ),
)
PAPERS = Stage(
    "Papers",
    daypapers,
    (
        chosen("FORM_ROWS", "row"),
        chosen("LAST_VALUES", "value", "the newest are enough for whoever goes on with her"),
    ),
)

FITTING = Stage(
    "Fitting in the background",
    calibrating,
    (
        chosen("BEAT_S", "s", "well within the silence that a lost fit is known by"),
        chosen("LONGEST_S", "s", "no fit of a register's pairs takes as long"),
    ),
    beside=("_NICE",),
)
OFFERED = Stage(
    "The page Calibration",
    calibration,
    (
        chosen("LAB_SD_PERCENT", "% of the value", "common practice and a day or two between"),
        chosen("MOST_SHOWN", "calibration"),
    ),
)

GATES = (
    LIMITS, GATE, DELAY, PIN, TLS, PORTS, STATE, LOOKING, ORIGINS, VALUES, VILLAGE, TRAIL, STEPS,
    DRIFT, PAPERS, FITTING, OFFERED,
)  # fmt: skip
