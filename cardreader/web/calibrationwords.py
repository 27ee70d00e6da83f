"""Which calibration reads, since when, and of how many pairs: the line on a worker's screens."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.calibrations import in_use
from cardreader.register.models import CalibrationUse, SiteCalibration
from cardreader.web import texts
from cardreader.web.texts import gettext as _


def in_use_words(session: Session) -> str:
    """Of the calibration in use."""
    use = in_use(session)
    if use is None or use.calibration is None:
        return _("No calibration of this place's own is in use.")
    return _use_words(use.calibration, use)


def read_by_words(session: Session, detail: dict[str, Any] | None) -> str:
    """Of the calibration that a photo was read by; empty where it is none of this place's."""
    sha256 = ((detail or {}).get("calibration") or {}).get("sha256")
    if not sha256:
        return ""
    own = select(SiteCalibration).where(SiteCalibration.sha256 == sha256)
    row = session.scalars(own).first()
    if row is None:
        return ""
    uses = select(CalibrationUse).where(CalibrationUse.calibration_id == row.id)
    use = session.scalars(uses.order_by(CalibrationUse.number.desc())).first()
    return "" if use is None else _use_words(row, use)


def _use_words(row: SiteCalibration, use: CalibrationUse) -> str:
    said = _("Calibration %(name)s, in use since %(day)s. Pairs: %(pairs)s.")
    return said % {"name": row.name, "day": texts.day(use.since), "pairs": row.n_pairs or 0}
