"""What is known about the woman that changes how her haemoglobin is judged."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum

SECOND_TRIMESTER_FROM_WEEK = 14
THIRD_TRIMESTER_FROM_WEEK = 28
LONGEST_GESTATION_WEEKS = 45
LOWEST_ELEVATION_M = -500.0
HIGHEST_ELEVATION_M = 5500.0
"""Nobody lives much higher; a larger figure is a slip or is in feet."""


class Trimester(IntEnum):
    """Third of the pregnancy, counted in completed weeks since the last period.

    First to 13 weeks 6 days, second to 27 weeks 6 days (common obstetric
    convention; no single source).
    """

    FIRST = 1
    SECOND = 2
    THIRD = 3


class Smoking(StrEnum):
    """Cigarettes a day; ``SOME`` is a smoker whose number is not known."""

    NONE = "none"
    SOME = "some"
    UNDER_10 = "under-10"
    FROM_10_TO_19 = "10-19"
    FROM_20 = "20-or-more"


@dataclass(frozen=True)
class Subject:
    """The woman, without anything that names her. All parts may be left unknown.

    Attributes
    ----------
    trimester : Trimester or None
    gestation_weeks : int or None
        Completed weeks. Enough on its own: the trimester follows from it.
    elevation_m : float or None
        Elevation of the place where she lives, metres above the sea.
    smoking : Smoking or None
    pregnant : bool
        False once she has given birth: a protocol has limits of its own for then.

    Raises
    ------
    ValueError
        For a value out of range, or a trimester that the weeks contradict.
    """

    trimester: Trimester | None = None
    gestation_weeks: int | None = None
    elevation_m: float | None = None
    smoking: Smoking | None = None
    pregnant: bool = True

    def __post_init__(self) -> None:
        if not self.pregnant and (self.trimester, self.gestation_weeks) != (None, None):
            raise ValueError("after the birth there are no weeks of pregnancy")
        if self.trimester is not None:
            object.__setattr__(self, "trimester", Trimester(self.trimester))
        if self.smoking is not None:
            object.__setattr__(self, "smoking", Smoking(self.smoking))
        weeks = self.gestation_weeks
        if weeks is not None:
            if not 0 <= weeks <= LONGEST_GESTATION_WEEKS:
                raise ValueError(
                    f"gestation of {weeks} weeks is outside 0 to {LONGEST_GESTATION_WEEKS}"
                )
            if self.trimester not in (None, trimester_of(weeks)):
                raise ValueError(
                    f"{weeks} weeks is trimester {trimester_of(weeks):d}, not {self.trimester:d}"
                )
        if self.elevation_m is not None and not (
            LOWEST_ELEVATION_M <= self.elevation_m <= HIGHEST_ELEVATION_M
        ):
            raise ValueError(
                f"elevation of {self.elevation_m:g} m is outside "
                f"{LOWEST_ELEVATION_M:g} to {HIGHEST_ELEVATION_M:g} m"
            )

    @property
    def known_trimester(self) -> Trimester | None:
        """The trimester as given, or as the weeks tell it, or None."""
        if self.trimester is None and self.gestation_weeks is not None:
            return trimester_of(self.gestation_weeks)
        return self.trimester


def trimester_of(gestation_weeks: int) -> Trimester:
    """Trimester of a number of completed weeks."""
    if gestation_weeks < SECOND_TRIMESTER_FROM_WEEK:
        return Trimester.FIRST
    if gestation_weeks < THIRD_TRIMESTER_FROM_WEEK:
        return Trimester.SECOND
    return Trimester.THIRD
