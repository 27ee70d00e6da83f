"""A bucket behind a real S3 interface: moto's server, spoken to over HTTP by s3fs."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import boto3
import fsspec
import pytest
from batchrig import batch, batch_apart, rows, variant
from moto.core import DEFAULT_ACCOUNT_ID
from moto.s3.models import s3_backends
from moto.server import ThreadedMotoServer

from cardreader.batch.sources import SourceError, find_photos, list_photos, read_bytes

MANY = 2_300
"""More than two pages of a listing: a page has at most a thousand."""


@pytest.fixture(scope="module")
def bucket(card_photo: bytes) -> Iterator[str]:
    """The address of a bucket with a few photos, and many objects below ``many/``."""
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
