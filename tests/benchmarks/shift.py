"""How far readings moved from one version to another, on the sample photos.

    git archive OLD sample_images/good | tar -x -C before
    git archive NEW sample_images/good | tar -x -C after
    python tests/benchmarks/shift.py before/sample_images/good after/sample_images/good

Takes two folders of expected readings (``NAME.reading.json``) and compares those of the
same photo, byte for byte. A photo that only one version could read is told, never
counted as a shift. `CHANGELOG.md` states these figures for each version.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Shift:
    """Movement of the readings of ``count`` photos, in g/dL.

    ``mean`` is signed, new less old; ``width`` the mean change of the interval's
    width; ``outcomes`` and ``lost``/``gained`` name photos.
    """

    count: int
    mean: float
    mean_size: float
    largest: float
    largest_name: str
    width: float
    outcomes: tuple[str, ...]
    lost: tuple[str, ...]
    gained: tuple[str, ...]

    def __str__(self) -> str:
        lines = [
            f"{self.count} photos: mean shift {self.mean:+.2f} g/dL, mean size "
            f"{self.mean_size:.2f}, largest {self.largest:+.2f} ({self.largest_name}); "
            f"intervals {self.width:+.2f} g/dL wide"
        ]
        for words, names in (
            ("another outcome", self.outcomes),
            ("refused now", self.lost),
            ("read now", self.gained),
        ):
            lines += [f"{words}: {', '.join(names)}"] if names else []
        return "\n".join(lines)


def shift(before: Path, after: Path) -> Shift:
    """Compare two folders. ValueError when no photo was read by both."""
    old, new = _readings(before), _readings(after)
    shared = sorted(
        name for name in old.keys() & new.keys() if _photo(old[name]) == _photo(new[name])
    )
    both = [name for name in shared if old[name]["hb"] and new[name]["hb"]]
    if not both:
        raise ValueError(f"{before} and {after} share no photo that both could read")
    moved = {name: _hb(new[name])[0] - _hb(old[name])[0] for name in both}
    wider = [_hb(new[name])[1] - _hb(old[name])[1] for name in both]
    largest = max(both, key=lambda name: abs(moved[name]))
    return Shift(
        count=len(both),
        mean=sum(moved.values()) / len(both),
        mean_size=sum(map(abs, moved.values())) / len(both),
        largest=moved[largest],
        largest_name=largest,
        width=sum(wider) / len(both),
        outcomes=tuple(n for n in both if _outcome(old[n]) != _outcome(new[n])),
        lost=tuple(n for n in shared if old[n]["hb"] and not new[n]["hb"]),
        gained=tuple(n for n in shared if new[n]["hb"] and not old[n]["hb"]),
    )


def _readings(folder: Path) -> dict[str, dict]:
    ending = ".reading.json"
    return {
        path.name.removesuffix(ending): json.loads(path.read_text(encoding="utf-8"))
        for path in folder.glob(f"*{ending}")
    }


def _photo(reading: dict) -> str:
    return str(reading["photo"]["sha256"])


def _hb(reading: dict) -> tuple[float, float]:
    """Value and width of the interval."""
    interval = reading["hb"]["interval"]
    return reading["hb"]["g_dl"], interval["high_g_dl"] - interval["low_g_dl"]


def _outcome(reading: dict) -> str:
    return str(reading["decision"]["outcome"])


def main() -> None:
    """Print the shift."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("before", type=Path)
    parser.add_argument("after", type=Path)
    folders = parser.parse_args()
    print(shift(folders.before, folders.after))


if __name__ == "__main__":
    main()
