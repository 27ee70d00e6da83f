"""The decision: errors fall on the side of one test too many, and never the other."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, dataclass, replace
from itertools import pairwise
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cardreader.core.refusal import Reason, Refusal
from cardreader.decide.protocol import Certainty, Group
from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import Decision, Outcome, Question, decide, with_pale_blot
from cardreader.decide.statements import TEXT, Statement
from cardreader.decide.subject import Smoking, Subject, Trimester, trimester_of

COMMON = load_protocol("common-practice")
WHO = load_protocol("who-2024")


@dataclass(frozen=True)
class Normal:
    """An estimate with a normal distribution, straight from the standard library."""

    hb_g_dl: float
    sd_g_dl: float

    def p_below(self, threshold_g_dl: float) -> float:
        return NormalDist(self.hb_g_dl, self.sd_g_dl).cdf(threshold_g_dl)


@dataclass(frozen=True)
class Steps:
    """Any distribution at all: weights at haemoglobin values."""

    weights: tuple[tuple[float, float], ...]

    @property
    def hb_g_dl(self) -> float:
        return sum(h * w for h, w in self.weights) / sum(w for _, w in self.weights)

    def p_below(self, threshold_g_dl: float) -> float:
        below = sum(w for h, w in self.weights if h < threshold_g_dl)
        return min(1.0, below / sum(w for _, w in self.weights))


hb = st.floats(0.5, 20, allow_nan=False)
estimates = st.one_of(
    st.builds(Normal, hb, st.floats(0.05, 4)),
    st.builds(
        Steps,
        st.lists(st.tuples(hb, st.floats(0.001, 1)), min_size=1, max_size=8).map(tuple),
    ),
)
protocols = st.builds(
    lambda base, raised, at_most: replace(
        base,
        certainty=Certainty(
            severe_raised_at=raised, severe_named_at=0.5, not_anaemic_at_most=at_most
        ),
    ),
    st.sampled_from([COMMON, WHO]),
    st.floats(0.001, 0.2),
    st.floats(0, 0.2),
)
subjects = st.builds(
    Subject,
    trimester=st.sampled_from([None, *Trimester]),
    elevation_m=st.one_of(st.none(), st.floats(-400, 5500)),
    smoking=st.sampled_from([None, *Smoking]),
)


@pytest.mark.parametrize(
    ("hb_g_dl", "sd", "outcome", "question", "band"),
    [
        (5.0, 0.5, Outcome.SEVERE, None, "severe"),
        (6.9, 0.5, Outcome.SEVERE, None, "severe"),
        (7.4, 0.5, Outcome.UNCERTAIN, Question.MAY_BE_SEVERE, None),
        (9.0, 0.5, Outcome.ANAEMIC, None, "mild_to_moderate"),
        (10.8, 0.5, Outcome.UNCERTAIN, Question.MAY_BE_ANAEMIC, None),
        (11.6, 0.5, Outcome.UNCERTAIN, Question.MAY_BE_ANAEMIC, None),
        (12.5, 0.5, Outcome.NOT_ANAEMIC, None, "not_anaemic"),
        # A wide distribution is never called normal, however high its middle.
        (12.5, 3.0, Outcome.UNCERTAIN, Question.MAY_BE_ANAEMIC, None),
        (9.0, 3.0, Outcome.UNCERTAIN, Question.MAY_BE_SEVERE, None),
    ],
)
def test_outcomes(
    hb_g_dl: float, sd: float, outcome: Outcome, question: Question | None, band: str | None
) -> None:
    decision = decide(Normal(hb_g_dl, sd), COMMON)
    assert (decision.outcome, decision.question) == (outcome, question)
    assert (decision.band.id if decision.band else None) == band


def test_probabilities_against_normal_tables() -> None:
    """One standard deviation below 11 and five below: 0.1587 and 0.8413 (normal table)."""
    decision = decide(Normal(10.0, 1.0), COMMON)
    severe, anaemic, healthy = (b.probability for b in decision.bands)
    assert severe == pytest.approx(0.00135, abs=1e-5)
    assert healthy == pytest.approx(0.15866, abs=1e-5)
    assert anaemic == pytest.approx(1 - 0.00135 - 0.15866, abs=2e-5)
    assert decision.p_anaemic == pytest.approx(0.84134, abs=1e-5)


@given(estimates, protocols, subjects)
def test_never_called_not_anaemic_while_anaemia_is_probable(estimate, protocol, subject) -> None:
    limit = protocol.limit_g_dl(Group.ANAEMIC, subject.known_trimester)
    p = estimate.p_below(limit + protocol.adjustment_g_dl(subject))
    decision = decide(estimate, protocol, subject)
    if p > protocol.certainty.not_anaemic_at_most:
        assert decision.outcome is not Outcome.NOT_ANAEMIC
        assert decision.confirm


@given(estimates, protocols, subjects)
def test_always_referred_when_severe_is_possible(estimate, protocol, subject) -> None:
    limit = protocol.limit_g_dl(Group.SEVERE, subject.known_trimester)
    p = estimate.p_below(limit + protocol.adjustment_g_dl(subject))
    decision = decide(estimate, protocol, subject)
    assert decision.refer == (p >= protocol.certainty.severe_raised_at)
    assert (Statement.REFER_NOW in decision.actions) == decision.refer


@given(estimates, protocols, subjects)
def test_every_result_carries_what_it_must(estimate, protocol, subject) -> None:
    _carries_what_it_must(decide(estimate, protocol, subject))


@pytest.mark.parametrize("reason", list(Reason))
def test_a_refused_photo_is_never_normal(reason: Reason) -> None:
    decision = decide(Refusal(reason, "blot"), COMMON)
    assert decision.outcome is Outcome.NOT_READ
    assert decision.confirm
    assert decision.bands == ()
    assert decision.p_severe is None
    assert decision.headline is Statement.NOT_READ
    # Without laboratory values of these very colours behind the card, no other photo would help.
    unread = (Reason.NOT_CALIBRATED, Reason.CALIBRATION_UNFIT, Reason.LOT_CHANGED)
    another_photo_helps = reason not in unread
    assert (Statement.RETAKE in decision.actions) == another_photo_helps
    assert (Statement.TEST_WITHOUT_PHOTO in decision.actions) == another_photo_helps
    assert Statement.CONFIRM_AT_FACILITY in decision.actions or another_photo_helps
    _carries_what_it_must(decision)


@pytest.mark.parametrize("reason", [Reason.OUT_OF_RANGE, Reason.NOT_BLOOD_COLOUR])
def test_paler_than_the_card_is_not_sent_back_to_the_queue(reason: Reason) -> None:
    assert Statement.PALE_BLOT in decide(Refusal(reason, "estimate"), COMMON).actions


@given(estimates, protocols, subjects)
def test_nothing_is_clear_beside_a_blot_that_may_hide_severe_anaemia(
    est, protocol, subject
) -> None:
    before = decide(est, protocol, subject)
    after = with_pale_blot(before)
    assert after.outcome is not Outcome.NOT_ANAEMIC
    assert after.confirm
    assert after.refer == before.refer
    assert after.usual_care in (before.usual_care, ())
    assert Statement.PALE_BLOT in after.actions
    _carries_what_it_must(after)


def _carries_what_it_must(decision: Decision) -> None:
    assert decision.screening_only is True
    for caution in ("screening_only", "local_protocol", "blood_infectious", "gloves", "sharps"):
        assert caution in decision.cautions
    prompts = {
        Statement.CONFIRM_AT_FACILITY,
        Statement.CONFIRM_AS_PROTOCOL,
        Statement.TEST_WITHOUT_PHOTO,
    }
    assert prompts & set(decision.actions)
    assert decision.confirm or decision.outcome is Outcome.NOT_ANAEMIC
    assert (decision.outcome is Outcome.UNCERTAIN) == (decision.question is not None)
    assert all(statement in TEXT for statement in decision.statements)
    if decision.bands:
        assert sum(b.probability for b in decision.bands) == pytest.approx(1, abs=1e-12)
        assert all(0 <= b.probability <= 1 for b in decision.bands)
        for lower, upper in pairwise(decision.bands):
            assert lower.below_g_dl == upper.from_g_dl


@given(estimates, subjects, st.floats(0, 5000), st.floats(0, 500))
def test_higher_up_is_never_healthier(estimate, subject, elevation_m, more_m) -> None:
    low = decide(estimate, WHO, replace(subject, elevation_m=elevation_m))
    high = decide(estimate, WHO, replace(subject, elevation_m=elevation_m + more_m))
    assert high.p_severe >= low.p_severe
    assert high.p_anaemic >= low.p_anaemic
    assert high.adjusted_hb_g_dl <= low.adjusted_hb_g_dl


@given(estimates, subjects)
def test_an_unknown_trimester_is_judged_by_the_strictest(estimate, subject) -> None:
    unknown = decide(estimate, WHO, replace(subject, trimester=None))
    known = [decide(estimate, WHO, replace(subject, trimester=t)) for t in Trimester]
    assert unknown.p_anaemic == max(d.p_anaemic for d in known)
    assert Statement.TRIMESTER_UNKNOWN in unknown.notes
    assert all(Statement.TRIMESTER_UNKNOWN not in d.notes for d in known)


def test_elevation_can_turn_a_reading() -> None:
    at_sea = decide(Normal(12.0, 0.4), WHO, Subject(trimester=Trimester.THIRD, elevation_m=0))
    high = decide(Normal(12.0, 0.4), WHO, Subject(trimester=Trimester.THIRD, elevation_m=3000))
    assert at_sea.outcome is Outcome.NOT_ANAEMIC
    # 0.0056384 * 3000 + 0.0000003 * 3000**2 = 19.6152 g/L
    assert high.adjusted_hb_g_dl == pytest.approx(12.0 - 1.96152)
    assert high.outcome is Outcome.ANAEMIC
    assert high.band is not None
    assert high.band.id == "mild"


def test_second_trimester_has_the_lower_limit() -> None:
    second = decide(Normal(10.75, 0.1), WHO, Subject(trimester=Trimester.SECOND))
    third = decide(Normal(10.75, 0.1), WHO, Subject(trimester=Trimester.THIRD))
    assert second.outcome is Outcome.NOT_ANAEMIC
    assert third.outcome is Outcome.ANAEMIC


def test_notes_tell_what_was_left_out() -> None:
    smoker = Subject(elevation_m=2500, smoking=Smoking.SOME)
    common = decide(Normal(12, 0.5), COMMON, smoker).notes
    assert Statement.ELEVATION_NOT_ADJUSTED in common
    assert Statement.SMOKING_NOT_ADJUSTED in common
    who = decide(Normal(12, 0.5), WHO, smoker).notes
    assert Statement.ELEVATION_ADJUSTED in who
    assert Statement.SMOKING_ADJUSTED in who
    assert Statement.ELEVATION_UNKNOWN in decide(Normal(12, 0.5), WHO).notes
    assert decide(Normal(12, 0.5), COMMON).notes == ()


def test_usual_care_follows_common_practice() -> None:
    """One tablet a day prevents, two treat, monthly once anaemic: common practice, no source."""
    assert decide(Normal(13, 0.5), COMMON).usual_care == (
        Statement.USUAL_PREVENTION,
        Statement.USUAL_FOUR_TESTS,
    )
    assert decide(Normal(9, 0.5), COMMON).usual_care == (
        Statement.USUAL_TREATMENT,
        Statement.USUAL_MONTHLY_TEST,
    )
    severe = (Statement.USUAL_SPECIALIST_CARE, Statement.USUAL_SEVERE_LIST)
    assert decide(Normal(5, 0.5), COMMON).usual_care == severe
    assert decide(Normal(7.4, 0.5), COMMON).usual_care == severe
    assert decide(Normal(10.9, 0.5), COMMON).usual_care == ()


@pytest.mark.parametrize("p", [float("nan"), -0.1, 1.1])
def test_what_is_no_probability_is_a_mistake(p: float) -> None:
    class Broken:
        hb_g_dl = 10.0

        def p_below(self, threshold_g_dl: float) -> float:
            return p

    with pytest.raises(ValueError, match="probability below"):
        decide(Broken(), COMMON)


def test_a_distribution_that_falls_back_still_adds_up() -> None:
    class Ragged:
        hb_g_dl = 6.0

        def p_below(self, threshold_g_dl: float) -> float:
            return 0.9 if threshold_g_dl < 8 else 0.9 - 1e-9

    decision = decide(Ragged(), COMMON)
    assert decision.bands[1].probability == 0
    assert sum(b.probability for b in decision.bands) == pytest.approx(1)


def test_a_sum_that_misses_one_by_rounding_is_one() -> None:
    class Summed:
        hb_g_dl = 5.0

        def p_below(self, threshold_g_dl: float) -> float:
            return 1.0 + 2e-15

    decision = decide(Summed(), COMMON)
    assert decision.p_severe == 1
    assert [b.probability for b in decision.bands] == [1, 0, 0]


def test_decisions_are_frozen() -> None:
    with pytest.raises(FrozenInstanceError):
        decide(Normal(10, 1), COMMON).refer = False  # type: ignore[misc]


def test_every_statement_has_words_of_its_own() -> None:
    assert set(TEXT) == set(Statement)
    assert len(set(TEXT.values())) == len(TEXT)
    for text in TEXT.values():
        assert text.endswith((".", "?"))
        assert len(text) <= 90


@pytest.mark.parametrize(
    ("weeks", "trimester"),
    [(0, 1), (13, 1), (14, 2), (27, 2), (28, 3), (42, 3)],
)
def test_trimester_from_weeks(weeks: int, trimester: int) -> None:
    assert trimester_of(weeks) == trimester
    assert Subject(gestation_weeks=weeks).known_trimester == trimester


@pytest.mark.parametrize(
    "wrong",
    [
        {"gestation_weeks": 60},
        {"gestation_weeks": -1},
        {"gestation_weeks": 10, "trimester": 3},
        {"trimester": 4},
        {"elevation_m": 9000.0},
        {"elevation_m": float("nan")},
        {"smoking": "pipe"},
        {"pregnant": False, "gestation_weeks": 20},
    ],
)
def test_impossible_subjects(wrong: dict) -> None:
    with pytest.raises(ValueError, match=r"weeks|not a valid|elevation|pregnancy"):
        Subject(**wrong)


@given(st.floats(8.2, 10.3), st.floats(0.05, 0.3))
def test_named_bands_hold_the_most_probability_of_their_group(hb_g_dl, sd) -> None:
    decision = decide(Normal(hb_g_dl, sd), WHO)
    assert decision.outcome is Outcome.ANAEMIC
    assert decision.band is not None
    anaemic = [b.probability for b in decision.bands if b.group is Group.ANAEMIC]
    assert decision.band.probability == max(anaemic)
