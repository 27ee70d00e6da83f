"""What tables a SQLite register has is looked up once for each text that made them.

A backup asks it of the register and of the database that it is tried out in, a restore of what it
fills: a twelfth of a second each time, more than half of what either takes. The same text always
makes the same tables, and most have that of the newest revision.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Engine, MetaData

_reflect = MetaData.reflect
_found: dict[tuple[Any, ...], MetaData] = {}
"""By the rows of SQLite's own table of what there is."""


def _reflected(self: MetaData, bind: Engine | Connection, *words: Any, **more: Any) -> None:
    plain = isinstance(bind, Connection) and not (words or more or self.tables)
    if not plain or bind.dialect.name != "sqlite":
        _reflect(self, bind, *words, **more)
        return
    assert isinstance(bind, Connection)
    rows = bind.exec_driver_sql("SELECT type, name, tbl_name, sql FROM sqlite_master")
    made_by = tuple(map(tuple, rows))
    if made_by not in _found:
        found = MetaData()
        _reflect(found, bind)
        _found[made_by] = found
    # The very same, so that statements about them are compiled once, too.
    self.tables = _found[made_by].tables


MetaData.reflect = _reflected  # type: ignore[method-assign]
