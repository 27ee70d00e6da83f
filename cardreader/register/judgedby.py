"""By which protocol a value was judged, and by which limits. No database here.

Registers that become one may go by protocols of their own. What one judged keeps what it said
at the other, and says by what; where the limits of the other ask for more, that is asked for.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from typing import Any

from cardreader.decide.protocol import Group, Protocol
from cardreader.decide.subject import Subject
from cardreader.register.asking import answered, readings_of
from cardreader.register.dayvisits import result_of
from cardreader.register.heldagain import Pressing, is_more, pressing
from cardreader.register.history import Measurement, measurements
from cardreader.register.judging import judge, value_of
from cardreader.register.models import Woman
from cardreader.register.recording import subject_of

Detail = Mapping[str, Any]
"""A reading, or the result of a visit, as JSON."""
_GROUPS = (Group.SEVERE, Group.ANAEMIC)
_SAME_G_DL = 0.005
"""Limits closer than this are one: they are given to hundredths."""
_LEAST_G_DL = 0.1
"""No blood has less; what is taken off leaves so much."""


def protocol_of(detail: Detail | None) -> str | None:
    """Id of the protocol that judged; None where none is named, as in tubes of before."""
    found = ((detail or {}).get("protocol") or {}).get("id")
    return found if isinstance(found, str) else None


def is_of(detail: Detail | None, protocol: Protocol) -> bool:
    """Whether this very protocol judged it, or none is named."""
    kept = ((detail or {}).get("protocol") or {}).get("sha256")
    return not kept or kept == protocol.sha256


def limits_of(detail: Detail | None) -> tuple[float, ...] | None:
    """Severe and anaemia limit that it was judged by, g/dL; None for what was not read."""
    decision = (detail or {}).get("decision") or {}
    found = []
    for group in _GROUPS:
        upper = [
            band["below_g_dl"]
            for band in decision.get("bands") or ()
            if band["group"] == group and band["below_g_dl"] is not None
        ]
        if not upper:
            return None
        found.append(max(upper))
    return tuple(found)


def is_of_another(detail: Detail | None, protocol: Protocol) -> bool:
    """Whether another protocol judged a value, or one that nobody named."""
    if limits_of(detail) is None:
        return False
    return protocol_of(detail) is None or not is_of(detail, protocol)


def detail_of(woman: Woman, point: Measurement) -> Detail | None:
    """The JSON of a value: of a reading, or of all blots of a visit."""
    if point.reading_id is not None:
        return next((r.detail for r in woman.readings if r.id == point.reading_id), None)
    visit = next((v for v in woman.visits if v.id == point.visit_id), None)
    return None if visit is None else result_of(visit).result


def pressing_by_limits(
    woman: Woman, protocol: Protocol, elevation_m: float | None, readings: Collection[str]
) -> Iterator[Pressing]:
    """Values made of some readings, judged by another protocol, of which this one makes more.

    No laboratory result came after them. What was taken off for elevation and smoke there is
    taken off here, or what this protocol takes off, whichever is more.
    """
    for point in measurements(woman):
        detail = detail_of(woman, point)
        there = limits_of(detail)
        mine = any(r.id in readings for r in readings_of(woman, point))
        asked = mine and not answered(woman, point.certain_at)
        if not asked or there is None or not is_of_another(detail, protocol):
            continue
        subject = subject_of(woman, point.day, _elevation_m(detail, elevation_m))
        here = limits_for(protocol, subject)
        off = max(_taken_off(detail), protocol.adjustment_g_dl(subject))
        before = [limit + _taken_off(detail) + _SAME_G_DL for limit in there]
        if all(limit + off <= old for limit, old in zip(here, before, strict=True)):
            continue
        plain = replace(subject, elevation_m=None, smoking=None)
        value = max(point.hb_g_dl - off, _LEAST_G_DL)
        sd = 0.0 if point.confirmed else point.sd_g_dl
        decision = judge(value_of(value, sd), protocol, plain)
        if is_more(decision, point):
            yield pressing(point, decision)


def limits_for(protocol: Protocol, subject: Subject) -> tuple[float, ...]:
    """Severe and anaemia limit of a protocol for a woman, g/dL."""
    held = protocol.for_subject(subject)
    return tuple(held.limit_g_dl(group, subject.known_trimester) for group in _GROUPS)


def _taken_off(detail: Detail | None) -> float:
    found: float | None = ((detail or {}).get("decision") or {}).get("adjustment_g_dl")
    return found or 0.0


def _elevation_m(detail: Detail | None, here_m: float | None) -> float | None:
    """Where she lives, as far as whoever read it was told; values of before don't say."""
    subject = (detail or {}).get("subject")
    if subject is None:
        return None
    found: float | None = subject.get("elevation_m")
    return here_m if found is None else found
