"""Photos behind an address: objects listed as they come, and the bytes of one, through fsspec.

S3 is spoken to a request at a time: fsspec lists a folder whole, asks for an object's size
before it reads it, and takes ``::`` and ``?versionId=`` in a key for words of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

_TAGS = ("ETag", "etag", "md5Hash", "content_md5", "LastModified", "last_modified", "mtime")
_S3 = ("s3://", "s3a://")
_NOTHING_IN_RANGE = "InvalidRange"
"""S3's answer for the first bytes of an object that has none."""


_BRINGS = "pip install '.[{}]' in the checkout brings"


class NoStoreError(Exception):
    """A library that opens such addresses is not installed; the message says what brings it."""


@dataclass(frozen=True)
class StoredObject:
    """An object as the store lists it; the stamp is None where the store gives no tag or time."""

    name: str
    stamp: str | None
    size: int | None


def is_address(name: str) -> bool:
    """Whether a name is an address and not a path."""
    return "://" in name


def stored_objects(address: str) -> Iterator[StoredObject]:
    """Every object at or below an address. NoStoreError, or whatever the store's client raises."""
    try:
        import fsspec
    except ImportError:
        raise NoStoreError(f"{_BRINGS.format('batch')} what reads from addresses") from None
    try:
        store, root = fsspec.core.url_to_fs(address)
    except ImportError as error:  # which names the library
        s3 = f"{_BRINGS.format('s3')} what reads from S3"
        raise NoStoreError(s3 if address.startswith(_S3) else str(error)) from None
    for path, facts in _objects(store, root):
        yield StoredObject(str(store.unstrip_protocol(path)), _stamp(facts), facts.get("size"))


def read_stored(name: str, most: int) -> bytes:
    """The first ``most`` bytes of an object; OSError if it can't be opened."""
    import fsspec

    try:
        if name.startswith(_S3):
            return _read_s3(fsspec.filesystem("s3"), name, most)
        with fsspec.open(name, "rb") as stream:
            return bytes(stream.read(most))
    except OSError:
        raise
    except Exception as error:  # stores raise what their own client raises
        raise OSError(f"{type(error).__name__}: {error}") from None


def _objects(store: Any, root: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Path and facts of every object below ``root``, as the store lists them."""
    if hasattr(store, "call_s3"):
        yield from _pages_of_s3(store, root)
        return
    if store.isfile(root):
        yield root, store.info(root)
        return
    for _, _, files in store.walk(root, detail=True):
        for facts in files.values():
            yield facts["name"], facts


def _pages_of_s3(store: Any, root: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """A page of a thousand keys at a time is all that is held: a folder may have a million."""
    bucket, key, _ = store.split_path(root)
    if key and store.isfile(root):
        yield root, store.info(root)
        return
    asked = {"Bucket": bucket, "Prefix": f"{key.rstrip('/')}/" if key else ""}
    while True:
        page = store.call_s3("list_objects_v2", **asked)
        for found in page.get("Contents", ()):
            if not found["Key"].endswith("/"):
                yield f"{bucket}/{found['Key']}", {**found, "size": found["Size"]}
        if not page.get("IsTruncated"):
            return
        asked["ContinuationToken"] = page["NextContinuationToken"]


def _read_s3(store: Any, name: str, most: int) -> bytes:
    from fsspec.asyn import sync

    bucket, _, key = name.split("://", 1)[1].partition("/")

    async def first_bytes() -> bytes:
        asked = {"Bucket": bucket, "Key": key, "Range": f"bytes=0-{most - 1}"}
        answer = await store._call_s3("get_object", **asked)
        async with answer["Body"] as body:
            return bytes(await body.read())

    try:
        data: bytes = sync(store.loop, first_bytes)
    except OSError as error:
        said = getattr(error.__cause__, "response", {}).get("Error", {})
        if said.get("Code") == _NOTHING_IN_RANGE:
            return b""
        raise
    return data


def _stamp(facts: dict[str, Any]) -> str | None:
    tag = next((facts[key] for key in _TAGS if facts.get(key)), None)
    return None if tag is None else f"{facts.get('size')}:{tag}"
