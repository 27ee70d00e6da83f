"""The same targets, led by coverage: needs atheris, which is no dependency of the tests.

python tests/fuzz/guided.py "CGATS lot files" [libFuzzer options, e.g. -max_total_time=60]
"""

from __future__ import annotations

import sys
from pathlib import Path

_HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(_HERE), str(_HERE.parent), str(_HERE.parents[1])]

import atheris  # noqa: E402

with atheris.instrument_imports(include=["cardreader"]):
    from targets import TARGETS


def main() -> None:
    """Fuzz one target until told to stop; a bad end stops it with the case kept."""
    target = TARGETS[sys.argv.pop(1)]
    atheris.Setup(sys.argv, target.run)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
