"""The manual names what the program has."""

import hashlib
from pathlib import Path

from cardreader.calibrate import drift, verdict
from cardreader.calibrate.confirmations import COLUMNS as CONFIRMATION_COLUMNS
from cardreader.calibrate.conformal import least_groups
from cardreader.calibrate.models import candidates
from cardreader.calibrate.study import read_study
from cardreader.calibrate.studycolumns import (
    COLUMNS,
    HUNDRED_PERCENT_G_DL,
    RELATIVE_SD,
    LabMethod,
    LabUnit,
)
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.container import load

DOCS = Path(__file__).parents[2] / "docs"
TEXT = (DOCS / "calibration.md").read_text(encoding="utf-8")


def test_every_column_of_the_study_table_is_described():
    for column in COLUMNS:
        assert f"| `{column.name}` | {'yes' if column.required else 'no'} |" in TEXT
    for name in CONFIRMATION_COLUMNS:
        assert f"`{name}`" in TEXT


def test_every_method_unit_and_assumed_uncertainty_is_named():
    for name in (*LabMethod, *LabUnit):
        assert f"`{name}`" in TEXT
    for method, share in RELATIVE_SD.items():
        assert f"{100 * share:g} % (`{method}`)" in " ".join(TEXT.split())
    assert f"{HUNDRED_PERCENT_G_DL:g} when left out" in TEXT


def test_every_candidate_is_described():
    for name in candidates(Calibration.load(shipped("default"))):
        assert f"| {name} |" in TEXT


def test_limits_are_those_of_the_program():
    words = " ".join(TEXT.split())
    assert f"bias within {verdict.WANTED_BIAS_G_DL:g} g/dL" in words
    assert f"limits of agreement within {verdict.WANTED_LIMITS_G_DL:g} g/dL" in words
    assert f"sensitivity of at least {verdict.WANTED_SENSITIVITY:.0%}".replace("%", " %") in words
    assert (
        f"Fewer than {least_groups(0.1)} women for 90 %, or {least_groups(0.05)} for 95 %" in words
    )
    assert f"weight {drift.EWMA_WEIGHT:g}, width {drift.EWMA_WIDTH:g}" in words
    assert f"k {drift.CUSUM_SLACK:g}, h {drift.CUSUM_LIMIT:g}" in words


def test_links_lead_somewhere():
    import re

    for target in re.findall(r"\]\(([^)#]+)\)", TEXT):
        assert target.startswith("https://") or (DOCS / target).exists(), target


def test_the_demonstration_in_the_docs_is_one_run_and_labelled():
    folder = DOCS / "demo-study"
    loaded = load(folder / "calibration")
    words = (folder / "README.md").read_text(encoding="utf-8")
    table = (folder / "study.csv").read_bytes()
    assert loaded.provenance["synthetic"] is True
    assert loaded.calibration.basis == "simulated"
    assert loaded.provenance["study_sha256"] == hashlib.sha256(table).hexdigest()
    assert loaded.provenance["verdict"] in words
    for criterion in loaded.provenance["criteria"]:
        assert criterion["found"] in words
    assert words.splitlines()[2].startswith("**Synthetic: no woman, no blood, no photo.**")
    assert "SYNTHETIC DATA" in (folder / "calibration" / "report.html").read_text()
    assert read_study(folder / "study.csv").n_rows == loaded.provenance["rows"]["table"]
