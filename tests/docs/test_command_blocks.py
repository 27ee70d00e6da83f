"""Every block of commands and of Python in the README and the docs is run, or says that it isn't.

A block is run as it stands, page by page, in a folder that holds what the pages speak
of: synthetic photos, the shipped calibration and protocols. ``sh not-run`` marks one that
needs the network, other machines, hours, or that ends only when it is stopped. Only what is
drawn is drawn fewer: the women of the demonstration study, and photos that no line reads.
The README's two commands make a fresh environment: ``.ci/run`` runs those.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGES = (ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md")))
LANGUAGES = {
    "sh",
    "sh not-run",
    "python",
    "python not-run",
    "text",
    "math",
    "json",
    "csv",
    "toml",
    "",
}
FEWER = {
    "cardreader study demo ": "cardreader study demo --women 30 ",
    "simulate --out demo --hb 6 9 12": "simulate --out demo --hb 6 9",
}
FRESH = (".venv/bin/", "python3 -m venv")
"""What marks the README's two commands, which make an environment of their own."""


@dataclass(frozen=True)
class Block:
    """One fenced block of a page."""

    page: Path
    line: int
    language: str
    text: str


def _blocks(page: Path) -> list[Block]:
    text = page.read_text(encoding="utf-8")
    found = re.finditer(r"^ *```([^\n`]*)\n(.*?)^ *```$", text, re.M | re.S)
    return [Block(page, text[: m.start()].count("\n") + 1, m[1].strip(), m[2]) for m in found]


def _to_run(page: Path) -> list[Block]:
    return [
        block
        for block in _blocks(page)
        if block.language in ("sh", "python")
        and not (page.name == "README.md" and any(word in block.text for word in FRESH))
    ]


RUN = [page for page in PAGES if _to_run(page)]


def test_every_block_says_what_it_is() -> None:
    odd = [
        f"{b.page.name}:{b.line}: {b.language!r}"
        for page in PAGES
        for b in _blocks(page)
        if b.language not in LANGUAGES
    ]
    assert odd == []
    unmarked = [
        f"{b.page.name}:{b.line}"
        for page in PAGES
        for b in _blocks(page)
        if b.language in ("", "text") and re.search(r"^\s*(\$ )?(pip|cardreader) \w", b.text, re.M)
    ]
    assert unmarked == [], "commands stand in a block of sh, or of 'sh not-run'"


def test_ci_runs_the_two_commands_of_the_readme() -> None:
    first = [block.text for block in _blocks(ROOT / "README.md") if block.language == "sh"][:2]
    assert all(any(word in text for word in FRESH) for text in first)
    assert "README.md" in (ROOT / ".ci" / "run").read_text()


@pytest.fixture(scope="module")
def material(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three photos of the samples under the names that the pages use."""
    folder = tmp_path_factory.mktemp("material")
    good = sorted((ROOT / "sample_images" / "good").glob("*.jpg"))
    (folder / "photos").mkdir()
    for name, photo in zip(("photo", "blot-1", "blot-2"), good, strict=False):
        shutil.copy(photo, folder / f"{name}.jpg")
        shutil.copy(photo, folder / "photos" / f"{name}.jpg")
    (folder / "photos.csv").write_text("photo,light\nphotos/photo.jpg,shade\n")
    for name in ("calibration", "new-calibration", "my-calibration"):
        shutil.copytree(ROOT / "calibration" / "default", folder / name)
    shutil.copytree(ROOT / "sample_images", folder / "sample_images")
    shutil.copy(ROOT / "calibration" / "lots" / "027001.txt", folder / "261101.txt")
    return folder


@pytest.mark.slow
@pytest.mark.parametrize("page", RUN, ids=[page.stem for page in RUN])
def test_blocks_run(page: Path, material: Path, tmp_path: Path) -> None:
    work = tmp_path / "work"
    shutil.copytree(material, work)
    bin_folder = tmp_path / "bin"
    bin_folder.mkdir()
    for name, words in (("cardreader", "-m cardreader"), ("python", "")):
        shim = bin_folder / name
        shim.write_text(f'#!/bin/sh\nexec "{sys.executable}" {words} "$@"\n')
        shim.chmod(0o755)
    environment = {
        **os.environ,
        "PATH": f"{bin_folder}:{os.environ['PATH']}",
        "PYTHONPATH": str(ROOT),
        "CARDREADER_DATA": str(tmp_path / "register"),
    }
    blocks = _to_run(page)
    python = "\n".join(block.text for block in blocks if block.language == "python")
    shell = [block for block in blocks if block.language == "sh"]
    for block in shell:
        text = block.text
        for words, fewer in FEWER.items():
            text = text.replace(words, fewer)
        script = f"set -euo pipefail\n{text}"
        _run(["bash", "-c", script], work, environment, f"{page.name}:{block.line}")
    if python:
        # Started as a script, since workers are started as Python asks.
        (work / "page.py").write_text(
            f'if __name__ == "__main__":\n{_indented(python)}', encoding="utf-8"
        )
        _run([sys.executable, "page.py"], work, environment, page.name)


def _indented(code: str) -> str:
    return "".join(f"    {line}\n" if line else "\n" for line in code.splitlines())


def _run(words: list[str], folder: Path, environment: dict[str, str], where: str) -> None:
    done = subprocess.run(
        words, cwd=folder, env=environment, capture_output=True, text=True, timeout=900
    )
    assert done.returncode == 0, f"{where}: {done.stdout[-2000:]}{done.stderr[-2000:]}"


def test_files_that_pages_name_are_there() -> None:
    missing = []
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#:]+?)(?:#[^)]*)?\)", text):
            if not (page.parent / target).exists():
                missing.append(f"{page.name}: {target}")
        for name in re.findall(r"\b(?:tests|cardreader)/[\w/]+\.(?:py|json|csv)\b", text):
            if not (ROOT / name).exists():
                missing.append(f"{page.name}: {name}")
    assert missing == []
