"""The register keeps what its server last judged by, on both databases and in backups."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import ProtocolSource, load_protocol, protocol_source
from cardreader.register.backup import make_backup, restore_backup
from cardreader.register.database import Database, sqlite_url
from cardreader.register.lastjudged import Judging, last_judging, remember
from cardreader.register.models import LastJudged

WHO = Judging(ProtocolSource("who-2024"), None)


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_both_databases_and_backups_keep_it(kind, request, tmp_path):
    if kind == "sqlite":
        first, second = (sqlite_url(tmp_path / name) for name in ("1.db", "2.db"))
    else:
        server = request.getfixturevalue("postgres")
        first, second = server.new_url(), server.new_url()
    database = Database(first)
    database.migrate("0010")
    assert last_judging(database) is None
    database.migrate()
    assert last_judging(database) is None
    own = tmp_path / "own.toml"
    own.write_bytes((shipped("protocols") / "who-2024.toml").read_bytes() + b"# caf\xc3\xa9\r\n")
    judging = Judging(protocol_source(own), 812.5)
    for one in (WHO, judging):
        remember(database, one)
        assert last_judging(database) == one
    assert last_judging(database).protocol.load() == load_protocol(own)
    make_backup(database, tmp_path, tmp_path / "backup", "an invented passphrase")
    database.close()
    restore_backup(second, tmp_path / "new", tmp_path / "backup", "an invented passphrase", True)
    restored = Database(second)
    assert last_judging(restored) == judging
    with restored.read() as session:
        assert len(session.scalars(select(LastJudged)).all()) == 1
    restored.close()
