"""The month's counts under names for machines, and as a FHIR R4 MeasureReport.

The report keeps what IHE's profile mADX (Mobile Aggregate Data Exchange, the FHIR form of
ADX) asks of a MeasureReport: a subject, an improvement notation, a code a group, and a
score for every stratum. It is checked by the fhir.resources library (R4B, which leaves
this resource as R4 has it). The measure is this register's own; no ministry defines it.
"""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from cardreader.register.base import utc_now
from cardreader.register.summary import Summary, month_bounds

MEASURE = uuid.uuid5(uuid.NAMESPACE_URL, "cardreader:measure:month:1").urn
"""What is counted, in this form; another name where a count changes its meaning."""
POPULATION = "http://terminology.hl7.org/CodeSystem/measure-population"
NOTATION = "http://terminology.hl7.org/CodeSystem/measure-improvement-notation"


@dataclass(frozen=True)
class Indicator:
    """One count of a month; ``parts`` split it, where it is split, by name."""

    code: str
    words: str
    count: int
    parts: tuple[tuple[str, int], ...] = ()


def indicators(summary: Summary) -> tuple[Indicator, ...]:
    """All counts of the month. The lists as they stand today are none of its counts."""
    sent = summary.referrals
    return (
        Indicator("women-added", "Women added", summary.women_added),
        Indicator("visits", "Visits", summary.visits),
        Indicator("photos", "Photos of blots", summary.photos),
        _split("photos-refused", "Photos that could not be read", summary.refusals),
        _split("photos-by-lot", "Photos by card lot", [(u.lot_id, u.photos) for u in summary.lots]),
        Indicator("tube-readings", "Acid-haematin tube readings", summary.tube_readings),
        Indicator("laboratory-results", "Laboratory results", summary.lab_results),
        _split("visits-by-result", "Visits by the result of their photos", summary.outcomes),
        Indicator("referrals-for-a-test", "Referrals opened for a test", sent.opened),
        Indicator("referrals-urgent", "Of these urgent", sent.urgent),
        Indicator("referrals-unread", "Of these after a photo that was not read", sent.unread),
        Indicator("referrals-for-care", "Referrals opened for care", sent.for_care),
        Indicator("referrals-answered", "Closed by a laboratory result", sent.answered),
        _split("referrals-told", "What else became of referrals", sent.told),
        Indicator("confirmations-missing", "Confirmation missing", sent.missing),
        _split("births", "Births", summary.births),
        Indicator("tested-after-birth", "Tested after their birth", summary.tested_after_birth),
        Indicator("women-given-tablets", "Given tablets", summary.women_given_tablets),
        Indicator("tablets-given", "Iron-folic acid tablets given", summary.tablets_given),
        _split("records-closed", "Records closed", summary.closed),
        Indicator("records-opened-again", "Records opened again", summary.reopened),
        Indicator("arrived", "Came from another place", summary.arrived),
    )


def _split(code: str, words: str, parts: Any) -> Indicator:
    named = tuple((part.value if isinstance(part, StrEnum) else part, n) for part, n in parts)
    return Indicator(code, words, sum(n for _name, n in named), named)


def measure_report(summary: Summary, place: str, today: dt.date) -> str:
    """FHIR JSON of one month; ``place`` names who reports.

    Raises ValueError when the result is not valid, which is a mistake in here.
    """
    from fhir.resources.R4B.measurereport import MeasureReport

    return MeasureReport.model_validate(report_dict(summary, place, today)).model_dump_json(
        indent=1
    )


def report_dict(summary: Summary, place: str, today: dt.date) -> dict[str, Any]:
    """The report as plain values, not yet checked; one of a month that goes on is pending."""
    first, after = month_bounds(summary.month)
    here = {"reference": "#place"}
    return {
        "resourceType": "MeasureReport",
        "status": "complete" if after <= today else "pending",
        "type": "summary",
        "measure": MEASURE,
        "date": utc_now().isoformat(timespec="seconds"),
        "contained": [{"resourceType": "Location", "id": "place", "name": place or "-"}],
        "subject": here,
        "reporter": here,
        "period": {
            "start": first.isoformat(),
            "end": (after - dt.timedelta(days=1)).isoformat(),
        },
        # The profile wants one for all; of most counts neither more nor fewer is better.
        "improvementNotation": {"coding": [{"system": NOTATION, "code": "increase"}]},
        "group": [_group(indicator) for indicator in indicators(summary)],
    }


def _group(indicator: Indicator) -> dict[str, Any]:
    code = {"system": MEASURE, "code": indicator.code, "display": indicator.words}
    group: dict[str, Any] = {
        "code": {"coding": [code]},
        "population": [
            {
                "code": {"coding": [{"system": POPULATION, "code": "initial-population"}]},
                "count": indicator.count,
            }
        ],
    }
    if indicator.parts:
        strata = [_stratum(indicator.code, name, n) for name, n in indicator.parts]
        group["stratifier"] = [{"code": [{"text": indicator.words}], "stratum": strata}]
    return group


def _stratum(code: str, name: str, count: int) -> dict[str, Any]:
    coding = {"system": f"{MEASURE}#{code}", "code": name}
    return {"value": {"coding": [coding]}, "measureScore": {"value": count}}
