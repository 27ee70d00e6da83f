"""Worlds judged one by one in processes, and the table of what came of all."""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Callable, Hashable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, TypeVar

Key = TypeVar("Key", bound=Hashable)


def print_table(
    doc: str,
    judge: Callable[[int], dict[Key, Any]],
    table: Callable[[dict[Key, list[Any]]], str],
    worlds: int,
) -> None:
    """Judge worlds 0 to ``worlds`` and print, as ``--out`` says also write, their table.

    ``judge`` gives of one world what ``table`` takes lists of, by the same keys.
    """
    parser = argparse.ArgumentParser(description=doc)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path)
    arguments = parser.parse_args()
    found: dict[Key, list[Any]] = defaultdict(list)
    with ProcessPoolExecutor(arguments.workers) as pool:
        for world in pool.map(judge, range(worlds)):
            for key, rows in world.items():
                found[key].append(rows)
    text = table(found)
    print(text)
    if arguments.out:
        arguments.out.write_text(text)
