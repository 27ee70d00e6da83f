"""What an installation weighs, by package: a table for docs/phone.md.

    .venv/bin/python tests/benchmarks/weight.py [FOLDER]

FOLDER holds packages in place of this environment's own, of another kind of machine for
example. Adds up the files that each installed distribution brought, in MB of 10^6 bytes, with
compiled bytecode apart, since pip compiles after it has installed. Needs Python alone, so
that it runs in the lean environment itself.
"""

from __future__ import annotations

import sys
from importlib import metadata
from pathlib import Path

LEAST_MB = 3.0
TOOLS = {"pip", "setuptools", "wheel"}
"""Brought by the environment, not by the project."""


def weights(where: list[str]) -> tuple[dict[str, float], dict[str, str], float]:
    """MB and version of every distribution, and MB of all their bytecode together."""
    versions: dict[str, str] = {}
    found: dict[str, float] = {}
    bytecode = 0.0
    for distribution in metadata.distributions(path=where):
        name = distribution.metadata["Name"].lower()
        if name in TOOLS:
            continue
        versions[name] = distribution.version
        for file in distribution.files or ():
            path = Path(str(distribution.locate_file(file)))
            if not path.is_file():
                continue
            size = path.stat().st_size / 1e6
            if path.suffix == ".pyc":
                bytecode += size
            else:
                found[name] = found.get(name, 0.0) + size
    return found, versions, bytecode


def main() -> None:
    """Print the table."""
    found, versions, bytecode = weights(sys.argv[1:] or sys.path)
    large = sorted((n for n in found if found[n] >= LEAST_MB), key=lambda n: -found[n])
    rest = sum(size for name, size in found.items() if name not in large)
    print("| package | MB |\n|---|---:|")
    for name in large:
        print(f"| {name} {versions[name]} | {found[name]:.0f} |")
    print(f"| {len(found) - len(large)} others | {rest:.0f} |")
    print(f"| **all** | **{sum(found.values()):.0f}** |")
    print(f"\nCompiled bytecode beside them: {bytecode:.0f} MB.")


if __name__ == "__main__":
    main()
