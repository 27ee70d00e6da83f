"""Not loading the first version of pydantic, which nothing here is written for.

FastAPI asks of every field whether it is of that version, and loads all of it to ask: a
twentieth of a start. Where it can't be loaded FastAPI goes on without.
"""

from __future__ import annotations

import sys

from fastapi import APIRouter
from fastapi.encoders import jsonable_encoder

_OLD = "pydantic.v1"


class _Something:
    """What is no field's type that FastAPI knows."""


def spare_old_pydantic() -> None:
    """Let this process go without it, unless it has it or this FastAPI needs it."""
    if _OLD in sys.modules:
        return
    sys.modules[_OLD] = None  # type: ignore[assignment]  # by Python's rules: not to be found
    try:
        APIRouter().get("/{name}")(_asked)
        jsonable_encoder(_Something())
    except ImportError:
        del sys.modules[_OLD]


def _asked(name: str) -> str:
    return name
