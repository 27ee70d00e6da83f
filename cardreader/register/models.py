"""Tables of the register.

A woman is known by a pseudonymous code alone: no name, no address, no birth
date.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from sqlalchemy import ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from cardreader.decide.subject import LONGEST_GESTATION_WEEKS
from cardreader.register.base import Base, new_id, utc_now
from cardreader.register.kinds import Purpose


class Account(Base):
    """A person who may sign in."""

    __tablename__ = "account"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(60), unique=True)
    role: Mapped[str] = mapped_column(String(20))
    password_hash: Mapped[str] = mapped_column(String(200))
    language: Mapped[str | None] = mapped_column(String(10))
    disabled: Mapped[bool] = mapped_column(default=False)
    # The register whose person it is; null for a person of this one.
    home_id: Mapped[str | None] = mapped_column(String(36))
    created_at: Mapped[dt.datetime] = mapped_column(default=utc_now)


class SignIn(Base):
    """One signed-in browser. Only a hash of its token is kept."""

    __tablename__ = "sign_in"
    token_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    account_id: Mapped[str] = mapped_column(ForeignKey("account.id", ondelete="CASCADE"))
    csrf: Mapped[str] = mapped_column(String(64))
    started_at: Mapped[dt.datetime]
    seen_at: Mapped[dt.datetime]
    account: Mapped[Account] = relationship(lazy="joined")


class Device(Base):
    """A browser on which a PIN stands for its owner's password; tokens are kept as hashes."""

    __tablename__ = "device"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)
    account_id: Mapped[str] = mapped_column(ForeignKey("account.id", ondelete="CASCADE"))
    pin_hash: Mapped[str] = mapped_column(String(200))
    wrong_tries: Mapped[int] = mapped_column(default=0)
    made_at: Mapped[dt.datetime]
    # When the password was last given on it: a PIN is good for a time after that.
    password_at: Mapped[dt.datetime]
    account: Mapped[Account] = relationship(lazy="joined")


class Woman(Base):
    """A woman in antenatal care, by pseudonymous code."""

    __tablename__ = "woman"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    code: Mapped[str] = mapped_column(String(24), unique=True)
    # Gestation is kept as weeks on a day: what the worker is told, not what we infer from it.
    gestation_weeks: Mapped[int | None]
    gestation_on: Mapped[dt.date | None]
    smoking: Mapped[str | None] = mapped_column(String(12))
    added_at: Mapped[dt.datetime] = mapped_column(default=utc_now, index=True)
    added_by: Mapped[str | None] = mapped_column(ForeignKey("account.id", ondelete="SET NULL"))
    closed_on: Mapped[dt.date | None]
    closed_reason: Mapped[str | None] = mapped_column(String(20))
    # Since when she is followed here again, after her record was closed.
    followed_from: Mapped[dt.date | None]
    birth_on: Mapped[dt.date | None]
    birth_outcome: Mapped[str | None] = mapped_column(String(20))
    # What her records, or registers, contradict each other in, parted by commas. Worked out by
    # each register, and never handed over.
    contradicts: Mapped[str | None] = mapped_column(String(60))

    visits: Mapped[list[Visit]] = relationship(
        back_populates="woman", cascade="all, delete-orphan", order_by="Visit.on"
    )
    readings: Mapped[list[Reading]] = relationship(
        back_populates="woman", cascade="all, delete-orphan", order_by="Reading.taken_at"
    )
    referrals: Mapped[list[Referral]] = relationship(
        back_populates="woman", cascade="all, delete-orphan", order_by="Referral.opened_at"
    )
    treatments: Mapped[list[Treatment]] = relationship(
        back_populates="woman", cascade="all, delete-orphan", order_by="Treatment.started_on"
    )
    events: Mapped[list[Event]] = relationship(
        back_populates="woman", cascade="all, delete-orphan", order_by="Event.entered_at"
    )

    def has_given_birth(self, day: dt.date) -> bool:
        """Whether her pregnancy had ended by ``day``."""
        return self.birth_on is not None and self.birth_on <= day

    @property
    def pregnancy_in_doubt(self) -> bool:
        """Whether her records tell of pregnancies that can't both be so; nobody decided yet."""
        return "pregnancy" in (self.contradicts or "").split(",")

    def gestation_at(self, day: dt.date) -> int | None:
        """Completed weeks of gestation on ``day``; None when unknown, past 45 weeks, or over."""
        if self.has_given_birth(day):
            return None
        return weeks_at(self.gestation_weeks, self.gestation_on, day)


def weeks_at(weeks: int | None, on: dt.date | None, day: dt.date) -> int | None:
    """Completed weeks on a day, as told on another; None when unknown, or outside 0 to 45."""
    if weeks is None or on is None:
        return None
    weeks += (day - on).days // 7
    return weeks if 0 <= weeks <= LONGEST_GESTATION_WEEKS else None


class _Result:
    """What the photos of a visit come to together; null until one could be read."""

    # Behind the columns of the class it is mixed into: as the tables have them.
    hb_g_dl: Mapped[float | None] = mapped_column(sort_order=1)
    low_g_dl: Mapped[float | None] = mapped_column(sort_order=1)
    high_g_dl: Mapped[float | None] = mapped_column(sort_order=1)
    sd_g_dl: Mapped[float | None] = mapped_column(sort_order=1)
    band: Mapped[str | None] = mapped_column(String(30), sort_order=1)
    result: Mapped[dict[str, Any] | None] = mapped_column(sort_order=1)


class Visit(_Result, Base):
    """One contact with a woman; several blots of one visit make one result."""

    __tablename__ = "visit"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    woman_id: Mapped[str] = mapped_column(ForeignKey("woman.id", ondelete="CASCADE"), index=True)
    number: Mapped[int]
    on: Mapped[dt.date]
    opened_by: Mapped[str | None] = mapped_column(ForeignKey("account.id", ondelete="SET NULL"))
    opened_at: Mapped[dt.datetime] = mapped_column(default=utc_now)

    woman: Mapped[Woman] = relationship(back_populates="visits")
    # What a month counts, so that its rows need not be read.
    __table_args__ = (Index("ix_visit_month", "on", "band"),)
    readings: Mapped[list[Reading]] = relationship(
        back_populates="visit", order_by="Reading.taken_at"
    )
    judged_again: Mapped[list[JudgedAgain]] = relationship(
        back_populates="visit", cascade="all, delete-orphan", order_by="JudgedAgain.at"
    )
    # None for most: she had one visit that day. Written and removed by `sameday` alone.
    joined: Mapped[JoinedVisit | None] = relationship(lazy="joined", viewonly=True)


class JoinedVisit(_Result, Base):
    """A visit that is one with others of its woman and day: entered at several registers.

    ``lead_id`` is the visit that they are shown as; its row holds the result of the blots of
    all. Worked out by each register and never handed over: the visits' own rows stay as they
    are. ``made_of`` is a hash of what the result was made of.
    """

    __tablename__ = "joined_visit"
    visit_id: Mapped[str] = mapped_column(
        ForeignKey("visit.id", ondelete="CASCADE"), primary_key=True
    )
    lead_id: Mapped[str] = mapped_column(String(36), index=True)
    # As in the visit: a month finds these few by it, without the rows of all its visits.
    on: Mapped[dt.date]
    made_of: Mapped[str] = mapped_column(String(64))
    joined_at: Mapped[dt.datetime] = mapped_column(default=utc_now)


class Reading(Base):
    """One photo, tube or laboratory value. Never changed; a mistake is set aside."""

    __tablename__ = "reading"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    submission_key: Mapped[str] = mapped_column(String(64), unique=True)
    woman_id: Mapped[str] = mapped_column(ForeignKey("woman.id", ondelete="CASCADE"), index=True)
    visit_id: Mapped[str | None] = mapped_column(
        ForeignKey("visit.id", ondelete="CASCADE"), index=True
    )
    source: Mapped[str] = mapped_column(String(10))
    taken_at: Mapped[dt.datetime]
    # The phone's own word on when, and how far its clock was behind the server's (seconds);
    # null where it didn't say what its clock showed when it sent.
    phone_taken_at: Mapped[dt.datetime | None]
    clock_behind_s: Mapped[float | None]
    hb_g_dl: Mapped[float | None]
    low_g_dl: Mapped[float | None]
    high_g_dl: Mapped[float | None]
    sd_g_dl: Mapped[float | None]
    band: Mapped[str | None] = mapped_column(String(30))
    refusal: Mapped[str | None] = mapped_column(String(40))
    lot_id: Mapped[str | None] = mapped_column(String(20))
    phone: Mapped[str | None] = mapped_column(String(80))
    method: Mapped[str | None] = mapped_column(String(80))
    place: Mapped[str | None] = mapped_column(String(80))
    # Photos of one blot share its number within the visit; blot scatter averages only over blots.
    blot: Mapped[int | None]
    # The first photo of its blot: two registers may give two blots of a visit one number. Null
    # in entries of before this was kept; those are told apart by number.
    blot_id: Mapped[str | None] = mapped_column(String(36))
    # Batch of the blotting paper that was in use, where somebody had said which.
    paper: Mapped[str | None] = mapped_column(String(40))
    photo_sha256: Mapped[str | None] = mapped_column(String(64), index=True)
    photo_file: Mapped[str | None] = mapped_column(String(80))
    detail: Mapped[dict[str, Any] | None]
    entered_by: Mapped[str | None] = mapped_column(ForeignKey("account.id", ondelete="SET NULL"))
    entered_at: Mapped[dt.datetime] = mapped_column(default=utc_now)
    set_aside_at: Mapped[dt.datetime | None]
    set_aside_why: Mapped[str | None] = mapped_column(String(200))

    woman: Mapped[Woman] = relationship(back_populates="readings")
    __table_args__ = (
        Index(
            "ix_reading_month",
            *("taken_at", "set_aside_at", "source", "refusal", "lot_id", "hb_g_dl"),
        ),
    )
    visit: Mapped[Visit | None] = relationship(back_populates="readings")


class Referral(Base):
    """A woman sent for a test or for care; open until it is answered.

    ``hb_g_dl`` is null, and ``band`` says not read, where a photo could not be read.
    """

    __tablename__ = "referral"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    woman_id: Mapped[str] = mapped_column(ForeignKey("woman.id", ondelete="CASCADE"), index=True)
    purpose: Mapped[str] = mapped_column(String(10), default=Purpose.TEST.value)
    band: Mapped[str] = mapped_column(String(30))
    hb_g_dl: Mapped[float | None]
    low_g_dl: Mapped[float | None]
    high_g_dl: Mapped[float | None]
    urgent: Mapped[bool]
    source: Mapped[str] = mapped_column(String(10))
    opened_at: Mapped[dt.datetime] = mapped_column(index=True)
    opened_by: Mapped[str | None] = mapped_column(ForeignKey("account.id", ondelete="SET NULL"))
    opening_reading_id: Mapped[str | None] = mapped_column(
        ForeignKey("reading.id", ondelete="SET NULL")
    )
    # What became of it; an outcome may be told while it stays open.
    outcome: Mapped[str | None] = mapped_column(String(20))
    closed_at: Mapped[dt.datetime | None] = mapped_column(index=True)
    closing_reading_id: Mapped[str | None] = mapped_column(
        ForeignKey("reading.id", ondelete="SET NULL")
    )
    woman: Mapped[Woman] = relationship(back_populates="referrals")


class Treatment(Base):
    """Iron-folic acid as the facility prescribed it; the register only remembers."""

    __tablename__ = "treatment"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    woman_id: Mapped[str] = mapped_column(ForeignKey("woman.id", ondelete="CASCADE"), index=True)
    regimen: Mapped[str] = mapped_column(String(20))
    started_on: Mapped[dt.date]
    ended_on: Mapped[dt.date | None]
    woman: Mapped[Woman] = relationship(back_populates="treatments")


class Event(Base):
    """Something that happened to a woman beside her readings; a mistake is set aside.

    ``choice`` is the reason or outcome chosen, ``amount`` a number of tablets, ``words``
    what was written down: a reason or a place, never a name.
    """

    __tablename__ = "event"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    woman_id: Mapped[str] = mapped_column(ForeignKey("woman.id", ondelete="CASCADE"), index=True)
    referral_id: Mapped[str | None] = mapped_column(ForeignKey("referral.id", ondelete="CASCADE"))
    reading_id: Mapped[str | None] = mapped_column(ForeignKey("reading.id", ondelete="SET NULL"))
    kind: Mapped[str] = mapped_column(String(30))
    on: Mapped[dt.date] = mapped_column(index=True)
    choice: Mapped[str | None] = mapped_column(String(20))
    amount: Mapped[int | None]
    words: Mapped[str | None] = mapped_column(String(200))
    entered_by: Mapped[str | None] = mapped_column(ForeignKey("account.id", ondelete="SET NULL"))
    entered_at: Mapped[dt.datetime] = mapped_column(default=utc_now)
    set_aside_at: Mapped[dt.datetime | None]
    woman: Mapped[Woman] = relationship(back_populates="events")


class PaperBatch(Base):
    """The batch of blotting paper in use from a time on; the newest row holds."""

    __tablename__ = "paper_batch"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(40))
    since: Mapped[dt.datetime]
    entered_by: Mapped[str | None] = mapped_column(ForeignKey("account.id", ondelete="SET NULL"))


class SiteCalibration(Base):
    """A calibration made of the register's own pairs. Its numbers are never changed.

    ``beat_at`` is renewed while it is being fitted: a fit whose server was stopped is
    known by its silence. ``fit_for_use`` is null where the study is too small to say.
    """

    __tablename__ = "site_calibration"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(100))
    state: Mapped[str] = mapped_column(String(10))
    begun_at: Mapped[dt.datetime]
    begun_by: Mapped[str | None] = mapped_column(ForeignKey("account.id", ondelete="SET NULL"))
    beat_at: Mapped[dt.datetime]
    ended_at: Mapped[dt.datetime | None]
    problem: Mapped[str | None] = mapped_column(String(300))
    n_pairs: Mapped[int | None]
    n_women: Mapped[int | None]
    chain: Mapped[str | None] = mapped_column(String(40))
    sha256: Mapped[str | None] = mapped_column(String(64))
    verdict: Mapped[str | None] = mapped_column(Text)
    fit_for_use: Mapped[bool | None]
    # Large, and asked for one at a time.
    model: Mapped[dict[str, Any] | None] = mapped_column(deferred=True)
    provenance: Mapped[dict[str, Any] | None] = mapped_column(deferred=True)
    report: Mapped[dict[str, Any] | None] = mapped_column(deferred=True)


class CalibrationUse(Base):
    """From when on which calibration read photos, by whom and why; the last number holds.

    ``calibration_id`` is null for the calibration that the server was started with.
    ``judged_at``: when all kept readings had been judged again by it.
    """

    __tablename__ = "calibration_use"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    number: Mapped[int] = mapped_column(unique=True)
    calibration_id: Mapped[str | None] = mapped_column(ForeignKey("site_calibration.id"))
    since: Mapped[dt.datetime]
    put_by: Mapped[str | None] = mapped_column(ForeignKey("account.id", ondelete="SET NULL"))
    reason: Mapped[str] = mapped_column(String(200))
    judged_at: Mapped[dt.datetime | None]
    calibration: Mapped[SiteCalibration | None] = relationship(lazy="joined")


class JudgedAgain(Base):
    """A visit whose kept photos, judged again by another calibration, ask for another decision.

    ``was`` and ``outcome`` are what it came to before and comes to now.
    """

    __tablename__ = "judged_again"
    id: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_id)
    use_id: Mapped[str] = mapped_column(ForeignKey("calibration_use.id", ondelete="CASCADE"))
    visit_id: Mapped[str] = mapped_column(ForeignKey("visit.id", ondelete="CASCADE"), index=True)
    at: Mapped[dt.datetime]
    was: Mapped[str] = mapped_column(String(30))
    outcome: Mapped[str] = mapped_column(String(30))
    may_be_severe: Mapped[bool]
    hb_g_dl: Mapped[float | None]
    low_g_dl: Mapped[float | None]
    high_g_dl: Mapped[float | None]
    settled_at: Mapped[dt.datetime | None]
    settled_by: Mapped[str | None] = mapped_column(ForeignKey("account.id", ondelete="SET NULL"))
    settled_why: Mapped[str | None] = mapped_column(String(200))
    visit: Mapped[Visit] = relationship(back_populates="judged_again")


class LastJudged(Base):
    """What the register's server last judged by: one row, none before a server ran on it.

    ``protocol_text`` is the file of a protocol of one's own; null for a shipped one.
    """

    __tablename__ = "last_judged"
    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    protocol_id: Mapped[str] = mapped_column(String(64))
    protocol_text: Mapped[str | None] = mapped_column(Text)
    elevation_m: Mapped[float | None]


class AuditEntry(Base):
    """Who did what and when. Append only: triggers refuse change and deletion."""

    __tablename__ = "audit_entry"
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    at: Mapped[dt.datetime]
    account_id: Mapped[str | None] = mapped_column(String(36))
    action: Mapped[str] = mapped_column(String(40))
    subject: Mapped[str] = mapped_column(String(80))
    detail: Mapped[str] = mapped_column(Text)
    previous_hash: Mapped[str] = mapped_column(String(64), unique=True)
    hash: Mapped[str] = mapped_column(String(64), unique=True)
