"""Makes the folder of the pages importable, and the benchmarks' scripts."""

from __future__ import annotations

import sys
from pathlib import Path

_ROOT = Path(__file__).resolve().parents[2]
for folder in (_ROOT / "docs", _ROOT / "tests" / "benchmarks"):
    if str(folder) not in sys.path:
        sys.path.append(str(folder))
