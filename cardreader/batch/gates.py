"""Where the numbers come from that a batch goes by: what is held in memory, how long is waited."""

from __future__ import annotations

from cardreader.batch import (
    ahead,
    cluster,
    contact,
    doubtful,
    fetch,
    journalfile,
    listing,
    packed,
    plots,
    record,
    results,
    run,
    sessions,
    sources,
    table,
    tally,
    workers,
)
from cardreader.core.gates import Stage, chosen, derived, measured

_FAR = "no value of a reading comes near"

SESSIONS = Stage(
    "Sessions of a batch",
    sessions,
    (chosen("MOST_SHOWN", "session", "a screenful; run.json has all"),),
    beside=("_DECIMALS",),
)

SOURCES = Stage(
    "Lists of photos",
    sources,
    (chosen("MAX_LIST_BYTES", "byte", "five million lines of a hundred characters"),),
)

LISTING = Stage(
    "The list in the journal",
    listing,
    (chosen("_PAGE", "photo", "a page of an S3 listing has as many"),),
)

AHEAD = Stage(
    "Listing ahead of reading",
    ahead,
    (
        chosen("MOST_WAITING", "photo", "two pages of an S3 listing"),
        chosen("MOST_TAKEN", "photo", "a page of an S3 listing has as many"),
        chosen("_REST_S", "s", "how late a listing nobody wants any more ends"),
    ),
)

JOURNAL = Stage(
    "The journal",
    journalfile,
    (chosen("COMMIT_EVERY_S", "s", "work of half a second is done again after a kill"),),
    beside=("SCHEMA",),
)

RUN = Stage(
    "A run",
    run,
    (
        derived("PASSES", "pass", "a content under a second name is judged in the pass after"),
        chosen("Settings.timeout_s", "s", "a thousand times what a photo takes"),
    ),
    beside=("Settings.workers",),
)

WORKERS = Stage(
    "Worker processes",
    workers,
    (
        derived("AHEAD", "task", "one at work, and one for each that fetches"),
        derived("ATTEMPTS", "try", "a photo is to blame when a process dies of it again"),
        chosen("TICK_S", "s", "how late a photo without end is noticed"),
    ),
)

FETCH = Stage(
    "Photos fetched ahead",
    fetch,
    (
        chosen(
            "READERS",
            "photo",
            "hides 0.4 s of a photo that is read in 0.05 s; S3's client keeps ten connections",
        ),
        derived("MOST_HELD_BYTES", "byte", "one photo of the largest size that is read"),
    ),
)

CLUSTER = Stage(
    "Workers elsewhere",
    cluster,
    (
        chosen(
            "AHEAD",
            "task a thread",
            "the network's delay hides behind four photos of a second; half lets threads "
            "wait, double keeps more to do again after a death",
        ),
        chosen(
            "CONNECT_S",
            "s",
            "a scheduler on the network answers at once; longer only delays the one line "
            "that none does",
        ),
    ),
)

PACKED = Stage(
    "A packed reading",
    packed,
    (derived("MOST_BYTES", "byte", "a hundred times the longest outline of a blot"),),
)

RECORD = Stage("A kept measurement", record, (chosen("_LARGEST", "any", _FAR),))
RESULTS = Stage("A kept reading", results, (chosen("_LARGEST", "any", _FAR),))

TABLE = Stage(
    "Tables",
    table,
    (
        chosen("_ROWS_AT_ONCE", "row", "some megabytes; the time a row no longer falls beyond"),
        measured(
            "_ROWS_IN_A_GROUP",
            "row",
            "memory stays flat from 10,000 to 100,000 rows, docs/speed.md; no photos, no seeds",
        ),
    ),
)

SUMMARY = Stage(
    "Groups of the summary", tally, (chosen("MOST_GROUPS", "group", "what a printed page holds"),)
)
SHOWN = Stage(
    "Photos of the summary",
    doubtful,
    (
        chosen("MOST_SHOWN", "photo", "sixteen of each of three kinds; a page of some megabytes"),
        chosen("MOST_REFERRED", "photo", "names alone; more are looked for in the table"),
    ),
)
TILES = Stage(
    "Tiles of the summary",
    contact,
    (
        chosen(
            "TILE_PX",
            "pixel",
            "four to a screen, and the blot still shows; half hides it, double makes the "
            "page four times as heavy",
        ),
        chosen(
            "_MARGIN",
            "of the card",
            "the card's surround and a finger's width beside it: what hid a marker shows",
        ),
    ),
)
BINS = Stage(
    "Drawings of the summary", plots, (chosen("BIN_G_DL", "g/dL", "limits fall on edges"),)
)

GATES = (
    SOURCES, LISTING, AHEAD, JOURNAL, RUN, WORKERS, FETCH, CLUSTER, PACKED, RECORD, RESULTS, TABLE,
    SUMMARY, SHOWN, TILES, BINS, SESSIONS,
)  # fmt: skip
