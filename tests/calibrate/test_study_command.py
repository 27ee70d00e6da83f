"""``cardreader study``: one line for every error, words and folders out."""

import io
import json
import re
import subprocess
import sys
from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from blots import study as invented_study
from lots import made_up_lot
from PIL import Image

from cardreader import cli
from cardreader.calibrate import workflow
from cardreader.calibrate.choosing import Recipe
from cardreader.calibrate.commands import fitting, inputs
from cardreader.calibrate.conformal import TooFewPairsError
from cardreader.calibrate.document import Figure
from cardreader.calibrate.fit import SITE_MODEL, Fit
from cardreader.calibrate.odddates import odd_dates
from cardreader.calibrate.papers import papers_of
from cardreader.card.cgats import write_lot
from cardreader.card.lots import Lots
from cardreader.core.rowfaults import MOST_TOLD
from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import load_protocol
from cardreader.hb.calibration import Calibration
from cardreader.hb.container import load, load_calibration, save
from cardreader.hb.lotcolours import LotColours
from cardreader.hb.measured import Measured
from cardreader.terminal.exitcodes import ExitCode


def run(*words):
    return cli.main(["study", *map(str, words)])


TABLE = {
    "photo": "a.jpg",
    "subject": "S1",
    "lab_value": "11.2",
    "lab_unit": "g/dL",
    "lab_method": "analyser",
    "phone": "A",
    "light": "shade",
    "lot": "27001",
    "operator": "K",
    "replicate": "1",
}


@pytest.fixture
def table(tmp_path):
    path = tmp_path / "study.csv"
    pd.DataFrame([TABLE, TABLE | {"photo": "b.jpg"}]).to_csv(path, index=False)
    return path


@pytest.fixture
def from_invented_blots(monkeypatch):
    """Reading photos is replaced: these tests are about what the commands do with colours."""

    def use(features):
        monkeypatch.setattr(inputs, "read_features", lambda *_: features)

    return use


@pytest.fixture
def undrawn(monkeypatch):
    """Figures of reports are blank, which takes half of a fit's time; for tests of other things."""
    blank = io.BytesIO()
    Image.new("RGB", (1, 1)).save(blank, "PNG")
    monkeypatch.setattr(Figure, "svg", "<svg/>")
    monkeypatch.setattr(Figure, "png", blank.getvalue())


def test_a_good_table(table, capsys):
    for name in ("a.jpg", "b.jpg"):
        (table.parent / name).touch()
    assert run("validate", table) == ExitCode.OK
    assert "2 rows: 2 good, 0 faulty; 1 subjects" in capsys.readouterr().out


def test_a_missing_photo_is_a_fault_of_the_table(table, capsys):
    (table.parent / "b.jpg").touch()
    assert run("validate", table) == ExitCode.BAD_DATA
    out = capsys.readouterr().out
    assert "row 1, photo: a.jpg is not there" in out
    assert "2 good, 1 of them without their photo, 0 faulty" in out


def test_what_looks_odd_in_many_rows_does_not_drown_the_faults(tmp_path, capsys):
    path = tmp_path / "study.csv"
    rows = [TABLE | {"photo": f"{i}.jpg", "lab_value": "20.5"} for i in range(200)]
    pd.DataFrame(rows).to_csv(path, index=False)
    assert run("validate", path) == ExitCode.BAD_DATA
    out = capsys.readouterr().out.splitlines()
    assert sum(line.startswith("please look at") for line in out) == MOST_TOLD
    assert "... and 160 more to look at" in out


@pytest.mark.parametrize("value", ["0", "-9.1"])
def test_a_value_that_is_not_above_zero_is_told_so(tmp_path, capsys, value):
    path = tmp_path / "study.csv"
    pd.DataFrame([TABLE | {"lab_value": value}]).to_csv(path, index=False)
    assert run("validate", path) == ExitCode.BAD_DATA
    assert f"row 1, lab_value: {value} is not above 0\n" in capsys.readouterr().out


def test_a_registers_table_is_checked_beside_what_it_kept(table, capsys):
    """Its photos are nowhere; by themselves all rows would be faulty."""
    kept = table.parent / "measured.jsonl"
    nothing = Measured.of_rows(np.zeros((1, 9)))[0].as_json()
    line = {"photo": "a.jpg", "lot_id": "027001", "measured": nothing}
    kept.write_text(json.dumps(line) + "\n" + json.dumps(line | {"photo": "b.jpg"}))
    assert run("validate", table, "--measured", kept) == ExitCode.OK
    kept.write_text(json.dumps(line))
    assert run("validate", table, "--measured", kept) == ExitCode.BAD_DATA
    told = capsys.readouterr().out
    assert f"row 2, photo: nothing measured of b.jpg is in {kept}" in told
    assert "a.jpg" not in told
    other = line | {"lot_colours": "of another file"}
    kept.write_text(json.dumps(other) + "\n" + json.dumps(other | {"photo": "b.jpg"}))
    assert run("validate", table, "--measured", kept) == ExitCode.BAD_DATA
    assert (
        "row 1, photo: measured beside other colours of its card than its file has now; so is 1 "
        "more\n"
    ) in capsys.readouterr().out


def test_a_lot_without_a_file_is_named_with_the_way_out(tmp_path, capsys):
    path = tmp_path / "study.csv"
    pd.DataFrame([TABLE | {"lot": "4711"}]).to_csv(path, index=False)
    (tmp_path / "a.jpg").touch()
    assert run("validate", path) == ExitCode.BAD_DATA
    told = capsys.readouterr().out
    assert "row 1, lot: lot_unknown: no file describes card lot 004711" in told
    assert "--lots" in told
    assert run("validate", path, "--lots", shipped("lots")) == ExitCode.BAD_DATA
    assert "describes card lot 004711: is the number right?" in capsys.readouterr().out
    assert run("fit", path, "--out", tmp_path / "new") == ExitCode.BAD_DATA
    told = capsys.readouterr().err
    assert "lot_unknown" in told
    assert "--lots" in told


def test_a_faulty_table_names_rows_and_stops_a_fit(tmp_path, capsys):
    path = tmp_path / "study.csv"
    pd.DataFrame([TABLE, TABLE | {"photo": "b.jpg", "lab_value": "112"}]).to_csv(path, index=False)
    assert run("validate", path) == ExitCode.BAD_DATA
    assert "row 2, lab_value: 112 g/dL is outside 1 to 25" in capsys.readouterr().out
    assert run("fit", path, "--out", tmp_path / "new") == ExitCode.BAD_DATA
    told = capsys.readouterr()
    assert "row 2, lab_value" in told.out
    assert "--skip-faulty" in told.err
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("command", [["validate"], ["fit", "--out", "x"], ["drift"]])
def test_a_table_that_is_not_there(tmp_path, capsys, command):
    name, *more = command
    assert run(name, tmp_path / "none.csv", *more) == ExitCode.NO_FILE
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize("command", [["validate"], ["fit", "--out", "x"], ["drift"]])
def test_a_folder_in_place_of_the_table(tmp_path, capsys, command):
    name, *more = command
    assert run(name, tmp_path, *more) == ExitCode.NO_FILE
    assert "Is a directory" in capsys.readouterr().err


def test_a_fit_too_points_at_laboratory_values_that_disagree(tmp_path, capsys):
    path = tmp_path / "study.csv"
    other = TABLE | {"photo": "b.jpg", "lab_value": "7.0"}
    pd.DataFrame([TABLE, other]).to_csv(path, index=False)
    assert run("fit", path, "--out", tmp_path / "new") == ExitCode.BAD_DATA
    assert "please look at row 2, lab_value: subject S1" in capsys.readouterr().out


def test_a_photo_named_as_windows_does_is_told_how_to_write_it(tmp_path, capsys):
    path = tmp_path / "study.csv"
    pd.DataFrame([TABLE | {"photo": "photos\\a.jpg"}]).to_csv(path, index=False)
    assert run("validate", path) == ExitCode.BAD_DATA
    told = capsys.readouterr().out
    assert "write / between folders" in told
    assert "row 2 of a spreadsheet" in told


def test_photos_that_are_missing_are_listed_and_too_few_women_are_an_error(table, tmp_path, capsys):
    assert run("fit", table, "--out", tmp_path / "new") == ExitCode.BAD_DATA
    told = capsys.readouterr()
    assert "0 photos gave a colour, 2 gave none" in told.out
    assert "2: the file can't be opened" in told.out
    assert "too few" in told.err
    assert not (tmp_path / "new").exists()


def test_an_existing_folder_is_told_before_any_photo_is_read(table, tmp_path, capsys):
    (tmp_path / "new").mkdir()
    assert run("fit", table, "--out", tmp_path / "new") == ExitCode.NOT_WRITTEN
    told = capsys.readouterr()
    assert "exists" in told.err
    assert told.out == ""


@pytest.mark.slow
def test_fit_then_report_then_bridge(table, tmp_path, capsys, from_invented_blots):
    features, _ = invented_study(np.random.default_rng(1), n_women=40)
    lots = Lots.load(shipped("lots"))
    from_invented_blots(replace(features, lots=(lots[27_001],)))
    out = tmp_path / "calibration"
    model = ["--model", "line on Kubelka-Munk density", "--folds", "3"]
    done = run("fit", table, "--out", out, *model, "--title", "Hill", "--today", "2026-02-01")
    assert done == ExitCode.OK
    assert "calibration hill-20260201" in capsys.readouterr().out
    assert load(out).calibration.lots == ("027001",)
    (kept,) = load(out).calibration.lot_colours
    assert kept.fingerprint == lots[27_001].fingerprint

    for again in ("report", "bridge"):
        folder = ["--out", tmp_path / "again"]
        assert run(again, table, "--calibration", out, *folder) == ExitCode.BAD_DATA
        assert "160 photos of the table had a part" in capsys.readouterr().err
    assert not (tmp_path / "again").exists()

    from_invented_blots(invented_study(np.random.default_rng(2), n_women=30)[0])
    assert run("report", table, "--calibration", out, "--out", tmp_path / "report") == ExitCode.OK
    assert "none of these women had a part" in (tmp_path / "report" / "report.html").read_text()
    assert "Intervals keep their promise" in capsys.readouterr().out

    new, _ = invented_study(
        np.random.default_rng(3), n_women=30, photos=((1, "C"),), shift=-0.08, lot="027002"
    )
    from_invented_blots(replace(new, lots=(lots[27_002],)))
    bridged = tmp_path / "bridged"
    assert run("bridge", table, "--calibration", out, "--out", bridged) == ExitCode.OK
    assert "does not hold" in capsys.readouterr().out
    assert load(bridged).calibration.lots == ("027002",)
    assert [one.lot_id for one in load(bridged).calibration.lot_colours] == ["027002"]
    assert load(bridged).provenance["base"]["id"] == "hill-20260201"
    assert "update" in load(bridged).provenance


@pytest.mark.slow
def test_a_fit_in_place_of_another_says_what_changed(table, tmp_path, capsys, from_invented_blots):
    features, _ = invented_study(np.random.default_rng(1), n_women=24)
    lots = Lots.load(shipped("lots"))
    rows, out = features.rows, tmp_path / "calibration"
    first = rows[rows["subject"].isin(sorted(rows["subject"].unique())[:16])]
    model = ["--model", "line on Kubelka-Munk density", "--folds", "3"]
    for part in (first, rows):
        used = type(features)(part, len(part), (), lots=(lots[27_001],))
        from_invented_blots(used)
        again = ["--replace", "--id", "second"] if out.exists() else ["--id", "first"]
        assert run("fit", table, "--out", out, *model, *again) == ExitCode.OK
        told = capsys.readouterr().out
        assert ("In place of" in told) == (part is rows)
    assert f"In place of first: {len(rows) - len(first)} photos new." in told
    of_both = re.search(r"Of (\d+) photos that both give a value for, it moved by", told)
    assert 0.8 * len(rows) <= int(of_both[1]) <= len(rows)
    assert "no longer there" not in told


def test_one_of_another_measuring_chain_is_not_compared_with(tmp_path, capsys):
    """Its numbers are of other colours: what it would make of these says nothing of it."""
    path, model = tmp_path / "model.json", load_calibration(shipped("default"))
    path.write_text(replace(model, chain="6").to_json())
    assert inputs.older_at(path) is None
    assert "What changes can't be told" in capsys.readouterr().out
    path.write_text(model.to_json())
    found = inputs.older_at(path)
    assert found is not None
    assert found[0].id == model.id


def test_every_fault_of_confirmations_is_told_at_once(tmp_path, capsys):
    path = tmp_path / "confirmed.csv"
    head = "date,lot,phone,hb_g_dl,sd_g_dl,lab_g_dl,lab_sd_g_dl"
    path.write_text(f"{head}\n1/2/2026,7,A,9,0.5,9,0.1\n2026-01-02,7,A,9,0.5,,0.1\n")
    assert run("drift", path) == ExitCode.BAD_DATA
    told = capsys.readouterr()
    assert "row 1, date" in told.out
    assert "row 2, lab_g_dl" in told.out
    assert "has 2 faults" in told.err


def test_fewer_than_five_women_make_no_calibration(table, tmp_path, capsys, from_invented_blots):
    """One wrong laboratory value among them would not show: numbers in workflow.py."""
    features, _ = invented_study(np.random.default_rng(1), n_women=4)
    from_invented_blots(features)
    assert run("fit", table, "--out", tmp_path / "new") == ExitCode.BAD_DATA
    told = capsys.readouterr().err
    assert "4 women with a readable photo are too few" in told
    assert "at least 5" in told
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("bases", "prior"),
    [
        (("measured", "measured"), "worlds"),
        (("measured", "photographed"), "worlds-photographed"),
        (("nominal", "photographed"), "worlds-design"),
        (("measured",), "worlds"),
    ],
)
def test_the_prior_is_that_of_the_lot_that_is_known_least(bases, prior):
    lots = Lots(
        replace(made_up_lot(7 + number, basis="measured"), basis=basis)
        for number, basis in enumerate((*bases, "nominal"))
    )
    used = [f"{7 + number:06d}" for number in range(len(bases))]
    known = SimpleNamespace(rows=pd.DataFrame({"lot": used}))
    assert inputs.prior_for(known, lots) == shipped(prior)


def test_no_bridge_leads_to_another_paper(table, tmp_path, capsys, from_invented_blots):
    worlds = Calibration.load(shipped("worlds"))
    out = tmp_path / "calibration"
    save(out, replace(worlds, papers=papers_of(worlds, ("B-1",))), {})
    features, _ = invented_study(np.random.default_rng(3), n_women=8, photos=((1, "A"),))
    from_invented_blots(replace(features, rows=features.rows.assign(paper="B-8")))
    assert run("bridge", table, "--calibration", out) == ExitCode.BAD_DATA
    assert "never saw blotting paper B-8" in capsys.readouterr().err


def _beside_other_colours(lot):
    lab = np.array(lot.lab)
    lab[:, 0] -= np.sign(lab[:, 0] - 50) * 4.0
    return LotColours.of(replace(lot, lab=lab))


def test_a_calibration_is_not_validated_beside_other_colours_than_its_own(
    table, tmp_path, capsys, from_invented_blots
):
    lot = Lots.load(shipped("lots"))[27_001]
    worlds, out = Calibration.load(shipped("worlds")), tmp_path / "calibration"
    save(out, replace(worlds, lot_colours=(_beside_other_colours(lot),)), {})
    # Told before any photo is opened.
    assert run("report", table, "--calibration", out, "--out", tmp_path / "r") == ExitCode.BAD_DATA
    told = capsys.readouterr().err
    assert "lot_changed" in told
    assert "put the old file back" in told
    assert told.count("\n") == 1


@pytest.mark.parametrize(
    ("basis", "says"),
    [
        ("simulated", ("not_calibrated", "no laboratory values", "by --calibration")),
        ("measured", ("calibration_unfit", "is not for card lot 027001", "study bridge")),
    ],
)
def test_values_that_nobody_gets_are_not_validated(table, tmp_path, capsys, basis, says):
    """The reader refuses those cards: figures of theirs would speak for what is not in use."""
    worlds, out = Calibration.load(shipped("worlds")), tmp_path / "calibration"
    save(out, replace(worlds, basis=basis, lots=("004711",), n_pairs=50), {})
    assert run("report", table, "--calibration", out, "--out", tmp_path / "r") == ExitCode.BAD_DATA
    told = capsys.readouterr().err
    assert all(words in told for words in says)
    assert told.count("\n") == 1
    assert not (tmp_path / "r").exists()


def test_a_fit_that_would_lose_what_else_is_in_the_folder_stops_before_any_photo(
    table, tmp_path, capsys
):
    out = tmp_path / "calibration"
    save(out, Calibration.load(shipped("worlds")), {})
    (out / "photos").mkdir()
    assert run("fit", table, "--out", out, "--replace") == ExitCode.NOT_WRITTEN
    told = capsys.readouterr()
    assert "holds photos, which is no part of the calibration and would be lost" in told.err
    assert told.out == ""


@pytest.mark.parametrize("name", ["report", "drift"])
def test_nothing_is_written_into_a_calibrations_folder(table, tmp_path, capsys, name):
    """A calibration whose report was overwritten is changed, and no photo is read with it."""
    out = tmp_path / "calibration"
    save(out, Calibration.load(shipped("worlds")), {}, {"report.html": b"its own"})
    assert run(name, table, "--calibration", out, "--out", out) == ExitCode.NOT_WRITTEN
    assert "with its own report: give another folder" in capsys.readouterr().err
    assert load(out)


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize(("women", "code"), [(30, ExitCode.OK), (12, ExitCode.BAD_DATA)])
def test_a_model_with_few_photos_is_no_defect(
    table, tmp_path, capsys, from_invented_blots, women, code
):
    """Of 30 women a light that is left out leaves too few for a fold; 12 are too few themselves."""
    features, _ = invented_study(np.random.default_rng(3), women, photos=((1, "A"),))
    from_invented_blots(features)
    words = ["--model", "line on Kubelka-Munk density", "--folds", "3"]
    assert run("fit", table, "--out", tmp_path / "new", *words) == code
    told = capsys.readouterr().err
    assert "defect" not in told
    assert ("at least" in told) == (code != ExitCode.OK)


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize(("lot", "basis"), [("027001", "simulated"), ("261101", "measured")])
def test_a_study_of_demonstration_cards_is_synthetic_though_nobody_says_so(
    tmp_path, capsys, from_invented_blots, lot, basis
):
    """No such card was ever printed, so no woman's blot can have lain on one."""
    lots, path, out = tmp_path / "lots", tmp_path / "study.csv", tmp_path / "calibration"
    lots.mkdir()
    shipped_lot = Lots.load(shipped("lots"))[27_001]
    own = replace(shipped_lot, number=261_101, instrument="an invented instrument")
    for one in (shipped_lot, own):
        (lots / f"{one.lot_id}.txt").write_text(write_lot(one))
    pd.DataFrame([TABLE | {"lot": lot}]).to_csv(path, index=False)
    features, _ = invented_study(np.random.default_rng(3), 40, lot=lot)
    from_invented_blots(features)
    words = ["--lots", lots, "--model", "line on Kubelka-Munk density", "--folds", "3"]
    assert run("fit", path, "--out", out, *words) == ExitCode.OK
    told = "called synthetic" in capsys.readouterr().out
    assert (load(out).calibration.basis, told) == (basis, basis == "simulated")
    assert load(out).provenance["synthetic"] is told


@pytest.mark.parametrize("name", ["study.csv", "datapackage.json", "README.md"])
def test_a_demonstration_writes_over_no_study(tmp_path, capsys, name):
    (tmp_path / name).write_text("the work of a year")
    assert run("demo", "--out", tmp_path, "--replace") == ExitCode.NOT_WRITTEN
    assert f"{name} is no demonstration's and would be lost" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "the work of a year"


def test_where_all_rows_are_faulty_nothing_goes_on_without_them(tmp_path, capsys):
    path = tmp_path / "study.csv"
    pd.DataFrame([TABLE | {"lab_value": "112"}]).to_csv(path, index=False)
    assert run("fit", path, "--out", tmp_path / "new") == ExitCode.BAD_DATA
    told = capsys.readouterr().err
    assert "1 faulty row: correct it" in told
    assert "--skip-faulty" not in told


def test_a_changed_calibration_is_refused_in_one_line(table, tmp_path, capsys):
    out = tmp_path / "calibration"
    save(out, Calibration.load(shipped("default")), {})
    model = json.loads((out / "model.json").read_text())
    model["conformal_scale"] *= 0.5
    (out / "model.json").write_text(json.dumps(model, indent=1))
    capsys.readouterr()
    assert run("bridge", table, "--calibration", out) == ExitCode.BAD_DATA
    told = capsys.readouterr().err
    assert "model.json" in told
    assert told.count("\n") == 1
    assert cli.main(["read", str(table), "--calibration", str(out)]) == ExitCode.BAD_DATA


@pytest.mark.parametrize(
    ("low", "high", "says"),
    [
        (4.5, 8.0, "none above 7."),
        (8.5, 14.0, "none below 8."),
        (8.0, 10.0, "g/dL and none above"),
        (4.5, 14.0, ""),
    ],
)
def test_a_fit_says_where_no_pair_taught_anything(low, high, says):
    features, _ = invented_study(np.random.default_rng(4), 60, low=low, high=high, lab_sd=0.01)
    told = fitting.untaught(features)
    assert says in told
    assert bool(told) == bool(says)


@pytest.mark.parametrize(
    ("severe", "says"), [(1, "only one below 7 g/dL"), (2, "only 2 below 7 g/dL"), (3, "")]
)
def test_one_severe_woman_or_two_teach_little(severe, says):
    features, _ = invented_study(np.random.default_rng(4), 30, low=7.5, high=14, lab_sd=0.01)
    rows = features.rows
    few = rows["subject"].isin([f"W{woman}" for woman in range(severe)])
    features = replace(features, rows=rows.assign(lab_g_dl=rows["lab_g_dl"].mask(few, 5.0)))
    assert says in fitting.untaught(features)
    assert bool(fitting.untaught(features)) == bool(says)


@pytest.mark.parametrize("basis", ["nominal", "photographed", "measured"])
def test_a_fit_beside_a_design_points_at_photos_of_the_cards(basis):
    known = Lots([replace(made_up_lot(7, basis="measured"), basis=basis)])
    of_it = SimpleNamespace(rows=pd.DataFrame({"lot": ["000007"]}))
    told = fitting.known_by_design(of_it, known)
    assert ("card-colours" in told) == bool(told) == (basis == "nominal")


def test_an_unknown_model_and_shares_above_one_are_usage_errors(table, tmp_path, capsys):
    assert run("fit", table, "--out", tmp_path / "x", "--model", "oracle") == ExitCode.USAGE
    assert "monotone spline" in capsys.readouterr().err
    words = ["fit", table, "--out", tmp_path / "x", "--prevalence", "0.9", "0.9"]
    assert run(*words) == ExitCode.USAGE
    told = capsys.readouterr()
    assert "exceed 1" in told.err
    assert told.out == "", "told before any photo is read"


def test_plan_counts_more_women_for_more_knowledge(capsys):
    numbers = []
    for width in ("0.4", "0.2"):
        assert run("plan", "--limits-width", width) == ExitCode.OK
        numbers.append(int(capsys.readouterr().out.split(": ")[1].split()[0]))
    assert numbers[1] > 3 * numbers[0]
    assert run("plan", "--sensitivity", "0.9", "--at-least", "0.95") == ExitCode.USAGE


def _confirmations(path, shift):
    rng = np.random.default_rng(5)
    rows = []
    for i in range(70):
        lab = rng.uniform(6, 11)
        rows.append(
            {
                "date": (date(2026, 1, 1) + timedelta(days=i)).isoformat(),
                "lot": "027001",
                "phone": ("A", "B")[i % 2],
                "hb_g_dl": f"{lab + rng.normal(shift if i > 20 else 0, 0.6):.2f}",
                "sd_g_dl": "0.6",
                "lab_g_dl": f"{lab:.2f}",
                "lab_sd_g_dl": "0.2",
            }
        )
    pd.DataFrame(rows).to_csv(path, index=False)


def test_drift_raises_the_lot_and_draws_the_page(tmp_path, capsys):
    _confirmations(tmp_path / "c.csv", -0.8)
    assert run("drift", tmp_path / "c.csv", "--out", tmp_path / "page") == ExitCode.OK
    assert "lot 027001: readings have drifted below" in capsys.readouterr().out
    assert "raise an alarm" in (tmp_path / "page" / "drift.html").read_text()
    _confirmations(tmp_path / "c.csv", 0.0)
    assert run("drift", tmp_path / "c.csv") == ExitCode.OK
    assert "no drift seen" in capsys.readouterr().out


@pytest.mark.parametrize("typed", ["2025-01-03", "2027-01-03", "2099-01-03"])
def test_a_year_typed_wrong_among_confirmations_is_asked_about(typed, tmp_path, capsys):
    path = tmp_path / "c.csv"
    _confirmations(path, 0.0)
    assert run("drift", path) == ExitCode.OK
    assert "please look at" not in capsys.readouterr().out
    path.write_text(path.read_text().replace("2026-01-03", typed))
    assert run("drift", path) == ExitCode.OK
    out = capsys.readouterr().out
    assert f"please look at date {typed}: " in out
    assert out.count("is the year right?") == 1


def test_years_of_results_and_their_gaps_are_not_asked_about():
    today = date(2026, 11, 28)
    weekly = [today - timedelta(weeks=week) for week in range(200)]
    assert odd_dates(weekly, today) == []
    two_seasons = [today - timedelta(days=365 * year + day) for year in (0, 1) for day in range(40)]
    assert odd_dates(two_seasons, today) == []
    assert odd_dates([today], today) == []
    assert odd_dates([date(2024, 2, 29), *weekly[:30]], today) == []
    assert odd_dates([date.min, *weekly[:30]], today) == []


def test_faulty_confirmations_are_not_dropped_in_silence(tmp_path, capsys):
    path = tmp_path / "c.csv"
    _confirmations(path, 0.0)
    path.write_text(path.read_text().replace("2026-01-03", "3 January"))
    assert run("drift", path) == ExitCode.BAD_DATA
    assert "row 3, date" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["pandas", "statsmodels"])
def test_a_missing_library_is_told_with_the_way_to_get_it(name):
    code = (
        "import sys\n"
        "class Absent:\n"
        "    def find_spec(self, name, *rest):\n"
        f"        if name.partition('.')[0] == {name!r}:\n"
        "            raise ModuleNotFoundError('No module', name=name.partition('.')[0])\n"
        "sys.meta_path.insert(0, Absent())\n"
        "from cardreader import cli\n"
        "sys.exit(cli.main(['study', 'plan']))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == ExitCode.USAGE
    assert "pip install '.[study]'" in done.stderr
    assert done.stderr.count("\n") == 1


def test_of_a_few_women_some_unread_cost_the_verdict_and_not_the_calibration(monkeypatch):
    made = Fit(Calibration.load(shipped("worlds")), SITE_MODEL, (), None, (), Recipe())

    def too_few(*_):
        raise TooFewPairsError("fewer than 10 women gave a reading that the reader accepts")

    monkeypatch.setattr(workflow, "fit", lambda *_: made)
    monkeypatch.setattr(workflow, "validate", too_few)
    about = workflow.About("Hill", "0" * 64, date(2026, 2, 1))
    few, many = (invented_study(np.random.default_rng(6), n_women=n)[0] for n in (12, 30))
    fitted, found = workflow.calibrate(few, about, None, load_protocol())
    assert found is None
    assert fitted.calibration.id == "hill-20260201"
    with pytest.raises(TooFewPairsError):
        workflow.calibrate(many, about, None, load_protocol())
