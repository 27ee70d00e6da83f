"""The part of a photo with the card, as phones send it over a slow link: bytes and shifts.

    python tests/benchmarks/cardpart.py shift --seed N [--every 1] [--keep FOLDER]
    python tests/benchmarks/cardpart.py verdict --seed N [--keep FOLDER]
    python tests/benchmarks/cardpart.py time PHOTO

The pages' own scripts make the parts, in headless Chromium. ``shift`` takes the usable
levels of the hard matrix up to 13 g/dL at the size of a phone's photo, as
``phone.py smaller`` does, and says how far readings move. ``verdict`` takes every level, the
unusable ones too, at the matrix's own size: what was refused must be refused, for the same
reason. ``time`` says what a part takes of the browser's processor and memory. All photos are
synthetic. docs/phone.md states the figures.
"""

from __future__ import annotations

import argparse
import base64
from collections import Counter
from pathlib import Path
from typing import Any

import cv2
import phone

from cardreader.pipeline import read_photo

MAKE = """async (url) => {
  window.eyes ??= new Worker('/static/look.js');
  const blob = await (await fetch(url, { cache: 'no-store' })).blob();
  const began = performance.now();
  const { answer } = await new Promise((done) => {
    window.eyes.onmessage = (event) => done(event.data);
    window.eyes.postMessage({ id: 1, task: 'reduce', blob });
  });
  const ms = performance.now() - began;
  if (!answer) return { ms };
  let text = '';
  for (const byte of new Uint8Array(answer.bytes)) text += String.fromCharCode(byte);
  return { ms, quality: answer.quality, text: btoa(text) };
}"""


def sent(browser: tuple[Any, str, Path], data: bytes) -> tuple[str, bytes, float]:
    """How the phone sends a photo ("part", "smaller" or "whole"), what it sends, and its ms."""
    page, url, folder = browser
    (folder / "photo.jpg").write_bytes(data)
    answer = page.evaluate(MAKE, f"{url}photo.jpg")
    if "text" not in answer:
        return "whole", data, answer["ms"]
    way = "part" if answer.get("quality") is None else "smaller"
    return way, base64.b64decode(answer["text"]), answer["ms"]


def shift(wanted: argparse.Namespace) -> None:
    """How far readings move."""
    phone.sitting.SIZE = phone.conditions.SIZE = phone.PHONE_SIZE
    every = phone.reader()
    moved = {"part": phone.Moved(), "smaller": phone.Moved()}
    of: dict[str, list[float]] = {way: [] for way in moved}
    usable = [cell for cell in phone.cells() if cell[2].usable][:: wanted.every]
    with phone.browsing() as browser:
        for k, condition, level in usable:
            if phone.sitting.draw_sitting(wanted.seed, k, 0).scene.hb_g_dl > phone.LOW_G_DL + 1.0:
                continue
            data = phone.kept_photo(wanted.keep, wanted.seed, k, condition, level, 0)
            before = read_photo(data, every)
            way, small, _ = sent(browser, data)
            if before.estimate is None or way == "whole":
                continue
            of[way].append(len(data) / 1000)
            moved[way].add(
                small, f"{condition.name}, {level.name}", before, read_photo(small, every)
            )
    for way, counts in moved.items():
        if of[way]:
            mean = sum(of[way]) / len(of[way])
            print(f"{way}: {len(of[way])} photos, kB mean {mean:.0f}\n    {counts}")


def verdict(wanted: argparse.Namespace) -> None:
    """Whether every photo, refused ones too, gets the verdict of its original."""
    every = phone.reader()
    told = Counter[str]()
    with phone.browsing() as browser:
        for k, condition, level in phone.cells():
            data = phone.kept_photo(wanted.keep, wanted.seed, k, condition, level, 0)
            way, small, _ = sent(browser, data)
            if way != "part":
                told[f"not a part: {way}"] += 1
                continue
            before, after = read_photo(data, every), read_photo(small, every)
            kind = "read" if before.refusal is None else "refused"
            same = (before.refusal is None) == (after.refusal is None) and (
                before.refusal is None or before.refusal.reason is after.refusal.reason
            )
            told[f"part: {kind}, {'the same' if same else 'another'} verdict"] += 1
            if not same:
                print(f"{condition.name}, {level.name}: {before.refusal} / {after.refusal}")
    print(dict(told))


def time(wanted: argparse.Namespace) -> None:
    """What one part takes: the browser's processor seconds and memory."""
    data = wanted.photo.read_bytes()
    with phone.browsing() as browser:
        page = browser[0]
        system = page.context.browser.new_browser_cdp_session()

        def pages() -> list[dict[str, Any]]:
            found = system.send("SystemInfo.getProcessInfo")["processInfo"]
            return [one for one in found if one["type"] == "renderer"]

        sent(browser, data)  # scripts are compiled
        before = sum(one["cpuTime"] for one in pages())
        way, small, ms = sent(browser, data)
        spent = sum(one["cpuTime"] for one in pages()) - before
        most = max(_most_memory_mb(one["id"]) for one in pages())
    print(
        f"{way}: {len(small) / 1000:.0f} of {len(data) / 1000:.0f} kB, {ms / 1000:.2f} s, "
        f"{spent:.2f} s of processor with what hands it over, {most:.0f} MB at most"
    )


def _most_memory_mb(pid: int) -> float:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) / 1000
    return 0.0


def main() -> None:
    """Run one of the three."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ways = parser.add_subparsers(dest="what", required=True)
    for run in (shift, verdict, time):
        way = ways.add_parser(run.__name__, help=run.__doc__)
        way.set_defaults(run=run)
        if run is time:
            way.add_argument("photo", type=Path)
            continue
        way.add_argument("--seed", type=int, required=True)
        way.add_argument("--keep", type=Path, help="folder for drawn photos")
        if run is shift:
            way.add_argument("--every", type=int, default=1, help="each nth usable cell")
    wanted = parser.parse_args()
    cv2.setNumThreads(1)
    wanted.run(wanted)


if __name__ == "__main__":
    main()
