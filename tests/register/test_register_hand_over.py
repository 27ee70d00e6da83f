"""Handing over and taking in by file: two registers, on either database, that both went on."""

from __future__ import annotations

import datetime as dt
import shutil
import tarfile

import pytest
from builders import NOBODY, PROTOCOL, add_woman, combine, facts, lab, photo, refused
from days import today
from sqlalchemy import select
from wholestate import load_state

from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import Outcome
from cardreader.register import accounts, audit, closing, tocome, women
from cardreader.register.backup import make_backup, restore_backup
from cardreader.register.base import utc_now
from cardreader.register.births import note_birth
from cardreader.register.database import Database, sqlite_url
from cardreader.register.doubt import DoubtfulError
from cardreader.register.history import measurements, standing
from cardreader.register.kinds import BirthOutcome, ReferralOutcome, Role
from cardreader.register.knownby import mend_code
from cardreader.register.mendedweeks import mend_weeks
from cardreader.register.merge.conflicts import (
    code_clashes,
    conflicts,
    contradictory,
    decide,
    settle,
)
from cardreader.register.merge.following import Judge
from cardreader.register.merge.handover import hand_over
from cardreader.register.merge.joining import join_two, part
from cardreader.register.merge.parcel import ParcelError
from cardreader.register.merge.registers import (
    CardError,
    add_known,
    card_of,
    own_register,
    read_card,
    renew_own,
)
from cardreader.register.merge.takein import take_in
from cardreader.register.mergemodels import Joining, KnownRegister, TakenTrail
from cardreader.register.models import Account, Reading, Referral, Visit, Woman
from cardreader.register.openreferrals import open_referrals
from cardreader.register.phoneclock import TakenAt, taken_at
from cardreader.register.photostore import open_store
from cardreader.register.recording import record_lab, record_photo, subject_of
from cardreader.register.referrals import send_for_test, tell_outcome
from cardreader.register.removal import remove_woman
from cardreader.register.settingaside import set_aside
from cardreader.register.visits import open_visit
from cardreader.register.women import find_woman, set_gestation
from cardreader.terminal.progress import Progress

JUDGE = Judge(combine)
LIVE = BirthOutcome.LIVE


class Register:
    """A register with its folder, and how it is handed over to others."""

    def __init__(self, url: str, folder, name: str) -> None:
        folder.mkdir(exist_ok=True)
        self.folder, self.database = folder, Database(url)
        self.database.migrate()
        with self.database.write() as session:
            self.card = card_of(own_register(session, name))

    def knows(self, other: Register, only_theirs: bool = False) -> None:
        with self.database.write() as session:
            add_known(session, read_card(other.card.to_json().encode()), only_theirs)

    def gives(self, other: Register, everything: bool = False, photos=None):
        file = self.folder / f"{other.card.name}-{len(list(self.folder.glob('*.over')))}.over"
        hand_over(self.database, other.card.id, file, everything, photos)
        return file

    def takes(self, file, photos=None, judge=JUDGE):
        return take_in(self.database, file, judge, photos)

    def says(self):
        with self.database.read() as session:
            return load_state(session)

    def do(self, what, code: str = "KX-1"):
        with self.database.write() as session:
            return what(session, find_woman(session, code))

    def look(self, what, code: str = "KX-1"):
        with self.database.read() as session:
            return what(session, find_woman(session, code))


def severe(_session, woman) -> bool:
    return standing(measurements(woman)).severe


@pytest.fixture(scope="module")
def post_file(tmp_path_factory, empty_register):
    """The register of an outreach post with a worker and a woman read once, to be copied."""
    folder = tmp_path_factory.mktemp("post")
    file = shutil.copy(empty_register, folder / "post.db")
    post = Register(sqlite_url(file), folder / "post", "Post")
    with post.database.write() as session:
        ada = accounts.add_account(session, "ada", Role.WORKER, "a long password").id
        her = add_woman(session, "KX-1", days_ago=40)
        her.added_by = ada
        photo(session, her, facts(9.0), days_ago=20)
    post.database.close()
    return file


def introduce(post: Register, programme: Register) -> None:
    """Let each know the other, and the programme what the post has entered."""
    post.knows(programme)
    programme.knows(post)
    programme.takes(post.gives(programme))


@pytest.fixture(scope="module")
def introduced(tmp_path_factory, empty_register, post_file):
    """A folder with the files of two registers on SQLite that know each other, to be copied."""
    folder = tmp_path_factory.mktemp("introduced")
    shutil.copy(post_file, folder / "post.db")
    shutil.copy(empty_register, folder / "programme.db")
    pair = [
        Register(sqlite_url(folder / f"{name.lower()}.db"), folder / name, name)
        for name in ("Post", "Programme")
    ]
    introduce(*pair)
    for one in pair:
        one.database.close()
    return folder


@pytest.fixture(scope="module")
def introduced_elsewhere(tmp_path_factory, postgres, post_file):
    """The same with the programme on PostgreSQL: the post's file, and the programme's rows."""
    folder = tmp_path_factory.mktemp("elsewhere")
    post_file, url = shutil.copy(post_file, folder / "post.db"), postgres.migrated_url()
    pair = [
        Register(sqlite_url(post_file), folder / "post", "Post"),
        Register(url, folder / "programme", "Programme"),
    ]
    introduce(*pair)
    for one in pair:
        one.database.close()
    return post_file, postgres.rows(url)


@pytest.fixture(params=["sqlite", "postgresql"])
def two(request, tmp_path):
    """An outreach post on SQLite, and the programme on either database; each knows the other."""
    if request.param == "sqlite":
        folder = request.getfixturevalue("introduced")
        post_file = folder / "post.db"
        url = sqlite_url(shutil.copy(folder / "programme.db", tmp_path))
    else:
        post_file, rows = request.getfixturevalue("introduced_elsewhere")
        url = request.getfixturevalue("postgres").filled_url(rows)
    shutil.copy(post_file, tmp_path / "post.db")
    post = Register(sqlite_url(tmp_path / "post.db"), tmp_path / "post", "Post")
    programme = Register(url, tmp_path / "programme", "Programme")
    yield post, programme
    post.database.close()
    programme.database.close()


def exchange(post: Register, programme: Register) -> None:
    programme.takes(post.gives(programme))
    post.takes(programme.gives(post))


def both_twice(first: Register, second: Register, judge: Judge) -> None:
    for _ in range(2):
        first.takes(second.gives(first), judge=judge)
        second.takes(first.gives(second), judge=judge)


def test_what_was_handed_over_is_there_with_whoever_entered_it(two):
    post, programme = two
    assert programme.says() == post.says()
    with programme.database.read() as session:
        ada = session.scalars(select(Account).where(Account.name == "ada")).one()
        assert (ada.disabled, ada.home_id) == (True, post.card.id)
        assert find_woman(session, "KX-1").added_by == ada.id
        assert accounts.right_password(session, "ada", "a long password") is None


def test_only_what_is_new_goes_and_twice_does_no_harm(two):
    post, programme = two
    post.do(lambda s, _: add_woman(s, "KX-2"))
    first = post.gives(programme)
    done = programme.takes(first)
    assert (done.women.new, done.women.changed, done.women.same) == (1, 0, 0)
    again = programme.takes(first)
    assert (again.women.new, again.women.changed, again.women.same) == (0, 0, 1)
    assert programme.takes(post.gives(programme)).women.same == 0  # nothing is new
    assert programme.says() == post.says()


def test_any_order_comes_to_the_same_and_a_lost_file_is_noticed(two):
    post, programme = two
    post.do(lambda s, her: set_gestation(s, her, 28, today(), None))
    older = post.gives(programme)
    post.do(lambda s, her: set_gestation(s, her, 30, today(), None))
    newer = post.gives(programme)
    assert programme.takes(newer).gap
    assert programme.look(lambda s, her: her.gestation_weeks) == 30
    # The programme's next hand-over says how far it got: the post tells the rest again.
    assert post.takes(programme.gives(post)).lost
    assert not programme.takes(post.gives(programme)).gap
    programme.takes(older)
    assert programme.look(lambda s, her: her.gestation_weeks) == 30
    post.takes(programme.gives(post))
    assert programme.says() == post.says()


def test_both_values_stay_until_the_supervisor_decides_and_that_travels(two):
    post, programme = two
    post.do(lambda s, her: set_gestation(s, her, 28, today(), None))
    programme.do(lambda s, her: set_gestation(s, her, 30, today(), None))
    exchange(post, programme)
    for register in two:
        with register.database.read() as session:
            (conflict,) = conflicts(session)
        assert (conflict.code, conflict.field) == ("KX-1", "gestation")
        weeks = {v.value["gestation_weeks"]: v for v in conflict.values}
        assert set(weeks) == {28, 30}
    with post.database.write() as session:
        decide(session, weeks[28].change_id, None)
    assert post.look(lambda s, her: her.gestation_weeks) == 28
    exchange(post, programme)
    assert programme.look(lambda s, her: her.gestation_weeks) == 28
    for register in two:
        with register.database.read() as session:
            assert conflicts(session) == []
    assert programme.says() == post.says()
    with post.database.write() as session, pytest.raises(ValueError, match="look at the list"):
        decide(session, weeks[30].change_id, None)


def test_the_same_change_on_both_sides_is_no_conflict(two):
    post, programme = two
    for register in two:
        register.do(lambda s, her: set_gestation(s, her, 28, today(), None))
    exchange(post, programme)
    with programme.database.read() as session:
        assert conflicts(session) == []


def test_who_was_read_severe_at_one_and_closed_at_the_other_is_followed_again(two):
    post, programme = two
    programme.do(
        lambda s, her: closing.close_woman(
            s, her, women.Closing.MOVED, today() - dt.timedelta(days=2), None, sure=True
        )
    )
    post.do(lambda s, her: photo(s, her, facts(5.0)))
    exchange(post, programme)
    exchange(post, programme)
    for register in two:
        assert register.look(lambda s, her: her.closed_on) is None
        assert register.look(severe)
        kinds = register.look(lambda s, her: [e.kind for e in her.events])
        assert kinds.count("read_while_closed") == 1
        with register.database.read() as session:
            assert conflicts(session) == []
    assert programme.says() == post.says()


@pytest.mark.parametrize("reason", [women.Closing.DIED, women.Closing.TRANSFERRED])
def test_who_was_closed_where_all_was_known_stays_closed(two, reason):
    """Read severe and closed at one, before the other heard of either."""
    post, programme = two
    post.do(lambda s, her: photo(s, her, facts(5.0), days_ago=3))
    post.do(lambda s, her: closing.close_woman(s, her, reason, today(), None, "there", sure=True))
    for _ in range(2):
        exchange(post, programme)
    for register in two:
        assert register.look(lambda _, her: her.closed_reason) == reason
    assert post.says() == programme.says()
    # What is read after it, where that is not known yet, opens it again.
    programme.do(lambda s, her: photo(s, her, facts(9.0)))
    exchange(post, programme)
    assert [r.look(lambda _, her: her.closed_on) for r in two] == [None, None]


def test_a_laboratory_result_of_one_answers_the_referral_of_the_other(two):
    post, programme = two
    post.do(lambda s, her: photo(s, her, facts(6.4), days_ago=3))
    assert post.look(severe)
    programme.do(lambda s, her: lab(s, her, 7.3, days_ago=1, sure=True))
    exchange(post, programme)
    for register in two:
        assert not register.look(severe)
        assert register.look(lambda s, her: open_referrals(her)) == []
    exchange(post, programme)
    assert programme.says() == post.says()

    # The value was a slip: whoever took it back, the referral is open again at both.
    def slip(session, her):
        value = next(r for r in her.readings if r.source == "lab")
        set_aside(
            session, value, "another woman's", None, combine, JUDGE.subject(her, her.visits[0])
        )

    post.do(slip)
    exchange(post, programme)
    for register in two:
        assert register.look(severe)
        assert register.look(lambda s, her: len(open_referrals(her))) >= 1


def test_a_result_of_one_does_not_end_what_it_contradicts_at_the_other(two):
    """At one register 12.1 after a photo of 5.0 would have been asked about."""
    post, programme = two
    post.do(lambda s, her: photo(s, her, facts(5.0), days_ago=3))
    programme.do(lambda s, her: lab(s, her, 12.1, days_ago=1, sure=True))
    exchange(post, programme)
    exchange(post, programme)
    for register in two:
        assert register.look(lambda s, her: [r.urgent for r in open_referrals(her)]) == [True]
    assert programme.says() == post.says()
    # Nobody was asked yet: whoever enters the next result is.
    with pytest.raises(DoubtfulError):
        programme.do(lambda s, her: lab(s, her, 12.0))
    programme.do(lambda s, her: lab(s, her, 12.0, sure=True))
    exchange(post, programme)
    for register in two:
        assert register.look(lambda s, her: open_referrals(her)) == []


def test_a_doubted_result_that_somebody_stood_by_ends_what_both_know_of(two):
    """Asked at the one register and told of the referral at the other, once is enough."""
    post, programme = two
    post.do(lambda s, her: photo(s, her, facts(5.0), days_ago=3))
    exchange(post, programme)
    post.do(lambda s, her: lab(s, her, 12.1, days_ago=1, sure=True))
    programme.do(tell_no_laboratory)
    exchange(post, programme)
    exchange(post, programme)
    for register in two:
        assert register.look(lambda s, her: open_referrals(her)) == []
    assert programme.says() == post.says()


def test_a_doubted_result_ends_nothing_of_which_nobody_was_asked(two):
    """Whoever stood by it had not seen what the other register read."""
    post, programme = two
    post.do(lambda s, her: photo(s, her, facts(5.0), days_ago=3))
    exchange(post, programme)
    programme.do(lambda s, her: photo(s, her, facts(5.2), days_ago=2))
    post.do(lambda s, her: lab(s, her, 12.1, days_ago=1, sure=True))
    exchange(post, programme)
    exchange(post, programme)
    for register in two:
        assert register.look(lambda s, her: [r.urgent for r in open_referrals(her)]) == [True]
    assert programme.says() == post.says()


def tell_no_laboratory(session, her):
    (referral,) = open_referrals(her)
    rules = JUDGE.rules
    tell_outcome(session, referral, ReferralOutcome.NO_LABORATORY, today(), None, rules)


@pytest.mark.parametrize(("days_ago", "result"), [(0, 9.3), (5, 9.3)])
def test_what_one_read_while_the_other_had_an_answer_is_asked_again(two, days_ago, result):
    """A referral that both know of: answered at one, grown severe at the other."""
    post, programme = two
    post.do(lambda s, her: photo(s, her, facts(9.0), days_ago=7))
    exchange(post, programme)
    programme.do(lambda s, her: lab(s, her, result, days_ago=2))
    post.do(lambda s, her: photo(s, her, facts(5.0), days_ago=days_ago))
    exchange(post, programme)
    exchange(post, programme)
    for register in two:
        assert register.look(lambda s, her: [r.urgent for r in open_referrals(her)]) == [True]
        with register.database.read() as session:
            assert conflicts(session) == []
    assert programme.says() == post.says()


def test_what_a_result_kept_from_being_asked_is_asked_once_the_other_set_it_aside(two):
    """The photo came in late behind the result, and opened nothing there."""
    post, programme = two
    post.do(lambda s, her: lab(s, her, 12.0, days_ago=1, sure=True))
    exchange(post, programme)
    post.do(lambda s, her: photo(s, her, facts(5.0), days_ago=4))
    assert post.look(lambda s, her: open_referrals(her)) == []

    def slip(session, her):
        value = next(r for r in her.readings if r.source == "lab")
        set_aside(session, value, "another woman's", None, combine, NOBODY)

    programme.do(slip)
    exchange(post, programme)
    exchange(post, programme)
    for register in two:
        found = register.look(lambda s, her: [(r.band, r.urgent) for r in open_referrals(her)])
        assert found == [("severe", True)]
    assert programme.says() == post.says()


def test_a_photo_read_at_one_does_not_end_what_the_other_read_severe(two):
    post, programme = two
    post.do(lambda s, her: lab(s, her, 9.2, days_ago=10))
    post.do(lambda s, her: photo(s, her, refused("out_of_range"), days_ago=6))
    exchange(post, programme)
    post.do(lambda s, her: photo(s, her, facts(13.5)))
    programme.do(lambda s, her: photo(s, her, facts(5.0), days_ago=2))
    exchange(post, programme)
    exchange(post, programme)
    for register in two:
        assert register.look(lambda s, her: [r.urgent for r in open_referrals(her)]) == [True]
    assert programme.says() == post.says()


def test_who_was_said_to_have_died_at_one_and_was_read_at_the_other_is_still_sent(two):
    post, programme = two
    post.do(lambda s, her: photo(s, her, facts(9.0), days_ago=7))
    exchange(post, programme)
    programme.do(lambda s, her: lab(s, her, 6.0, days_ago=1, sure=True))
    for register in two:
        register.do(
            lambda s, her: closing.close_woman(s, her, women.Closing.DIED, today(), None, sure=True)
        )
    post.do(lambda s, her: photo(s, her, facts(9.2)))
    exchange(post, programme)
    exchange(post, programme)
    for register in two:
        assert register.look(lambda s, her: her.closed_on) is None
        purposes = register.look(lambda s, her: [r.purpose for r in open_referrals(her)])
        assert "care" in purposes


def test_a_visit_of_both_is_combined_anew(two):
    post, programme = two
    post.do(lambda s, her: photo(s, her, facts(9.0, sha="a" * 64), days_ago=0))
    exchange(post, programme)
    post.do(lambda s, her: photo(s, her, facts(8.0, sha="b" * 64), key="post-2"))
    programme.do(lambda s, her: photo(s, her, facts(7.0, sha="c" * 64), key="programme-2"))
    exchange(post, programme)
    exchange(post, programme)
    for register in two:
        visit = register.look(lambda s, her: her.visits[-1].hb_g_dl)
        # Both second blots bear one number, and are two blots.
        assert visit == pytest.approx((9.0 + 8.0 + 7.0) / 3)
    assert programme.says() == post.says()


def test_deletion_on_request_travels_and_nothing_brings_her_back(two, tmp_path):
    post, programme = two
    store, there = open_store(post.folder), open_store(programme.folder)
    with post.database.write() as session:
        reading = session.scalars(select(Reading)).one()
        reading.photo_file = store.put(b"an invented picture")
        session.flush()
        session.get_one(KnownRegister, programme.card.id).told = 0
    file = post.gives(programme, everything=True, photos=store)
    assert programme.takes(file, there).photos == 1
    (name,) = there.names()
    assert there.get(name) == b"an invented picture"
    programme.do(lambda s, her: lab(s, her, 9.1))
    old = programme.gives(post)
    post.do(lambda s, her: remove_woman(s, her, None))
    done = programme.takes(post.gives(programme), there)
    assert done.women.removed == 1
    assert there.names() == set()
    for register, given in ((post, old), (programme, file)):
        register.takes(given)
        with register.database.read() as session:
            assert session.scalars(select(Woman)).all() == []
            assert session.scalars(select(Reading)).all() == []
            assert audit.check(session)


def test_two_women_of_one_code_are_kept_apart_until_joined_or_mended(two):
    post, programme = two
    post.do(lambda s, _: photo(s, add_woman(s, "KX-7"), facts(12.9)), "KX-7")
    programme.do(lambda s, _: photo(s, add_woman(s, "KX-7"), facts(5.2)), "KX-7")
    exchange(post, programme)
    # Each keeps finding her own under the code that her workers know.
    assert not post.look(severe, "KX-7")
    assert programme.look(severe, "KX-7")
    with post.database.read() as session:
        (clash,) = code_clashes(session)
        assert (clash.code, len(clash.women)) == ("KX-7", 2)
        other = next(code for _, code in clash.women if code != "KX-7")
        assert session.scalars(select(Woman).where(Woman.code == other)).one()
    post.do(lambda s, her: mend_code(s, her, "KX-8", today(), None), "KX-7")
    exchange(post, programme)
    for register in two:
        assert register.look(severe, "KX-7")
        assert not register.look(severe, "KX-8")
        with register.database.read() as session:
            assert code_clashes(session) == []


def test_a_woman_under_two_records_is_joined_and_parted_again(two):
    post, programme = two
    programme.do(lambda s, _: photo(s, add_woman(s, "PX-1", days_ago=9), facts(5.2)), "PX-1")
    exchange(post, programme)
    one, other = (post.look(lambda s, her: her.id, code) for code in ("KX-1", "PX-1"))
    with post.database.write() as session:
        join_two(session, one, other, None)
    exchange(post, programme)
    for register in two:
        assert register.look(severe)  # the severe reading of the other is hers
        assert register.look(lambda s, her: len(her.readings)) == 2
        # The other code leads to her, too, and nobody else gets it.
        assert register.look(lambda s, her: her.id, "PX-1") == one
        with register.database.write() as session, pytest.raises(ValueError, match="taken"):
            women.add_woman(session, "PX-1", 20, today(), None)
    # While they are one, the programme goes on with her.
    programme.do(lambda s, her: lab(s, her, 5.5, sure=True))
    exchange(post, programme)
    with programme.database.write() as session:
        part(session, session.scalars(select(Joining)).one(), None)
    exchange(post, programme)
    for register in two:
        assert register.look(severe, "PX-1")
        assert register.look(lambda s, her: len(her.readings), "PX-1") == 1
        # What was entered while they were joined stays with the record that was shown.
        assert register.look(lambda s, her: len(her.readings)) == 2
    assert programme.says() == post.says()


def test_a_joined_woman_is_followed_if_either_record_was(two):
    programme = two[1]
    programme.do(lambda s, _: add_woman(s, "PX-1"), "PX-1")
    programme.do(
        lambda s, her: closing.close_woman(s, her, women.Closing.MOVED, today(), None, sure=True)
    )
    with programme.database.write() as session:
        her, other = (find_woman(session, code).id for code in ("KX-1", "PX-1"))
        join_two(session, her, other, None)
    assert programme.look(lambda s, her: her.closed_on) is None
    # Closed as one she is; two women are followed until somebody says which of them went.
    programme.do(
        lambda s, her: closing.close_woman(s, her, women.Closing.MOVED, today(), None, sure=True)
    )
    with programme.database.write() as session:
        assert find_woman(session, "KX-1").closed_on == today()
        part(session, session.scalars(select(Joining)).one(), None)
    for code in ("KX-1", "PX-1"):
        assert programme.look(lambda s, her: her.closed_on, code) is None


def test_a_register_told_only_of_its_own_women_learns_of_no_other(two):
    post, programme = two
    programme.knows(post, only_theirs=True)
    programme.do(lambda s, _: add_woman(s, "PX-1"), "PX-1")
    programme.do(lambda s, her: lab(s, her, 9.1))
    post.takes(programme.gives(post))
    assert post.look(lambda s, her: her, "PX-1") is None
    assert post.look(lambda s, her: len(her.readings)) == 2


def test_a_copy_out_of_a_backup_is_another_register(two, tmp_path):
    post, programme = two
    backup = tmp_path / "post.backup"
    make_backup(post.database, post.folder, backup, "an invented passphrase")
    url = sqlite_url(tmp_path / "copy" / "register.db")
    restore_backup(url, tmp_path / "copy", backup, "an invented passphrase")
    copy = Register(url, tmp_path / "copy", "Copy")
    assert copy.card.id != post.card.id
    assert copy.card.sign != post.card.sign
    with pytest.raises(ParcelError, match="sealed for another register"):
        copy.takes(programme.gives(post))
    programme.knows(copy)
    # Both go on, each without the other.
    copy.do(lambda s, her: set_gestation(s, her, 28, today(), None))
    post.do(lambda s, her: lab(s, her, 9.1))
    for one in (copy, post):
        programme.takes(one.gives(programme))
        programme.takes(one.gives(programme))
    with programme.database.read() as session:
        her = find_woman(session, "KX-1")
        assert (her.gestation_weeks, len(her.readings)) == (28, 2)
        assert conflicts(session) == []
    copy.database.close()


@pytest.mark.parametrize("told_first", [False, True])
def test_a_post_that_was_restored_learns_of_whom_it_entered_since_the_backup(
    two, tmp_path, told_first
):
    """Its laptop is lost, and with it the severe woman of last week: the programme has her."""
    post, programme = two
    programme.knows(post, only_theirs=True)
    backup = tmp_path / "post.backup"
    make_backup(post.database, post.folder, backup, "an invented passphrase")
    programme.do(lambda s, _: add_woman(s, "PX-1"), "PX-1")
    post.do(lambda s, _: photo(s, add_woman(s, "KX-2"), facts(5.0)))
    exchange(post, programme)

    url = sqlite_url(tmp_path / "again" / "register.db")
    restore_backup(url, tmp_path / "again", backup, "an invented passphrase")
    again = Register(url, tmp_path / "again", "Post again")
    programme.knows(again, only_theirs=True)
    if told_first:
        again.takes(programme.gives(again))
        assert again.look(lambda s, her: her, "KX-2") is None
    exchange(again, programme)
    assert again.look(severe, "KX-2")
    assert [r.urgent for r in again.look(lambda s, her: open_referrals(her), "KX-2")] == [True]
    assert again.look(lambda s, her: her, "PX-1") is None
    again.database.close()


def test_copies_that_went_apart_before_changes_were_kept_differ_side_by_side(two):
    """As two servers did that were restored from one backup of an earlier version."""
    post, programme = two
    with post.database.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE woman SET smoking = 'none'")
    with programme.database.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE woman SET smoking = '10-19'")
    programme.takes(post.gives(programme, everything=True))
    with programme.database.read() as session:
        (conflict,) = conflicts(session)
        assert {v.value["smoking"] for v in conflict.values} == {"none", "10-19"}
    post.takes(programme.gives(post))
    assert programme.says() == post.says()


class Interrupted(Progress):
    """Stops like Ctrl-C in the middle of the women."""

    def step(self, count: int = 1, **facts: int) -> None:
        raise KeyboardInterrupt


def test_a_taking_in_broken_off_leaves_nothing_half_done(two):
    post, programme = two
    store, there = open_store(post.folder), open_store(programme.folder)
    with post.database.write() as session:
        reading = session.scalars(select(Reading)).one()
        reading.photo_file = store.put(b"an invented picture")
        photo(session, find_woman(session, "KX-1"), facts(5.0))
    before = programme.says()
    file = post.gives(programme, everything=True, photos=store)
    with pytest.raises(KeyboardInterrupt):
        take_in(programme.database, file, JUDGE, there, None, Interrupted())
    assert programme.says() == before
    assert there.names() == set()
    programme.takes(file)
    assert programme.says() == post.says()


def test_a_hand_over_broken_off_leaves_no_file_and_forgets_nothing(two):
    post, programme = two
    post.do(lambda s, her: photo(s, her, facts(5.0)))
    file = post.folder / "broken.over"
    with pytest.raises(KeyboardInterrupt):
        hand_over(post.database, programme.card.id, file, progress=Interrupted())
    assert not file.exists()
    programme.takes(post.gives(programme))
    assert programme.look(severe)


def test_nothing_of_her_can_be_read_in_the_file(two):
    post, programme = two
    content = post.gives(programme, everything=True).read_bytes()
    her = post.look(lambda s, her: her.id)
    assert b"KX-1" not in content
    assert her.encode() not in content


def test_a_file_that_was_changed_cut_or_made_by_a_stranger_is_refused(two, tmp_path):
    post, programme = two
    before = programme.says()
    whole = post.gives(programme, everything=True)
    content = bytearray(whole.read_bytes())
    with tarfile.open(whole) as tar:
        places = [m.offset_data + m.size // 2 for m in tar.getmembers()]
    for place in places:
        bad = tmp_path / "bad.over"
        spoiled = bytearray(content)
        spoiled[place] ^= 1
        bad.write_bytes(spoiled)
        with pytest.raises(ParcelError):
            programme.takes(bad)
    for length in (0, 100, 600, len(content) // 2):
        bad.write_bytes(content[:length])
        with pytest.raises(ParcelError):
            programme.takes(bad)
    stranger = Register(sqlite_url(tmp_path / "stranger.db"), tmp_path / "stranger", "Stranger")
    stranger.knows(programme)
    stranger.do(lambda s, _: add_woman(s, "ZX-1"))
    with pytest.raises(ParcelError, match="not known here"):
        programme.takes(stranger.gives(programme))
    stranger.database.close()
    assert programme.says() == before


def test_who_calls_himself_a_known_register_without_its_key_is_refused(two, tmp_path):
    post, programme = two
    forger = Register(sqlite_url(tmp_path / "forger.db"), tmp_path / "forger", "Post")
    forger.knows(programme)
    with forger.database.write() as session:
        own_register(session).id = post.card.id
        add_woman(session, "ZX-1")
    with pytest.raises(ParcelError, match="damaged, or not from"):
        programme.takes(forger.gives(programme))
    forger.database.close()


def test_the_trail_of_each_stays_its_own_and_travels(two):
    post, programme = two
    with programme.database.read() as session:
        kept = list(session.scalars(select(TakenTrail).order_by(TakenTrail.seq)))
        assert audit.check(session)
    with post.database.read() as session:
        own = {e.seq: e.hash for e in session.scalars(select(audit.AuditEntry))}
    assert [own[e.seq] for e in kept] == [e.hash for e in kept]
    assert kept[0].seq == 1


def test_a_trail_that_was_rewritten_is_noticed(two):
    post, programme = two
    with programme.database.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE taken_trail SET hash = 'x' WHERE seq = 1")
    with pytest.raises(ParcelError, match="does not go on from what was here"):
        programme.takes(post.gives(programme, everything=True))


def test_referrals_of_both_stay_open(two):
    """A merge may show one referral too many, never one too few."""
    post, programme = two
    for register, value in ((post, 5.0), (programme, 5.4)):
        register.do(lambda s, her, value=value: photo(s, her, facts(value), key=f"k{value}"))
    exchange(post, programme)
    for register in two:
        with register.database.read() as session:
            waiting = session.scalars(select(Referral).where(Referral.closed_at.is_(None))).all()
        assert waiting
        assert any(referral.urgent for referral in waiting)


def copied(register: Register, folder, name: str) -> Register:
    """The same files in another folder, as when a laptop is cloned or put back."""
    folder.mkdir()
    with register.database.engine.connect() as connection:
        connection.exec_driver_sql("COMMIT")
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy(register.database.url.removeprefix("sqlite:///"), folder / "copy.db")
    copy = Register(sqlite_url(folder / "copy.db"), folder / name, "")
    assert copy.card == register.card
    return copy


@pytest.mark.parametrize("copy_first", [True, False])
def test_two_copies_of_one_register_go_on_and_nothing_of_either_is_lost(two, tmp_path, copy_first):
    post, programme = two
    copy = copied(post, tmp_path / "cloned", "copy")
    post.do(lambda s, her: photo(s, her, facts(8.0), days_ago=1))
    copy.do(lambda s, her: photo(s, her, facts(5.0), days_ago=2))
    first, second = (copy, post) if copy_first else (post, copy)
    programme.takes(first.gives(programme))
    with pytest.raises(ParcelError, match=r"copied, or put back .* registers renew"):
        programme.takes(second.gives(programme))
    with pytest.raises(ParcelError, match=r"itself, or from a copy .* registers renew"):
        # Each takes the other for itself.
        post.takes(_sealed_for(copy, post))
    with second.database.write() as session:
        second.card = card_of(renew_own(session))
        second.card = card_of(own_register(session, "Post renewed"))
    assert second.card.id != first.card.id
    programme.knows(second)
    programme.takes(second.gives(programme))
    second.takes(programme.gives(second))
    assert programme.look(lambda s, her: len(her.readings)) == 3
    assert programme.look(severe)
    assert second.says() == programme.says()
    first.takes(programme.gives(first))
    assert first.says() == programme.says()
    with programme.database.read() as session:
        assert audit.check(session)
    copy.database.close()


def _sealed_for(giver: Register, taker: Register):
    """What a copy hands over to the register it was copied from."""
    file = giver.folder / "to-itself.over"
    with giver.database.write() as session, pytest.raises(CardError, match="registers renew"):
        add_known(session, card_of(own_register(session)), False)
    with giver.database.write() as session:
        own = card_of(own_register(session))
        session.add(
            KnownRegister(
                id=own.id, name="Itself", seal_public=own.seal, sign_public=own.sign, told=0
            )
        )
    hand_over(giver.database, taker.card.id, file)
    return file


def test_a_register_put_back_to_an_older_state_learns_what_it_had_and_goes_on(two, tmp_path):
    """Numbers of its changes go back, and would be taken for those handed over before."""
    post, programme = two
    old = copied(post, tmp_path / "older", "older")
    post.do(lambda s, her: photo(s, her, facts(8.0), days_ago=3))
    post.do(lambda s, _: add_woman(s, "KX-2"))
    post.do(lambda s, her: lab(s, her, 8.3, days_ago=2))
    exchange(post, programme)
    # The laptop was put back; nobody knows.
    old.do(lambda s, her: photo(s, her, facts(5.0)))
    old.do(lambda s, _: add_woman(s, "KX-3"), "KX-3")
    with pytest.raises(ParcelError, match="put back to an earlier state"):
        programme.takes(old.gives(programme))
    with old.database.write() as session:
        renew_own(session)
        old.card = card_of(own_register(session, "Post again"))
    programme.knows(old)
    exchange(old, programme)
    for register in (old, programme):
        assert register.look(severe)
        assert register.look(lambda s, her: len(her.readings)) == 4
        assert all(register.look(lambda s, her: her, code) for code in ("KX-2", "KX-3"))
        assert [r.urgent for r in register.look(lambda s, her: open_referrals(her))] == [True]
    assert old.says() == programme.says()
    old.database.close()


def test_a_result_held_against_the_wrong_woman_is_asked_anew_at_whoever_learns_of_the_parting(two):
    """One parted them; the other had gone on with them as one meanwhile."""
    post, programme = two
    post.do(lambda s, her: lab(s, her, 9.0, days_ago=10))
    post.do(lambda s, _: add_woman(s, "KX-2", days_ago=30))
    post.do(lambda s, her: photo(s, her, facts(8.0), days_ago=4), "KX-2")
    exchange(post, programme)
    one, other = (post.look(lambda s, her: her.id, code) for code in ("KX-1", "KX-2"))
    with post.database.write() as session:
        join_two(session, other, one, None, JUDGE)
    exchange(post, programme)
    # What is entered for the two as one is the own entry of the record that is shown.
    programme.do(lambda s, her: lab(s, her, 9.1, days_ago=1))
    assert programme.look(lambda s, her: open_referrals(her)) == []
    with post.database.write() as session:
        part(session, session.scalars(select(Joining)).one(), None, JUDGE)
    exchange(post, programme)
    exchange(post, programme)
    for register in two:
        assert register.look(lambda s, her: open_referrals(her)) == []
        found = register.look(lambda s, her: [r.hb_g_dl for r in open_referrals(her)], "KX-2")
        assert found == [8.0]
    assert post.says() == programme.says()


def test_what_a_wrong_womans_result_kept_from_being_asked_is_asked_once_they_are_parted(two):
    post, programme = two
    post.do(lambda s, _: add_woman(s, "KX-2", days_ago=30))
    post.do(lambda s, her: lab(s, her, 12.0, days_ago=1, sure=True))
    visit = post.do(lambda s, her: open_visit_of(s, her), "KX-2")
    exchange(post, programme)
    one, other = (post.look(lambda s, her: her.id, code) for code in ("KX-1", "KX-2"))
    with post.database.write() as session:
        join_two(session, other, one, None, JUDGE)
    exchange(post, programme)
    with programme.database.write() as session:
        # Sent late from a phone, for the visit that was the other's: the result stands after it.
        given = session.get_one(Visit, visit)
        taken = TakenAt(utc_now() - dt.timedelta(days=4))
        record_photo(session, given, "late", facts(5.0), taken, None, combine, NOBODY)
    assert programme.look(lambda s, her: open_referrals(her)) == []
    with post.database.write() as session:
        part(session, session.scalars(select(Joining)).one(), None, JUDGE)
    exchange(post, programme)
    exchange(post, programme)
    for register in two:
        assert register.look(severe, "KX-2")
        found = register.look(lambda s, her: [r.urgent for r in open_referrals(her)], "KX-2")
        assert found == [True]
    assert post.says() == programme.says()


def open_visit_of(session, her) -> str:
    return open_visit(session, her, 1, today() - dt.timedelta(days=4), None).id


@pytest.mark.parametrize("behind", [dt.timedelta(days=366), dt.timedelta(days=20_780)])
def test_a_photo_by_a_phone_whose_clock_is_years_slow_travels_and_is_backed_up(
    two, tmp_path, behind
):
    """A phone that was without power starts in the year before, or in 1970."""
    post, programme = two

    def sent(session, her) -> None:
        now = utc_now()
        visit = open_visit(session, her, 1, today(), None)
        taken = taken_at(now - behind, now - behind, now)
        record_photo(session, visit, "slow-clock", facts(5.0), taken, None, combine, NOBODY)

    post.do(sent)
    exchange(post, programme)
    assert programme.look(severe)
    make_backup(programme.database, programme.folder, tmp_path / "b", "an invented passphrase")


@pytest.mark.parametrize("birth_first", [True, False])
@pytest.mark.parametrize(("hb_g_dl", "urgent"), [(11.4, False), (7.4, True), (13.5, None)])
def test_what_one_read_without_knowing_of_the_birth_is_held_against_the_limits_after_it(
    two, hb_g_dl, urgent, birth_first
):
    """Below 12 g/dL anaemic and below 8 severe, not 11 and 7: WHO/NMH/NHD/MNM/11.1, from memory."""
    post, programme = two
    post.do(lambda s, _: add_woman(s, "KX-5", weeks=38, days_ago=60), "KX-5")
    exchange(post, programme)
    on = today() - dt.timedelta(days=45)
    programme.do(lambda s, her: note_birth(s, her, LIVE, on, None, PROTOCOL, sure=True), "KX-5")
    post.do(lambda s, her: photo(s, her, facts(hb_g_dl, 0.2), days_ago=1), "KX-5")
    judge = Judge(combine, protocol=PROTOCOL)
    both_twice(*((post, programme) if birth_first else (programme, post)), judge)
    for register in two:
        found = register.look(lambda s, her: [r.urgent for r in open_referrals(her)], "KX-5")
        assert found == ([] if urgent is None else [urgent])
    assert post.says() == programme.says()


WHO = load_protocol("who-2024")


def enough_in_the_second_trimester(session, woman) -> None:
    """A result of 10.7 g/dL: enough in the second trimester, and in no other (who-2024)."""
    at = utc_now() - dt.timedelta(days=2)
    given = ("Cell counter", "Invented Clinic", at, None, WHO, subject_of(woman, at.date(), None))
    result = record_lab(session, woman, "weeks", 10.7, *given)
    assert result.band == Outcome.NOT_ANAEMIC


@pytest.mark.parametrize("weeks_first", [True, False])
def test_what_one_read_without_knowing_of_mended_weeks_is_held_against_them(two, weeks_first):
    post, programme = two
    post.do(lambda s, _: add_woman(s, "KX-5", weeks=20, days_ago=5), "KX-5")
    exchange(post, programme)
    programme.do(lambda s, her: mend_weeks(s, her, 30, today(), None, WHO, None), "KX-5")
    post.do(enough_in_the_second_trimester, "KX-5")
    judge = Judge(combine, protocol=WHO)
    both_twice(*((post, programme) if weeks_first else (programme, post)), judge)
    for register in two:
        assert register.look(lambda s, her: [r.band for r in open_referrals(her)], "KX-5") == [
            Outcome.ANAEMIC
        ]
    assert post.says() == programme.says()


def test_weeks_that_both_mended_are_held_against_what_was_read_once_somebody_decided(two):
    post, programme = two
    post.do(lambda s, _: add_woman(s, "KX-5", weeks=20, days_ago=5), "KX-5")
    exchange(post, programme)
    judge = Judge(combine, protocol=WHO)
    post.do(lambda s, her: mend_weeks(s, her, 29, today(), None, WHO, None), "KX-5")
    programme.do(lambda s, her: mend_weeks(s, her, 26, today(), None, WHO, None), "KX-5")
    programme.do(enough_in_the_second_trimester, "KX-5")
    programme.takes(post.gives(programme), judge=judge)
    with programme.database.write() as session:
        [conflict] = conflicts(session)
        chosen = next(v for v in conflict.values if v.value["gestation_weeks"] == 29)
        assert not chosen.shown
        assert open_referrals(find_woman(session, "KX-5")) == []
        decide(session, chosen.change_id, None, judge)
        found = [r.band for r in open_referrals(find_woman(session, "KX-5"))]
        assert found == [Outcome.ANAEMIC]


def test_weeks_that_both_mended_far_apart_are_held_against_what_was_read_at_once(two):
    """By none of them is she shown, so the strictest trimester's limits hold."""
    post, programme = two
    post.do(lambda s, _: add_woman(s, "KX-5", weeks=20, days_ago=5), "KX-5")
    exchange(post, programme)
    judge = Judge(combine, protocol=WHO)
    post.do(lambda s, her: mend_weeks(s, her, 30, today(), None, WHO, None), "KX-5")
    programme.do(lambda s, her: mend_weeks(s, her, 22, today(), None, WHO, None), "KX-5")
    programme.do(enough_in_the_second_trimester, "KX-5")
    programme.takes(post.gives(programme), judge=judge)
    with programme.database.write() as session:
        assert conflicts(session) == []
        [found] = contradictory(session)
        assert {one.value["gestation_weeks"] for one in found.choices} == {22, 30}
        her = find_woman(session, "KX-5")
        assert her.gestation_at(today()) is None
        assert [r.band for r in open_referrals(her)] == [Outcome.ANAEMIC]
        chosen = next(one for one in found.choices if one.value["gestation_weeks"] == 30)
        settle(session, her.id, chosen.token, None, judge)
        her = find_woman(session, "KX-5")
        assert her.gestation_at(today()) == 30
        assert [r.band for r in open_referrals(her)] == [Outcome.ANAEMIC]


@pytest.mark.parametrize("known", [False, True])
def test_who_was_sent_at_one_and_closed_at_the_other_is_followed_again(two, known):
    """Sent without a reading, of which whoever closed her record knew, or did not."""
    post, programme = two
    post.do(lambda s, _: photo(s, add_woman(s, "KX-5", days_ago=40), facts(12.9), days_ago=20))
    exchange(post, programme)
    post.do(lambda s, her: send_for_test(s, her, utc_now(), True, None), "KX-5")
    if known:
        exchange(post, programme)
    moved = women.Closing.MOVED
    programme.do(
        lambda s, her: closing.close_woman(s, her, moved, today(), None, sure=known), "KX-5"
    )
    for _ in range(2):
        exchange(post, programme)
    for register in two:
        assert register.look(lambda s, her: her.closed_on is not None, "KX-5") is known
        assert register.look(lambda s, her: [r.urgent for r in open_referrals(her)], "KX-5")
        with register.database.read() as session:
            assert conflicts(session) == []
    assert post.says() == programme.says()
    if not known:
        # Closed once more by somebody who knows of it she stays so.
        programme.do(
            lambda s, her: closing.close_woman(s, her, moved, today(), None, sure=True), "KX-5"
        )
        for _ in range(2):
            exchange(post, programme)
        assert all(r.look(lambda s, her: her.closed_on, "KX-5") == today() for r in two)


@pytest.mark.parametrize(("read", "result"), [(10.2, 11.3), (5.0, 12.4)])
def test_a_result_that_a_fast_clock_dated_a_year_ahead_answers_nothing_read_today(
    two, read, result
):
    """The post's phone is a year fast. Its result passed for newer than all that was read since."""
    post, programme = two
    with post.database.write() as session:
        add_woman(session, "KX-9", 20, days_ago=30)
    programme.takes(post.gives(programme))
    with post.database.write() as session:
        lab(session, find_woman(session, "KX-9"), result, days_ago=-365, sure=True)
    with programme.database.write() as session:
        photo(session, find_woman(session, "KX-9"), facts(read, 0.1), days_ago=0)
    programme.takes(post.gives(programme))
    with programme.database.read() as session:
        her = find_woman(session, "KX-9")
        assert len(her.readings) == 2
        assert open_referrals(her)
        stands = standing(measurements(her))
        assert stands.anaemic
        assert stands.awaiting_confirmation
        assert stands.severe == (read < 7)
    # One that a right clock dates answers it, and takes nothing of the other's word.
    with programme.database.write() as session:
        lab(session, find_woman(session, "KX-9"), 11.4, sure=True)
    with programme.database.read() as session:
        her = find_woman(session, "KX-9")
        assert not open_referrals(her)
        assert not standing(measurements(her)).anaemic


def test_what_one_fast_clock_dated_is_answered_by_what_it_dated_after(two):
    post, _ = two
    with post.database.write() as session:
        her = add_woman(session, "KX-9", 20, days_ago=-364)
        photo(session, her, facts(9.5, 0.1), days_ago=-364)
        lab(session, her, 11.6, days_ago=-366, sure=True)
    with post.database.read() as session:
        her = find_woman(session, "KX-9")
        assert not standing(measurements(her)).awaiting_confirmation


def test_what_a_register_with_a_fast_clock_ended_by_its_result_is_open_again(two, monkeypatch):
    post, programme = two
    with post.database.write() as session:
        add_woman(session, "KX-9", 20, days_ago=30)
    programme.takes(post.gives(programme))
    with post.database.write() as session:
        lab(session, find_woman(session, "KX-9"), 11.3, days_ago=-365, sure=True)
    with programme.database.write() as session:
        photo(session, find_woman(session, "KX-9"), facts(10.2, 0.1), days_ago=0)
    with monkeypatch.context() as patch:
        patch.setattr(tocome, "utc_now", lambda: utc_now() + dt.timedelta(days=365))
        post.takes(programme.gives(post))
        assert post.look(lambda s, her: open_referrals(her), "KX-9") == []
    for _ in range(2):
        exchange(post, programme)
    for register in two:
        assert register.look(lambda s, her: len(open_referrals(her)), "KX-9") == 1
    assert post.says() == programme.says()
