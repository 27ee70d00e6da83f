"""What an estimate means for the woman, under a protocol.

Errors are not alike: a severe anaemia passed over can kill, a confirmatory
test too many costs a journey. So severe anaemia is raised on a small
probability, "not anaemic" is said only when anaemia is improbable, and
"uncertain" is an outcome of its own. Nothing here is a diagnosis.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Protocol as TypingProtocol

from cardreader.core.refusal import Reason, Refusal
from cardreader.decide.protocol import Group, Protocol
from cardreader.decide.statements import Statement
from cardreader.decide.subject import Smoking, Subject


class HbDistribution(TypingProtocol):
    """What deciding needs of an estimate: the value and its distribution."""

    @property
    def hb_g_dl(self) -> float:
        """Best single value, g/dL."""

    def p_below(self, threshold_g_dl: float) -> float:
        """Probability that haemoglobin is below a threshold in g/dL."""


class Outcome(StrEnum):
    """What the reading says, for machines."""

    SEVERE = "severe"
    ANAEMIC = "anaemic"
    NOT_ANAEMIC = "not_anaemic"
    UNCERTAIN = "uncertain"
    NOT_READ = "not_read"


class Question(StrEnum):
    """Which question an uncertain reading leaves open."""

    MAY_BE_SEVERE = "may_be_severe"
    MAY_BE_ANAEMIC = "may_be_anaemic"


@dataclass(frozen=True)
class BandProbability:
    """Probability that the adjusted haemoglobin lies in one band.

    ``from_g_dl`` and ``below_g_dl`` are the band's limits, None at an open end.
    """

    id: str
    title: str
    group: Group
    from_g_dl: float | None
    below_g_dl: float | None
    probability: float


@dataclass(frozen=True)
class Decision:
    """A judged reading.

    Attributes
    ----------
    outcome : Outcome
    band : BandProbability or None
        The band named: the severe one, or the likeliest anaemic one.
    question : Question or None
        Set when the outcome is ``uncertain``.
    bands : tuple of BandProbability
        Lowest first; the probabilities add up to 1. Empty when nothing was read.
    p_severe, p_anaemic : float or None
        Probability below the severe and the anaemia limit, after adjustment.
    adjustment_g_dl : float
        Taken off the measured haemoglobin for elevation and smoking.
    adjusted_hb_g_dl : float or None
    refer : bool
        Whether she should go to a unit that can treat severe anaemia now.
    confirm : bool
        Whether a confirmatory test is due whatever local protocol says. False
        only for a clear ``not_anaemic``, which still prompts for it as local
        protocol asks.
    actions, usual_care, cautions, notes : tuple of Statement
    screening_only : bool
        Always True.
    """

    outcome: Outcome
    headline: Statement
    protocol_id: str
    band: BandProbability | None = None
    question: Question | None = None
    bands: tuple[BandProbability, ...] = ()
    p_severe: float | None = None
    p_anaemic: float | None = None
    adjustment_g_dl: float = 0.0
    adjusted_hb_g_dl: float | None = None
    refer: bool = False
    confirm: bool = True
    actions: tuple[Statement, ...] = ()
    usual_care: tuple[Statement, ...] = ()
    cautions: tuple[Statement, ...] = ()
    notes: tuple[Statement, ...] = ()
    screening_only: bool = field(default=True, init=False)

    @property
    def statements(self) -> tuple[Statement, ...]:
        """Every statement of the result, headline first."""
        return (self.headline, *self.actions, *self.usual_care, *self.cautions, *self.notes)


CAUTIONS = (
    Statement.SCREENING_ONLY,
    Statement.LOCAL_PROTOCOL,
    Statement.BLOOD_INFECTIOUS,
    Statement.GLOVES,
    Statement.SHARPS,
)

# Beyond the low end of the range the blood is paler than any shade of the card:
# the woman most in need must not be sent back to the queue for a better photo.
MAY_HIDE_SEVERE = frozenset({Reason.OUT_OF_RANGE, Reason.NOT_BLOOD_COLOUR})

NO_PHOTO_HELPS = frozenset({Reason.NOT_CALIBRATED, Reason.CALIBRATION_UNFIT, Reason.LOT_CHANGED})
"""Refusals for what is not known of the card: another photo of it comes to the same."""

_SUM_ERROR = 1e-9
"""Many small probabilities added up may miss 1 by this much."""


def decide(
    estimate: HbDistribution | Refusal, protocol: Protocol, subject: Subject | None = None
) -> Decision:
    """Judge an estimate, or a refusal, under a protocol.

    In this order, with p the probability after elevation and smoking are taken
    off and the limits those of ``protocol.certainty``:

    1. p(severe) >= ``severe_raised_at``: refer; named ``severe`` from
       ``severe_named_at``, before that ``uncertain`` (may be severe).
    2. p(anaemic) <= ``not_anaemic_at_most``: ``not_anaemic``.
    3. p(anaemic) >= ``anaemic_named_at``: ``anaemic``.
    4. Otherwise ``uncertain`` (may be anaemic).

    A refusal gives ``not_read``, never a normal result.

    Raises ValueError when the estimate's probabilities aren't probabilities.
    """
    subject = subject or Subject()
    if isinstance(estimate, Refusal):
        return _not_read(estimate, protocol)
    protocol = protocol.for_subject(subject)
    adjustment = protocol.adjustment_g_dl(subject)
    bands = _band_probabilities(estimate, protocol, subject, adjustment)
    p_severe = _p_below(estimate, protocol, Group.SEVERE, subject, adjustment)
    p_anaemic = max(_p_below(estimate, protocol, Group.ANAEMIC, subject, adjustment), p_severe)
    outcome, question = _outcome(p_severe, p_anaemic, protocol)
    clear = outcome is Outcome.NOT_ANAEMIC
    refer = outcome is Outcome.SEVERE or question is Question.MAY_BE_SEVERE
    return Decision(
        outcome=outcome,
        headline=Statement(question or outcome),
        protocol_id=protocol.id,
        band=_named_band(outcome, bands),
        question=question,
        bands=bands,
        p_severe=p_severe,
        p_anaemic=p_anaemic,
        adjustment_g_dl=adjustment,
        adjusted_hb_g_dl=max(0.0, estimate.hb_g_dl - adjustment),
        refer=refer,
        confirm=not clear,
        actions=(
            *((Statement.REFER_NOW,) if refer else ()),
            Statement.CONFIRM_AS_PROTOCOL if clear else Statement.CONFIRM_AT_FACILITY,
            *(() if refer else (Statement.DANGER_SIGNS,)),
        ),
        usual_care=_usual_care(outcome, question, protocol),
        cautions=CAUTIONS,
        notes=_notes(protocol, subject),
    )


def with_pale_blot(decision: Decision) -> Decision:
    """The decision when another blot of the same woman was off the card's pale end.

    A clear "not anaemic" can't stand beside it and becomes uncertain; the worker
    is asked to look at the blood in any case.
    """
    actions = (*decision.actions, Statement.PALE_BLOT)
    if decision.outcome is not Outcome.NOT_ANAEMIC:
        return replace(decision, actions=actions)
    question = Question.MAY_BE_ANAEMIC
    return replace(
        decision,
        outcome=Outcome.UNCERTAIN,
        question=question,
        headline=Statement(question),
        band=None,
        confirm=True,
        actions=(Statement.CONFIRM_AT_FACILITY, Statement.DANGER_SIGNS, Statement.PALE_BLOT),
        usual_care=(),
    )


def _not_read(refusal: Refusal, protocol: Protocol) -> Decision:
    if refusal.reason in NO_PHOTO_HELPS:
        due = (Statement.CONFIRM_AT_FACILITY, Statement.PALE_BLOT)
    else:
        pale = refusal.reason in MAY_HIDE_SEVERE
        due = (
            Statement.RETAKE,
            *((Statement.PALE_BLOT,) if pale else ()),
            Statement.TEST_WITHOUT_PHOTO,
        )
    return Decision(
        outcome=Outcome.NOT_READ,
        headline=Statement.NOT_READ,
        protocol_id=protocol.id,
        actions=(*due, Statement.DANGER_SIGNS),
        cautions=CAUTIONS,
    )


def _outcome(
    p_severe: float, p_anaemic: float, protocol: Protocol
) -> tuple[Outcome, Question | None]:
    limits = protocol.certainty
    if p_severe >= limits.severe_raised_at:
        if p_severe >= limits.severe_named_at:
            return Outcome.SEVERE, None
        return Outcome.UNCERTAIN, Question.MAY_BE_SEVERE
    if p_anaemic <= limits.not_anaemic_at_most:
        return Outcome.NOT_ANAEMIC, None
    if p_anaemic >= limits.anaemic_named_at:
        return Outcome.ANAEMIC, None
    return Outcome.UNCERTAIN, Question.MAY_BE_ANAEMIC


def _p_below(
    estimate: HbDistribution,
    protocol: Protocol,
    group: Group,
    subject: Subject,
    adjustment_g_dl: float,
) -> float:
    return _probability(
        estimate, protocol.limit_g_dl(group, subject.known_trimester) + adjustment_g_dl
    )


def _probability(estimate: HbDistribution, threshold_g_dl: float) -> float:
    # Taking the adjustment off the haemoglobin is the same as lifting the limit.
    p = float(estimate.p_below(threshold_g_dl))
    if not -_SUM_ERROR <= p <= 1.0 + _SUM_ERROR:
        raise ValueError(f"probability below {threshold_g_dl:g} g/dL is {p!r}")
    return min(max(p, 0.0), 1.0)


def _band_probabilities(
    estimate: HbDistribution, protocol: Protocol, subject: Subject, adjustment_g_dl: float
) -> tuple[BandProbability, ...]:
    out = []
    start: float | None = None
    reached = 0.0
    for band in protocol.bands:
        end = band.limit_g_dl(subject.known_trimester)
        p = 1.0 if end is None else _probability(estimate, end + adjustment_g_dl)
        # A distribution worked out numerically may fall back in its last digits.
        p = max(p, reached)
        out.append(BandProbability(band.id, band.title, band.group, start, end, p - reached))
        start, reached = end, p
    return tuple(out)


def _named_band(outcome: Outcome, bands: tuple[BandProbability, ...]) -> BandProbability | None:
    if outcome not in (Outcome.SEVERE, Outcome.ANAEMIC, Outcome.NOT_ANAEMIC):
        return None
    return max(
        (b for b in bands if b.group.value == outcome.value), key=lambda band: band.probability
    )


def _usual_care(
    outcome: Outcome, question: Question | None, protocol: Protocol
) -> tuple[Statement, ...]:
    care = protocol.usual_care
    if outcome is Outcome.SEVERE or question is Question.MAY_BE_SEVERE:
        return care.severe
    if outcome is Outcome.ANAEMIC:
        return care.anaemic
    if outcome is Outcome.NOT_ANAEMIC:
        return care.not_anaemic
    return ()


def _notes(protocol: Protocol, subject: Subject) -> tuple[Statement, ...]:
    notes = []
    if protocol.by_trimester and subject.known_trimester is None:
        notes.append(Statement.TRIMESTER_UNKNOWN)
    if subject.elevation_m is None:
        if protocol.elevation is not None:
            notes.append(Statement.ELEVATION_UNKNOWN)
    elif protocol.elevation is None:
        # Where no protocol adjusts, the note matters from about half a gram per litre up.
        if subject.elevation_m >= 500:
            notes.append(Statement.ELEVATION_NOT_ADJUSTED)
    elif protocol.elevation.adjustment_g_dl(subject.elevation_m) > 0:
        notes.append(Statement.ELEVATION_ADJUSTED)
    if subject.smoking not in (None, Smoking.NONE):
        notes.append(
            Statement.SMOKING_NOT_ADJUSTED
            if protocol.smoking is None
            else Statement.SMOKING_ADJUSTED
        )
    return tuple(notes)
