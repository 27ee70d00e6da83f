"""The good samples made livelier or duller, as phones do it after the tone curve: are they read?

    python tests/benchmarks/lively.py

Each of ``sample_images/good`` gets its saturation changed in the file's encoded values, by
four formulas (about a luma of BT.709 or BT.601, in hue-saturation-value, in Oklab), and is
read beside itself. *Moved far*: by more than 1 g/dL and 10 %. *Covered*: the truth, which
stands in the photo's name, lies in the 90 % interval. All photos are synthetic, so these are
no photos of phones; docs/hard.md states the figures.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from cardreader.hb.estimate import HbEstimate
from cardreader.pipeline import read_photo
from cardreader.reader import load_reader
from cardreader.simulate.rendering import (
    BT601_LUMA,
    BT709_LUMA,
    saturate_about_luma,
    saturate_in_hsv,
    saturate_in_oklab,
)

Array = NDArray[np.float64]

GOOD = Path(__file__).parents[2] / "sample_images" / "good"
GAINS = (0.85, 1.15, 1.30, 1.45)
FORMULAS: dict[str, Callable[[Array, float], Array]] = {
    "luma 709": lambda encoded, gain: saturate_about_luma(encoded, gain, BT709_LUMA),
    "luma 601": lambda encoded, gain: saturate_about_luma(encoded, gain, BT601_LUMA),
    "HSV": saturate_in_hsv,
    "Oklab": saturate_in_oklab,
}
ROWS_AT_ONCE = 200


@dataclass(frozen=True)
class Pair:
    """One sample as it is and as a phone might have made it; None where it is refused."""

    truth_g_dl: float
    plain: HbEstimate
    changed: HbEstimate | None

    @property
    def covered(self) -> bool:
        """Whether the truth lies in the changed photo's interval."""
        if self.changed is None:
            return False
        low, high = self.changed.interval_g_dl
        return low <= self.truth_g_dl <= high

    @property
    def far(self) -> bool:
        """Whether the change moved the reading by more than 1 g/dL and 10 %."""
        if self.changed is None:
            return False
        plain = self.plain.hb_g_dl
        return abs(self.changed.hb_g_dl - plain) > max(1.0, 0.1 * plain)


def changed(path: Path, formula: str, gain: float) -> bytes:
    """The sample with another saturation, as a JPEG of quality 95."""
    picture = cv2.imread(str(path))[..., ::-1] / 255.0
    made = [
        FORMULAS[formula](picture[row : row + ROWS_AT_ONCE], gain)
        for row in range(0, len(picture), ROWS_AT_ONCE)
    ]
    codes = np.round(255 * np.clip(np.concatenate(made), 0, 1)).astype(np.uint8)
    return cv2.imencode(".jpg", codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()


def read(job: tuple[Path, str, float] | Path) -> HbEstimate | None:
    """Read a sample, as it is or with another saturation."""
    data = job.read_bytes() if isinstance(job, Path) else changed(*job)
    return read_photo(data, load_reader()).estimate


def truth_g_dl(path: Path) -> float:
    """The truth, which stands in the photo's name."""
    named = re.search(r"-(\d+\.\d)-", path.name)
    assert named is not None
    return float(named[1])


def main() -> None:
    """Print the table as Markdown."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--workers", type=int, default=2)
    workers = parser.parse_args().workers
    photos = sorted(GOOD.glob("*.jpg"))
    print("| formula | saturation | read | covered | moved far |\n|---|---:|---:|---:|---:|")
    with ProcessPoolExecutor(workers) as pool:
        plain = list(pool.map(read, photos))
        for formula, gain in product(FORMULAS, GAINS):
            others = pool.map(read, [(photo, formula, gain) for photo in photos])
            pairs = []
            for photo, one, other in zip(photos, plain, others, strict=True):
                assert one is not None
                pairs.append(Pair(truth_g_dl(photo), one, other))
            n_read = sum(p.changed is not None for p in pairs)
            covered, far = sum(p.covered for p in pairs), sum(p.far for p in pairs)
            print(
                f"| {formula} | {gain - 1:+.0%} | {n_read} of {len(pairs)} | {covered} | {far} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
