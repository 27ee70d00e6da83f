"""Two registers that meet over a network: what a code lets in, and what a broken link leaves.

The link here is a function call that may fail; tests/web/test_meeting.py has real servers.
SPAKE2's own mathematics is the library's and is not tested again.
"""

from __future__ import annotations

import shutil

import pytest
from builders import add_woman, combine, facts, photo
from histories import steps
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from wholestate import load_state

from cardreader.register import audit
from cardreader.register.database import Database, sqlite_url
from cardreader.register.meet.code import (
    Greeting,
    Line,
    NotSealedError,
    clean_code,
    grouped,
    new_code,
)
from cardreader.register.meet.course import Stage
from cardreader.register.meet.guest import PAUSES_S, Guest, LinkError
from cardreader.register.meet.host import GREETINGS, LASTS_S, SILENT_S, TRIES, Host
from cardreader.register.meet.side import UNFINISHED, Side, Unknown, sweep
from cardreader.register.meet.snags import MeetError, Snag
from cardreader.register.merge.following import Judge
from cardreader.register.merge.handover import hand_over
from cardreader.register.merge.registers import (
    add_known,
    card_of,
    known_registers,
    own_register,
    read_card,
)
from cardreader.register.merge.takein import take_in
from cardreader.register.removal import remove_woman
from cardreader.register.trouble import ADVICE, Trouble
from cardreader.register.women import find_woman
from cardreader.terminal.progress import Progress

JUDGE = Judge(combine)
MESSAGES = 8
"""Of a meeting: greet, prove, cards, agree, put, give, get, end."""


@pytest.fixture(autouse=True, scope="module")
def one_answer_for_all_work():
    """However busy the machine is, a meeting has as many messages."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("cardreader.register.meet.host.ANSWER_WITHIN_S", 300.0)
        yield


class Register:
    """A register in a folder of its own."""

    def __init__(self, empty_register, folder, name: str, url: str = "") -> None:
        self.folder = folder / name
        self.folder.mkdir()
        shutil.copy(empty_register, self.folder / "register.db")
        self.database = Database(url or sqlite_url(self.folder / "register.db"))
        with self.database.write() as session:
            self.card = card_of(own_register(session, name))

    def knows(self, other: Register) -> None:
        with self.database.write() as session:
            add_known(session, read_card(other.card.to_json().encode()), False)

    def side(self, unknown: Unknown = Unknown.REFUSE, **more) -> Side:
        return Side(self.database, self.folder, JUDGE, unknown=unknown, **more)

    def enter(self, code: str, hb_g_dl: float = 9.0) -> None:
        with self.database.write() as session:
            her = find_woman(session, code) or add_woman(session, code, days_ago=30)
            photo(session, her, facts(hb_g_dl))

    def says(self):
        with self.database.read() as session:
            return load_state(session)

    def known(self) -> dict[str, bool]:
        with self.database.read() as session:
            return {k.name: k.only_theirs for k in known_registers(session)}

    def left_behind(self) -> list:
        return list(self.folder.glob(f"{UNFINISHED}*"))


@pytest.fixture
def strangers(tmp_path, empty_register):
    """Two registers that don't know each other."""
    pair = (
        Register(empty_register, tmp_path, "Post"),
        Register(empty_register, tmp_path, "District"),
    )
    yield pair
    for register in pair:
        register.database.close()


@pytest.fixture
def two(strangers):
    """Two registers that know each other; both have entered something."""
    post, district = strangers
    post.knows(district)
    district.knows(post)
    post.enter("KX-1")
    district.enter("KX-2")
    return post, district


class Clock:
    """Seconds that pass when told to."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def link_to(host: Host):
    """A link that always carries."""

    def send(path: str, message: bytes) -> bytes:
        if path == "greet":
            name, mine = host.greet(message)
            return name.encode() + b"\n" + mine
        if path.endswith("/prove"):
            return host.prove(path.removesuffix("/prove"), message)
        return host.asked(path, message)

    return send


def meet(guest: Register, host: Register, link=None, **more) -> Guest:
    """A meeting from the code to its end."""
    shows = Host()
    code = shows.offer(host.side(**more))
    visit = Guest(guest.side(**more), (link or link_to)(shows), wait=lambda _s: None)
    try:
        visit.meet(code)
    finally:
        shows.close()
    return visit


def test_both_hold_everything_after_one_meeting(two):
    post, district = two
    visit = meet(post, district)
    assert post.says() == district.says()
    assert set(post.says().women) == set(district.says().women)
    now = visit.course.now()
    assert (now.stage, now.other) == (Stage.DONE, "District")
    assert (now.took["new"], now.gave["new"]) == (1, 1)
    assert post.left_behind() == district.left_behind() == []


def test_the_same_meeting_again_changes_nothing_and_carries_only_what_is_new(two):
    post, district = two
    meet(post, district)
    before = post.says()
    visit = meet(district, post)
    assert post.says() == district.says() == before
    assert visit.course.now().took["new"] == visit.course.now().gave["new"] == 0
    post.enter("KX-3")
    visit = meet(district, post)
    assert (visit.course.now().took["new"], visit.course.now().gave["new"]) == (1, 0)


def test_the_third_wrong_code_ends_it_even_for_the_right_one(two):
    post, district = two
    host = Host()
    code = host.offer(district.side())
    wrong = f"{(int(code) + 1) % 10**8:08d}"
    for left in (2, 1, 0):
        with pytest.raises(MeetError) as told:
            Guest(post.side(), link_to(host)).meet(wrong)
        assert told.value.left == left
        assert told.value.snag is (Snag.WRONG_CODE if left else Snag.TOO_MANY)
    assert TRIES == 3
    with pytest.raises(MeetError) as told:
        Guest(post.side(), link_to(host)).meet(code)
    assert told.value.snag is Snag.TOO_MANY
    assert host.shown() is None
    assert host.standing().snag is Snag.TOO_MANY
    assert len(post.says().women) == len(district.says().women) == 1


def test_tries_at_once_are_counted_as_one_after_the_other(two):
    """Many greetings first and all proofs afterwards buy no further guess."""
    host = Host()
    code = host.offer(two[1].side())
    proofs = []
    for guess in range(6):
        greeting = Greeting(f"{(int(code) + 1 + guess) % 10**8:08d}", is_host=False)
        name, message = host.greet(greeting.message)
        proofs.append((name, greeting.keys(message).guest_proof))
    right = Greeting(code, is_host=False)
    name, message = host.greet(right.message)
    snags = []
    for each, proof in [*proofs, (name, right.keys(message).guest_proof)]:
        with pytest.raises(MeetError) as told:
            host.prove(each, proof)
        snags.append(told.value.snag)
    assert snags == [Snag.WRONG_CODE] * 2 + [Snag.TOO_MANY] * 5


def test_greetings_without_a_proof_use_the_code_up(two):
    host = Host()
    host.offer(two[1].side())
    message = Greeting("12345678", is_host=False).message
    for _ in range(GREETINGS):
        host.greet(message)
    with pytest.raises(MeetError) as told:
        host.greet(message)
    assert told.value.snag is Snag.TOO_MANY


def test_a_code_holds_for_minutes_only(two):
    post, district = two
    clock = Clock()
    host = Host(clock)
    code = host.offer(district.side())
    assert host.shown() == (code, LASTS_S)
    clock.now += LASTS_S
    assert host.shown() is None
    with pytest.raises(MeetError) as told:
        Guest(post.side(), link_to(host)).meet(code)
    assert told.value.snag is Snag.EXPIRED


def test_a_code_is_good_for_one_meeting(two):
    post, district = two
    host = Host()
    code = host.offer(district.side())
    Guest(post.side(), link_to(host)).meet(code)
    with pytest.raises(MeetError) as told:
        Guest(post.side(), link_to(host)).meet(code)
    assert told.value.snag is Snag.NO_CODE
    host.withdraw()
    assert host.standing() is None


def test_a_guest_that_goes_silent_makes_room(two):
    _, district = two
    clock = Clock()
    host = Host(clock)
    code = host.offer(district.side())
    greeting = Greeting(code, is_host=False)
    name, message = host.greet(greeting.message)
    keys = greeting.keys(message)
    # An answer that got lost is given again, to the same guest alone.
    assert host.prove(name, keys.guest_proof) == host.prove(name, keys.guest_proof)
    with pytest.raises(MeetError):
        host.prove(name, bytes(32))
    with pytest.raises(MeetError) as told:
        host.offer(district.side())
    assert told.value.snag is Snag.BUSY
    clock.now += SILENT_S + 1
    assert host.standing().snag is Snag.BROKEN_OFF
    host.offer(district.side())
    with pytest.raises(MeetError) as told:
        host.asked(name, Line(keys).question({"do": "cards"}))
    assert told.value.snag is Snag.BROKEN_OFF


def test_its_own_register_is_told_as_such(two):
    post, _ = two
    with pytest.raises(MeetError) as told:
        meet(post, post)
    assert told.value.snag is Snag.OWN


def test_unknown_registers_part_without_a_record(strangers):
    post, district = strangers
    post.enter("KX-1")
    with pytest.raises(MeetError) as told:
        meet(post, district)
    assert told.value.snag is Snag.UNKNOWN_THERE
    post_knows = Host()
    code = post_knows.offer(district.side(Unknown.TELL_ALL))
    with pytest.raises(MeetError) as told:
        Guest(post.side(), link_to(post_knows)).meet(code)
    assert told.value.snag is Snag.UNKNOWN_HERE
    assert post_knows.standing().snag is Snag.UNKNOWN_THERE
    assert district.known() == post.known() == {}
    assert not district.says().women


def test_registers_get_to_know_each_other_where_both_said_so(strangers):
    post, district = strangers
    post.enter("KX-1")
    host = Host()
    code = host.offer(district.side(Unknown.ONLY_THEIRS))
    Guest(post.side(Unknown.TELL_ALL), link_to(host)).meet(code)
    assert district.known() == {"Post": True}
    assert post.known() == {"District": False}
    assert post.says() == district.says()


def test_another_card_under_a_known_id_is_refused(two, tmp_path, empty_register):
    post, district = two
    with district.database.write() as session:
        (known,) = known_registers(session)
        known.sign_public = known.seal_public
    with pytest.raises(MeetError) as told:
        meet(post, district)
    assert told.value.snag is Snag.OTHER_CARD


def test_a_file_that_cannot_be_taken_in_leaves_all_as_it_was(two, monkeypatch):
    post, district = two
    other = Register(post.folder.parent / "Post" / "register.db", post.folder, "Third")
    before = district.says()

    def another(side, card, file, progress=None):
        file.write_bytes(b"no parcel at all")

    monkeypatch.setattr(Side, "write", another)
    with pytest.raises(MeetError) as told:
        meet(post, district)
    assert told.value.snag is Snag.NOT_TAKEN_THERE
    assert "not what a register handed over" in told.value.detail
    assert district.says() == before
    other.database.close()


# --- a link that breaks ---------------------------------------------------------------


class Cut:
    """A link that is dead from the nth message on, before or after it arrives."""

    def __init__(self, after: int, arrives: bool) -> None:
        self.left, self.arrives = after, arrives

    def __call__(self, host: Host):
        send = link_to(host)

        def cut(path: str, message: bytes) -> bytes:
            self.left -= 1
            if self.left < 0:
                if self.left == -1 and self.arrives:
                    send(path, message)
                raise LinkError
            return send(path, message)

        return cut


@pytest.mark.parametrize("arrives", [False, True])
@pytest.mark.parametrize("after", range(MESSAGES - 1))
def test_wherever_the_link_breaks_a_new_meeting_brings_all(two, after, arrives):
    post, district = two
    with pytest.raises(MeetError) as told:
        meet(post, district, Cut(after, arrives))
    assert told.value.snag in (Snag.NOT_REACHED, Snag.BROKEN_OFF)
    visit = meet(post, district)
    assert post.says() == district.says()
    assert len(post.says().women) == 2
    assert visit.course.now().stage is Stage.DONE
    assert post.left_behind() == district.left_behind() == []


@pytest.fixture(params=["guest", "host", "both"])
def two_and_postgres(request, tmp_path, empty_register, postgres):
    """Two registers that know each other, and the server on which one or both are."""
    pair = []
    for name, where in (("Post", ("guest", "both")), ("District", ("host", "both"))):
        url = postgres.migrated_url() if request.param in where else ""
        pair.append(Register(empty_register, tmp_path, name, url))
    post, district = pair
    post.knows(district)
    district.knows(post)
    for n in range(3):
        post.enter(f"KX-{n}", 9.0 - n)
        district.enter(f"PX-{n}", 11.0 + n)
    yield post, district, postgres
    for register in pair:
        register.database.close()


def test_registers_on_postgresql_meet_in_both_directions(two_and_postgres):
    post, district, _ = two_and_postgres
    meet(post, district)
    both = post.says()
    assert both == district.says()
    assert len(both.women) == 6
    for guest, host in ((district, post), (post, district)):
        visit = meet(guest, host)
        assert visit.course.now().took["new"] == visit.course.now().gave["new"] == 0
        assert post.says() == district.says() == both
    # Both go on with the same woman, and one deletes another on request.
    for register, value in ((post, 5.0), (district, 12.0)):
        register.enter("KX-1", value)
    with post.database.write() as session:
        remove_woman(session, find_woman(session, "PX-1"), None)
    meet(district, post)
    meet(post, district)
    assert post.says() == district.says()
    assert len(post.says().women) == 5
    for register in (post, district):
        with register.database.read() as session:
            assert len(find_woman(session, "KX-1").readings) == 3
            assert audit.check(session)


@pytest.mark.slow
@pytest.mark.parametrize("arrives", [False, True])
def test_a_link_that_breaks_loses_nothing_on_postgresql(two_and_postgres, arrives):
    post, district, _ = two_and_postgres
    for after in range(MESSAGES - 1):
        guest, host = ((post, district), (district, post))[after % 2]
        guest.enter("KX-1" if guest is post else "PX-1", 6.0 + after / 10)
        with pytest.raises(MeetError) as told:
            meet(guest, host, Cut(after, arrives))
        assert told.value.snag in (Snag.NOT_REACHED, Snag.BROKEN_OFF)
    meet(post, district)
    assert post.says() == district.says()
    assert len(post.says().women) == 6
    assert post.left_behind() == district.left_behind() == []


class CutOff(Progress):
    """A database whose server drops every connection in the middle of a taking-in."""

    def __init__(self, postgres) -> None:
        super().__init__()
        self.postgres = postgres

    def step(self, count: int = 1, **facts: int) -> None:
        self.postgres.drop_connections()


@pytest.mark.slow
def test_a_database_that_goes_away_while_it_takes_in_is_as_it_was(two_and_postgres):
    post, district, postgres = two_and_postgres
    file = district.folder / "whole.over"
    hand_over(district.database, post.card.id, file)
    there = hand_over_back(post, district)
    for register, giver, came in ((post, district, file), (district, post, there)):
        if register.database.is_sqlite:
            continue
        before = register.says()
        with pytest.raises(MeetError) as told:
            register.side().take(giver.card, came, CutOff(postgres))
        assert told.value.snag is Snag.NOT_TAKEN_HERE
        assert told.value.detail == ADVICE[Trouble.UNREACHABLE]
        assert register.says() == before
    meet(post, district)
    assert post.says() == district.says()


def hand_over_back(post: Register, district: Register):
    file = post.folder / "back.over"
    hand_over(post.database, district.card.id, file)
    return file


def test_what_one_took_before_the_end_was_told_is_not_lost(two):
    """The guest has taken all in; that the host never hears of it does no harm."""
    post, district = two
    visit = meet(post, district, Cut(MESSAGES - 1, False))
    assert visit.course.now().stage is Stage.DONE
    assert post.says() == district.says()


def test_a_link_that_loses_every_other_message_still_gets_there(two):
    post, district = two

    def shaky(host: Host):
        send, count = link_to(host), iter(range(10_000))

        def sometimes(path: str, message: bytes) -> bytes:
            turn = next(count) % 4
            if turn == 1:
                raise LinkError
            answer = send(path, message)
            if turn == 3:
                raise LinkError
            return answer

        return sometimes

    assert len(PAUSES_S) > 2
    meet(post, district, shaky)
    assert post.says() == district.says()


@pytest.mark.parametrize("nth", range(MESSAGES))
def test_a_changed_answer_is_not_believed(two, nth):
    """Whoever stands in between can break a meeting off, and no more."""
    post, district = two

    def tampered(host: Host):
        send, count = link_to(host), iter(range(10_000))

        def changed(path: str, message: bytes) -> bytes:
            answer = send(path, message)
            if next(count) >= nth:
                answer = answer[:-1] + bytes([answer[-1] ^ 1])
            return answer

        return changed

    if nth < MESSAGES - 1:
        with pytest.raises(MeetError):
            meet(post, district, tampered)
        assert len(post.says().women) == 1
    else:
        # Only the farewell was changed.
        meet(post, district, tampered)
    meet(post, district)
    assert post.says() == district.says()


def test_a_question_is_answered_once(two):
    greeting, other = Greeting("12345678", is_host=False), Greeting("12345678", is_host=True)
    keys = greeting.keys(other.message)
    assert keys == other.keys(greeting.message)
    asks, answers = Line(keys), Line(keys)
    first = asks.question({"do": "give"}, b"x")
    second = asks.question({"do": "give"})
    assert answers.asked(first) == ({"do": "give"}, b"x")
    with pytest.raises(NotSealedError):
        answers.asked(first)
    answer = answers.answer(first, {"size": 1})
    with pytest.raises(NotSealedError):
        asks.answered(second, answer)
    for wrong in (b"", b"short", answer[:-1], first):
        with pytest.raises(NotSealedError):
            asks.answered(first, wrong)
    stranger = Greeting("12345679", is_host=False)
    with pytest.raises(NotSealedError):
        Line(stranger.keys(other.message)).asked(first)


@pytest.mark.parametrize("message", [b"", b"B", b"A" + bytes(32), b"A" + b"\xff" * 32, b"x" * 500])
def test_what_is_no_greeting_is_refused(two, message):
    host = Host()
    host.offer(two[1].side())
    with pytest.raises(MeetError) as told:
        host.greet(message)
    assert told.value.snag is Snag.NO_REGISTER


def test_codes_are_read_in_any_digits_and_spacing():
    assert clean_code(" 1234-5678 ") == clean_code("१२३४ ५६७८") == clean_code("١٢٣٤٥٦٧٨")
    assert clean_code("1234 5678") == "12345678"
    assert len({new_code() for _ in range(50)}) > 45
    assert clean_code(grouped("00001111")) == "00001111"
    for wrong in ("", "1234567", "123456789", "1234567a8"):
        with pytest.raises(ValueError, match="eight"):
            clean_code(wrong)


def test_files_of_a_killed_meeting_go_and_those_of_a_running_one_stay(two):
    post, _ = two
    left = post.folder / f"{UNFINISHED}killed"
    left.mkdir()
    (left / "came.handover").write_bytes(b"sealed")
    with post.side().folder() as running:
        sweep(post.folder)
        assert running.exists()
        assert not left.exists()


# --- the same as by file --------------------------------------------------------------


@pytest.mark.slow
@given(
    deeds=st.lists(st.tuples(st.integers(0, 1), steps), min_size=8, max_size=16),
    cut=st.integers(0, MESSAGES - 1),
)
@settings(max_examples=12, derandomize=True, database=None, phases=[Phase.generate])
def test_a_meeting_brings_what_files_bring(empty_register, tmp_path_factory, deeds, cut):
    """The same two histories, merged by files and by a meeting that broke off once before."""
    folder = tmp_path_factory.mktemp("pairs")
    post, district = (Register(empty_register, folder, name) for name in ("Post", "District"))
    by_file = []
    try:
        post.knows(district)
        district.knows(post)
        for which, step in deeds:
            with (post, district)[which].database.write() as session:
                step(session)
        for one in (post, district):
            one.database.close()
            copy = folder / f"{one.card.name} copy"
            shutil.copytree(one.folder, copy)
            by_file.append(Database(sqlite_url(copy / "register.db")))
            one.database = Database(sqlite_url(one.folder / "register.db"))
        post_copy, district_copy = by_file
        to_district, to_post = folder / "to-district", folder / "to-post"
        hand_over(post_copy, district.card.id, to_district)
        take_in(district_copy, to_district, JUDGE)
        hand_over(district_copy, post.card.id, to_post)
        take_in(post_copy, to_post, JUDGE)
        try:
            meet(post, district, Cut(cut, bool(cut % 2)))
        except MeetError:
            meet(post, district)
        assert _said(post.database) == _said(post_copy)
        assert _said(district.database) == _said(district_copy)
    finally:
        for database in (post.database, district.database, *by_file):
            database.close()


def _said(database: Database):
    """All that is said, but for changes that a take-in made by itself: their ids are chance."""
    with database.read() as session:
        state = load_state(session)
    women = {
        name: {
            key: {
                field: sorted(repr(sorted(c.value.items())) for c in record.heads(field))
                for field in {c.field for c in record.changes.values()}
            }
            for key, record in woman.records.items()
        }
        for name, woman in state.women.items()
    }
    return women, state.removed, state.joinings
