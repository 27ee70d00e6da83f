"""Lines from another register are believed only as this program writes them."""

from __future__ import annotations

import copy
import datetime as dt
import json
import shutil
from contextlib import suppress

import pytest
from builders import add_woman, facts, lab, photo
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from wholestate import load_state

from cardreader.register.database import Database, sqlite_url
from cardreader.register.merge.state import WomanState
from cardreader.register.merge.wire import (
    read_joining,
    read_person,
    read_removed,
    read_trail,
    read_woman,
    woman_line,
)
from cardreader.register.rowcheck import RowError
from cardreader.register.women import find_woman, set_gestation

OWN = "00000000-0000-4000-8000-000000000001"
json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-9, 2**40) | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner),
    max_leaves=4,
)
QUICK = settings(max_examples=80, derandomize=True, database=None, phases=[Phase.generate])


@pytest.fixture(scope="module")
def line(empty_register, tmp_path_factory):
    """A woman with readings, a referral and changes, as she travels."""
    file = tmp_path_factory.mktemp("wire") / "register.db"
    shutil.copy(empty_register, file)
    database = Database(sqlite_url(file))
    with database.write() as session:
        her = add_woman(session, "KX-1", days_ago=30)
        photo(session, her, facts(8.0), days_ago=9)
    with database.write() as session:
        her = find_woman(session, "KX-1")
        set_gestation(session, her, 30, dt.date.today(), None)
        lab(session, her, 8.4)
    with database.read() as session:
        state = load_state(session)
    database.close()
    (woman,) = state.women.values()
    return json.loads(json.dumps(woman_line(woman, OWN))), woman


def test_a_woman_comes_back_as_she_was(line):
    sent, woman = line
    assert read_woman(sent) == woman


def _places(value, path=()):
    yield path
    if isinstance(value, dict | list):
        for key in value if isinstance(value, dict) else range(len(value)):
            yield from _places(value[key], (*path, key))


@QUICK
@given(data=st.data(), instead=json_values)
def test_whatever_stands_in_one_place_instead_is_believed_or_refused(line, data, instead):
    spoiled = copy.deepcopy(line[0])
    path = data.draw(st.sampled_from(sorted(_places(spoiled), key=repr)[1:]))
    where = spoiled
    for key in path[:-1]:
        where = where[key]
    where[path[-1]] = instead
    with suppress(RowError):
        assert isinstance(read_woman(spoiled), WomanState)


@QUICK
@given(line=st.lists(json_values, max_size=9))
def test_a_line_of_anything_is_refused_in_one_way(line):
    for read in (read_woman, read_joining, read_removed, read_person, read_trail):
        with suppress(RowError):
            read(line)


def test_another_womans_record_is_not_taken_for_hers(line):
    spoiled = copy.deepcopy(line[0])
    other = "00000000-0000-4000-8000-0000000000ff"
    reading = next(r for r in spoiled[2] if r[0] == "reading")
    reading[1]["woman_id"] = other
    with pytest.raises(RowError, match="another woman's"):
        read_woman(spoiled)


def test_a_first_value_that_is_not_the_first_is_refused(line):
    spoiled = copy.deepcopy(line[0])
    changes = next(r for r in spoiled[2] if r[0] == "woman")[2]
    first = next(change for change in changes if not change[4])
    first[2]["gestation_weeks"] = 12
    with pytest.raises(RowError, match="not the first"):
        read_woman(spoiled)
