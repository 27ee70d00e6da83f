"""A programme's register at size: search, lists and month beside plain SQL; taking in.

    python tests/benchmarks/registers.py --women 200000 --readings 5 --listed 40000

Fills a PostgreSQL register of its own with invented women, works their places on the lists
out, then measures each page's query, and in between the same counts as plain SQL, on one
connection: in processor time of this process and of the database server. Women beyond
``--listed`` are closed. A post's register on SQLite is made by the register's own calls,
handed over and taken in. With ``--url`` a register that was filled before is used as it is.
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
from statistics import median

ROOT = Path(__file__).parents[2]
sys.path += [str(ROOT / "tests" / "register")]

from builders import add_woman, combine, facts, lab, photo  # noqa: E402
from postgreskit import Postgres  # noqa: E402
from sqlalchemy import TextClause, text  # noqa: E402
from sqlalchemy.orm import Session  # noqa: E402

from cardreader.decide.protocolfile import load_protocol  # noqa: E402
from cardreader.register.database import Database, sqlite_url  # noqa: E402
from cardreader.register.keptlists import keep_lists, renew_as_they_change  # noqa: E402
from cardreader.register.lists import ListName  # noqa: E402
from cardreader.register.merge.following import Judge  # noqa: E402
from cardreader.register.merge.handover import hand_over  # noqa: E402
from cardreader.register.merge.registers import add_known, card_of, own_register  # noqa: E402
from cardreader.register.merge.takein import take_in  # noqa: E402
from cardreader.register.samephoto import LOOKED_BACK, SMALLER, entered_elsewhere  # noqa: E402
from cardreader.register.search import search_women  # noqa: E402
from cardreader.register.shownlists import counts_today, on_any_list, part_of_list  # noqa: E402
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
                     high_g_dl, sd_g_dl, band, lot_id, phone, blot, detail, entered_at,
                     photo_sha256)
SELECT 'r' || substr(id, 2), 'benchmark-' || id, woman_id, id, 'photo', opened_at, hb_g_dl,
       low_g_dl, high_g_dl, sd_g_dl, band, '000123', 'Invented Phone 1', 1, '{detail}', opened_at,
       md5(id) || md5(id)
FROM visit;
INSERT INTO event (id, woman_id, kind, "on", words, entered_at)
SELECT 'e' || n, 'w' || n, 'village', DATE '{today}' - n % 700, 'Invented Place ' || n % 400,
       TIMESTAMP '{today}' FROM generate_series(1, {women}) n;
INSERT INTO referral (id, woman_id, purpose, band, hb_g_dl, urgent, source, opened_at, outcome,
                      closed_at)
SELECT 'f' || n, 'w' || n, 'test', 'anaemic', 9, n % 7 = 0, 'photo',
       TIMESTAMP '{today}' - (n % 700) * INTERVAL '1 day',
       CASE WHEN n % 3 = 0 THEN 'result' END,
       CASE WHEN n % 3 = 0 THEN TIMESTAMP '{today}' - (n % 690) * INTERVAL '1 day' END
FROM generate_series(1, {women}, 2) n;
INSERT INTO treatment (id, woman_id, regimen, started_on)
SELECT 't' || n, 'w' || n, 'treatment', DATE '{today}' - n % 300
FROM generate_series(1, {women}, 4) n;
INSERT INTO touched (woman_id, seq) SELECT id, 1 FROM woman;
ANALYZE
"""


def main() -> None:
    """Measure and print Markdown."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--women", type=int, default=200_000)
    parser.add_argument("--readings", type=int, default=5, help="of each woman")
    parser.add_argument("--listed", type=int, default=40_000, help="women not closed")
    parser.add_argument("--post", type=int, default=900, help="women of the post taken in")
    parser.add_argument("--url", help="a register filled before, instead of one made here")
    given = parser.parse_args()
    if given.url:
        _measure(Database(given.url), given.post)
        return
    server = Postgres()
    try:
        database = Database(server.new_url())
        database.migrate()
        _fill(database, given)
        _measure(database, given.post)
    finally:
        server.stop()


def _fill(database: Database, given: argparse.Namespace) -> None:
    today, detail = dt.date.today().isoformat(), json.dumps(facts(9.0).detail)
    with database.engine.begin() as connection:
        for statement in _FILL.format(today=today, detail=detail, **vars(given)).split(";\n"):
            connection.execute(text(statement))


def _measure(database: Database, post: int) -> None:
    database.migrate()
    rules = load_protocol().follow_up
    cost = _timed(lambda: keep_lists(database, rules))
    print(f"Working the lists out: {cost[0]:.0f} s of processor, {cost[1]:.0f} s by the clock.\n")
    with database.engine.connect() as connection:
        connection.execution_options(isolation_level="AUTOCOMMIT").execute(text("ANALYZE"))
    _pages(database)
    _merging(database, post)
    database.close()


def _pages(database: Database) -> None:
    today, rules = dt.date.today(), load_protocol().follow_up
    first, after = month_bounds(today)
    month = f"\"on\" >= '{first}' AND \"on\" < '{after}'"
    taken = f"taken_at >= '{first}' AND taken_at < '{after}' AND set_aside_at IS NULL"
    codes = "SELECT id FROM woman WHERE code LIKE '%{}%' ORDER BY added_at DESC LIMIT 51"
    village = (
        "SELECT w.id FROM woman w JOIN event e ON e.woman_id = w.id WHERE e.kind = 'village' "
        "AND e.words LIKE '%Place 77%' ORDER BY w.added_at DESC LIMIT 51"
    )
    day = today - dt.timedelta(days=30)
    seen = (
        "SELECT w.id FROM woman w JOIN visit v ON v.woman_id = w.id "
        f"WHERE v.\"on\" = '{day}' ORDER BY w.added_at DESC LIMIT 51"
    )
    open_ = "SELECT count(*) FROM woman w JOIN visit v ON v.woman_id = w.id WHERE closed_on IS NULL"
    # Each count of the month by what it is counted by, as somebody would write it by hand.
    counts = " UNION ALL ".join(
        f"SELECT {what}, count(*) FROM {table} WHERE {when} GROUP BY {what}"
        for what, table, when in (
            ("source || coalesce(lot_id, '') || coalesce(refusal, '')", "reading", taken),
            ("band", "visit", month),
            ("kind || coalesce(choice, '')", "event", month),
            ("purpose || urgent || band", "referral", month.replace('"on"', "opened_at")),
            ("purpose", "referral", "closed_at IS NULL"),
        )
    )
    pages: dict[str, tuple[str, Callable]] = {
        "search: part of a code": (codes.format(1234), lambda s: search_women(s, "1234")),
        "search: of every code": (codes.format("BX"), lambda s: search_women(s, "BX")),
        "search: village": (village, lambda s: search_women(s, "Place 77")),
        "search: day": (seen, lambda s: search_women(s, on=day)),
        "lists: how many on each": (open_, lambda s: counts_today(s, rules, today)),
        "month": (counts, lambda s: summarise(s, today, today, rules)),
    }
    sha256 = "ab" * 32
    told = " OR ".join(
        f"detail #>> '{{photo,{one},original_sha256}}' = '{sha256}'" for one in SMALLER
    )
    sent_before = (
        f"SELECT id FROM reading WHERE photo_sha256 = '{sha256}' UNION SELECT id FROM reading "
        f"WHERE taken_at > '{today - LOOKED_BACK}' AND ({told})"
    )
    pages["a photo that is sent: known?"] = (
        sent_before,
        lambda s: entered_elsewhere(s, frozenset({sha256}), None),
    )
    pages["on paper: who is on any list"] = (
        open_,
        lambda s: on_any_list(s, rules, tuple(ListName), today, 200),
    )
    for name in (ListName.DUE, ListName.OVERDUE, ListName.REFERRALS):
        pages[f"list {name.value}: first hundred"] = (
            open_,
            lambda s, name=name: part_of_list(s, rules, name, today, 0, 100),
        )
    with database.read() as session:
        women = [
            session.scalar(text(f"SELECT count(*) FROM woman{where}"))
            for where in ("", " WHERE closed_on IS NULL")
        ]
        counted = counts_today(session, rules, today)
    print(f"{women[0]:,} women, {women[1]:,} of them open; on lists: ", end="")
    print(", ".join(f"{n:,} {name.value}" for name, n in counted.items()) + ".\n")
    print("| page | program, ms | and server, ms | plain SQL, ms | ratio | clock ms |")
    print("|---|---|---|---|---|---|")
    for name, (plain, page) in pages.items():
        with database.read() as session:
            # Workers of their own would be missed when the server's time is read.
            session.execute(text("SET max_parallel_workers_per_gather = 0"))
            row = _side_by_side(session, text(plain), page)
        print(f"| {name} | " + " | ".join(f"{ms:,.1f}" for ms in row) + " |", flush=True)


def _side_by_side(
    session: Session, plain: TextClause, page: Callable[[Session], object], times: int = 7
) -> tuple[float, float, float, float, float]:
    """Milliseconds of processor: program, program and server, plain SQL; ratio; clock.

    The medians of some. Other programs stretch the clock, and hardly the processor's time.
    """
    backend = session.scalar(text("SELECT pg_backend_pid()"))

    def cost(work: Callable[[], object]) -> tuple[float, float, float]:
        session.expunge_all()
        at = time.perf_counter(), time.process_time(), _on_processor(backend)
        work()
        to = time.perf_counter(), time.process_time(), _on_processor(backend)
        clock, own, servers = (1000 * (b - a) for a, b in zip(at, to, strict=True))
        return own, own + servers, clock

    both = [
        (cost(lambda: session.execute(plain).all()), cost(lambda: page(session)))
        for _ in range(times + 1)
    ][1:]  # at first both find what they read on the disk
    sql = median(by_hand[1] for by_hand, _ in both)
    own, all_, clock = (median(of_page[n] for _, of_page in both) for n in range(3))
    return own, all_, sql, all_ / sql, clock


def _on_processor(process: int) -> float:
    """Seconds a process has spent on a processor, as Linux counts them."""
    return int(Path(f"/proc/{process}/schedstat").read_text().split()[0]) / 1e9


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
        renew_as_they_change(programme, load_protocol().follow_up)
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
