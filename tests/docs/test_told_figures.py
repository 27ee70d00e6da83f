"""Figures that prose repeats are those of the tables they come from."""

from __future__ import annotations

import re
from pathlib import Path

from cardreader.calibrate.prior import DEGREE
from cardreader.hb.measured import N_SIGNATURE

DOCS = Path(__file__).parents[2] / "docs"
WORDS = {0: "none", 1: "one", 2: "two", 3: "three"}


def _page(name: str) -> str:
    return " ".join((DOCS / name).read_text(encoding="utf-8").split())


def _hard() -> tuple[str, str, str]:
    """The hard photos, the colours alone, and what is said of both against the aims."""
    page = _page("hard.md")
    _, _, tables = page.partition("### Photos")
    photos, _, rest = tables.partition("### Colours alone")
    colours, _, after = rest.partition("<!-- table: end -->")
    return photos, colours, after.partition("## Against the aims")[2].partition("##")[0]


def _usable(part: str) -> dict[str, tuple[int, int, int]]:
    """Of what ought to be read, by severity: read, all, wrong."""
    found = re.findall(
        r"ought to be read, (mild|moderate): (\d+) of (\d+) read \([0-9.]+%\), (\d+) wrong", part
    )
    assert len(found) == 2
    return {severity: (int(a), int(b), int(c)) for severity, a, b, c in found}


def _numbers(page: str, told: str) -> list[str]:
    """The groups of what a page says once."""
    (found,) = re.findall(told, page)
    return list(found)


def test_the_hard_photos_are_judged_by_their_own_table() -> None:
    photos, colours, aims = _hard()
    seen, drawn = _usable(photos), _usable(colours)
    n_photos, wrong = (sum(row[k] for row in seen.values()) for k in (1, 2))
    n_colours, wrong_colours = (sum(row[k] for row in drawn.values()) for k in (1, 2))
    assert f"for photos {WORDS.get(wrong, wrong)} of {n_photos:,}" in aims
    assert f"for colours {wrong_colours} of {n_colours:,}" in aims
    read, usable, _ = seen["moderate"]
    assert f"{read / usable:.1%}".replace("%", f" % of photos ({read:,} of {usable:,})") in aims
    read, usable, _ = drawn["moderate"]
    assert f"{read / usable:.1%}".replace("%", " % of colours") in aims
    harmful = [int(re.findall(r"(\d+) harmful\.", part)[0]) for part in (photos, colours)]
    assert f"All {sum(harmful)} harmful entries" in aims


def test_what_livelier_phones_cost_is_what_accuracy_has() -> None:
    hard, accuracy = _page("hard.md"), _page("accuracy.md")

    def row(head: str, name: str) -> tuple[str, str, str]:
        """RMSE, share covered and share refused of one row under a heading."""
        part = accuracy.partition(f"## {head}")[2].partition(" ## ")[0]
        cells = re.findall(rf"\| {name} \|([^\n]*?)\| \d+ \|", part)[0].split("|")
        return cells[1].strip(), cells[3].strip(" %"), cells[-1].strip(" %")

    good = row("Good control, image only", "all")
    ordinary = row("Ordinary control, image only", "all")
    refused = [f"{float(one[2]):.0f}" for one in (good, ordinary)]
    assert [good[0], ordinary[0], good[1], ordinary[1], *refused] == _numbers(
        hard,
        r"none of the fit's kind was seen it is (\S+) and (\S+), the 90 % interval covers (\S+) "
        r"and (\S+) %, and (\d+) and (\d+) % are refused",
    )
    for head, told in (
        (
            "Phones that leave colour alone",
            r"error is (\S+) g/dL at good control and (\S+) at ordinary",
        ),
        ("Phones that treat colour by no formula", r"the reader doesn't know, (\S+) and (\S+)"),
    ):
        rmse = [row(head, f"{control} control")[0] for control in ("good", "ordinary")]
        assert rmse == _numbers(hard, told), head


def test_the_weights_of_a_site_are_as_many_as_the_code_has() -> None:
    weights = 3 * (DEGREE + 1 + 2 * N_SIGNATURE)
    assert f" {weights} weights want many worlds" in _page("method.md")
    assert f" ({weights} now)" in _page("sites.md")


def test_every_aim_of_sites_that_is_missed_is_told_with_its_figure() -> None:
    page = (DOCS / "sites.md").read_text(encoding="utf-8")
    table = page.partition("<!-- aims: begin -->")[2].partition("<!-- aims: end -->")[0]
    told = " ".join(page.partition("### What is not reached, and why")[2].split("\n## ")[0].split())
    parts = dict(zip(("Lab", "spectra"), [told.partition("twenty photos**")[0]] * 2, strict=True))
    parts["twenty photos"] = told.partition("twenty photos**")[2].partition("design alone**")[0]
    parts["design alone"] = told.partition("design alone**")[2]
    missed = 0
    for line in table.splitlines():
        name = line.strip("| ").partition(" |")[0]
        for figure in re.findall(r"\*\*(.+?)\*\*", line):
            assert figure in parts[name], f"{name}: {figure}"
            missed += 1
    assert missed > 0
