"""Where the numbers come from that the pages go by: what may be sent, how fast, how long."""

from __future__ import annotations

from cardreader.core.gates import Stage, chosen, derived, standard
from cardreader.web import (
    calibrating,
    daypapers,
    delay,
    drift,
    gate,
    meeting,
    origins,
    servecli,
    settings,
    state,
    steps,
    tls,
    undecided,
    unkept,
    uploads,
    whereabouts,
)
from cardreader.web.pages import calibration, home, knownby, lists, paper, people, pin, signin

LIMITS = Stage(
    "What may be sent",
    settings,
    (
        chosen(
            "Settings.upload_limit_bytes",
            "byte",
            "200 megapixels at 1.7 bits each; half refuses the photos of some phones, "
            "double fills memory twice as fast",
        ),
        chosen(
            "Settings.form_limit_bytes",
            "byte",
            ("far above the longest form with every field full; a form is read whole into memory"),
        ),
        chosen(
            "Settings.open_form_limit_bytes",
            "byte",
            "name and password; whoever is not signed in may send no more",
        ),
        chosen(
            "Settings.free_tries",
            "try",
            "slips of a tired thumb; half punishes those, double gives a guesser twice "
            "the tries before he is slowed",
        ),
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
        chosen(
            "GateLimits.handshake_s",
            "s",
            "several turns of the slowest mobile links; half cuts those off, double keeps "
            "places held that say nothing",
        ),
        chosen("GateLimits.head_s", "s", "as for the handshake"),
        chosen(
            "GateLimits.body_span_s",
            "s",
            "rides out a handover between masts; half cuts phones off on the road, double "
            "keeps stalled ones twice as long",
        ),
        derived("GateLimits.body_bytes_a_span", "byte", "500 a second; the slowest links do more"),
        chosen(
            "GateLimits.answer_span_s",
            "s",
            "only who takes not one byte in it is let go; half cuts phones off in a "
            "tunnel, double keeps their places twice as long",
        ),
        chosen(
            "GateLimits.look_every_s",
            "s",
            "a fifth of the shortest limit, so that each is kept to within that",
        ),
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
        chosen(
            "_MOST_KEPT",
            "name",
            "some megabytes; beyond it the oldest name is forgotten, which guessing many "
            "names can't use against one",
        ),
    ),
)

PIN = Stage("PINs kept by a browser", pin, (derived("KEPT_S", "s", "a year of 365 days"),))

LANGUAGE = Stage(
    "A language chosen before signing in",
    signin,
    (
        chosen(
            "CHOSEN_FOR_S", "s", "typing a long password takes a minute; who comes later is another"
        ),
    ),
    beside=("CHOSEN_COOKIE",),
)

TLS = Stage(
    "Certificates",
    tls,
    (
        chosen(
            "AUTHORITY_YEARS",
            "year",
            "as long as phones are kept: each must be told once; half has them told "
            "twice, longer keeps a lost key good",
        ),
        standard("SERVER_DAYS", "day", "below the 398 that browsers take (CA/Browser Forum)"),
        chosen("RENEWED_BEFORE", "h:m:s", "phones' clocks are off by a day or so at most"),
    ),
)

MEETING = Stage(
    "Meeting another register",
    meeting,
    (
        derived("LIMIT_BYTES", "byte", "a piece of a file, and what is said with it"),
        chosen("TIMEOUT_S", "s", "no answer takes longer than a second to make"),
    ),
    beside=("PATH", "PORT"),
)

PORTS = Stage("Ports", servecli, (), beside=("PORT", "START_PORT"))
STATE = Stage("Pictures held", state, (), beside=("MEGABYTE",))
LOOKING = Stage(
    "Where the server is",
    whereabouts,
    (
        chosen(
            "LOOK_EVERY_S",
            "s",
            ("a hotspot is found before anyone has typed its address; asking costs a millisecond"),
        ),
    ),
)
UNKEPT = Stage(
    "Sign-ins in memory",
    unkept,
    (chosen("TRIED_EVERY", "h:m:s", "as often as a sign-in's use is noted"),),
)
ORIGINS = Stage(
    "Addresses remembered",
    origins,
    (
        chosen(
            "MOST",
            "address",
            "networks that a laptop meets in a month; a browser's cookie is per address",
        ),
    ),
)

VILLAGE = Stage(
    "What she is known by",
    knownby,
    (chosen("LONGEST_VILLAGE", "character", "a line of the phone, twice over"),),
)
TRAIL = Stage(
    "The trail shown",
    people,
    (
        chosen(
            "ENTRIES",
            "entry",
            "a day's work of several people on one page; the whole trail is checked, and "
            "can be had as a file",
        ),
    ),
)
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
        chosen("FORM_ROWS", "row", "what a page across holds in rows that a hand can write in"),
        chosen("LAST_VALUES", "value", "the newest are enough for whoever goes on with her"),
    ),
)

FITTING = Stage(
    "Fitting in the background",
    calibrating,
    (
        chosen("BEAT_S", "s", "well within the silence that a lost fit is known by"),
        chosen("LAB_SD_PERCENT", "% of the value", "common practice and a day or two between"),
        chosen("LONGEST_S", "s", "no fit of a register's pairs takes as long"),
    ),
    beside=("_NICE",),
)
OFFERED = Stage(
    "The page Calibration",
    calibration,
    (
        chosen(
            "MOST_SHOWN",
            "calibration",
            "a fit a month for half a year and two; older ones stay in the register",
        ),
    ),
)

LISTS = Stage("Lists", lists, (chosen("MOST", "row", "more women than one worker sees in a day"),))
TODAY = Stage(
    "Today's list on paper",
    paper,
    (chosen("MOST_ON_PAPER", "woman", "some 25 sheets; more are not carried about"),),
)

UPLOADS = Stage(
    "Photos sent in pieces",
    uploads,
    (
        chosen("CHUNK_LIMIT_BYTES", "byte", "at the slowest link that is borne half an hour"),
        chosen("HALVES_AN_ACCOUNT", "photo", "more than one phone sends at a time"),
        chosen("ALL_HALVES_BYTES", "byte", "six of the largest photos that may be sent"),
        chosen("FORGOTTEN_AFTER_S", "s", "a walk back to where there is a signal"),
    ),
)
FIRST_PAGE = Stage(
    "The first page",
    home,
    (chosen("MOST_DAYS", "day", "the newest in doubt; all its women are on the list of tests"),),
)
UNDECIDED = Stage(
    "What is to be decided after a merge",
    undecided,
    (chosen("COUNT_EVERY_S", "s", "counting goes through a large register: not for every page"),),
)

GATES = (
    LIMITS, GATE, DELAY, PIN, LANGUAGE, TLS, PORTS, STATE, LOOKING, ORIGINS, VILLAGE, TRAIL,
    STEPS, DRIFT, PAPERS, FITTING, OFFERED, LISTS, TODAY, MEETING, UNKEPT, UPLOADS, FIRST_PAGE,
    UNDECIDED,
)  # fmt: skip
