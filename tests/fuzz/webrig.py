"""A server to send hostile requests to: the same register before each, and what may come back."""

from __future__ import annotations

import atexit
import re
import shutil
import tempfile
import warnings
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from fastapi import FastAPI
from fastapi.testclient import TestClient
from mutate import mutate_bytes
from seeds import card_photos
from sqlalchemy import select
from target import bad, sound_json

from cardreader.decide.protocolfile import load_protocol
from cardreader.register import accounts, audit
from cardreader.register.base import utc_now
from cardreader.register.kinds import Role
from cardreader.register.models import Reading, Visit, Woman
from cardreader.register.recording import record_lab, record_tube, subject_of
from cardreader.register.tube import TubeUnit
from cardreader.register.visits import open_visit
from cardreader.register.women import add_woman
from cardreader.web.access import COOKIE
from cardreader.web.app import create_app
from cardreader.web.guard import HEADERS
from cardreader.web.photos import ForVisit, take_photo
from cardreader.web.settings import PhotoPolicy, Settings

PASSWORD = "a long invented password"
BESIDE = ("", "-wal", "-shm")


@dataclass(frozen=True)
class Request:
    """One request: method, path, raw headers, body. Marks such as ``@WOMAN@`` stand for ids."""

    method: str
    path: str
    headers: tuple[tuple[str, bytes], ...]
    body: bytes

    def to_bytes(self) -> bytes:
        """As `parse` takes it apart."""
        head = [f"{self.method} {self.path}".encode("utf-8", "surrogatepass")]
        head += [name.encode() + b": " + value for name, value in self.headers]
        return b"\n".join(head) + b"\n\n" + self.body


def parse(data: bytes) -> Request:
    """A request from its bytes."""
    head, _, body = data.partition(b"\n\n")
    first, *rest = head.split(b"\n")
    method, _, path = first.decode("utf-8", "surrogatepass").partition(" ")
    pairs = [line.partition(b": ") for line in rest]
    return Request(method, path, tuple((n.decode(), value) for n, _, value in pairs), body)


class Server:
    """An application on a folder of its own, with one woman and a little of everything."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="fuzz-web-"))
        atexit.register(shutil.rmtree, self.folder, ignore_errors=True)
        settings = Settings(
            self.folder / "data",
            photos=PhotoPolicy.ENCRYPTED,
            place="Invented Hill",
            elevation_m=1200.0,
            requests_a_minute=10**9,
            free_tries=10**9,
        )
        self.app: FastAPI = create_app(settings)
        self.database = self.app.state.database
        self.marks: dict[str, str] = {}
        self.token = ""
        self._fill()
        self.database.close()
        self._snapshot = {end: self._file(end).read_bytes() for end in BESIDE if self._there(end)}
        self._photos = {path.name: path.read_bytes() for path in self._photo_folder.iterdir()}

    def _file(self, ending: str) -> Path:
        return self.folder / "data" / f"register.db{ending}"

    def _there(self, ending: str) -> bool:
        return self._file(ending).exists()

    @property
    def _photo_folder(self) -> Path:
        return self.folder / "data" / "photos"

    def _fill(self) -> None:
        now, rules = utc_now(), load_protocol()
        with self.database.write() as session:
            account = accounts.add_account(session, "ada", Role.SUPERVISOR, PASSWORD)
            other = accounts.add_account(session, "bea", Role.WORKER, PASSWORD)
            self.token, row = accounts.start(session, account)
            woman = add_woman(session, "KX-1", 20, now.date(), account.id)
            visit = open_visit(session, woman, 1, now.date(), account.id)
            subject = subject_of(woman, now.date(), None)
            record_tube(
                session, woman, "tube-key-1", 9.0, TubeUnit.G_DL, now, account.id, rules, subject
            )
            record_lab(
                session, woman, "lab-key-1", 9.1, "analyser", "", now, account.id, rules, subject
            )
            self.marks = {
                "@WOMAN@": woman.id, "@VISIT@": visit.id, "@CSRF@": row.csrf, "@OTHER@": other.id,
            }  # fmt: skip
        state = self.app.state.shared
        taken = take_photo(
            state, ForVisit(self.marks["@VISIT@"]), "photo-key-1", card_photos()[0], now, account.id
        )
        self.marks["@READING@"] = taken.reading_id

    def reset(self) -> None:
        """The register as it was at first."""
        self.database.close()
        for ending in BESIDE:
            if ending in self._snapshot:
                self._file(ending).write_bytes(self._snapshot[ending])
            else:
                self._file(ending).unlink(missing_ok=True)
        here = {path.name: path for path in self._photo_folder.iterdir()}
        for name in here.keys() - self._photos.keys():
            here[name].unlink()
        for name in self._photos.keys() - here.keys():
            (self._photo_folder / name).write_bytes(self._photos[name])

    def answer(self, request: Request) -> str:
        """Send a request; how it was answered, or a bad end."""
        with warnings.catch_warnings():
            # The form library leaves the file of a part that was cut off to the collector.
            warnings.filterwarnings("ignore", "Unclosed file <tempfile.Spooled", ResourceWarning)
            return self._answer(request)

    def _answer(self, request: Request) -> str:
        self.reset()
        client = TestClient(self.app, base_url="http://testserver", follow_redirects=False)
        headers = [(name, self._with_ids(value)) for name, value in request.headers]
        headers.append(("cookie", f"{COOKIE}={self.token}".encode()))
        try:
            sent = client.build_request(
                request.method,
                self._with_ids(request.path.encode("utf-8", "surrogatepass")).decode(
                    "utf-8", "replace"
                ),
                content=self._with_ids(request.body),
                headers=headers,
            )
        except Exception as error:  # the client's own, for what no client would send
            return f"not sent: {type(error).__name__}"
        found = client.send(sent)
        _check(found)
        self._check_register()
        if 300 <= found.status_code < 400:
            target = found.headers["location"]
            if not re.match(r"(http://testserver)?/(?![/\\])", target):
                bad(f"sent away to {target!r}")
            self._look(client, target)
        if request.method == "POST":
            for page in ("/", f"/women/{self.marks['@WOMAN@']}", "/api/women"):
                self._look(client, page)
        return str(found.status_code)

    def _look(self, client: TestClient, page: str) -> None:
        _check(client.get(page, headers={"cookie": f"{COOKIE}={self.token}"}))

    def _with_ids(self, text: bytes) -> bytes:
        for mark, value in self.marks.items():
            text = text.replace(mark.encode(), value.encode())
        return text

    def _check_register(self) -> None:
        """Nothing half-entered, and no value that is none."""
        with self.database.read() as session:
            if not audit.check(session):
                bad("a broken audit trail")
            for value in session.scalars(select(Reading.hb_g_dl)):
                if value is not None and not 0.5 <= value <= 30:
                    bad(f"a reading of {value} g/dL")
            kept = set(session.scalars(select(Reading.photo_file).where(Reading.photo_file != "")))
            here = {path.name for path in self._photo_folder.iterdir()}
            if kept != here:
                bad(f"photos kept {sorted(here)}, in the register {sorted(kept)}")
            numbers = session.scalars(select(Visit.number)).all()
            if any(not 1 <= number <= 60 for number in numbers):
                bad(f"visits numbered {numbers}")
            for code in session.scalars(select(Woman.code)):
                if not re.fullmatch(r"[A-Z0-9/-]{3,24}", code):
                    bad(f"a woman's code {code!r}")


def _check(answer) -> None:
    if not 200 <= answer.status_code < 500:
        bad(f"answered {answer.status_code}: {answer.text[:200]!r}")
    missing = [name for name in HEADERS if name not in answer.headers]
    if missing:
        bad(f"answered {answer.status_code} without {missing}")
    kind = answer.headers.get("content-type", "")
    if "Traceback" in answer.text or "cardreader/" in answer.text:
        bad(f"the program shows its inside: {answer.text[:300]!r}")
    if "json" in kind and answer.content:  # HEAD and some refusals have none
        sound_json(answer.text)


@cache
def server() -> Server:
    """The one of this process."""
    return Server()


def damaged(data: bytes, rng) -> bytes:
    """Damage by the byte, of what may be empty."""
    return mutate_bytes(data, (data,), rng) if data else data
