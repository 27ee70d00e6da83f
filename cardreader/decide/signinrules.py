"""What a protocol says of signing in: how long it lasts, and how long a PIN stands for a password.

The figures are our own choice; a programme's rules on data protection decide.
"""

from __future__ import annotations

from dataclasses import dataclass

from cardreader.decide.tomltable import Table


@dataclass(frozen=True)
class SignInRules:
    """A sign-in ends after ``idle_minutes`` without use and after ``whole_hours`` in any case.

    A PIN set on a device opens it for ``pin_days`` after the last sign-in by password there.
    """

    idle_minutes: int = 30
    whole_hours: int = 12
    pin_days: int = 30


def read_sign_in(table: Table) -> SignInRules:
    """The table ``sign_in`` of a protocol file; what it leaves out is as usual."""
    usual = SignInRules()
    rules = SignInRules(
        idle_minutes=table.whole("idle_minutes", 1, 720, usual.idle_minutes),
        whole_hours=table.whole("whole_hours", 1, 24, usual.whole_hours),
        pin_days=table.whole("pin_days", 1, 366, usual.pin_days),
    )
    table.text("source", "")
    table.finish()
    return rules
