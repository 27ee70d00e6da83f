"""Taking in one photo: found before, read, kept, entered."""

from __future__ import annotations

import datetime as dt
import hashlib
from contextlib import suppress
from dataclasses import dataclass

from sqlalchemy.orm import Session

from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.subject import Subject
from cardreader.read.phonenote import original_sha256
from cardreader.register import audit
from cardreader.register.base import local_day, utc_now
from cardreader.register.blots import earlier_sides, last_photographed
from cardreader.register.closing import BeforeBirthError, tell_weeks
from cardreader.register.dayvisits import lead_of
from cardreader.register.doubt import refer_if_result_doubted
from cardreader.register.history import measurements
from cardreader.register.knownby import DoubtedWeeksError, woman_meant
from cardreader.register.merge.contradictions import WEEKS_APART
from cardreader.register.models import Reading, Visit, Woman
from cardreader.register.phoneclock import TakenAt, taken_at
from cardreader.register.photostore import PhotoStoreError
from cardreader.register.photostrip import NotStrippedError, stripped
from cardreader.register.recording import record_photo, subject_of
from cardreader.register.samephoto import ask_if_known, note_known
from cardreader.register.submissions import KeyReusedError, find_submission
from cardreader.register.visits import open_visit, visit_of_photo
from cardreader.register.women import add_woman
from cardreader.web.reader import PhotoResult
from cardreader.web.state import Picture, State


class UnknownVisitError(LookupError):
    """The visit is not there."""


class UnknownReadingError(LookupError):
    """The reading is not there."""


class NotTheOriginalError(ValueError):
    """Not the file that a kept photo was made smaller from, or no photos are kept."""


@dataclass(frozen=True)
class ForVisit:
    """The photo belongs to a visit that is open on the server."""

    visit_id: str


@dataclass(frozen=True)
class ForCode:
    """The photo was taken with the server out of reach: the woman by her code.

    ``code_meant``: somebody was asked, and she is meant who has the code now, or who gets it.
    """

    code: str
    visit_number: int
    gestation_weeks: int | None = None
    code_meant: bool = False


@dataclass(frozen=True)
class Taken:
    """A photo that is entered; ``replayed`` when it was already."""

    reading_id: str
    visit_id: str
    replayed: bool


def take_photo(
    state: State,
    target: ForVisit | ForCode,
    key: str,
    data: bytes,
    told: dt.datetime | None,
    by: str,
    same_blot: bool = False,
    known_photo: bool = False,
    sent: dt.datetime | None = None,
    clock_moved: bool = False,
) -> Taken:
    """Read a photo and enter it once.

    ``told``: when it was taken by the phone's clock, None for now; ``sent``: what that
    clock showed when it sent. The server's clock rules where it knows, save where the phone's
    was set anew meanwhile (``clock_moved``).

    ``same_blot``: the blot of the photo before from another side. The two are read as one
    while the earlier one is still in memory or kept; else the new one stands for the blot.

    Raises UnknownVisitError, KeyReusedError, or ValueError for a code that is none; and
    KnownPhotoError for a file entered under another visit, unless ``known_photo`` says
    that it is meant; and DoubtedCodeError or DoubtedWeeksError for a code that may be another
    woman's, unless the target says that it is meant.
    Reading runs outside the transaction, so others can write meanwhile.
    """
    sha256 = hashlib.sha256(data).hexdigest()
    if (earlier := _replay(state, key, sha256)) is not None:
        return earlier
    hashes = frozenset({sha256, original_sha256(data) or sha256})
    photo = _Photo(key, hashes, by, same_blot, known_photo)
    now = utc_now()
    with state.database.write() as session:
        visit, taken = _visit_and_time(session, target, told, sent, clock_moved, now, by)
        if same_blot:
            visit = last_photographed(visit)
        else:
            visit = visit_of_photo(session, visit, taken.at, by)
        if not known_photo:
            ask_if_known(session, hashes, visit.id)
        subject = subject_of(visit.woman, visit.on, state.settings.elevation_m)
        sides = _other_sides(state, visit, sha256) if same_blot else []
        entry = _Entry(visit.id, taken, subject)
    with state.reading_slots:
        if sides:
            result = state.reader.read_same_blot([data, *sides], subject)
        else:
            result = state.reader.read(data, subject)
    kept, replayed = _keep(state, data), True
    try:
        reading_id, replayed = _enter(state, photo, entry, result, kept)
    finally:
        # Lost the race against the same photo, or failed: the file belongs to nothing.
        if kept is not None and state.photos is not None and replayed:
            state.photos.remove(kept)
    if not replayed:
        state.recent.put(reading_id, data, len(data))
        if result.picture is not None:
            picture = Picture(result.picture, result.picture_type)
            state.pictures.put(reading_id, picture, len(result.picture))
    return Taken(reading_id, entry.visit_id, replayed)


@dataclass(frozen=True)
class _Photo:
    """A photo as it was sent; ``hashes``: of the file, and of the one it was made smaller from."""

    key: str
    hashes: frozenset[str]
    by: str
    same_blot: bool
    known_photo: bool


@dataclass(frozen=True)
class _Entry:
    """For which visit it is entered, when it was taken, and of whom."""

    visit_id: str
    taken: TakenAt
    subject: Subject


def _enter(
    state: State, photo: _Photo, entry: _Entry, result: PhotoResult, kept: str | None
) -> tuple[str, bool]:
    """Enter a photo that was read; the reading's id, and whether it had been entered before."""
    with state.database.write() as session:
        visit = session.get(Visit, entry.visit_id)
        if visit is None:  # her record was deleted while the photo was read
            raise UnknownVisitError(entry.visit_id)
        known = find_submission(session, photo.key) is not None
        # Another calibration may have come into use while this one was read.
        facts = state.reader.as_of_now(result.facts, entry.subject)
        if not known and not photo.known_photo:
            ask_if_known(session, photo.hashes, visit.id)  # entered while this one was read
        reading = record_photo(
            session,
            visit,
            photo.key,
            facts,
            entry.taken,
            photo.by,
            state.reader.combine,
            entry.subject,
            photo_file=kept,
            same_blot=photo.same_blot,
        )
        if not known:
            _ask_of_result(session, visit, state.rules, photo.by)
        if not known and photo.known_photo:
            note_known(session, reading, photo.by)
        return reading.id, known


def _ask_of_result(session: Session, visit: Visit, rules: FollowUpRules, by: str) -> None:
    """Of a photo that came in after a laboratory result: whether both can be right."""
    shown = lead_of(visit)
    for point in measurements(visit.woman):
        if point.visit_id == shown.id and not point.confirmed:
            refer_if_result_doubted(session, visit.woman, point, rules, by)


def _other_sides(state: State, visit: Visit, sha256: str) -> list[bytes]:
    """The photos taken before of the visit's last blot, as far as they are still there."""
    found = (
        state.recent.get(r.id) or _kept_or_none(state, r) for r in earlier_sides(visit, sha256)
    )
    return [data for data in found if data is not None]


def _kept_or_none(state: State, reading: Reading) -> bytes | None:
    try:
        return photo_bytes(state, reading)
    except PhotoStoreError:  # its file is gone or damaged: the new photo is read alone
        return None


def _replay(state: State, key: str, sha256: str) -> Taken | None:
    with state.database.read() as session:
        reading = find_submission(session, key)
        if reading is None:
            return None
        if reading.photo_sha256 != sha256 or reading.visit_id is None:
            raise KeyReusedError("this submission key was used for something else")
        return Taken(reading.id, reading.visit_id, replayed=True)


def _visit_and_time(
    session: Session,
    target: ForVisit | ForCode,
    told: dt.datetime | None,
    sent: dt.datetime | None,
    moved: bool,
    now: dt.datetime,
    by: str,
) -> tuple[Visit, TakenAt]:
    if isinstance(target, ForVisit):
        visit = session.get(Visit, target.visit_id)
        if visit is None:
            raise UnknownVisitError(target.visit_id)
        return visit, taken_at(told, sent, now, visit.opened_at, moved)
    taken = taken_at(told, sent, now, moved=moved)
    day = local_day(taken.at)
    weeks = target.gestation_weeks
    woman = woman_meant(session, target.code, taken.at, target.code_meant)
    if woman is None:
        woman = add_woman(session, target.code, weeks, day, by)
    elif weeks is not None:
        _take_weeks(session, woman, weeks, day, by, target.code_meant)
    return open_visit(session, woman, target.visit_number, day, by), taken


def _take_weeks(
    session: Session, woman: Woman, weeks: int, day: dt.date, by: str, sure: bool
) -> None:
    """Note weeks typed with a photo that waited, where hers aren't known.

    They were typed without the register in view: DoubtedWeeksError where they are those of another
    pregnancy, and so the code mostly another woman's, unless ``sure``.
    """
    known = woman.gestation_at(day)
    if known is None:
        with suppress(BeforeBirthError):  # nobody is there to be asked
            tell_weeks(session, woman, weeks, day, by)
    elif not sure and dt.timedelta(weeks=abs(weeks - known)) >= WEEKS_APART:
        raise DoubtedWeeksError(woman.code, known, weeks)


def _keep(state: State, data: bytes) -> str | None:
    """Keep the photo without place and serial numbers; the reading has the sent file's hash.

    A file that they can't be taken out of isn't kept.
    """
    if state.photos is None:
        return None
    try:
        return state.photos.put(stripped(data))
    except NotStrippedError:
        return None


def keep_original(state: State, reading_id: str, data: bytes, by: str) -> None:
    """Keep the original of a photo that was sent smaller, in the smaller one's place.

    The reading stays: it is of the smaller photo, and says so.
    Raises UnknownReadingError, NotTheOriginalError.
    """
    with state.database.read() as session:
        reading = session.get(Reading, reading_id)
        if reading is None:
            raise UnknownReadingError(reading_id)
        photo = (reading.detail or {}).get("photo") or {}
        smaller = photo.get("card_part") or photo.get("reduced") or {}
    sha256 = hashlib.sha256(data).hexdigest()
    if smaller.get("original_sha256") != sha256 or (kept := _keep(state, data)) is None:
        raise NotTheOriginalError(reading_id)
    replaced = None
    try:
        with state.database.write() as session:
            reading = session.get_one(Reading, reading_id)
            before, reading.photo_file = reading.photo_file, kept
            audit.append(session, "photo.original", reading.id, by, sha256=sha256)
        replaced = before
        kept = None
    finally:
        for name in (replaced, kept):
            if name is not None and state.photos is not None:
                state.photos.remove(name)


def photo_bytes(state: State, reading: Reading) -> bytes | None:
    """A kept photo, or None where it isn't kept."""
    if state.photos is None or reading.photo_file is None:
        return None
    return state.photos.get(reading.photo_file)
