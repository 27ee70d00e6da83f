"""The table's columns, the summary's numbers, and the Python interface that gives both."""

from __future__ import annotations

import csv
import html
import io
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from batchrig import OTHER_LOT, batch, rows, variant

from cardreader.api import Readings, read_many, read_photo
from cardreader.batch.advice import advice_for
from cardreader.batch.columns import COLUMNS, Result
from cardreader.batch.columns import row as row_of
from cardreader.batch.doubtful import MOST_SHOWN, Doubtful
from cardreader.batch.score import Failure, Trouble
from cardreader.batch.sources import PhotoFile
from cardreader.batch.table import TableFiles, arrow_table, json_line
from cardreader.batch.tally import OTHERS, tally
from cardreader.core.refusal import Reason
from cardreader.decide.subject import Subject
from cardreader.reader import Reader
from cardreader.result.asjson import reading_json

DOCS = Path(__file__).parents[2] / "docs"


@pytest.fixture(scope="module")
def readings(
    tmp_path_factory: pytest.TempPathFactory,
    reader: Reader,
    card_photo: bytes,
    other_lot_photo: bytes,
    bad_files: dict[str, bytes],
) -> Readings:
    root = tmp_path_factory.mktemp("photos")
    for i in range(3):
        (root / f"blot-{i}.jpg").write_bytes(variant(card_photo, i))
    (root / "other lot.jpg").write_bytes(other_lot_photo)
    for name, data in bad_files.items():
        (root / name.split(":")[0]).write_bytes(data)
    lines = ["photo,light", *(f"{p.name},tube & sun" for p in sorted(root.glob("blot-*")))]
    (root / "list.csv").write_text("\n".join([*lines, "missing.jpg,"]) + "\n")
    others = [path for path in root.iterdir() if not path.name.startswith("blot")]
    photos = [root / "list.csv", *(p for p in others if p.suffix != ".csv")]
    return read_many(photos, reader, workers=2, subject=Subject(elevation_m=500))


def test_one_row_a_photo_whatever_became_of_it(readings: Readings) -> None:
    found = {Path(row["photo"]).name: (row["status"], row["reason"]) for row in readings}
    assert found == {
        "blot-0.jpg": ("read", None),
        "blot-1.jpg": ("read", None),
        "blot-2.jpg": ("read", None),
        "bomb.png": ("refused", "image_too_large"),
        "cut.jpg": ("refused", "not_an_image"),
        "empty.jpg": ("refused", "not_an_image"),
        "missing.jpg": ("failed", "cant_open"),
        "noise.jpg": ("refused", "no_card"),
        "other lot.jpg": ("read", None),
        "words.jpg": ("refused", "not_an_image"),
    }
    assert {row["lot_id"] for row in readings} == {"027001", f"{OTHER_LOT:06d}", None}
    assert {row["elevation_m"] for row in readings if row["status"] == "read"} == {500.0}


def test_many_and_one_say_the_same(readings: Readings, reader: Reader) -> None:
    photo = readings[0]["photo"]
    alone = read_photo(photo, reader, Subject(elevation_m=500))
    assert next(iter(readings.to_json())) == json.loads(json.dumps(reading_json(alone)))
    assert read_photo(Path(photo).read_bytes(), reader).sha256 == readings[0]["sha256"]


def test_frames_agree_with_the_rows(readings: Readings) -> None:
    import polars as pl  # here, since each process of the tests would load it

    arrow, pandas, polars = readings.to_arrow(), readings.to_pandas(), readings.to_polars()
    assert isinstance(pandas, pd.DataFrame)
    assert isinstance(polars, pl.DataFrame)
    assert arrow.to_pylist() == list(readings) == polars.to_dicts()
    assert list(pandas["photo"]) == [row["photo"] for row in readings]
    assert pandas["hb_g_dl"].notna().sum() == 4
    assert readings[1:3] == list(readings)[1:3]


def test_the_schema_does_not_depend_on_the_rows(readings: Readings) -> None:
    nothing = arrow_table([])
    assert nothing.schema == readings.to_arrow().schema
    failed = Result(PhotoFile("a.jpg"), None, None, Trouble(Failure.CRASHED, "why"))
    assert arrow_table([failed]).schema == nothing.schema
    assert json.loads(json_line(failed))["failure"] == {"kind": "crashed", "detail": "why"}


def test_csv_survives_a_spreadsheet(tmp_path: Path) -> None:
    names = ["=1+1.jpg", "a,b\n'c'.jpg", '"quoted".jpg', "ሰላም.jpg", "a\rb.jpg"]
    results = [Result(PhotoFile(n), None, None, Trouble(Failure.CANT_OPEN, "-1")) for n in names]
    with TableFiles(tmp_path / "t.parquet", tmp_path / "t.csv", tmp_path / "t.jsonl") as add:
        for result in results:
            add(result, row_of(result))
    text = (tmp_path / "t.csv").read_bytes().decode()
    read = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [row["photo"] for row in read] == ["'=1+1.jpg", *names[1:]]
    import polars as pl

    for frame in (pd.read_csv(tmp_path / "t.csv"), pl.read_csv(tmp_path / "t.csv")):
        assert list(frame["photo"]) == ["'=1+1.jpg", *names[1:]]
    assert "\r\n" not in text
    assert pd.read_parquet(tmp_path / "t.parquet")["photo"].tolist() == names


def test_every_column_is_documented() -> None:
    text = (DOCS / "batch.md").read_text(encoding="utf-8")
    missing = [c.name for c in COLUMNS if f"| `{c.name}` | {c.meaning} |" not in text]
    assert missing == []


def test_the_notebook_page_runs(readings: Readings, reader: Reader, tmp_path: Path) -> None:
    """Every Python block of docs/api.md, one after the other, in a folder of photos."""
    text = (DOCS / "api.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```python\n(.*?)```", text, re.S)
    assert len(blocks) >= 3
    photos = Path(readings[0]["photo"]).parent
    code = "\n".join(blocks).replace('"photos/', f'"{photos}/').replace('"photos"', f'"{photos}"')
    code = code.replace("photo.jpg", "blot-0.jpg")
    exec(compile(code, "docs/api.md", "exec"), {"__name__": "docs"})


# --- the summary ------------------------------------------------------------------


def _rows(*given: dict[str, object]) -> list[dict[str, Any]]:
    plain = {"status": "read", "outcome": "anaemic", "hb_g_dl": 9.0}
    return [
        {
            **{column.name: None for column in COLUMNS},
            "photo": f"{i:03d}.jpg",
            **plain,
            "hb_low_g_dl": 8.0,
            "hb_high_g_dl": 10.0,
            **g,
        }
        for i, g in enumerate(given)
    ]


REFUSED = {"status": "refused", "outcome": "not_read", "hb_g_dl": None, "reason": "no_card"}


def test_tally_counts_each_content_once() -> None:
    numbers = tally(_rows({"phone": "A"}, {"phone": "A", "duplicate_of": "000.jpg"}, REFUSED))
    assert (numbers.photos, numbers.distinct, numbers.read, numbers.refused) == (3, 2, 1, 1)
    assert numbers.reasons == (("no_card", 1),)
    a, rest = numbers.groups["phone"]
    assert (a.name, a.photos, a.read, a.median) == ("A", 1, 1, 9.0)
    assert (rest.name, rest.photos, rest.read, rest.median) == ("not stated", 1, 0, None)


def test_what_is_to_be_done_is_counted_and_whom_to_refer_is_named() -> None:
    severe = {"outcome": "severe", "refer": True, "confirm": True, "p_severe": 0.9}
    maybe = {"outcome": "uncertain", "refer": True, "confirm": True, "p_severe": 0.2}
    anaemic = {"outcome": "anaemic", "confirm": True}
    well = {"outcome": "not_anaemic"}
    given = _rows(maybe, severe, {**severe, "duplicate_of": "001.jpg"}, anaemic, well, REFUSED)
    numbers, looking = tally(given), Doubtful()
    for row in given:
        looking.add(row)
    assert (numbers.refer, numbers.confirm, numbers.as_protocol) == (2, 1, 1)
    assert [row["photo"] for row in looking.referred()] == ["001.jpg", "000.jpg"]


def test_every_reason_for_no_reading_has_advice() -> None:
    for reason in (*Reason, *Failure):
        assert advice_for(reason).endswith("."), reason


def test_many_groups_are_taken_together() -> None:
    numbers = tally(_rows(*({"phone": f"P{i:02d}"} for i in range(30))))
    names = [group.name for group in numbers.groups["phone"]]
    assert len(names) == 21
    assert names[-1] == OTHERS
    assert sum(group.photos for group in numbers.groups["phone"]) == 30


def test_quantiles_agree_with_pandas() -> None:
    values = [5.0, 6.5, 7.25, 9.0, 12.0, 13.5, 14.0]
    (group,) = tally(_rows(*({"phone": "A", "hb_g_dl": v} for v in values))).groups["phone"]
    ours = [group.p10, group.median, group.p90]
    assert ours == pytest.approx(pd.Series(values).quantile([0.1, 0.5, 0.9]).tolist())


def test_the_sheet_shows_the_gravest_first_and_every_reason() -> None:
    severe = {"outcome": "uncertain", "question": "may_be_severe", "p_severe": 0.2}
    open_one = {"outcome": "uncertain", "question": "may_be_anaemic", "p_anaemic": 0.6}
    looking = Doubtful()
    for row in _rows(
        *([open_one] * 60),
        *([REFUSED] * 60),
        {**REFUSED, "reason": "blurred"},
        {**severe, "p_severe": 0.1},
        severe,
    ):
        looking.add(row)
    shown = looking.rows()
    assert len(shown) == MOST_SHOWN
    assert [row["p_severe"] for row in shown[:2]] == [0.2, 0.1]
    assert {row["reason"] for row in shown} == {None, "no_card", "blurred"}


class _Checker(HTMLParser):
    """Reads a page as a browser does: which tags, and what it would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.without_alt = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        given = dict(attrs)
        for name in ("src", "href", "xlink:href"):
            value = given.get(name)
            if value is not None and not value.startswith(("#", "data:image/jpeg;base64,")):
                self.addresses.append(value)
        self.without_alt += tag == "img" and not given.get("alt")


def test_the_summary_page_is_whole_and_fetches_nothing(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    (folder / "<b>&'.jpg").write_bytes(b"a hostile name")
    assert batch(folder, "--out", out, "--workers", "2").returncode == 0
    page = (out / "summary.html").read_text(encoding="utf-8")
    checker = _Checker()
    checker.feed(page)
    assert checker.addresses == []
    assert checker.without_alt == 0
    assert checker.tags.count("svg") == 3  # distribution, reasons, by lot; no phone is stated
    assert checker.tags.count("img") >= 1
    assert "script" not in checker.tags
    # On a phone names are not broken letter by letter; on paper no name is hidden by scrolling.
    assert page.count('<table class="groups">') == 2
    assert ".files { max-height: none; }" in page
    assert "&lt;b&gt;&amp;&#39;.jpg" in page
    assert "<b>&'.jpg" not in page
    assert "Screening only" in page
    for row in rows(out):
        if row["reason"]:
            assert row["reason"].replace("_", " ") in page
    told = html.unescape(page)
    referred = [row for row in rows(out) if row["refer"] == "true" and not row["duplicate_of"]]
    assert f"likely or possible</td><td>{len(referred)}</td>" in told
    for row in referred:
        assert f"<td>{row['photo']}</td>" in told
    assert advice_for(Reason.NO_CARD) in told
    again = batch(folder, "--out", out, "--workers", "2")
    assert again.returncode == 0
    assert (out / "summary.html").read_text(encoding="utf-8") == page
