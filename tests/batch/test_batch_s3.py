"""A bucket behind a real S3 interface: moto's server, spoken to over HTTP by s3fs."""

from __future__ import annotations

import os
import subprocess
import threading
from collections.abc import Iterator
from email.message import Message
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import islice
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import fsspec
import pytest
from batchrig import ROOT, batch, batch_apart, command, rows, variant

from cardreader.batch.blots import find_photos
from cardreader.batch.journal import Journal
from cardreader.batch.score import Job, Task, score
from cardreader.batch.sources import SourceError, list_photos, read_bytes
from cardreader.reader import Reader

# The server alone takes ten seconds of processor time.
pytestmark = pytest.mark.slow

MANY = 2_300
"""More than two pages of a listing: a page has at most a thousand."""
ODD = (
    "a b", "a+b", "a%20b", "100%", "/slash", "[1]", "*", "q?", "q?versionId=3", "h#", "a::b",
    "zip://x", "../up", "tab\t", "\"'&<>", "back\\slash", "{a,b}", "=1+1", "\u202ertl",
)  # fmt: skip
"""Keys that a program may take for something else."""


@pytest.fixture(scope="module")
def bucket(card_photo: bytes) -> Iterator[str]:
    """The address of a bucket with a few photos, and many objects below ``many/``."""
    # Here, since each process of the tests would load it.
    import boto3
    from moto.core import DEFAULT_ACCOUNT_ID
    from moto.s3.models import s3_backends
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(port=0)
    server.start()
    host, port = server.get_host_and_port()
    endpoint = f"http://{host}:{port}"
    with pytest.MonkeyPatch.context() as patch:
        for name, value in {
            "AWS_ENDPOINT_URL": endpoint,
            "AWS_ACCESS_KEY_ID": "testing",
            "AWS_SECRET_ACCESS_KEY": "testing",
            "AWS_DEFAULT_REGION": "us-east-1",
        }.items():
            patch.setenv(name, value)
        store = boto3.client("s3")
        store.create_bucket(Bucket="blots")
        for i in range(2):
            store.put_object(Bucket="blots", Key=f"day/{i}.jpg", Body=variant(card_photo, i))
        store.put_object(Bucket="blots", Key="day/deep/no photo +1 ሰ.jpg", Body=b"no photo")
        store.put_object(Bucket="blots", Key="day/notes.txt", Body=b"no photo's name")
        # Put where the server keeps them: over HTTP it takes ten seconds, and only the
        # listing is of interest.
        kept = s3_backends[DEFAULT_ACCOUNT_ID]["aws"]
        for i in range(MANY):
            kept.put_object("blots", f"many/{i:05d}.jpg", b"%d" % i)
        for i in range(60):
            kept.put_object("blots", f"some/{i:02d}.jpg", b"%02d" % i)
        for name in ODD:
            kept.put_object("blots", f"odd/{name}.jpg", name.encode())
        for i in range(2):
            kept.put_object("blots", f"same/{i}.jpg", b"same")
        kept.put_object("blots", "empty.jpg", b"")
        yield "s3://blots"
    server.stop()
    fsspec.filesystem("s3").clear_instance_cache()


def test_a_bucket_is_listed_with_stamps_and_sizes(bucket: str, card_photo: bytes) -> None:
    photos = find_photos([f"{bucket}/day"])
    assert [p.name for p in photos] == [
        f"{bucket}/day/0.jpg",
        f"{bucket}/day/1.jpg",
        f"{bucket}/day/deep/no photo +1 ሰ.jpg",
    ]
    assert all(photo.stamp for photo in photos)
    assert photos[0].size == len(variant(card_photo, 0))
    assert read_bytes(photos[2].name) == b"no photo"
    assert find_photos([f"{bucket}/day/0.jpg"])[0].name == photos[0].name
    with pytest.raises(SourceError, match="nothing is there"):
        find_photos([f"{bucket}/nowhere"])


def test_listing_streams_page_by_page(bucket: str, monkeypatch: pytest.MonkeyPatch) -> None:
    store = fsspec.filesystem("s3")
    asked = []
    call = type(store).call_s3

    def counted(self: object, method: str, *given: object, **more: object) -> object:
        asked.append(method)
        return call(self, method, *given, **more)

    monkeypatch.setattr(type(store), "call_s3", counted)
    listing = list_photos([f"{bucket}/many"])
    first = list(islice(listing, 10))
    assert asked.count("list_objects_v2") == 1, "ten photos need one page"
    assert len(first) + sum(1 for _ in listing) == MANY
    assert asked.count("list_objects_v2") == 3


def test_a_batch_reads_a_bucket_and_goes_on(bucket: str, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = batch_apart(f"{bucket}/day", "--out", out, "--workers", "1")
    assert done.returncode == 0, done.stderr
    assert [row["status"] for row in rows(out)] == ["read", "read", "refused"]
    assert f"{bucket}/day/deep/no photo +1 ሰ.jpg" in (out / "summary.html").read_text("utf-8")
    again = batch(f"{bucket}/day", "--out", out, "--workers", "1")
    assert "measured now: 0" in again.stdout


def test_first_results_are_there_before_the_listing_has_ended(
    bucket: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, reader: Reader
) -> None:
    """The server gives its second page only once something of the first was read."""
    store = fsspec.filesystem("s3")
    call = type(store).call_s3
    read, pages = threading.Event(), []

    def slow(self: object, method: str, *given: object, **more: object) -> object:
        if method == "list_objects_v2":
            pages.append(read.is_set())
            if len(pages) > 1:
                assert read.wait(60), "nothing is read before all is listed"
        return call(self, method, *given, **more)

    monkeypatch.setattr(type(store), "call_s3", slow)
    tasks = []
    with Journal(tmp_path / "journal.sqlite") as journal:
        for photo in journal.photos.coming(list_photos([f"{bucket}/many"])):
            tasks.append(photo.name)
            if len(tasks) == 1:
                outcome = score(Task(photo.name, photo.subject), Job(reader))
                journal.add(outcome, journal.photos[outcome.name], Job(reader))
                assert len(journal.photos) == 0, "the earlier list stays until all have come"
                read.set()
        assert len(pages) == 3
        assert len(journal.photos) == len(set(tasks)) == MANY


def test_the_command_reads_while_a_slow_server_lists(bucket: str, tmp_path: Path) -> None:
    """A server before the real one holds back the second page until a photo was asked for."""
    order: list[str] = []
    photo_asked = threading.Event()

    class Slow(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked = "page" if "list-type=2" in self.path else "photo"
            order.append(asked)
            if asked == "photo":
                photo_asked.set()
            elif "continuation-token" in self.path:
                photo_asked.wait(60)
            self._pass_on()

        def do_HEAD(self) -> None:
            self.do_GET()

        def _pass_on(self) -> None:
            path = self.path
            if "list-type=2" in path:
                path += "&max-keys=20"
            request = Request(
                os.environ["AWS_ENDPOINT_URL"] + path,
                headers={name: value for name, value in self.headers.items() if name != "Host"},
                method=self.command,
            )
            try:
                with urlopen(request) as answer:
                    self._answer(answer.status, answer.headers, answer.read())
            except HTTPError as error:
                self._answer(error.code, error.headers, error.read())

        def _answer(self, status: int, headers: Message, body: bytes) -> None:
            self.send_response(status)
            for name in ("ETag", "Content-Type", "Content-Range", "Last-Modified"):
                if headers[name]:
                    self.send_header(name, headers[name])
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Slow)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        done = subprocess.run(
            command(f"{bucket}/some", "--out", tmp_path, "--workers", "1", "--no-summary"),
            env={**os.environ, "AWS_ENDPOINT_URL": f"http://127.0.0.1:{server.server_port}"},
            capture_output=True,
            text=True,
            cwd=ROOT,
            timeout=120,
        )
    finally:
        server.shutdown()
        server.server_close()
    assert done.returncode == 0, done.stderr
    assert "60 photos: 0 read, 60 refused" in done.stdout
    assert order.index("photo") < len(order) - 1 - order[::-1].index("page"), order[:30]


@pytest.mark.parametrize("name", ODD)
def test_odd_keys_are_photos_like_others(bucket: str, name: str) -> None:
    (photo,) = [p for p in find_photos([f"{bucket}/odd"]) if p.name == f"{bucket}/odd/{name}.jpg"]
    assert read_bytes(photo.name) == name.encode()


def test_an_empty_object_is_read_as_empty(bucket: str) -> None:
    assert read_bytes(f"{bucket}/empty.jpg") == b""
    with pytest.raises(FileNotFoundError):
        read_bytes(f"{bucket}/nowhere.jpg")


def test_only_equal_tags_may_be_doubles(bucket: str, tmp_path: Path) -> None:
    """Objects of one size are not read beforehand when the store tells them apart."""
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.photos.replace(list_photos([f"{bucket}/some", f"{bucket}/same"]))
        double = [p.name for p in journal.photos if journal.photos.may_be_double(p)]
    assert double == [f"{bucket}/same/0.jpg", f"{bucket}/same/1.jpg"]
