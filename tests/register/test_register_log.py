"""The log of a running register is its own, whatever another process does with the file."""

import subprocess
import sys

from sqlalchemy import text

from cardreader.register.database import Database, sqlite_url

LOOK = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1])
connection.execute("SELECT count(*) FROM woman").fetchone()
connection.close()
"""


def test_another_process_leaves_the_log_of_a_running_register(tmp_path):
    path = tmp_path / "register.db"
    database = Database(sqlite_url(path))
    database.migrate()
    with database.read() as one, database.read() as other:
        for session in (one, other):
            session.execute(text("SELECT count(*) FROM woman"))
    log = path.with_name("register.db-wal")
    assert log.exists()
    subprocess.run([sys.executable, "-c", LOOK, str(path)], check=True)
    assert log.exists()
    database.close()
