"""People, registers and codes named in other alphabets than that of A to Z; all invented."""

from __future__ import annotations

import pytest
from builders import add_woman
from sqlalchemy import select

from cardreader.register import accounts, women
from cardreader.register.kinds import Role
from cardreader.register.merge.registers import (
    add_known,
    card_of,
    find_known,
    own_register,
    read_card,
)
from cardreader.register.merge.together import Person, take_people
from cardreader.register.merge.wire import person_line, read_person
from cardreader.register.models import Account

PASSWORD = "a long password"
HINDI = "\u0930\u093e\u091c\u094d\u200d\u092f"
"""A name with a joiner, as keyboards type it."""


@pytest.mark.parametrize("name", ["Élodie", "Ярослава", "Ñandú", HINDI])
def test_whoever_has_such_a_name_signs_in_and_is_added_once(database, name):
    with database.write() as session:
        ada = accounts.add_account(session, name, Role.WORKER, PASSWORD)
        for typed in (name, name.lower(), f"  {name.upper()} "):
            assert accounts.right_password(session, typed, PASSWORD) is ada
            with pytest.raises(ValueError, match="taken"):
                accounts.add_account(session, typed, Role.WORKER, PASSWORD)
        assert accounts.find_account(session, name + "x") is None


def test_two_who_were_added_apart_each_sign_in_as_they_write_themselves(sqlite):
    """An earlier version took them for two."""
    with sqlite.write() as session:
        small = accounts.add_account(session, "élodie", Role.WORKER, PASSWORD)
        great = Account(name="Élodie", role="worker", password_hash=small.password_hash)
        session.add(great)
        session.flush()
        assert accounts.find_account(session, "Élodie") is great
        assert accounts.find_account(session, "élodie") is small


def test_a_register_is_found_and_known_by_such_a_name(sqlite, tmp_path):
    from cardreader.register.database import Database, sqlite_url

    other = Database(sqlite_url(tmp_path / "other.db"))
    other.migrate()
    with other.write() as session:
        card = card_of(own_register(session, f"École {HINDI}"))
    with sqlite.write() as session:
        known = add_known(session, read_card(card.to_json().encode()), False)
        assert find_known(session, f"école {HINDI}") is known
    other.close()


def test_a_person_of_such_a_name_travels_with_what_was_entered(sqlite):
    given = Person("0b9bb6d2-5b0e-4f1c-9a57-0f6a2f0f8a11", f"Élodie {HINDI}", "x" * 36)
    with sqlite.write() as session:
        accounts.add_account(session, f"élodie {HINDI}", Role.WORKER, PASSWORD)
        line = person_line(given)
        line[3] = "5d5f5f3e-0d0c-4c55-9a3b-0b6f1c0b5d11"
        take_people(session, [read_person(line)])
        names = set(session.scalars(select(Account.name)))
        assert names == {f"élodie {HINDI}", f"Élodie {HINDI} · 0b9bb6d2"}


@pytest.mark.parametrize(
    "typed", ["KX-\u0662\u0663", "kx\u201123", "\u200fKX-23", " kx \u2013 \u0968\u0969 "]
)
def test_a_code_typed_with_other_digits_is_the_same_code(sqlite, typed):
    with sqlite.write() as session:
        her = add_woman(session, "KX-23")
        assert women.find_woman(session, typed) is her
