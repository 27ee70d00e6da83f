"""What the result screen shows of one reading, made ready for the template.

Words come from the codes in the reading's JSON, so they can be said in the
visitor's language; the figures are the JSON's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from cardreader.core.refusal import ADVICE, Reason
from cardreader.decide.rule import Outcome
from cardreader.decide.statements import TEXT, Statement
from cardreader.register.blots import (
    all_blots,
    blot_of,
    doubted_by,
    gave_colour,
    in_doubt,
    sides_of,
)
from cardreader.register.dayvisits import result_of
from cardreader.register.history import may_be_severe
from cardreader.register.judgedby import limits_of as judged_by_limits
from cardreader.register.kinds import Source
from cardreader.register.models import Reading
from cardreader.register.recording import subject_of
from cardreader.web.bandwords import chances
from cardreader.web.happened import clock_words, sent_words
from cardreader.web.judgedwords import judged_by_words
from cardreader.web.plot import ScaleView, limits_of, shade_scale
from cardreader.web.state import State
from cardreader.web.texts import gettext as _
from cardreader.web.words import SEVERE_CONFIRMED, outcome_words


@dataclass(frozen=True)
class ResultView:
    """All that is said of one result; texts are English, translated where shown.

    ``blots`` is how many blots made the result, ``alone_g_dl`` what this one said.
    ``to_confirm``: its usual care waits for a blood test. ``sides`` says what several photos of
    the blot came to. ``chances``, ``clock``, ``sides``, ``sent`` and ``judged`` (by which other
    protocol) are in the visitor's language already.
    """

    outcome: Outcome
    headline: str
    short: str
    source: Source
    hb_g_dl: float | None = None
    low_g_dl: float | None = None
    high_g_dl: float | None = None
    actions: tuple[str, ...] = ()
    usual_care: tuple[str, ...] = ()
    to_confirm: bool = False
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    advice: str | None = None
    reason: str | None = None
    detail: str | None = None
    blots: int = 0
    alone_g_dl: float | None = None
    scale: ScaleView | None = None
    band: str | None = None
    chances: tuple[tuple[str, str], ...] = ()
    clock: str = ""
    sides: tuple[str, ...] = ()
    sent: str = ""
    judged: str = ""
    retake: bool = False
    """Whether another photo may be read where this one was not."""

    @property
    def screening(self) -> bool:
        """Whether this is a screening result; a laboratory's is not."""
        return self.source is not Source.LAB


def result_view(reading: Reading, state: State) -> ResultView:
    """The view of a reading; a photo shows the combined result of its visit."""
    source = Source(reading.source)
    detail = reading.detail or {}
    if reading.refusal is not None:
        return _refused(reading, detail)
    combined = _combined(reading)
    doubting = doubted_by(reading)
    if combined is None and doubting is not None:
        return _refused(doubting, doubting.detail or {})
    shown = combined or detail
    hb, low, high = reading.hb_g_dl, reading.low_g_dl, reading.high_g_dl
    blots = 1
    if combined is not None and reading.visit is not None:
        result = result_of(reading.visit)
        hb, low, high = result.hb_g_dl, result.low_g_dl, result.high_g_dl
        blots = len(all_blots(reading.visit))
    decision = shown["decision"]
    outcome = Outcome(decision["outcome"])
    day = reading.taken_at.astimezone().date()
    weeks = reading.woman.gestation_at(day)
    rules = state.reader.rules
    subject = subject_of(reading.woman, day, None)
    held = rules.for_subject(subject)
    judged = judged_by_words(shown, rules, subject)
    assert hb is not None
    return ResultView(
        outcome=outcome,
        headline=_headline(decision, outcome, source),
        short=outcome_words(outcome, source, may_be_severe(decision)),
        source=source,
        hb_g_dl=hb,
        low_g_dl=low,
        high_g_dl=high,
        actions=_actions(decision, source),
        usual_care=_texts(decision["usual_care"]),
        to_confirm=source is not Source.LAB and bool(decision.get("confirm", True)),
        cautions=_cautions(decision, source),
        notes=(*_texts(decision["notes"]), *_basis(shown)),
        blots=blots,
        alone_g_dl=reading.hb_g_dl if blots > 1 else None,
        scale=shade_scale(
            state.reader.shades(),
            hb,
            hb if low is None else low,
            hb if high is None else high,
            # Those that it was judged by: beside others the words would look wrong.
            (judged and judged_by_limits(shown)) or limits_of(held, weeks),
        ),
        band=_band(decision),
        chances=() if source is Source.LAB else tuple(chances(decision)),
        clock=clock_words(reading),
        sides=(*_disagreement(shown), *_sides(reading)),
        sent=sent_words(detail),
        judged=judged,
    )


def _sides(reading: Reading) -> tuple[str, ...]:
    """How the photo stands to others of its blot."""
    sides = sides_of(reading)
    if sides:
        return (_("Photos of this blot, read together: %(n)s.") % {"n": len(sides)},)
    others = [r for r in reading.visit.readings if r is not reading] if reading.visit else []
    same = [r for r in others if blot_of(r) == blot_of(reading)]
    before = [r for r in same if r.entered_at < reading.entered_at]
    if not any(gave_colour(r) for r in before if r.set_aside_at is None):
        return ()
    return (
        _("The photo before of this blot is no longer here. This one was read alone in its place."),
    )


def _refused(reading: Reading, detail: dict[str, Any]) -> ResultView:
    decision = detail["decision"]
    contradict = _(
        "The photos of this blot contradict each other. Nothing in them says that she is well; "
        "what asked for a test stays."
    )
    paper = (detail.get("paper") or {}).get("statement")
    return ResultView(
        sides=(
            *((contradict,) if in_doubt(reading) else ()),
            *((_(_text(paper)),) if paper else ()),
        ),
        retake=any(one["code"] == Statement.RETAKE for one in decision["actions"]),
        outcome=Outcome.NOT_READ,
        headline=_text(decision["headline"]),
        short=outcome_words(Outcome.NOT_READ, Source.PHOTO),
        source=Source.PHOTO,
        actions=_texts(decision["actions"]),
        cautions=_cautions(decision, Source.PHOTO),
        advice=ADVICE[Reason(reading.refusal or "")],
        reason=reading.refusal,
        clock=clock_words(reading),
        sent=sent_words(detail),
        detail=detail["refusal"]["detail"] or None,
    )


def _combined(reading: Reading) -> dict[str, Any] | None:
    if reading.source != Source.PHOTO or reading.set_aside_at is not None:
        return None
    return None if reading.visit is None else result_of(reading.visit).result


def _actions(decision: dict[str, Any], source: Source) -> tuple[str, ...]:
    """What to do now; a laboratory value needs no confirming, all else is the same."""
    codes = decision["actions"]
    if source is Source.LAB:
        codes = [code for code in codes if code["code"] in (Statement.REFER_NOW,)]
    return _texts(codes)


def _band(decision: dict[str, Any]) -> str | None:
    """Title of the band that an anaemic headline names, as the command line does."""
    if decision["headline"]["code"] != Statement.ANAEMIC or decision["band"] is None:
        return None
    return next(band["title"] for band in decision["bands"] if band["id"] == decision["band"])


def _headline(decision: dict[str, Any], outcome: Outcome, source: Source) -> str:
    if source is Source.LAB:
        # No weaker than what a photo says of the same blood.
        return SEVERE_CONFIRMED if outcome is Outcome.SEVERE else outcome_words(outcome, source)
    return _text(decision["headline"])


def _cautions(decision: dict[str, Any], source: Source) -> tuple[str, ...]:
    # "Screening only" stands under the headline already.
    codes = [c for c in decision["cautions"] if c["code"] != Statement.SCREENING_ONLY]
    if source is Source.LAB:
        codes = [code for code in codes if code["code"] == Statement.LOCAL_PROTOCOL]
    return _texts(codes)


def _basis(shown: dict[str, Any]) -> tuple[str, ...]:
    """What must be said of the blot, and of the card's and the calibration's data."""
    parts = [shown.get(part) or {} for part in ("blot", "card", "paper", "calibration")]
    beyond = (shown.get("hb") or {}).get("beyond_pairs")
    said = [part["statement"] for part in parts if part.get("statement")]
    return _texts(said if beyond is None else [beyond, *said])


def _disagreement(shown: dict[str, Any]) -> tuple[str, ...]:
    """To be done something about, so it stands above and not among the cautions."""
    return (_(TEXT[Statement.BLOTS_DISAGREE]),) if shown.get("blots_disagree") else ()


def _texts(statements: list[dict[str, str]]) -> tuple[str, ...]:
    return tuple(_text(statement) for statement in statements)


def _text(statement: dict[str, str]) -> str:
    """The sentence of a code as this version words it; an unknown code keeps its own words."""
    try:
        return TEXT[Statement(statement["code"])]
    except ValueError:
        return statement["text"]
