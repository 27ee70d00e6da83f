"""How far a meeting of two registers is, and why it came to nothing, in words."""

from __future__ import annotations

from typing import Any

from cardreader.register.meet.course import Stage, Standing
from cardreader.register.meet.snags import Snag
from cardreader.web.texts import gettext as _
from cardreader.web.texts import mark, ngettext

_STAGES = {
    Stage.WAITING: mark("Waiting for the other register."),
    Stage.GREETING: mark("The two registers check each other."),
    Stage.WRITING: mark("What is new is put together."),
    Stage.SENDING: mark("What is new is on its way to the other register."),
    Stage.RECEIVING: mark("What is new comes from the other register."),
    Stage.TAKING: mark("What came is taken in."),
    Stage.OTHER_TAKES: mark("The other register takes in what it got."),
    Stage.DONE: mark("Done. Each register has what the other had."),
}
_SNAGS = {
    Snag.NOT_REACHED: mark(
        "Nothing answers there. Are both on one network, and is the address as shown there?"
    ),
    Snag.NO_REGISTER: mark(
        "What answers at that address is no register that can meet this one, or an older version."
    ),
    Snag.NO_CODE: mark("No code is shown there now. Let one be shown, and type it here."),
    Snag.EXPIRED: mark("The code has run out. Let a new one be shown."),
    Snag.WRONG_CODE: mark("This is not the code that is shown there."),
    Snag.TOO_MANY: mark("Too many wrong codes: that code is void. Let a new one be shown."),
    Snag.BUSY: mark("A hand-over is going on already. Wait until it ends."),
    Snag.OWN: mark(
        "This is the register's own address and code: type them at the other register. "
        "A copy of this register must be made one of its own first (command registers renew)."
    ),
    Snag.UNKNOWN_HERE: mark(
        "The other register is not known here. Begin again and choose to get to know it."
    ),
    Snag.UNKNOWN_THERE: mark(
        "This register is not known there. Begin again there and choose to get to know it."
    ),
    Snag.OTHER_CARD: mark(
        "Another register is known here under that name or id. Forget it first (command registers)."
    ),
    Snag.VERSION: mark("The two registers are of different versions. Update the older one."),
    Snag.BROKEN_OFF: mark(
        "The link broke off. Nothing is lost. Begin again with a new code: what is missing comes."
    ),
    Snag.NOT_TAKEN_HERE: mark("What came could not be taken in. The register is as it was."),
    Snag.NOT_TAKEN_THERE: mark(
        "The other register could not take in what it got. It is as it was."
    ),
}


def stage_words(standing: Standing) -> str:
    """What is going on, or why it ended."""
    if standing.snag is None:
        return _(_STAGES[standing.stage])
    words = _(_SNAGS[standing.snag])
    if standing.snag is Snag.WRONG_CODE and standing.left is not None:
        left = standing.left
        words += " " + ngettext("%(n)s try is left.", "%(n)s tries are left.", left) % {"n": left}
    return words


def took_words(took: dict[str, Any]) -> str:
    """What a register took in. The counts come from the other one, and are numbers or nothing."""
    counts = {name: _count(took, name) for name in ("new", "changed", "removed", "readings")}
    said = (
        _("New women: %(new)s; changed: %(changed)s; deleted: %(removed)s; readings: %(readings)s.")
        % counts
    )
    if elsewhere := _count(took, "judged_elsewhere"):
        said += " " + _("Of the readings another protocol judged %(n)s.") % {"n": elsewhere}
    return said


def conflicts_of(took: dict[str, Any] | None) -> int:
    """How many values the supervisor is to decide now."""
    return 0 if took is None else _count(took, "conflicts")


def _count(took: dict[str, Any], name: str) -> int:
    found = took.get(name, 0)
    return found if type(found) is int and found >= 0 else 0
