"""A programme's register at size: search, lists and month beside plain SQL; taking in.

    python tests/benchmarks/registers.py --women 200000 --readings 5 --listed 2000

Fills a PostgreSQL register of its own with invented women, then times each page's query in
processor and clock seconds of this process, and the same counts as plain SQL, in one run on
the same machine. Lists and month are worked out from every open record; where that takes
long they are timed on ``--listed`` open women, the others closed, and told a woman. A
post's register on SQLite is made by the register's own calls, handed over and taken in.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path += [str(ROOT / "tests" / "register")]

from builders import add_woman, combine, facts, lab, photo  # noqa: E402
from postgreskit import Postgres  # noqa: E402
from sqlalchemy import text  # noqa: E402

from cardreader.decide.protocol import load_protocol  # noqa: E402
from cardreader.register.database import Database, sqlite_url  # noqa: E402
from cardreader.register.lists import list_counts, open_rows  # noqa: E402
from cardreader.register.merge.following import Judge  # noqa: E402
from cardreader.register.merge.handover import hand_over  # noqa: E402
from cardreader.register.merge.registers import add_known, card_of, own_register  # noqa: E402
from cardreader.register.merge.takein import take_in  # noqa: E402
from cardreader.register.search import search_women  # noqa: E402
from cardreader.register.summary import month_bounds, summarise  # noqa: E402

_FILL = """
INSERT INTO woman (id, code, gestation_weeks, gestation_on, added_at, closed_on)
SELECT 'w' || n, 'BX-' || n, 10 + n % 25, DATE '{today}' - n % 200,
       TIMESTAMP '{today}' - (n % 700) * INTERVAL '1 day',
       CASE WHEN n > {listed} THEN DATE '{today}' - n % 90 END
FROM generate_series(1, {women}) n;
INSERT INTO visit (id, woman_id, number, "on", opened_at, hb_g_dl, low_g_dl, high_g_dl, sd_g_dl,
                   band, result)
SELECT 'v' || n || '-' || k, 'w' || n, k, DATE '{today}' - ((n * 7 + k * 97) % 700),
       TIMESTAMP '{today}' - ((n * 7 + k * 97) % 700) * INTERVAL '1 day',
       9 + (n + k) % 5, 8, 14, 0.5,
       CASE WHEN (n + k) % 5 < 2 THEN 'anaemic' ELSE 'not_anaemic' END, '{detail}'
FROM generate_series(1, {women}) n, generate_series(1, {readings}) k;
INSERT INTO reading (id, submission_key, woman_id, visit_id, source, taken_at, hb_g_dl, low_g_dl,
                     high_g_dl, sd_g_dl, band, lot_id, phone, blot, detail, entered_at)
SELECT 'r' || substr(id, 2), 'benchmark-' || id, woman_id, id, 'photo', opened_at, hb_g_dl,
       low_g_dl, high_g_dl, sd_g_dl, band, '000123', 'Invented Phone 1', 1, '{detail}', opened_at
FROM visit;
INSERT INTO event (id, woman_id, kind, "on", words, entered_at)
SELECT 'e' || n, 'w' || n, 'village', DATE '{today}' - n % 700, 'Invented Place ' || n % 400,
       TIMESTAMP '{today}' FROM generate_series(1, {women}) n;
INSERT INTO touched (woman_id, seq) SELECT id, 1 FROM woman;
ANALYZE
"""


def main() -> None:
    """Measure and print Markdown."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--women", type=int, default=200_000)
    parser.add_argument("--readings", type=int, default=5, help="of each woman")
    parser.add_argument("--listed", type=int, default=2_000, help="women not closed")
    parser.add_argument("--post", type=int, default=1_000, help="women of the post taken in")
    given = parser.parse_args()
    server = Postgres()
    try:
        database = Database(server.new_url())
        database.migrate()
        detail = json.dumps(facts(9.0).detail)
        with database.engine.begin() as connection:
            today = dt.date.today().isoformat()
            filled = _FILL.format(today=today, detail=detail, **vars(given)).split(";\n")
            for statement in filled:
                connection.execute(text(statement))
        _pages(database, given.listed)
        _merging(database, given.post)
        database.close()
    finally:
        server.stop()


def _pages(database: Database, listed: int) -> None:
    today, rules = dt.date.today(), load_protocol().follow_up
    first, after = month_bounds(today)
    month = f"\"on\" >= '{first}' AND \"on\" < '{after}'"
    taken = f"taken_at >= '{first}' AND taken_at < '{after}'"
    plain = {
        "search": "SELECT count(*) FROM woman WHERE code LIKE '%1234%'",
        "lists": "SELECT count(*) FROM woman w JOIN visit v ON v.woman_id = w.id "
        "WHERE w.closed_on IS NULL",
        "month": f"SELECT (SELECT count(*) FROM reading WHERE {taken}), "
        f"(SELECT count(*) FROM visit WHERE {month}), (SELECT count(*) FROM event WHERE {month})",
    }
    ours: dict[str, Callable] = {
        "search": lambda session: search_women(session, "1234"),
        "lists": lambda session: list_counts(open_rows(session, rules), today),
        "month": lambda session: summarise(session, today, today, rules),
    }
    print(f"| page ({listed:,} women open) | CPU s | clock s | plain SQL, clock s | ratio |")
    print("|---|---|---|---|---|")
    for name, page in ours.items():
        with database.read() as session:
            session.execute(text(plain[name])).all()  # both find the pages in memory
            sql = _timed(lambda name=name, s=session: s.execute(text(plain[name])).all())
            cost = _timed(lambda page=page, s=session: page(s))
        row = (cost[0], cost[1], sql[1], cost[1] / sql[1])
        print(f"| {name} | {row[0]:.2f} | {row[1]:.2f} | {row[2]:.3f} | {row[3]:.0f} |", flush=True)


def _merging(programme: Database, women: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        post = Database(sqlite_url(folder / "post.db"))
        post.migrate()
        with post.write() as session:
            for n in range(women):
                her = add_woman(session, f"PX-{n}", days_ago=90)
                for k in range(4):
                    photo(session, her, facts(8.5 + (n + k) % 6), days_ago=80 - 20 * k)
                lab(session, her, 9.0 + n % 4, days_ago=1, sure=True)
        cards = []
        for database, called in ((post, "Post"), (programme, "Programme")):
            with database.write() as session:
                cards.append(card_of(own_register(session, called)))
        with post.write() as session:
            add_known(session, cards[1], False)
        with programme.write() as session:
            add_known(session, cards[0], False)
        file = folder / "x.handover"
        gave = _timed(lambda: hand_over(post, cards[1].id, file))
        took = _timed(lambda: take_in(programme, file, Judge(combine)))
        again = _timed(lambda: take_in(programme, file, Judge(combine)))
        with post.read() as session:
            tables = ("woman", "visit", "reading", "referral", "event")
            counts = [session.scalar(text(f"SELECT count(*) FROM {one}")) for one in tables]
        print(f"\n| {sum(counts):,} records of {women:,} women | CPU s | clock s |\n|---|---|---|")
        for what, cost in (("hand-over", gave), ("take-in", took), ("the same again", again)):
            print(f"| {what} | {cost[0]:.1f} | {cost[1]:.1f} |")
        print(f"\nThe file: {file.stat().st_size / 1e6:.1f} MB.")
        post.close()


def _timed(work: Callable[[], object]) -> tuple[float, float]:
    cpu, clock = time.process_time(), time.perf_counter()
    work()
    return time.process_time() - cpu, time.perf_counter() - clock


if __name__ == "__main__":
    main()
