"""Makes the pictures of ``pictures.md``: ``python docs/pictures.py``.

A test fails while a picture is not what this makes. The phone's pages are taken by the
browser tests (``CARDREADER_SCREENSHOTS``), the card by its own test.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pypdfium2
from PIL import Image
from playwright.sync_api import sync_playwright

from cardreader.api import load_reader, read_photo
from cardreader.result.annotate import annotate
from cardreader.simulate.samples import TODAY

DOCS = Path(__file__).parent
FOLDER = DOCS / "pictures"
SAMPLES = DOCS.parent / "sample_images"
SAMPLE = SAMPLES / "good" / "moderate-8.3-tube.jpg"
WIDTH_PX = 720
REPORT_DPI = 90
PAGE_PX = (1000, 1500)


def photo() -> Image.Image:
    """The sample photo that the README reads."""
    return _narrow(Image.open(SAMPLE).convert("RGB"))


def reading() -> Image.Image:
    """The same, read and annotated."""
    return _narrow(annotate(read_photo(SAMPLE, load_reader(today=TODAY))))


def report() -> Image.Image:
    """The first page of the demonstration study's validation report."""
    document = pypdfium2.PdfDocument(DOCS / "demo-study" / "calibration" / "report.pdf")
    return document[0].render(scale=REPORT_DPI / 72).to_pil().convert("RGB")


def summary() -> Image.Image:
    """The top of the summary page of a batch over all sample photos, as a browser shows it."""
    with tempfile.TemporaryDirectory() as out:
        words = f"-m cardreader batch {SAMPLES.name} --today {TODAY} --out".split()
        subprocess.run(
            [sys.executable, *words, out],
            check=True,
            cwd=SAMPLES.parent,
            capture_output=True,
        )
        return _shot(Path(out) / "summary.html")


def _shot(page: Path) -> Image.Image:
    picture = page.with_suffix(".png")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        shown = browser.new_page(viewport=dict(zip(("width", "height"), PAGE_PX, strict=True)))
        shown.goto(page.as_uri())
        shown.screenshot(path=picture)
        browser.close()
    return _narrow(Image.open(picture).convert("RGB"))


def _narrow(picture: Image.Image) -> Image.Image:
    if picture.width <= WIDTH_PX:
        return picture
    height = round(picture.height * WIDTH_PX / picture.width)
    return picture.resize((WIDTH_PX, height), Image.Resampling.LANCZOS)


PICTURES: dict[str, Callable[[], Image.Image]] = {
    "photo.jpg": photo,
    "reading.jpg": reading,
    "report.png": report,
    "summary.png": summary,
}


def main() -> None:
    """Write all pictures."""
    FOLDER.mkdir(exist_ok=True)
    for name, make in PICTURES.items():
        made = make()
        if name.endswith(".png"):
            made.quantize(128, dither=Image.Dither.NONE).save(FOLDER / name, optimize=True)
        else:
            made.save(FOLDER / name, quality=85)
        print(f"{FOLDER / name} ({date.today()})")


if __name__ == "__main__":
    main()
