"""What the phone's pages do to photos: their look beforehand, and the smaller photo of a slow link.

    python tests/benchmarks/phone.py look --seed N [--photos 1]
    python tests/benchmarks/phone.py smaller --seed N [--keep FOLDER] [--every 1] [--forms 90 95]

``look`` gives every photo of the hard matrix (tests/benchmarks/hard) to the pages' own look
in headless Chromium and to the reader, and counts what is flagged of that which the reader
refuses, and false alarms: photos flagged that it reads. ``smaller`` takes the usable levels
of the matrix at the size of a phone's photo, makes each smaller in several forms (blocks of
pixels averaged; JPEG of a quality, ``90f`` with colour at full size, or ``lossless``), and says
how far readings move. Drawing at that size takes 20 s a photo, the rest one: with ``--keep``
a photo is drawn once, so that a stopped run goes on and another form costs little, and
blood beyond the aim's 12 g/dL is drawn with ``--all`` alone. All photos are synthetic.
docs/phone.md states the figures, with seeds apart from those that limits were set by.
"""

from __future__ import annotations

import argparse
import io
import os
import shutil
import sys
import tempfile
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
_HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(_HERE / "hard"), str(_HERE.parent), str(_HERE.parents[1])]

import conditions  # noqa: E402
import cv2  # noqa: E402
import numpy as np  # noqa: E402
import sitting  # noqa: E402
from PIL import Image, ImageOps  # noqa: E402

from cardreader.card.lots import Lots  # noqa: E402
from cardreader.core.files import write_atomic  # noqa: E402
from cardreader.core.shipped import shipped  # noqa: E402
from cardreader.decide.protocolfile import load_protocol  # noqa: E402
from cardreader.hb.calibration import Calibration  # noqa: E402
from cardreader.pipeline import read_photo  # noqa: E402
from cardreader.reader import Reader  # noqa: E402
from cardreader.result.reading import Reading  # noqa: E402
from cardreader.simulate.samples import TODAY  # noqa: E402

WEB = _HERE.parents[1] / "cardreader" / "web"
PHONE_SIZE = (3264, 2448)
QUALITY = 95
WORKING_SIDE = 1600
LOSSLESS = "lossless"
LOW_G_DL, AIM_G_DL = 12.0, 0.15
"""Below the one, no reading is to move by more than the other."""

LOOK = """async (url) => {
  window.eyes ??= new Worker('/static/look.js');
  const blob = await (await fetch(url, { cache: 'no-store' })).blob();
  const began = performance.now();
  const answer = await new Promise((done) => {
    window.eyes.onmessage = (event) => done(event.data);
    window.eyes.postMessage({ id: 1, task: 'look', blob });
  });
  return { ...answer, ms: performance.now() - began };
}"""


def reader() -> Reader:
    """All that ships."""
    return Reader(
        Lots.load(shipped("lots")), Calibration.load(shipped("default")), load_protocol(), TODAY
    )


def cells() -> list[tuple[int, Any, Any]]:
    """Number, condition and level of every cell of the hard matrix."""
    pairs = [(c, level) for c in conditions.CONDITIONS for level in c.levels]
    return [(k, c, level) for k, (c, level) in enumerate(pairs)]


def photo_of(seed: int, cell: int, condition: Any, level: Any, index: int) -> bytes:
    """One photo of a cell."""
    return condition.make(sitting.draw_sitting(seed, cell, index), level.value)


# --- the look beforehand ----------------------------------------------------------------


class _Files(SimpleHTTPRequestHandler):
    """The pages' scripts, the photos, and an empty page."""

    def __init__(self, *args: Any, photos: Path, **kwargs: Any) -> None:
        self.photos = photos
        super().__init__(*args, **kwargs)

    def translate_path(self, path: str) -> str:
        if path.startswith("/static/"):
            return str(WEB / path[1:])
        return str(self.photos / (Path(path).name or "page.html"))

    def log_message(self, *_args: Any) -> None:
        pass


@contextmanager
def browsing() -> Iterator[tuple[Any, str, Path]]:
    """A page of headless Chromium, its address, and the folder whose photos it can fetch."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as name, sync_playwright() as running:
        folder = Path(name)
        (folder / "page.html").write_text("<!doctype html><title>photos</title>")
        server = ThreadingHTTPServer(("127.0.0.1", 0), partial(_Files, photos=folder))
        threading.Thread(target=server.serve_forever, daemon=True).start()
        browser = running.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page()
        url = f"http://127.0.0.1:{server.server_address[1]}/"
        page.goto(url)
        yield page, url, folder
        browser.close()
        server.shutdown()


def look(seed: int, photos: int) -> None:
    """Hold the pages' look against the reader."""
    told, kinds, times = Counter[str](), Counter[str](), []
    with browsing() as (page, url, folder):
        every = reader()
        for k, condition, level in cells():
            for index in range(photos):
                data = photo_of(seed, k, condition, level, index)
                (folder / "photo.jpg").write_bytes(data)
                answer = page.evaluate(LOOK, f"{url}photo.jpg")
                seen = (answer.get("answer") or {}).get("reason")
                refusal = read_photo(data, every).refusal
                times.append(answer["ms"])
                if refusal is None:
                    told["read, flagged" if seen else "read, passed"] += 1
                    if seen:
                        print(f"false alarm: {condition.name}, {level.name}: {seen}")
                else:
                    kinds[f"{refusal.reason}: {'flagged as ' + seen if seen else 'passed'}"] += 1
    print(dict(told))
    for kind, count in sorted(kinds.items()):
        print(f"  {count:4d} {kind}")
    print(f"ms a photo: median {np.median(times):.0f}, 95 % {np.percentile(times, 95):.0f}")


# --- the smaller photo --------------------------------------------------------------------


def smaller(data: bytes, form: str = str(QUALITY)) -> bytes | None:
    """The photo as ``static/reduce.js`` averages it, in a form; None for what it leaves."""
    if data[:2] != b"\xff\xd8":
        return None
    stored = Image.open(io.BytesIO(data))
    picture = np.asarray(ImageOps.exif_transpose(stored).convert("RGB"))
    height, width = picture.shape[:2]
    long = max(width, height)
    d = next(d for d in (8, 4, 2, 1) if d == 1 or long / d >= WORKING_SIDE)
    blocks = picture[: height // d * d, : width // d * d]
    sums = sum(blocks[i::d, j::d].astype(np.uint16) for i in range(d) for j in range(d))
    means = Image.fromarray(((2 * sums + d * d) // (2 * d * d)).astype(np.uint8))
    profile = stored.info.get("icc_profile")
    about = {"icc_profile": profile} if profile else {}
    out = io.BytesIO()
    if form == LOSSLESS:
        means.save(out, "PNG", **about)
    else:
        colour = {"subsampling": 0 if form.endswith("f") else 2}
        means.save(out, "JPEG", quality=int(form.rstrip("f")), **colour, **about)
    return out.getvalue()


@dataclass
class Moved:
    """How far readings of one form moved, and what became of the rest; sizes in kB."""

    kb: list[float] = field(default_factory=list)
    low: list[tuple[float, str]] = field(default_factory=list)
    high: list[tuple[float, str]] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    other: list[str] = field(default_factory=list)

    def add(self, small: bytes, name: str, before: Reading, after: Reading) -> None:
        """Count one photo, whose original was read."""
        self.kb.append(len(small) / 1000)
        if after.estimate is None:
            self.refused.append(name)
            return
        hb = before.estimate.hb_g_dl
        moved = after.estimate.hb_g_dl - hb
        to = self.low if hb < LOW_G_DL else self.high
        to.append((abs(moved), f"{moved:+.3f} at {hb:.1f}, {name}"))
        if after.decision.outcome != before.decision.outcome:
            self.other.append(f"{name} at {hb:.1f}")

    def __str__(self) -> str:
        lines = [f"kB mean {np.mean(self.kb):.0f}, largest {max(self.kb):.0f}"]
        for words, moved in ((f"below {LOW_G_DL:g}", self.low), ("from there", self.high)):
            size = np.array([m for m, _ in moved])
            if size.size:
                lines.append(
                    f"{words}: {size.size}, mean {size.mean():.3f}, 95 % "
                    f"{np.percentile(size, 95):.3f}, largest {size.max():.3f}, "
                    f"over {AIM_G_DL}: {(size > AIM_G_DL).sum()}"
                )
        worst = "; ".join(words for _, words in sorted(self.low, reverse=True)[:3])
        lines += [f"most: {worst}", f"refused: {self.refused}; other outcome: {self.other}"]
        return "\n    ".join(lines)


def shifts(seed: int, wanted: argparse.Namespace) -> None:
    """How far readings move where the smaller photo is read."""
    sitting.SIZE = conditions.SIZE = PHONE_SIZE
    every = reader()
    moved = {form: Moved() for form in wanted.forms}
    whole: list[float] = []
    usable = [cell for cell in cells() if cell[2].usable][:: wanted.every]
    for k, condition, level in usable:
        for index in range(wanted.photos):
            hb = sitting.draw_sitting(seed, k, index).scene.hb_g_dl
            # A little beyond, since a reading may lie below what was drawn.
            if hb > LOW_G_DL + 1.0 and not wanted.all:
                continue
            data = kept_photo(wanted.keep, seed, k, condition, level, index)
            before = read_photo(data, every)
            if before.estimate is None or data[:2] != b"\xff\xd8":
                continue
            whole.append(len(data) / 1000)
            for form, counts in moved.items():
                small = smaller(data, form)
                counts.add(
                    small, f"{condition.name}, {level.name}", before, read_photo(small, every)
                )
    print(f"seed {seed}: {len(whole)} photos read, kB mean {np.mean(whole):.0f}")
    for form, counts in moved.items():
        print(f"{form}:\n    {counts}")


def kept_photo(
    keep: Path | None, seed: int, cell: int, condition: Any, level: Any, index: int
) -> bytes:
    """A photo, drawn when it isn't kept yet."""
    if keep is None:
        return photo_of(seed, cell, condition, level, index)
    file = keep / f"{seed}-{cell}-{index}.photo"
    if not file.exists():
        keep.mkdir(parents=True, exist_ok=True)
        write_atomic(file, photo_of(seed, cell, condition, level, index))
    return file.read_bytes()


def main() -> None:
    """Run one of the two."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("look", "smaller"))
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--photos", type=int, default=1, help="of every cell")
    parser.add_argument("--every", type=int, default=1, help="smaller: each nth usable cell")
    parser.add_argument(
        "--forms", nargs="+", default=[str(QUALITY)], help="smaller: 90 95f lossless"
    )
    parser.add_argument("--keep", type=Path, help="smaller: folder for drawn photos")
    parser.add_argument("--all", action="store_true", help="smaller: above 12 g/dL too")
    wanted = parser.parse_args()
    cv2.setNumThreads(1)
    if wanted.what == "look":
        look(wanted.seed, wanted.photos)
    else:
        shifts(wanted.seed, wanted)


if __name__ == "__main__":
    main()
