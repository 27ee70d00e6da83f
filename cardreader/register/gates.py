"""Where the numbers come from that the register goes by: limits of entry, times, secrets.

What follows a reading (days to the next test, tablets) is the protocol's own, with its
sources beside it.
"""

from __future__ import annotations

from cardreader.core.gates import Stage, chosen, derived, standard
from cardreader.register import (
    accounts,
    ahead,
    backup,
    backupfile,
    blots,
    calibrations,
    confirmations,
    database,
    daydoubt,
    dayshift,
    devices,
    doubt,
    entrylimits,
    judgedby,
    judging,
    keptlists,
    labtable,
    labunit,
    lastbackup,
    oncenoted,
    openreferrals,
    phoneclock,
    photostore,
    photostrip,
    recording,
    rejudging,
    rowcheck,
    samephoto,
    search,
    sitepairs,
    summary,
    tablets,
    tocome,
    tube,
    visits,
    women,
)
from cardreader.register.meet import code, guest, host
from cardreader.register.merge import (
    choosing,
    contradictions,
    days,
    fitting,
    handover,
    parcel,
    registers,
)

_SLIP = "invented, generous: beyond it an entry is taken for a slip of the pen"

ACCOUNTS = Stage(
    "Accounts",
    accounts,
    (
        chosen("MIN_PASSWORD", "character", "NIST SP 800-63B asks for 8 at least (from memory)"),
        chosen("MAX_PASSWORD", "character", "NIST SP 800-63B: at least 64 are to be allowed"),
        standard("SessionLimits.idle", "h:m:s", "NIST SP 800-63B, AAL2 (from memory)"),
        standard("SessionLimits.whole", "h:m:s", "NIST SP 800-63B, AAL2 (from memory)"),
    ),
)

DEVICES = Stage(
    "PINs",
    devices,
    (
        chosen(
            "PIN_DIGITS",
            "digit",
            "with WRONG_TRIES one in 200,000 by chance; at four one in 2,000, at eight "
            "people write it down",
        ),
        derived("WRONG_TRIES", "try", "five of a million: one in 200,000 guessed by chance"),
    ),
)

BACKUP = Stage(
    "Backups",
    backup,
    (
        chosen("MIN_PASSPHRASE", "character", "as for a password"),
        chosen("PATIENCE_S", "s", "as a writer of the database waits"),
    ),
)

BACKUP_FILE = Stage(
    "A backup's file",
    backupfile,
    (chosen("_MOST_BYTES", "byte", "of one part: more rows than any register has"),),
    beside=("_SALT", "_NONCE", "COST"),
)

PHOTOS = Stage(
    "Kept photos",
    photostore,
    (standard("_NONCE", "byte", "96 bits, NIST SP 800-38D for AES-GCM"),),
)

PHOTO_STRIP = Stage(
    "What a kept photo may say of itself",
    photostrip,
    (standard("_LONGEST_EXIF", "byte", "a JPEG segment holds 65,533 at most, ITU-T T.81"),),
    beside=("STAYS", "STAYS_IN_EXIF", "_EXIF_IFD"),
)

MEETING_CODES = Stage(
    "Codes of meetings",
    code,
    (
        derived("DIGITS", "digit", "three tries find one of 100 million: 3 in 100,000,000"),
        chosen("PIECE_BYTES", "byte", "below what a page's server takes at once, 1 MiB"),
        standard("_NONCE", "byte", "96 bits, NIST SP 800-38D for AES-GCM"),
    ),
    beside=("_ABOUT",),
)
MEETING_HOST = Stage(
    "The register that shows a code",
    host,
    (
        chosen("LASTS_S", "s", "two people within call type it in one minute"),
        chosen("TRIES", "try", "who mistypes a code twice looks at it the third time"),
        chosen("GREETINGS", "greeting", "each costs a tenth of a second or so, and one is needed"),
        chosen("SILENT_S", "s", "a guest is silent while it takes in, and may take long"),
        chosen("ANSWER_WITHIN_S", "s", "well within what any link waits"),
        chosen("MOST_BYTES", "byte", "more than a register with its photos has"),
    ),
)
MEETING_GUEST = Stage(
    "The register that types it",
    guest,
    (chosen("PAUSES_S", "s", "half a minute in all: a hotspot is back by then"),),
)

LAST_BACKUP = Stage(
    "Age of a backup",
    lastbackup,
    (
        chosen(
            "OLD_DAYS",
            "day",
            "a week of sessions may be lost; half nags at sites that meet weekly, double loses two",
        ),
        chosen(
            "TOLD_DAYS",
            "day",
            "who comes to a session every second week reads it once, and enters what is missing",
        ),
    ),
)

DATABASE = Stage(
    "The database",
    database,
    (
        chosen(
            "PATIENCE_MS",
            "ms",
            "longer than any write here, shorter than a phone waits for its answer",
        ),
    ),
    beside=("_WRITER_LOCK", "_SERVING_LOCK"),
)

CLOCK = Stage(
    "Clocks of phones",
    phoneclock,
    (
        chosen("OLDEST", "d, h:m:s", "a photo kept longer is taken for one of a wrong clock"),
        chosen("TOLERATED", "h:m:s", "less is not worth a word"),
    ),
)

TO_COME = Stage(
    "What is dated in days to come",
    tocome,
    (derived("ZONES", "d, h:m:s", "the days of one moment in two time zones differ by one"),),
)

AHEAD = Stage(
    "Women dated in days to come",
    ahead,
    (chosen("MOST_AHEAD", "woman", "with more of them it is the clock that is wrong now"),),
)

BLOTS = Stage(
    "One blot photographed again", blots, (chosen("MOST_SIDES", "photo", "more add nothing"),)
)

CONFIRMING = Stage(
    "Confirmatory tests",
    confirmations,
    (chosen("LONGEST_GAP", "d, h:m:s", "haemoglobin may truly change in longer"),),
)

INTERVAL = Stage(
    "Interval kept beside a value",
    judging,
    (chosen("LEVEL", "1", "nine times in ten, as calibrations are made for"),),
)

DOUBTS = Stage(
    "Values that are asked about",
    doubt,
    (
        chosen("DAYS_A_MONTH", "day", "common practice, no source: 'monthly' as 30 days"),
        chosen(
            "ASKED_FROM_G_DL",
            "g/dL",
            "invented: above what pregnant women have, below where the tube's percent begin (20)",
        ),
        derived("SAME_G_DL", "g/dL", "laboratories write a tenth: half of one is rounding"),
    ),
)

ANSWERS = Stage(
    "Results that may be taken for an answer",
    openreferrals,
    (
        chosen(
            "NEAR_DAYS",
            "day",
            "invented: within a month a result and a later reading that contradict each other are "
            "more often a slip than blood that was lost since",
        ),
    ),
    beside=("TELLABLE",),
)

DAY_SHIFT = Stage(
    "Days that lie off those before",
    dayshift,
    (
        chosen("LOOKED_BACK", "reading", "some months of a place's sessions; read in no time"),
        chosen(
            "RUN_IN_DAYS",
            "day",
            "invented: two days to be held against are left of them where twice LEVEL_DAYS lie off",
        ),
        chosen("MOST_RUN_IN", "reading", "eight times LOOKED_BACK: days of 320; read in no time"),
        chosen(
            "BETWEEN_CALIBRATIONS_SD_G_DL",
            "g/dL",
            "invented: as much as days differ; a day after another calibration came into use must "
            "lie further off to be named, until that has read twenty women on two days",
        ),
        chosen(
            "LEVEL_DAYS",
            "day",
            "invented: a month of weekly sessions; by then it is the place's level",
        ),
        derived(
            "KEPT",
            "1",
            "women scatter by 1.6 g/dL, a reading by 0.65, a month brings 0.5 (from memory, and "
            "the accuracy benchmark): 1.6^2 / (1.6^2 + 0.65^2 + 0.5^2) = 0.79",
        ),
    ),
)

DAY_DOUBT = Stage(
    "Women called well on such a day",
    daydoubt,
    (
        chosen("DAYS_BACK", "day", "from one of the four visits to the next it is less"),
        chosen(
            "MOST_READINGS",
            "reading",
            "a year of a place, some weeks of many posts; read in no time",
        ),
    ),
)

COUNTS = Stage(
    "Counts of a month",
    summary,
    (
        standard(
            "FULL_TERM", "h:m:s", "40 weeks from the last period (Naegele's rule, from memory)"
        ),
    ),
)

ONCE = Stage(
    "What several registers noted",
    oncenoted,
    (chosen("ONE_BIRTH", "h:m:s", "common knowledge: no other pregnancy ends so soon"),),
)

TUBE = Stage(
    "Acid-haematin tubes",
    tube,
    (
        derived("G_DL_PER_PERCENT", "g/dL", "24 g/dL = 160 %; common practice, no source"),
        chosen("WAIT_S", "s", "common practice, no source: ten minutes"),
        chosen("SD_G_DL", "g/dL", "invented for want of a local figure"),
        chosen("LIMITS", "g/dL; percent", "common practice, no source: ends of the graduation"),
    ),
)

ENTRIES = Stage(
    "Entries",
    recording,
    (chosen("LAB_LIMITS_G_DL", "g/dL", _SLIP),),
)

VISITS = Stage(
    "Visits",
    visits,
    (
        chosen(
            "PAST_MIDNIGHT",
            "h:m:s",
            "invented: a session that began before midnight is over by then, and no other began",
        ),
    ),
)

LAB_UNITS = Stage(
    "Units of laboratory results",
    labunit,
    (
        chosen("NEWEST", "result", "as many women as a site's calibration wants at least"),
        derived("LIMITS", "of each unit", "`LAB_LIMITS_G_DL` in that unit"),
    ),
)

WOMEN = Stage(
    "Women",
    women,
    (chosen("GESTATION_WEEKS", "week", "a pregnancy rarely lasts longer"),),
)

TABLETS = Stage("Tablets", tablets, (chosen("MOST_TABLETS", "tablet", _SLIP),))

ROWS = Stage(
    "Rows of backups and tables",
    rowcheck,
    (
        derived("EARLIEST", "day", "just before a clock without battery starts, 1970"),
        chosen("LATEST", "day", "arithmetic with days far off overflows"),
        chosen("LARGEST", "any", "no quantity kept here comes near"),
    ),
)

VALUES = Stage(
    "Values typed in",
    entrylimits,
    (
        chosen(
            "HIGHEST_VISIT",
            "visit",
            "one a week over a pregnancy and more; higher is a slip of the pen",
        ),
        chosen("OLDEST_RESULT_DAYS", "day", _SLIP),
    ),
)

TABLES = Stage(
    "Tables taken in",
    labtable,
    (
        chosen(
            "MOST_ROWS",
            "row",
            "a laboratory's results of years; read at once into memory and shown row by "
            "row where faulty",
        ),
    ),
)

SEARCH = Stage(
    "Finding a woman",
    search,
    (
        chosen("MOST", "row", "what is read on a phone"),
        chosen(
            "FEW",
            "woman",
            "sorted in no time; of more, of 200,000, fifty are met among the newest 10,000",
        ),
    ),
)

PAIRS = Stage(
    "Pairs of a site",
    sitepairs,
    (
        chosen("SEVERE_G_DL", "g/dL", "the limit of severe anaemia in pregnancy"),
        chosen("HIGH_G_DL", "g/dL", "above where decisions turn"),
        derived(
            "LEAST_WOMEN",
            "woman",
            "`calibrate.workflow.LEAST_WOMEN_OF_A_SITE`: among fewer one wrong laboratory value "
            "would not show",
        ),
        derived(
            "WANTED",
            "woman, phone or day",
            "women: from there on the intervals get a factor of the site's own; severe: none "
            "missed of 35 means fewer than one in ten (Wilson); the rest ours",
        ),
    ),
)

FITS = Stage(
    "Fits of a site",
    calibrations,
    (chosen("SILENT", "h:m:s", "nine beats missed"),),
    beside=("MOST_PROBLEM",),
)

AGAIN = Stage("Judging again", rejudging, (chosen("AT_ONCE", "woman", "others write in between"),))

LISTS = Stage(
    "Lists kept",
    keptlists,
    (chosen("AT_ONCE", "woman", "a second's work; others write in between"),),
)

DAYS = Stage(
    "Visits of one day",
    days,
    (
        chosen("AT_ONCE", "woman", "a second's work; others write in between"),
        chosen("MOST_SHOWN", "day", "more are not read through; all are in the trail"),
    ),
)

JOINED = Stage(
    "Births of the joined",
    choosing,
    (
        chosen(
            "KNOWN_AGAIN",
            "h:m:s",
            "two weeks at least from a birth to another conception, six to a missed period and a "
            "test of it (common knowledge, no source)",
        ),
    ),
)

SAME_PHOTO = Stage(
    "One picture for two women",
    samephoto,
    (
        chosen(
            "LOOKED_BACK",
            "h:m:s",
            "pictures chosen by mistake are among the last; twice as long takes twice the time",
        ),
    ),
)

JUDGED_BY = Stage(
    "Values judged by another protocol",
    judgedby,
    (derived("_SAME_G_DL", "g/dL", "protocols give limits to hundredths at most"),),
    beside=("_LEAST_G_DL",),
)

CONTRADICTIONS = Stage(
    "Joined records that contradict each other",
    contradictions,
    (
        derived(
            "WEEKS_APART",
            "h:m:s",
            "weeks are told anew beyond three (American College of Obstetricians and "
            "Gynecologists, Committee Opinion 700, from memory), and both are whole weeks",
        ),
        chosen("BIRTHS_APART", "h:m:s", "as the protocols' `birth_weeks`: no child is born before"),
        chosen("LOST_UNTIL", "h:m:s", "as the protocols' `loss_weeks`"),
    ),
    beside=("_LONGEST",),
)

CARDS = Stage(
    "Registers that know each other",
    registers,
    (
        chosen("LONGEST_NAME", "character", "the name of a place, in a line"),
        chosen(
            "CODE_GROUPS",
            "group",
            "of four letters of five bits each: 100 bits, to which nobody makes another key; half "
            "is within reach of many machines",
        ),
    ),
    beside=("GROUP",),
)
HAND_OVER = Stage(
    "What is handed over at a time",
    handover,
    (
        chosen("WOMEN_A_PART", "woman", "some megabytes in memory at once, on a phone too"),
        chosen("ENTRIES_A_PART", "entry", "as much of the audit trail"),
    ),
)
SEALED = Stage(
    "The sealed file",
    parcel,
    (
        chosen("_LARGEST_HEAD", "byte", "many times what this program writes"),
        chosen("_LARGEST", "byte", "a gigabyte a part, many times what this program writes"),
    ),
    beside=("_NONCE",),
)
FITTED_IN = Stage(
    "Codes and keys that meet others",
    fitting,
    (
        derived("LONGEST_KEY", "character", "the column of the register"),
        derived("LONGEST_CODE", "character", "the column of the register"),
    ),
)

GATES = (
    ACCOUNTS, DEVICES, BACKUP, BACKUP_FILE, PHOTOS, PHOTO_STRIP, LAST_BACKUP, DATABASE, CLOCK,
    TO_COME, AHEAD, BLOTS, CONFIRMING, INTERVAL, DOUBTS, ANSWERS, DAY_SHIFT, DAY_DOUBT, COUNTS,
    ONCE, TUBE, ENTRIES, VISITS, LAB_UNITS, WOMEN,
    TABLETS, ROWS, VALUES, TABLES, SEARCH, PAIRS, FITS, AGAIN, LISTS, DAYS, JOINED,
    CONTRADICTIONS, JUDGED_BY, SAME_PHOTO, CARDS, HAND_OVER, SEALED, FITTED_IN,
    MEETING_CODES, MEETING_HOST, MEETING_GUEST,
)  # fmt: skip
