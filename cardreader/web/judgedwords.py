"""By which protocol a value was judged, in words: registers that became one may differ in it."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from cardreader.decide.protocol import Protocol
from cardreader.decide.protocolfile import load_protocol, shipped_protocols
from cardreader.decide.subject import Subject
from cardreader.register.history import Measurement, measurements
from cardreader.register.judgedby import (
    detail_of,
    is_of_another,
    limits_for,
    limits_of,
    protocol_of,
)
from cardreader.register.models import Referral, Woman
from cardreader.web import texts
from cardreader.web.texts import gettext as _


def judged_by_words(detail: Mapping[str, Any] | None, rules: Protocol, subject: Subject) -> str:
    """Of another protocol than this register's, with the limits of both; else empty."""
    name, limits = protocol_of(detail), limits_of(detail)
    if name is None or limits is None or not is_of_another(detail, rules):
        return ""
    there, here = _limits(limits), _limits(limits_for(rules, subject))
    return (
        _(
            "Judged by the protocol %(title)s: severe below %(severe)s, anaemic below "
            "%(anaemic)s g/dL."
        )
        % {"title": title_of(name), **there}
        + " "
        + _(
            "This register goes by %(title)s: severe below %(severe)s, anaemic below "
            "%(anaemic)s g/dL."
        )
        % {"title": rules.title, **here}
    )


def _limits(found: tuple[float, ...]) -> dict[str, str]:
    severe, anaemic = map(texts.number, found)
    return {"severe": severe, "anaemic": anaemic}


def another_of(woman: Woman, point: Measurement, rules: Protocol) -> str:
    """Title of the protocol that judged a value, where it is not this register's; else empty."""
    detail = detail_of(woman, point)
    name = protocol_of(detail)
    return title_of(name) if name is not None and is_of_another(detail, rules) else ""


def judge_of(referral: Referral, rules: Protocol) -> str:
    """Title of the protocol that a referral follows from."""
    woman = referral.woman
    for point in measurements(woman):
        said = (point.hb_g_dl, point.source.value, point.outcome.value)
        if said == (referral.hb_g_dl, referral.source, referral.band):
            return another_of(woman, point, rules) or rules.title
    return rules.title


@cache
def title_of(name: str) -> str:
    """A protocol's title where it is one that ships; its id is all that is known of another."""
    return load_protocol(name).title if name in shipped_protocols() else name
