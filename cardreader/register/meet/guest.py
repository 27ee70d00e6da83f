"""The register that types the code: it leads the meeting, question by question."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

from cardreader.register.meet.code import (
    PIECE_BYTES,
    Greeting,
    Line,
    NotSealedError,
    same_proof,
)
from cardreader.register.meet.course import Course, Stage
from cardreader.register.meet.side import Side
from cardreader.register.meet.snags import MeetError, Snag, told_by_other
from cardreader.register.merge.registers import Card
from cardreader.terminal.progress import Progress

PAUSES_S = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
"""Between tries where the link broke; after them it is given up."""

T = TypeVar("T")
Send = Callable[[str, bytes], bytes]
"""Carries a message under a path to the host and gives its answer."""


class LinkError(Exception):
    """A message or its answer didn't come through; it may be sent again."""


class Guest:
    """One meeting as the typing side leads it. ``send`` raises LinkError and MeetError."""

    def __init__(
        self,
        side: Side,
        send: Send,
        course: Course | None = None,
        progress: Progress | None = None,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self.course = course or Course()
        self._side, self._send, self._wait = side, send, wait
        self._progress = progress or Progress()
        self._line: Line | None = None
        self._name = ""

    def meet(self, code: str) -> None:
        """The whole meeting; MeetError where it comes to nothing, which is noted too."""
        try:
            self.course.at(Stage.GREETING)
            self._greet(code)
            self._exchange()
        except MeetError as error:
            self.course.ended(error)
            self._leave(error)
            raise
        except BaseException as error:
            self.course.ended(MeetError(Snag.NOT_TAKEN_HERE, str(error)[:200]))
            self._leave(MeetError(Snag.BROKEN_OFF))
            raise
        finally:
            self._progress.end()

    def _greet(self, code: str) -> None:
        greeting = Greeting(code, is_host=False)
        answer = self._through(lambda: self._send("greet", greeting.message))
        name, _, message = answer.partition(b"\n")
        try:
            keys = greeting.keys(message)
            self._name = name.decode("ascii")
        except (NotSealedError, UnicodeDecodeError):
            raise MeetError(Snag.NO_REGISTER) from None
        proof = self._through(lambda: self._send(f"{self._name}/prove", keys.guest_proof))
        if not same_proof(proof, keys.host_proof):
            raise MeetError(Snag.NO_REGISTER)
        self._line = Line(keys)

    def _exchange(self) -> None:
        told, _ = self._ask({"do": "cards", **self._side.card()})
        card = self._side.look_at(told)
        self.course.at(Stage.GREETING, other=card.name)
        far, _ = self._ask({"do": "agree", **self._side.far(card)})
        self._side.agree(card, far)
        with self._side.folder() as folder:
            goes, came = folder / "goes.handover", folder / "came.handover"
            self.course.at(Stage.WRITING)
            self._side.write(card, goes, self._progress)
            self._put(goes)
            size, gave = self._given()
            self.course.at(Stage.RECEIVING, gave=gave)
            self._get(came, size)
            self._take(card, came)

    def _take(self, card: Card, came: Path) -> None:
        self.course.at(Stage.TAKING)
        took = self._side.take(card, came, self._progress)
        # All is done, whether or not the other hears of it.
        self.course.at(Stage.DONE, took=took)
        with suppress(MeetError):
            self._ask({"do": "end", "took": took})

    def _put(self, file: Path) -> None:
        size = file.stat().st_size
        self._progress.start("sending", size, unit="byte")
        have = 0
        with file.open("rb") as stream:
            while have < size:
                stream.seek(have)
                piece = stream.read(PIECE_BYTES)
                said, _ = self._ask({"do": "put", "at": have, "size": size}, piece)
                now = said.get("have")
                if type(now) is not int or not 0 <= now <= size:
                    raise MeetError(Snag.NO_REGISTER)
                self._progress.step(max(now - have, 0))
                have = now
                self.course.at(Stage.SENDING, moved=have, size=size)
        self._progress.end()

    def _given(self) -> tuple[int, dict[str, Any]]:
        """Until the other has taken in what came and written what goes."""
        self.course.at(Stage.OTHER_TAKES)
        while True:
            said, _ = self._ask({"do": "give"})
            match said:
                case {"size": int(size), "took": dict(took)} if size > 0:
                    return size, took
                case {"stage": str()}:
                    continue  # the host waited before it said so
            raise MeetError(Snag.NO_REGISTER)

    def _get(self, file: Path, size: int) -> None:
        self._progress.start("receiving", size, unit="byte")
        with file.open("wb") as stream:
            while (have := stream.tell()) < size:
                _, piece = self._ask({"do": "get", "at": have})
                if not piece or have + len(piece) > size:
                    raise MeetError(Snag.NO_REGISTER)
                stream.write(piece)
                self._progress.step(len(piece))
                self.course.at(Stage.RECEIVING, moved=have + len(piece), size=size)
        self._progress.end()

    # --- messages -------------------------------------------------------------------

    def _ask(self, said: dict[str, Any], blob: bytes = b"") -> tuple[dict[str, Any], bytes]:
        line = self._line
        assert line is not None

        def once() -> tuple[dict[str, Any], bytes]:
            message = line.question(said, blob)
            try:
                return line.answered(message, self._send(self._name, message))
            except NotSealedError:
                raise LinkError from None

        answer, piece = self._through(once)
        if "snag" in answer:
            self._line = None  # the other knows
            snag = told_by_other(answer["snag"])
            raise MeetError(snag, str(answer.get("detail", ""))[:200])
        return answer, piece

    def _through(self, send: Callable[[], T]) -> T:
        """Send again where the link broke, and give up after some tries."""
        begun = self._line is not None
        for pause in PAUSES_S if begun else PAUSES_S[:2]:
            try:
                return send()
            except LinkError:
                self._wait(pause)
        try:
            return send()
        except LinkError:
            raise MeetError(Snag.BROKEN_OFF if begun else Snag.NOT_REACHED) from None

    def _leave(self, error: MeetError) -> None:
        """Tell the other why, if it is still there."""
        line, self._line = self._line, None
        if line is None:
            return
        message = line.question({"do": "leave", "snag": error.snag.value, "detail": error.detail})
        try:
            self._send(self._name, message)
        except (LinkError, MeetError):
            return
