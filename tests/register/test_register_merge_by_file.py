"""Random histories of three registers, one on PostgreSQL, that hand over to each other by file.

As `test_register_merge_laws`, and all that goes along: the files of kept photos, what is judged
again by another calibration, deletions on request.
"""

from __future__ import annotations

import shutil
from collections import Counter
from pathlib import Path

import pytest
from builders import combine
from histories import (
    KeptPhoto,
    NewCalibration,
    anything,
    joinings,
    kept_photos,
    new_calibrations,
    two_women,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select
from test_register_hand_over import Register
from test_register_merge_laws import (
    THREE,
    exchange,
    joining_is_a_semilattice,
    nothing_is_lost,
    shown_tables,
    visits_joined,
)

from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.subject import Subject
from cardreader.register import audit
from cardreader.register.database import sqlite_url
from cardreader.register.merge.days import join_all
from cardreader.register.merge.following import Judge
from cardreader.register.merge.state import State
from cardreader.register.models import CalibrationUse, JudgedAgain, Reading
from cardreader.register.photostore import open_store
from cardreader.register.recording import PhotoFacts
from cardreader.register.rejudging import judge_all_again
from cardreader.register.removal import Removed

WHO = load_protocol("who-2024")


class Lower:
    """Stands for a calibration: the blots of a visit together, some g/dL lower."""

    def __init__(self) -> None:
        self.less_g_dl = 0.0

    def judge_again(self, details: list[dict], subject: Subject) -> PhotoFacts | None:
        lower = [
            {**one, "hb": {"g_dl": max(one["hb"]["g_dl"] - self.less_g_dl, 0.5)}}
            for one in details
            if "hb" in one
        ]
        return combine(lower, subject, False) if lower else None


class Post(Register):
    """A register that keeps photos, and may come to judge by another calibration."""

    def __init__(self, url: str, folder: Path, name: str) -> None:
        super().__init__(url, folder, name)
        self.photos, self.again = open_store(folder), Lower()
        self.judge = Judge(combine, protocol=WHO, again=self.again)

    def do(self, step) -> None:
        if isinstance(step, KeptPhoto):
            name = self.photos.put(step.content)
            with self.database.write() as session:
                step.enter(session, name)
        elif isinstance(step, NewCalibration):
            with self.database.write() as session:
                use = step.put(session)
            self.again.less_g_dl = step.less_g_dl
            judge_all_again(self.database, use, self.again, None)
        else:
            with self.database.write() as session:
                done = step(session)
            for name in done.photo_files if isinstance(done, Removed) else ():
                self.photos.remove(name)

    def takes_from(self, other: Post) -> None:
        self.takes(other.gives(self, photos=other.photos), self.photos, self.judge)

    def kept(self) -> dict[str, bytes]:
        """Reading -> its photo, for readings whose file was ever kept; each file is a reading's."""
        with self.database.read() as session:
            where = select(Reading.id, Reading.photo_file).where(Reading.photo_file.is_not(None))
            files = {row[0]: row[1] for row in session.execute(where)}
        assert self.photos.names() == set(files.values())
        return {reading: self.photos.get(name) for reading, name in files.items()}


def three_posts(empty_register, postgres, folder: Path) -> list[Post]:
    urls = [sqlite_url(shutil.copy(empty_register, folder / f"{n}.db")) for n in "ac"]
    urls.insert(1, postgres.migrated_url())
    posts = [
        Post(url, folder / name, f"Post {name}") for url, name in zip(urls, "abc", strict=True)
    ]
    for one in posts:
        for other in posts:
            if one is not other:
                one.knows(other)
    return posts


def begin(posts: list[Post], steps: list) -> None:
    """Two women whom all three know, so that what they do meets; and what the first did."""
    for step in (two_women, *steps):
        posts[0].do(step)
    for other in posts[1:]:
        other.takes_from(posts[0])


def settle(posts: list[Post]) -> State:
    """Everybody hands over to everybody until nobody has anything new to say."""
    for _ in range(7):
        said = [post.says() for post in posts]
        if said[0] == said[1] == said[2]:
            return said[0]
        for taker in posts:
            for giver in posts:
                if taker is not giver:
                    taker.takes_from(giver)
    raise AssertionError("the registers never agree")


@pytest.mark.slow
def test_what_goes_along_by_file_comes_to_the_same_everywhere(
    empty_register, postgres, tmp_path_factory
):
    found = Counter()
    deed = st.tuples(
        st.integers(0, 2),
        st.one_of(*[anything] * 3, *[kept_photos] * 2, joinings, new_calibrations),
    )

    @given(
        deeds=st.lists(deed, min_size=16, max_size=24),
        exchanges=st.lists(exchange, min_size=1, max_size=3),
    )
    @settings(THREE, max_examples=10)
    def go(deeds, exchanges) -> None:
        posts = three_posts(empty_register, postgres, tmp_path_factory.mktemp("posts"))
        try:
            begin(posts, [step for _, step in deeds[:5]])
            rest = deeds[5:]
            a_part = len(rest) // (len(exchanges) + 1)
            for n, (taker, giver) in enumerate(exchanges):
                for which, step in rest[n * a_part : (n + 1) * a_part]:
                    posts[which].do(step)
                if taker != giver:
                    posts[taker].takes_from(posts[giver])
            for which, step in rest[len(exchanges) * a_part :]:
                posts[which].do(step)
            said, kept = [post.says() for post in posts], {}
            for post in posts:
                kept |= post.kept()
            joining_is_a_semilattice(*said)
            agreed = settle(posts)
            all_agree(posts, said, agreed)
            photos_went_along(posts, agreed, kept)
            found["photos"] += len(posts[0].kept())
            found["removed"] += len(agreed.removed)
            found["joined"] += len(agreed.joinings)
            found["parted"] += sum(one.parted_at is not None for one in agreed.joinings.values())
            found["again"] += sum(judged_again(post) for post in posts)
        finally:
            for post in posts:
                post.database.close()

    go()
    assert min(found[name] for name in ("photos", "removed", "joined", "parted", "again")) > 0, (
        found
    )


def all_agree(posts: list[Post], said: list[State], agreed: State) -> None:
    assert nothing_is_lost(said, agreed)
    tables = [shown_tables(post.database) for post in posts]
    assert tables[0] == tables[1] == tables[2]
    for post in posts:
        join_all(post.database, post.judge)
    joined = [visits_joined(post.database) for post in posts]
    assert joined[0] == joined[1] == joined[2]
    for one, other in ((0, 1), (1, 2), (2, 0)):
        posts[one].takes(
            posts[other].gives(posts[one], True, posts[other].photos), posts[one].photos
        )
    for post in posts:
        assert post.says() == agreed
        with post.database.read() as session:
            assert audit.check(session)


def photos_went_along(posts: list[Post], agreed: State, kept: dict[str, bytes]) -> None:
    """Whoever has the reading has its photo; of a woman who was deleted nobody has."""
    stands = {name for her in agreed.women.values() for table, name in her.records}
    wanted = {reading: content for reading, content in kept.items() if reading in stands}
    for post in posts:
        assert post.kept() == wanted


def judged_again(post: Post) -> int:
    """How many visits ask for another look; each once for a calibration that came into use."""
    with post.database.read() as session:
        rows = select(JudgedAgain.use_id, JudgedAgain.visit_id).join(
            CalibrationUse, CalibrationUse.id == JudgedAgain.use_id
        )
        pairs = session.execute(rows.where(CalibrationUse.judged_at.is_not(None))).all()
        assert len(set(pairs)) == len(pairs)
        return session.scalar(select(func.count()).select_from(JudgedAgain)) and len(pairs)
