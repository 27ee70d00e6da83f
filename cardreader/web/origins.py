"""Every address under which phones have known the register.

A browser keeps photos for one address. When the register is found under another, the
page for kept photos asks at the earlier ones; this list says which they were.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from pathlib import Path

from cardreader.core.files import PRIVATE, write_atomic

FILE = "origins.json"
MOST = 12
_ORIGIN = re.compile(r"https?://[A-Za-z0-9.\-]{1,80}(:[0-9]{1,5})?|https?://\[[0-9a-f:]+\]:[0-9]+")


def known_origins(data: Path) -> list[str]:
    """The addresses, newest first; none where the list is missing or damaged."""
    try:
        found = json.loads((data / FILE).read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return []
    if not isinstance(found, list):
        return []
    return [o for o in found if isinstance(o, str) and _ORIGIN.fullmatch(o)][:MOST]


def note_origins(data: Path, origins: Iterable[str]) -> None:
    """Put the addresses of the moment first."""
    before = known_origins(data)
    now = list(dict.fromkeys([*origins, *before]))[:MOST]
    if now != before:
        write_atomic(data / FILE, json.dumps(now), PRIVATE)
