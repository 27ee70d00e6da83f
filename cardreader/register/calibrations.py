"""A site's calibrations in the register: begun, ended, put into use, taken back.

What a fit is lies elsewhere; here is who asked for it, how it ended, and which of them
photos are read with. One fit at a time, whoever asks: writers come one at a time, and a
fit that runs says so in its row every few seconds.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from cardreader.core.oneline import one_line
from cardreader.register import audit
from cardreader.register.base import utc_now
from cardreader.register.changedwomen import note_changed
from cardreader.register.kinds import FitState
from cardreader.register.models import CalibrationUse, JudgedAgain, SiteCalibration, Visit

if TYPE_CHECKING:
    from cardreader.hb.calibration import Calibration

SILENT = dt.timedelta(seconds=90)
"""A fit that has said nothing for so long has lost its server."""
STOPPED = "The server was stopped while it was fitting. Start it again."
SUPERSEDED = "another calibration came into use"
MOST_PROBLEM = 290


class BusyError(ValueError):
    """A fit is running; one at a time."""


class NotUsableError(ValueError):
    """A calibration that can't be put into use; one line says why."""


@dataclass(frozen=True)
class Made:
    """What a fit that came to its end brings."""

    calibration: Calibration
    provenance: dict[str, Any]
    report_html: str | None


def begin(session: Session, name: str, by: str | None, pairs: int) -> SiteCalibration:
    """Note that a fit begins. BusyError where one is running."""
    end_silent(session)
    running = select(SiteCalibration.id).where(SiteCalibration.state == FitState.FITTING)
    if session.scalars(running).first() is not None:
        raise BusyError("a calibration is being fitted")
    now = utc_now()
    row = SiteCalibration(
        name=name, state=FitState.FITTING.value, begun_at=now, begun_by=by, beat_at=now
    )
    session.add(row)
    session.flush()
    audit.append(session, "calibration.fit", row.id, by, pairs=pairs)
    return row


def beat(session: Session, calibration_id: str) -> bool:
    """Say that the fit goes on; False when it was given up for lost."""
    mine = (SiteCalibration.id == calibration_id, SiteCalibration.state == FitState.FITTING)
    done = session.execute(update(SiteCalibration).where(*mine).values(beat_at=utc_now()))
    return bool(done.rowcount)  # type: ignore[attr-defined]


def end_silent(session: Session) -> None:
    """Fits whose server is gone have failed."""
    silent = select(SiteCalibration).where(
        SiteCalibration.state == FitState.FITTING, SiteCalibration.beat_at < utc_now() - SILENT
    )
    for row in session.scalars(silent):
        _fail(session, row, STOPPED)


def finish(session: Session, calibration_id: str, made: Made) -> None:
    """Keep what a fit made; nothing where it was given up for lost meanwhile."""
    row = _running(session, calibration_id)
    if row is None:
        return
    given, found = made.calibration, made.provenance
    row.state, row.ended_at = FitState.READY.value, utc_now()
    row.name, row.chain, row.sha256 = given.id, given.chain, given.sha256
    row.n_pairs, row.n_women = given.n_pairs, int(found.get("women") or 0)
    row.verdict, row.fit_for_use = found.get("verdict"), _fit_for_use(found)
    row.model, row.provenance = given.as_json(), found
    row.report = None if made.report_html is None else {"html": made.report_html}
    session.flush()
    audit.append(session, "calibration.made", row.id, row.begun_by, sha256=row.sha256)


def fail(session: Session, calibration_id: str, problem: str) -> None:
    """Note why a fit came to nothing."""
    row = _running(session, calibration_id)
    if row is not None:
        _fail(session, row, problem)


def _running(session: Session, calibration_id: str) -> SiteCalibration | None:
    row = session.get(SiteCalibration, calibration_id)
    return row if row is not None and row.state == FitState.FITTING else None


def _fail(session: Session, row: SiteCalibration, problem: str) -> None:
    row.state, row.ended_at = FitState.FAILED.value, utc_now()
    row.problem = one_line(problem, MOST_PROBLEM)
    session.flush()
    audit.append(session, "calibration.failed", row.id, row.begun_by)


def _fit_for_use(provenance: dict[str, Any]) -> bool | None:
    """By the verdict's criteria; None where there is none, or the study was too small."""
    met = [criterion.get("met") for criterion in provenance.get("criteria") or ()]
    if False in met:
        return False
    return None if not met or None in met else True


def all_made(session: Session) -> list[SiteCalibration]:
    """All that were ever begun, the newest first."""
    return list(session.scalars(select(SiteCalibration).order_by(SiteCalibration.begun_at.desc())))


def calibration_of(row: SiteCalibration) -> Calibration:
    """The numbers of a calibration that is ready.

    Raises CalibrationError where they are damaged, or of another measuring chain.
    """
    # Where none is in use no start needs what reads calibrations.
    from cardreader.hb.calibration import Calibration
    from cardreader.hb.calibrationnumbers import CalibrationError
    from cardreader.hb.plausible import must_be_plausible

    if row.model is None:
        raise CalibrationError(f"calibration {row.name} has no numbers")
    made = Calibration.of_json(row.model)
    must_be_plausible(made)
    if made.sha256 != row.sha256:
        raise CalibrationError(f"calibration {row.name} is not as it was made")
    made.must_be_of_this_chain()
    return made


# --- which is in use -------------------------------------------------------------------


def in_use(session: Session) -> CalibrationUse | None:
    """The use that holds; None before any was put into use."""
    newest = select(CalibrationUse).order_by(CalibrationUse.number.desc()).limit(1)
    return session.scalars(newest).first()


def all_uses(session: Session) -> list[CalibrationUse]:
    """All uses, the newest first."""
    return list(session.scalars(select(CalibrationUse).order_by(CalibrationUse.number.desc())))


def put_into_use(
    session: Session, calibration: SiteCalibration | None, reason: str, by: str | None
) -> CalibrationUse:
    """Read photos with a calibration from now on; with None by what the server was started with.

    NotUsableError for one that is not ready, damaged, or in use already.
    """
    from cardreader.hb.calibrationnumbers import CalibrationError

    now = in_use(session)
    wanted = None if calibration is None else calibration.id
    if wanted == (None if now is None else now.calibration_id):
        raise NotUsableError("it is in use already")
    if calibration is not None:
        if calibration.state != FitState.READY:
            raise NotUsableError("it is not ready")
        try:
            calibration_of(calibration)
        except CalibrationError as error:
            raise NotUsableError(str(error)) from None
    number = session.scalar(select(func.max(CalibrationUse.number))) or 0
    use = CalibrationUse(
        number=number + 1, calibration=calibration, since=utc_now(), put_by=by, reason=reason
    )
    session.add(use)
    # What the one before would have decided otherwise is no longer asked.
    asked = JudgedAgain.settled_at.is_(None)
    women = select(Visit.woman_id).join(JudgedAgain, JudgedAgain.visit_id == Visit.id)
    note_changed(session, session.scalars(women.where(asked)))
    session.execute(
        update(JudgedAgain).where(asked).values(settled_at=utc_now(), settled_why=SUPERSEDED)
    )
    session.flush()
    audit.append(session, "calibration.use", use.id, by, calibration=wanted, reason=reason)
    return use


def one_before(session: Session) -> CalibrationUse | None:
    """The last use of another calibration than the present one; None where there was none.

    Before the first use that is what the server was started with.
    """
    uses = all_uses(session)
    other = (use for use in uses if use.calibration_id != uses[0].calibration_id)
    return next(other, None)


def go_back(session: Session, reason: str, by: str | None) -> CalibrationUse:
    """Put the one before into use again. NotUsableError where nothing was put into use."""
    now = in_use(session)
    if now is None:
        raise NotUsableError("nothing was put into use yet")
    before = one_before(session)
    return put_into_use(session, None if before is None else before.calibration, reason, by)
