"""Protocols read from TOML files: ``calibration/protocols`` holds those that are shipped.

A programme writes its own by copying one.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from cardreader.core.oneline import reason
from cardreader.core.shipped import shipped
from cardreader.decide.adjustments import ElevationRule, SmokingRule
from cardreader.decide.counsel import read_counsel
from cardreader.decide.followuprules import read_follow_up
from cardreader.decide.protocol import Band, Certainty, Group, Protocol, UsualCare
from cardreader.decide.signinrules import read_sign_in
from cardreader.decide.statements import USUAL_CARE, Statement
from cardreader.decide.subject import Smoking
from cardreader.decide.tomltable import ProtocolError, Table, shown

SCHEMA = 1
DEFAULT = "common-practice"
LONGEST_FILE_BYTES = 100_000
HIGHEST_LIMIT_G_DL = 25.0

_GROUP_ORDER = list(Group)


def shipped_protocols() -> tuple[str, ...]:
    """Ids of the protocols that come with the package."""
    return tuple(sorted(p.stem for p in shipped("protocols").glob("*.toml")))


@dataclass(frozen=True)
class ProtocolSource:
    """What a protocol is loaded from, so that it can be kept.

    ``own`` is the text of the file; None where ``id`` is that of a shipped protocol, which is
    then the one of whichever version loads it.
    """

    id: str
    own: str | None = None

    def load(self) -> Protocol:
        """The protocol itself. Raises ProtocolError, with the fault in one line."""
        if self.own is None:
            return load_protocol(self.id)
        return parse_protocol(self.own.encode())


def protocol_source(id_or_path: str | Path = DEFAULT) -> ProtocolSource:
    """The source of a shipped protocol by id, or of any by the path of its TOML file.

    Raises ProtocolError, with the file and the fault in one line.
    """
    name = str(id_or_path)
    if name in shipped_protocols():
        return ProtocolSource(name)
    data = _content(Path(name))
    return ProtocolSource(_parsed(Path(name), data).id, data.decode())


def load_protocol(id_or_path: str | Path = DEFAULT) -> Protocol:
    """Load a shipped protocol by id, or any by the path of its TOML file.

    Raises ProtocolError, with the file and the fault in one line.
    """
    name = str(id_or_path)
    shipped_one = name in shipped_protocols()
    path = shipped("protocols", f"{name}.toml") if shipped_one else Path(name)
    return _parsed(path, _content(path))


def _content(path: Path) -> bytes:
    if path.suffix != ".toml":
        known = ", ".join(shipped_protocols())
        raise ProtocolError(f"no protocol {str(path)!r}; there are {known}, or give a .toml file")
    try:
        with path.open("rb") as stream:
            return stream.read(LONGEST_FILE_BYTES + 1)
    except OSError as error:
        raise ProtocolError(f"{path}: can't be opened: {reason(error)}") from None


def _parsed(path: Path, data: bytes) -> Protocol:
    try:
        return parse_protocol(data)
    except ProtocolError as error:
        raise ProtocolError(f"{path}: {error}") from None


def parse_protocol(data: bytes) -> Protocol:
    """Protocol from the bytes of a TOML file. Raises ProtocolError."""
    if len(data) > LONGEST_FILE_BYTES:
        raise ProtocolError(f"longer than {LONGEST_FILE_BYTES} bytes, so not a protocol")
    try:
        document = tomllib.loads(data.decode("utf-8"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise ProtocolError(f"not a TOML file: {error}") from None
    top = Table(document, "")
    if (schema := top.take("schema", int)) != SCHEMA:
        raise ProtocolError(f"schema is {schema}; this version reads {SCHEMA}")
    adjustments = top.table("adjustments")
    protocol = Protocol(
        id=_id(top, "id"),
        title=top.text("title"),
        source=top.text("source"),
        bands=_bands(top),
        certainty=_certainty(top.table("limits")),
        usual_care=_usual_care(top.table("usual_care")),
        follow_up=read_follow_up(top.table("follow_up")),
        sign_in=read_sign_in(top.table("sign_in")),
        tell_her=read_counsel(top.table("tell_her")),
        sha256=hashlib.sha256(data).hexdigest(),
        elevation=_elevation(adjustments) if "elevation" in adjustments else None,
        smoking=_smoking(adjustments) if "smoking" in adjustments else None,
    )
    adjustments.finish()
    top.finish()
    return protocol


def _id(table: Table, key: str) -> str:
    value = table.text(key)
    if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,63}", value):
        raise ProtocolError(
            f"{table.at(key)} is {shown(value)}; use small letters, digits, hyphen, underscore"
        )
    return value


def _bands(top: Table) -> tuple[Band, ...]:
    rows = top.take("bands", list)
    bands = tuple(_band(row, f"bands[{i}]", i == len(rows)) for i, row in enumerate(rows, 1))
    if len({band.id for band in bands}) < len(bands):
        raise ProtocolError("two bands have the same id")
    groups = [_GROUP_ORDER.index(band.group) for band in bands]
    if groups != sorted(groups) or set(groups) != {0, 1, 2}:
        raise ProtocolError(
            "bands must run from severe over anaemic to not_anaemic, with at least one of each"
        )
    if groups.count(2) != 1:
        raise ProtocolError("only the last band may be not_anaemic")
    for lower, upper in pairwise(bands[:-1]):
        first, second = (b.after_birth_g_dl for b in (lower, upper))
        if (first is None) != (second is None) or (first or 0) >= (second or 1):
            raise ProtocolError(
                f"bands {lower.id!r} and {upper.id!r} must both have limits for after birth, "
                "rising, or none"
            )
        if lower.below_g_dl is None or upper.below_g_dl is None:
            continue
        pairs = zip(lower.below_g_dl, upper.below_g_dl, strict=True)
        if any(low >= high for low, high in pairs):
            raise ProtocolError(
                f"band {upper.id!r} must end above band {lower.id!r} in every trimester"
            )
    return bands


def _band(row: object, where: str, last: bool) -> Band:
    if not isinstance(row, dict):
        raise ProtocolError(f"{where} must be a table")
    table = Table(row, where)
    group = table.text("group")
    if group not in _GROUP_ORDER:
        raise ProtocolError(f"{table.at('group')} must be one of {', '.join(Group)}")
    band = Band(
        id=_id(table, "id"),
        title=table.text("title"),
        group=Group(group),
        below_g_dl=None if last else _limit(table),
        source=table.text("source", ""),
        after_birth_g_dl=_limit_after_birth(table),
    )
    if last and band.after_birth_g_dl is not None:
        raise ProtocolError(f"{where}: the last band is open")
    table.finish()
    return band


def _limit(table: Table) -> tuple[float, float, float]:
    if table.is_table("below_g_dl"):
        by = table.table("below_g_dl")
        one, two, three = (
            by.number(name, 0.1, HIGHEST_LIMIT_G_DL) for name in ("first", "second", "third")
        )
        by.finish()
        return one, two, three
    limit = table.number("below_g_dl", 0.1, HIGHEST_LIMIT_G_DL)
    return limit, limit, limit


def _limit_after_birth(table: Table) -> float | None:
    if "after_birth_below_g_dl" not in table:
        return None
    return table.number("after_birth_below_g_dl", 0.1, HIGHEST_LIMIT_G_DL)


def _certainty(table: Table) -> Certainty:
    usual = Certainty()
    certainty = Certainty(
        # A protocol may be more careful than these ends, never less: severe
        # anaemia is raised at 1 in 5 at the latest, and "not anaemic" is never
        # said when anaemia is likelier than that.
        severe_raised_at=table.number("severe_raised_at", 0.001, 0.2, usual.severe_raised_at),
        severe_named_at=table.number("severe_named_at", 0.001, 1, usual.severe_named_at),
        anaemic_named_at=table.number("anaemic_named_at", 0.5, 1, usual.anaemic_named_at),
        not_anaemic_at_most=table.number("not_anaemic_at_most", 0, 0.2, usual.not_anaemic_at_most),
    )
    if certainty.severe_named_at < certainty.severe_raised_at:
        raise ProtocolError("limits.severe_named_at must not be below limits.severe_raised_at")
    table.finish()
    return certainty


def _usual_care(table: Table) -> UsualCare:
    care = UsualCare(**{name: _codes(table, name) for name in Group})
    table.finish()
    return care


def _codes(table: Table, key: str) -> tuple[Statement, ...]:
    codes = table.take(key, list, [])
    for code in codes:
        if not isinstance(code, str) or code not in USUAL_CARE:
            raise ProtocolError(
                f"{table.at(key)} holds {shown(code)}; known are {', '.join(sorted(USUAL_CARE))}"
            )
    return tuple(Statement(code) for code in codes)


def _elevation(adjustments: Table) -> ElevationRule:
    table = adjustments.table("elevation")
    method = table.text("method")
    if method not in ("formula", "table"):
        raise ProtocolError(f"{table.at('method')} must be formula or table")
    needed: Any = ... if method == "formula" else 0.0
    rule = ElevationRule(
        # Never negative: an adjustment must not lift a reading out of a band.
        linear_g_l_per_m=table.number("linear_g_l_per_m", 0, 0.1, needed),
        quadratic_g_l_per_m2=table.number("quadratic_g_l_per_m2", 0, 1e-4, needed),
        table=_steps(table, ... if method == "table" else []),
        use_table=method == "table",
    )
    table.text("source")
    table.finish()
    return rule


def _steps(table: Table, default: Any) -> tuple[tuple[float, float], ...]:
    where = table.at("table")
    steps = []
    for row in table.take("table", list, default):
        if not (isinstance(row, list) and len(row) == 2):
            raise ProtocolError(f"{where} must hold pairs [from metres, g/L]")
        pair = Table(dict(zip(("from_m", "g_l"), row, strict=True)), where)
        steps.append((pair.number("from_m", 0, 9000), pair.number("g_l", 0, 100)))
    for (from_m, g_l), (next_m, next_g_l) in pairwise(steps):
        if next_m <= from_m or next_g_l < g_l:
            raise ProtocolError(f"{where} must rise from step to step")
    return tuple(steps)


def _smoking(adjustments: Table) -> SmokingRule:
    table = adjustments.table("smoking")
    rule = SmokingRule({kind: table.number(kind.value, 0, 30) for kind in Smoking})
    table.text("source")
    table.finish()
    return rule
