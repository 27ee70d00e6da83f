"""Whether a result is dated before she can have been tested for this: a year typed wrong, mostly.

In January last year's number is still in the fingers, and nothing of hers contradicts the value:
it would be entered behind all that is known, and answer nothing.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from cardreader.decide.followuprules import FollowUpRules
from cardreader.register.base import local_day
from cardreader.register.followup import gestation_start
from cardreader.register.history import counts
from cardreader.register.models import Woman


@dataclass(frozen=True)
class EarlyDate:
    """A day that lies before the first day that is likely.

    ``pregnancy``: whether that is the first of her pregnancy, by her weeks, and not of her record.
    """

    on: dt.date
    first_likely: dt.date
    pregnancy: bool


def early_date(woman: Woman, on: dt.date, rules: FollowUpRules) -> EarlyDate | None:
    """What is odd about the day of a result of hers; None where it may be of that day.

    A slip of earlier in this pregnancy, from elsewhere, is none. Where her weeks aren't known, or
    are over, it is asked about from so long before all that is known of her as tests lie apart.
    """
    begun = gestation_start(woman.gestation_weeks, woman.gestation_on)
    recorded = _first_known(woman) - dt.timedelta(days=rules.without_weeks_days)
    if begun is None or (woman.birth_on is not None and begun < recorded):
        return EarlyDate(on, recorded, False) if on < recorded else None
    return EarlyDate(on, begun, True) if on < begun else None


def _first_known(woman: Woman) -> dt.date:
    """The first day of which her record tells; a clock may have been fast as it was made."""
    days = [local_day(woman.added_at), *(visit.on for visit in woman.visits)]
    days += [local_day(reading.taken_at) for reading in woman.readings if counts(reading)]
    return min(days if woman.gestation_on is None else [*days, woman.gestation_on])
