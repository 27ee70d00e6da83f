"""The rules a reading is judged by.

A protocol holds the bands of haemoglobin (with limits by trimester where they
differ), how elevation and smoking are taken into account, how sure a reading
must be before a band is named, and what local protocol usually asks next;
``protocolfile`` reads it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum

from cardreader.decide.adjustments import ElevationRule, SmokingRule
from cardreader.decide.counsel import Counsel
from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.signinrules import SignInRules
from cardreader.decide.statements import Statement
from cardreader.decide.subject import Subject, Trimester


class Group(StrEnum):
    """What a band means for the decision."""

    SEVERE = "severe"
    ANAEMIC = "anaemic"
    NOT_ANAEMIC = "not_anaemic"


@dataclass(frozen=True)
class Band:
    """A range of haemoglobin; it starts where the band before it ends.

    ``below_g_dl`` holds the upper limit for the first, second and third
    trimester in g/dL, or is None in the last band, which is open;
    ``after_birth_g_dl`` is the limit once she has given birth, None where the
    protocol names none of its own.
    """

    id: str
    title: str
    group: Group
    below_g_dl: tuple[float, float, float] | None
    source: str = ""
    after_birth_g_dl: float | None = None

    def limit_g_dl(self, trimester: Trimester | None) -> float | None:
        """Upper limit in g/dL. With the trimester unknown, the strictest (highest)."""
        if self.below_g_dl is None:
            return None
        return max(self.below_g_dl) if trimester is None else self.below_g_dl[trimester - 1]

    @property
    def varies(self) -> bool:
        """Whether the limit differs between trimesters."""
        return self.below_g_dl is not None and len(set(self.below_g_dl)) > 1


@dataclass(frozen=True)
class Certainty:
    """Probabilities at which the decision turns; see ``decide.decide``."""

    severe_raised_at: float = 0.05
    severe_named_at: float = 0.5
    anaemic_named_at: float = 0.95
    not_anaemic_at_most: float = 0.05


@dataclass(frozen=True)
class UsualCare:
    """What local protocol usually asks, by what the reading says."""

    severe: tuple[Statement, ...] = ()
    anaemic: tuple[Statement, ...] = ()
    not_anaemic: tuple[Statement, ...] = ()


@dataclass(frozen=True)
class Protocol:
    """A whole protocol; bands run from the lowest haemoglobin to the highest."""

    id: str
    title: str
    source: str
    bands: tuple[Band, ...]
    certainty: Certainty = Certainty()
    elevation: ElevationRule | None = None
    smoking: SmokingRule | None = None
    usual_care: UsualCare = UsualCare()
    follow_up: FollowUpRules = field(default_factory=FollowUpRules)
    sign_in: SignInRules = field(default_factory=SignInRules)
    tell_her: Counsel = field(default_factory=Counsel)
    sha256: str = ""

    @property
    def by_trimester(self) -> bool:
        """Whether any limit differs between trimesters."""
        return any(band.varies for band in self.bands)

    def adjustment_g_dl(self, subject: Subject) -> float:
        """Amount to take off the measured haemoglobin of this woman, g/dL."""
        total = 0.0
        if self.elevation is not None and subject.elevation_m is not None:
            total += self.elevation.adjustment_g_dl(subject.elevation_m)
        if self.smoking is not None and subject.smoking is not None:
            total += self.smoking.adjustment_g_dl(subject.smoking)
        return total

    def for_subject(self, subject: Subject) -> Protocol:
        """This protocol, or after a birth the same with its limits for after birth."""
        if subject.pregnant:
            return self
        bands = tuple(
            band
            if band.after_birth_g_dl is None
            else replace(band, below_g_dl=(band.after_birth_g_dl,) * 3)
            for band in self.bands
        )
        return replace(self, bands=bands)

    def limit_g_dl(self, group: Group, trimester: Trimester | None) -> float:
        """Upper limit of the highest band of a group (severe or anaemic), g/dL."""
        band = [b for b in self.bands if b.group is group][-1]
        limit = band.limit_g_dl(trimester)
        if limit is None:
            raise ValueError(f"the band {band.id!r} is open and has no upper limit")
        return limit
