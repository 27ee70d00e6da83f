"""The register that shows the code: one code and one meeting at a time."""

from __future__ import annotations

import logging
import secrets
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cardreader.register.meet.code import (
    PIECE_BYTES,
    Greeting,
    Keys,
    Line,
    NotSealedError,
    new_code,
    same_proof,
)
from cardreader.register.meet.course import OVER, Course, Stage, Standing
from cardreader.register.meet.side import Side
from cardreader.register.meet.snags import MeetError, Snag, told_by_other
from cardreader.register.merge.registers import Card

LASTS_S = 600.0
TRIES = 3
GREETINGS = 30
"""For one code; each costs some work, and whoever knows the code needs one."""
SILENT_S = 1800.0
"""A guest that has said nothing for so long is gone; it is silent while it takes in."""
ANSWER_WITHIN_S = 1.0
"""Longer work is asked after again: no link is silent for long."""
MOST_BYTES = 2**33
_LOG = logging.getLogger(__name__)


@dataclass
class Offer:
    """A code that is shown; ``until`` is by the host's clock."""

    code: str
    side: Side
    until: float
    left: int = TRIES
    greetings: int = GREETINGS
    waiting: dict[str, Keys] = field(default_factory=dict)


class Host:
    """Shows codes, and meets whoever knows one. ``clock`` in seconds."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._offer: Offer | None = None
        self._meeting: Meeting | None = None

    def offer(self, side: Side) -> str:
        """Show a code from now on, in place of an earlier one; MeetError while one is met."""
        with self._lock:
            self._end_silent()
            if self._meeting is not None:
                if not self._meeting.is_over:
                    raise MeetError(Snag.BUSY)
                self._let_go()
            self._offer = Offer(new_code(), side, self._clock() + LASTS_S)
            return self._offer.code

    def withdraw(self) -> None:
        """Show no code any more, give up a guest that is waited for, and forget both."""
        with self._lock:
            self._offer = None
            if self._meeting is not None and not self._meeting.is_at_work:
                self._let_go()

    def close(self) -> None:
        """The server ends."""
        with self._lock:
            self._offer = None
            self._let_go()

    def shown(self) -> tuple[str, float] | None:
        """The code and how many seconds it still holds; None where none does."""
        with self._lock:
            offer = self._offer
            if offer is None or offer.left <= 0 or self._clock() >= offer.until:
                return None
            return offer.code, offer.until - self._clock()

    def standing(self) -> Standing | None:
        """What became of the code; None where none was shown."""
        with self._lock:
            self._end_silent()
            if self._meeting is not None:
                return self._meeting.course.now()
            if self._offer is None:
                return None
            snag = self._why_not()
            return Standing() if snag is None else Standing(Stage.ENDED, snag=snag)

    def is_met(self, name: str) -> bool:
        """Whether a meeting of this name is on, whose messages may be large."""
        with self._lock:
            return self._meeting is not None and self._meeting.name == name

    # --- what the guest sends -------------------------------------------------------

    def greet(self, message: bytes) -> tuple[str, bytes]:
        """A name for the try, and this side's half of the key exchange."""
        with self._lock:
            offer = self._open_offer()
            if offer.greetings <= 0:
                offer.left = 0
                raise MeetError(Snag.TOO_MANY)
            offer.greetings -= 1
            greeting = Greeting(offer.code, is_host=True)
            try:
                keys = greeting.keys(message)
            except NotSealedError:
                raise MeetError(Snag.NO_REGISTER) from None
            name = secrets.token_urlsafe(16)
            offer.waiting[name] = keys
            return name, greeting.message

    def prove(self, name: str, proof: bytes) -> bytes:
        """This side's proof in return for a right one; the third wrong one ends the code."""
        with self._lock:
            meeting = self._meeting
            if meeting is not None and meeting.name == name:
                # The answer got lost on the way, and is asked for again.
                if same_proof(proof, meeting.keys.guest_proof):
                    return meeting.keys.host_proof
                raise MeetError(Snag.WRONG_CODE)
            offer = self._open_offer()
            keys = offer.waiting.pop(name, None)
            if keys is None:
                raise MeetError(Snag.NO_CODE)
            if not same_proof(proof, keys.guest_proof):
                offer.left -= 1
                raise MeetError(Snag.WRONG_CODE if offer.left else Snag.TOO_MANY, left=offer.left)
            self._offer = None
            self._let_go()
            self._meeting = Meeting(name, keys, offer.side, self._clock)
            return keys.host_proof

    def asked(self, name: str, message: bytes) -> bytes:
        """The sealed answer to a sealed question."""
        with self._lock:
            self._end_silent()
            meeting = self._meeting
        if meeting is None or meeting.name != name:
            raise MeetError(Snag.BROKEN_OFF)
        return meeting.asked(message)

    def _open_offer(self) -> Offer:
        self._end_silent()
        if self._offer is None:
            met = self._meeting is not None and not self._meeting.is_over
            raise MeetError(Snag.BUSY if met else Snag.NO_CODE)
        snag = self._why_not()
        if snag is not None:
            raise MeetError(snag)
        return self._offer

    def _why_not(self) -> Snag | None:
        if self._offer is not None and self._offer.left <= 0:
            return Snag.TOO_MANY
        if self._offer is not None and self._clock() >= self._offer.until:
            return Snag.EXPIRED
        return None

    def _let_go(self) -> None:
        if self._meeting is not None:
            self._meeting.close()
            self._meeting = None

    def _end_silent(self) -> None:
        if self._meeting is not None:
            self._meeting.end_if_silent()


class Meeting:
    """One guest that proved to know the code, until it has gone."""

    def __init__(self, name: str, keys: Keys, side: Side, clock: Callable[[], float]) -> None:
        self.name, self.keys, self.course = name, keys, Course()
        self._side, self._clock, self._heard = side, clock, clock()
        self._line = Line(keys)
        self._lock = threading.Lock()
        self._stack = ExitStack()
        self._folder = self._stack.enter_context(side.folder())
        self._card: Card | None = None
        self._agreed = False
        self._work: threading.Thread | None = None
        self._failed: MeetError | None = None
        self.course.at(Stage.GREETING)

    @property
    def is_over(self) -> bool:
        """Whether nothing more comes of it."""
        return self.course.now().stage in OVER

    @property
    def is_at_work(self) -> bool:
        """Whether something is being taken in or written here."""
        return self._work is not None and self._work.is_alive()

    def close(self) -> None:
        """Take its files away; what is under way comes to its end by itself."""
        self._stack.close()

    def end_if_silent(self) -> None:
        """Give up a guest that is gone, unless this side is at work on what it sent."""
        if not (self.is_over or self.is_at_work) and self._clock() - self._heard > SILENT_S:
            self.course.ended(MeetError(Snag.BROKEN_OFF))

    def asked(self, message: bytes) -> bytes:
        """The sealed answer to a sealed question; one at a time."""
        with self._lock:
            try:
                said, blob = self._line.asked(message)
            except NotSealedError:
                raise MeetError(Snag.BROKEN_OFF) from None
            self._heard = self._clock()
            answer: dict[str, Any]
            piece = b""
            try:
                answer, piece = self._do(said, blob)
            except MeetError as error:
                self.course.ended(error)
                answer = {"snag": error.snag.value, "detail": error.detail}
            return self._line.answer(message, answer, piece)

    def _do(self, said: dict[str, Any], blob: bytes) -> tuple[dict[str, Any], bytes]:
        match said:
            case {"do": "cards"}:
                self._card = self._side.look_at(said)
                self.course.at(Stage.GREETING, other=self._card.name)
                return self._side.card(), b""
            case {"do": "agree"} if self._card is not None:
                self._side.agree(self._card, said)
                self._agreed = True
                return self._side.far(self._card), b""
            case {"do": "put", "at": int(at), "size": int(size)} if self._agreed:
                return {"have": self._put(at, size, blob)}, b""
            case {"do": "give"} if self._agreed:
                return self._give(), b""
            case {"do": "get", "at": int(at)} if self._agreed:
                return {}, self._get(at)
            case {"do": "end", "took": dict(took)} if self._agreed:
                self.course.at(Stage.DONE, gave=took)
                return {}, b""
            case {"do": "leave"}:
                snag = told_by_other(said.get("snag"), Snag.BROKEN_OFF)
                self.course.ended(MeetError(snag, str(said.get("detail", ""))[:200]))
                return {}, b""
        raise MeetError(Snag.NO_REGISTER)

    @property
    def _came(self) -> Path:
        return self._folder / "came.handover"

    @property
    def _goes(self) -> Path:
        return self._folder / "goes.handover"

    def _put(self, at: int, size: int, piece: bytes) -> int:
        """Add a piece where the last one ended; returns how much is here."""
        if not 0 < size <= MOST_BYTES or self._work is not None:
            raise MeetError(Snag.NO_REGISTER)
        try:
            with self._came.open("ab") as stream:
                have = stream.tell()
                if at == have and have + len(piece) <= size:
                    stream.write(piece)
                    have += len(piece)
        except OSError as error:
            raise MeetError(Snag.NOT_TAKEN_HERE, error.strerror or "") from None
        self.course.at(Stage.RECEIVING, moved=have, size=size)
        return have

    def _give(self) -> dict[str, Any]:
        """Begin to take in what came and to write what goes; what is there once that is done."""
        if self._work is None:
            self._work = threading.Thread(target=self._take_and_write, daemon=True, name="meeting")
            self._work.start()
        self._work.join(ANSWER_WITHIN_S)
        if self._work.is_alive():
            return {"stage": self.course.now().stage.value}
        if self._failed is not None:
            raise self._failed
        return {"size": self._goes.stat().st_size, "took": self.course.now().took}

    def _take_and_write(self) -> None:
        assert self._card is not None
        try:
            self.course.at(Stage.TAKING)
            took = self._side.take(self._card, self._came)
            self.course.at(Stage.WRITING, took=took)
            self._side.write(self._card, self._goes)
        except MeetError as error:
            self._failed = error
        except Exception as error:
            _LOG.exception("a meeting could not go on")
            words = str(error).splitlines() or [type(error).__name__]
            self._failed = MeetError(Snag.NOT_TAKEN_HERE, words[0][:200])
        finally:
            self._heard = self._clock()
        if self._failed is not None:
            self.course.ended(self._failed)

    def _get(self, at: int) -> bytes:
        if self._failed is not None or self._work is None or self._work.is_alive() or at < 0:
            raise MeetError(Snag.NO_REGISTER)
        with self._goes.open("rb") as stream:
            stream.seek(at)
            piece = stream.read(PIECE_BYTES)
        self.course.at(Stage.SENDING, moved=at + len(piece), size=max(self._goes.stat().st_size, 1))
        return piece
