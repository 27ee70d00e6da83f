"""Makes the benchmark's conditions and the fuzzer's targets importable."""

from __future__ import annotations

import sys
from pathlib import Path

_TESTS = Path(__file__).resolve().parents[1]
for folder in (_TESTS, _TESTS / "benchmarks" / "hard", _TESTS / "fuzz"):
    if str(folder) not in sys.path:
        sys.path.append(str(folder))
