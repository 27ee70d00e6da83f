"""By which protocol, and for which elevation, the register's server last judged.

Whatever judges for the register without being told goes by it: what another register hands
over must not be held against other limits than what is read here.
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import delete, insert, inspect, select

from cardreader.decide.protocolfile import ProtocolSource
from cardreader.register.database import Database, told_if_damaged
from cardreader.register.models import LastJudged

# Asked as a table: asked as objects, the mapping of every table would be worked out, at each start.
_KEPT = LastJudged.metadata.tables[LastJudged.__tablename__]


@dataclass(frozen=True)
class Judging:
    """What values are judged by: a protocol, and the elevation of the place in metres."""

    protocol: ProtocolSource
    elevation_m: float | None


def last_judging(database: Database) -> Judging | None:
    """What was remembered last; None in a register on which no server ran since it is kept.

    Also of tables that have yet to be made, or brought up to date.
    """
    with told_if_damaged(), database.read() as session:
        if not inspect(session.connection()).has_table(_KEPT.name):
            return None
        row = session.execute(select(_KEPT)).first()
        if row is None:
            return None
        return Judging(ProtocolSource(row.protocol_id, row.protocol_text), row.elevation_m)


def remember(database: Database, judging: Judging) -> None:
    """Keep what the server judges by from now on; nothing is written where that stands there."""
    if last_judging(database) == judging:
        return
    with database.write() as session:
        session.execute(delete(_KEPT))
        session.execute(
            insert(_KEPT).values(
                number=1,
                protocol_id=judging.protocol.id,
                protocol_text=judging.protocol.own,
                elevation_m=judging.elevation_m,
            )
        )
