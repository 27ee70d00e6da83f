"""What was read of a woman and still asks for a test. Nothing is written here.

Entries come in any order: from paper days later, from a phone that was out of reach, from
another register. What still asks follows from when things were taken, never from when they
came in, so that nothing older hides what is newer.
"""

from __future__ import annotations

import datetime as dt

from cardreader.register.blots import all_blots
from cardreader.register.dayvisits import lead_of, members
from cardreader.register.history import Measurement, certain_at, counts, measurements
from cardreader.register.judging import TO_CONFIRM
from cardreader.register.kinds import Source
from cardreader.register.models import Reading, Visit, Woman
from cardreader.register.tocome import answers


def answered(woman: Woman, at: dt.datetime) -> bool:
    """Whether a laboratory result was taken after a time."""
    return any(p.confirmed and answers(p.at, at) for p in measurements(woman))


def asking(woman: Woman) -> list[Measurement]:
    """Her screening values that ask for a test and have no laboratory result after them."""
    points = measurements(woman)
    results = [p.at for p in points if p.confirmed]
    return [
        p
        for p in points
        if not p.confirmed
        and p.outcome in TO_CONFIRM
        and not any(answers(at, p.certain_at) for at in results)
    ]


def unread(woman: Woman) -> list[Reading]:
    """Her refused photos that ask for a test: nothing of their visit could be read, and no value
    was taken after them."""
    points = measurements(woman)
    return [
        r
        for r in woman.readings
        if r.refusal is not None
        and r.set_aside_at is None
        and not (r.visit is not None and _was_read(r.visit))
        and not any(_settles(p, r) for p in points)
    ]


def last_result(woman: Woman) -> Measurement | None:
    """Her newest laboratory result."""
    return next((p for p in reversed(measurements(woman)) if p.confirmed), None)


def came_in_after(woman: Woman, point: Measurement, at: dt.datetime) -> bool:
    """Whether a value, or a photo of it, was entered after a time."""
    return any(r.entered_at > at for r in readings_of(woman, point))


def readings_of(woman: Woman, point: Measurement) -> list[Reading]:
    """The readings that a value is made of: one, or the photos of a visit."""
    return [r for r in woman.readings if _is_of(r, point)]


def _is_of(reading: Reading, point: Measurement) -> bool:
    if point.reading_id is not None:
        return reading.id == point.reading_id
    if reading.source != Source.PHOTO or reading.visit is None:
        return False
    return lead_of(reading.visit).id == point.visit_id


def _settles(point: Measurement, photo: Reading) -> bool:
    if point.confirmed:
        return answers(point.at, certain_at(photo))
    return point.at >= photo.taken_at and point.certain_at >= certain_at(photo)


def _was_read(visit: Visit) -> bool:
    entered = (r for one in members(visit) for r in one.readings)
    others = (r for r in entered if r.source != Source.PHOTO)
    return bool(all_blots(visit)) or any(counts(r) for r in others)
