"""Many ids in parts that one statement can hold."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import BindParameter, bindparam

SOME: BindParameter[Any] = bindparam("some", expanding=True)
"""What a question that is put together once takes a part for: ``{"some": part}``."""


def in_parts(ids: Iterable[str], most: int = 500) -> Iterable[list[str]]:
    """Ids in lists short enough for one statement."""
    some = sorted(ids)
    return (some[start : start + most] for start in range(0, len(some), most))
