"""Protocol files: what ships is right, and what is wrong is refused in one line."""

from __future__ import annotations

import tomllib
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cardreader.core.shipped import shipped
from cardreader.decide.adjustments import ElevationRule
from cardreader.decide.followuprules import FollowUpRules, TabletRules
from cardreader.decide.protocol import Group
from cardreader.decide.protocolfile import load_protocol, parse_protocol, shipped_protocols
from cardreader.decide.subject import Smoking, Subject, Trimester
from cardreader.decide.tomltable import ProtocolError

COMMON = shipped("protocols", "common-practice.toml").read_text(encoding="utf-8")
WHO = shipped("protocols", "who-2024.toml").read_text(encoding="utf-8")

# Adjustment in g/dL by steps of 500 m, from 0-499 m to 4500 m and above.
# Source: the Peruvian standard NTS 213-MINSA/DGIESP-2024, which adopts the
# table of the WHO 2024 guideline; read from public code that implements it.
PUBLISHED_STEPS_G_DL = (0.0, 0.4, 0.8, 1.1, 1.4, 1.8, 2.1, 2.5, 2.9, 3.3)


def test_shipped_protocols_load_under_their_own_name() -> None:
    assert shipped_protocols() == ("common-practice", "who-2024")
    for name in shipped_protocols():
        protocol = load_protocol(name)
        assert protocol.id == name
        assert len(protocol.sha256) == 64


def test_common_practice_limits() -> None:
    """Below 7 severe, 7 to below 11 mild to moderate: common practice, no source."""
    protocol = load_protocol()
    assert protocol.id == "common-practice"
    for trimester in (None, *Trimester):
        assert protocol.limit_g_dl(Group.SEVERE, trimester) == 7.0
        assert protocol.limit_g_dl(Group.ANAEMIC, trimester) == 11.0
    assert not protocol.by_trimester


def test_who_limits_by_trimester() -> None:
    """110, 105 and 110 g/L: the WHO 2024 figures as published summaries report them."""
    protocol = load_protocol("who-2024")
    limits = [protocol.limit_g_dl(Group.ANAEMIC, t) for t in Trimester]
    assert limits == [11.0, 10.5, 11.0]
    assert protocol.limit_g_dl(Group.ANAEMIC, None) == 11.0, "unknown takes the strictest"
    assert {protocol.limit_g_dl(Group.SEVERE, t) for t in Trimester} == {7.0}


def _who_elevation() -> ElevationRule:
    rule = load_protocol("who-2024").elevation
    assert rule is not None
    return rule


@pytest.mark.parametrize(("step", "published"), list(enumerate(PUBLISHED_STEPS_G_DL)))
def test_elevation_table_is_the_published_one(step: int, published: float) -> None:
    rule = _who_elevation()
    table = ElevationRule(table=rule.table, use_table=True)
    for elevation_m in (500 * step + 1, 500 * step + 499):
        assert table.adjustment_g_dl(elevation_m) == pytest.approx(published)


@pytest.mark.parametrize(("step", "published"), list(enumerate(PUBLISHED_STEPS_G_DL))[1:])
def test_elevation_rule_agrees_with_the_published_table(step: int, published: float) -> None:
    """The rule at the middle of a step is the tabulated whole g/L, to its rounding.

    Within 0.06 g/dL and not 0.05: at 4750 m the rule gives 33.55 g/L, the table 33.
    """
    middle = _who_elevation().adjustment_g_dl(500 * step + 250)
    assert middle == pytest.approx(published, abs=0.06)


def test_follow_up_of_the_file_is_what_the_program_takes_when_it_says_nothing() -> None:
    """Common practice, no source: four visits, monthly once anaemic, 100 days of tablets."""
    rules = load_protocol().follow_up
    assert rules == FollowUpRules()
    assert parse_protocol(COMMON.split("# When she is tested again")[0].encode()).follow_up == rules
    for name in shipped_protocols():
        held = tomllib.loads(shipped("protocols", f"{name}.toml").read_text("utf-8"))["follow_up"]
        assert set(held) == {*(field.name for field in fields(FollowUpRules)), "source"}
        assert set(held["tablets"]) == {*(field.name for field in fields(TabletRules)), "source"}
    assert rules.severe_days < rules.monthly_days
    assert (rules.tablets.prevention_a_day, rules.tablets.treatment_a_day) == (1, 2)


def test_limits_after_a_birth_are_those_of_women_who_are_not_pregnant() -> None:
    """WHO/NMH/NHD/MNM/11.1, from memory: below 120 g/L anaemic, below 80 g/L severe."""
    for name in shipped_protocols():
        protocol = load_protocol(name)
        after = protocol.for_subject(Subject(pregnant=False))
        assert after.limit_g_dl(Group.ANAEMIC, None) == 12.0
        assert after.limit_g_dl(Group.SEVERE, None) == 8.0
        assert protocol.for_subject(Subject()) is protocol


def test_elevation_rule_by_hand() -> None:
    # 0.0056384 * 2000 + 0.0000003 * 2000**2 = 11.2768 + 1.2 = 12.4768 g/L
    assert _who_elevation().adjustment_g_dl(2000) == pytest.approx(1.24768)
    assert _who_elevation().adjustment_g_dl(0) == 0
    assert _who_elevation().adjustment_g_dl(-300) == 0


def test_smoking_adjustment() -> None:
    """0.3 g/dL for any smoker is published practice; by number of cigarettes from memory."""
    protocol = load_protocol("who-2024")
    by = {s: protocol.adjustment_g_dl(Subject(smoking=s)) for s in Smoking}
    assert by[Smoking.NONE] == 0
    assert by[Smoking.SOME] == pytest.approx(0.3)
    assert by[Smoking.UNDER_10] <= by[Smoking.FROM_10_TO_19] <= by[Smoking.FROM_20]


def test_adjustments_add_up_and_default_to_none() -> None:
    protocol = load_protocol("who-2024")
    both = protocol.adjustment_g_dl(Subject(elevation_m=2000, smoking=Smoking.SOME))
    assert both == pytest.approx(1.24768 + 0.3)
    assert protocol.adjustment_g_dl(Subject()) == 0
    assert load_protocol().adjustment_g_dl(Subject(elevation_m=4000, smoking=Smoking.SOME)) == 0


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("schema = 1", "schema = 2", "schema is 2"),
        ("schema = 1", "", "schema is missing"),
        ('id = "common-practice"', 'id = "Common practice"', "small letters"),
        ("below_g_dl = 7.0", 'below_g_dl = "7"', "bands[1].below_g_dl must be a number"),
        ("below_g_dl = 7.0", "below_g_dl = true", "must be a number"),
        ("below_g_dl = 7.0", "below_g_dl = nan", "outside"),
        ("below_g_dl = 7.0", "below_g_dl = 70", "bands[1].below_g_dl is 70, outside"),
        ("below_g_dl = 7.0", "below_g_dl = 12.0", "must end above band 'severe'"),
        ("below_g_dl = 7.0", "below_g_dl = {first = 7.0}", "below_g_dl.second is missing"),
        ("below_g_dl = 7.0", "", "bands[1].below_g_dl is missing"),
        ('group = "severe"', 'group = "grave"', "bands[1].group must be one of"),
        ('group = "severe"', 'group = "anaemic"', "bands must run from severe"),
        ('id = "mild_to_moderate"', 'id = "severe"', "same id"),
        ("severe_raised_at = 0.05", "severe_raised_at = 0.5", "outside 0.001 to 0.2"),
        ("severe_raised_at = 0.05", "severe_raisd_at = 0.05", "severe_raisd_at is not a known key"),
        ("severe_named_at = 0.50", "severe_named_at = 0.01", "must not be below"),
        ("not_anaemic_at_most = 0.05", "not_anaemic_at_most = 0.9", "outside 0 to 0.2"),
        ('"usual_severe_list"', '"usual_luck"', "usual_care.severe holds 'usual_luck'"),
        ('"usual_severe_list"', "[1]", "usual_care.severe holds [1]"),
        ("[limits]", "[limits", "not a TOML file"),
        ("after_birth_below_g_dl = 8.0", "", "must both have limits for after birth"),
        ("after_birth_below_g_dl = 8.0", "after_birth_below_g_dl = 13.0", "rising"),
        ("monthly_days = 30", "monthly_days = 0", "follow_up.monthly_days is 0, outside 1"),
        ("monthly_days = 30", "monthly_days = 30.5", "must be a whole number"),
        ("monthly_days = 30", f"monthly_days = {10**400}", "outside 1 to 400"),
        ("severe_days", "severe_day", "follow_up.severe_day is not a known key"),
        ("[14, 26]", "[14]", "visit_weeks must hold two whole numbers"),
        ("[14, 26]", "[11, 26]", "visit_weeks must follow one another"),
        ("[42, 56]", "[56, 42]", "ends before it starts"),
        ("closes = true", "closes = 1", "closes must be true or false"),
    ],
)
def test_faults_are_told_in_one_line(old: str, new: str, fault: str) -> None:
    assert old in COMMON
    with pytest.raises(ProtocolError) as caught:
        parse_protocol(COMMON.replace(old, new, 1).encode())
    assert fault in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ('method = "formula"', 'method = "guess"', "method must be formula or table"),
        ("linear_g_l_per_m = 0.0056384", "", "linear_g_l_per_m is missing"),
        ("linear_g_l_per_m = 0.0056384", "linear_g_l_per_m = -0.1", "outside 0"),
        ("[500, 4]", "[500]", "pairs"),
        ("[500, 4]", "[500, 9]", "must rise"),
        ("some = 3", "", "adjustments.smoking.some is missing"),
        ("some = 3", "some = 1e999", "adjustments.smoking.some is inf"),
        ("some = 3", f"some = {10**400}", "adjustments.smoking.some is inf"),
    ],
)
def test_faults_in_adjustments(old: str, new: str, fault: str) -> None:
    assert old in WHO
    with pytest.raises(ProtocolError) as caught:
        parse_protocol(WHO.replace(old, new, 1).encode())
    assert fault in str(caught.value)


def test_own_file_by_path(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(COMMON.replace('id = "common-practice"', 'id = "own"'), encoding="utf-8")
    assert load_protocol(own).id == "own"
    own.write_text("id = 1", encoding="utf-8")
    with pytest.raises(ProtocolError, match=r"own\.toml: schema is missing"):
        load_protocol(own)


def test_unknown_and_missing(tmp_path: Path) -> None:
    with pytest.raises(ProtocolError, match="there are common-practice, who-2024"):
        load_protocol("nowhere")
    with pytest.raises(ProtocolError, match="can't be opened"):
        load_protocol(tmp_path / "missing.toml")
    folder = tmp_path / "folder.toml"
    folder.mkdir()
    with pytest.raises(ProtocolError, match="can't be opened"):
        load_protocol(folder)


def test_table_method_reads_the_table() -> None:
    protocol = parse_protocol(WHO.replace('method = "formula"', 'method = "table"').encode())
    assert protocol.adjustment_g_dl(Subject(elevation_m=1499)) == pytest.approx(0.8)
    assert protocol.adjustment_g_dl(Subject(elevation_m=1500)) == pytest.approx(1.1)


def test_every_figure_in_the_who_file_names_its_source() -> None:
    document = tomllib.loads(WHO)
    assert all(band.get("source") for band in document["bands"][:-1])
    assert all(rule["source"] for rule in document["adjustments"].values())
    assert "from memory" in document["adjustments"]["smoking"]["source"]


@settings(max_examples=300)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.tuples(st.integers(0, len(WHO) - 1), st.integers(0, 30), st.text(max_size=12)).map(
            lambda cut: (WHO[: cut[0]] + cut[2] + WHO[cut[0] + cut[1] :]).encode("utf-8", "replace")
        ),
    )
)
def test_no_file_does_anything_but_load_or_be_refused(data: bytes) -> None:
    try:
        protocol = parse_protocol(data)
    except ProtocolError as error:
        message = str(error)
    else:
        message = ""
        assert protocol.certainty.not_anaemic_at_most <= 0.2
        assert protocol.certainty.severe_raised_at <= 0.2
    assert "\n" not in message
