"""A site's way in the register: pairs, fit, verdict, use, back; kept readings judged again.

The site is simulated, in a world apart from the prior's and from those of the benchmarks.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import shutil
import sys
import threading
import zipfile
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from inprocess import run_cardreader
from people import Person, add_accounts
from siterig import LOT, DrawnReader, drawn, lab, send, write_printed_lot
from sqlalchemy import select

from cardreader.calibrate.features import read_features
from cardreader.calibrate.fit import fit
from cardreader.calibrate.kept import read_kept
from cardreader.calibrate.pairs import Pairs
from cardreader.calibrate.papers import papers_of
from cardreader.calibrate.site import WOMEN_FOR_RANK
from cardreader.calibrate.study import COLUMNS as STUDY_COLUMNS
from cardreader.calibrate.study import LabMethod as StudyMethod
from cardreader.calibrate.study import read_study
from cardreader.calibrate.workflow import LEAST_WOMEN_OF_A_SITE, base_for
from cardreader.card.cgats import write_lot
from cardreader.card.lots import Lots
from cardreader.core.shipped import shipped
from cardreader.hb.container import load_calibration
from cardreader.hb.lotcolours import LotColours
from cardreader.register import audit, calibrations
from cardreader.register.backup import make_backup, restore_backup
from cardreader.register.base import utc_now
from cardreader.register.calibrations import BusyError
from cardreader.register.database import Database, sqlite_url
from cardreader.register.kinds import FitState, Source
from cardreader.register.merge.handover import hand_over
from cardreader.register.merge.registers import (
    add_known,
    card_of,
    own_register,
    read_card,
    renew_own,
)
from cardreader.register.merge.takein import take_in
from cardreader.register.models import (
    AuditEntry,
    CalibrationUse,
    JudgedAgain,
    Reading,
    SiteCalibration,
)
from cardreader.register.rejudging import judge_all_again
from cardreader.register.sitepairs import LEAST_WOMEN, WANTED, find_pairs, lacking
from cardreader.register.studyexport import COLUMNS
from cardreader.web import calibrating
from cardreader.web.app import create_app
from cardreader.web.expected import WIDTH_G_DL
from cardreader.web.settings import Settings
from cardreader.web.words import LACKS, LabMethod

PAIRED, UNPAIRED = range(30), range(30, 42)


class Site:
    """An application with printed cards, and people signed in."""

    def __init__(self, folder, url="", register=None) -> None:
        self.folder = folder
        if register is not None:
            shutil.copytree(register().folder, folder / "data")
        started_before = (folder / "lots").exists()
        self.lots = folder / "lots" if started_before else write_printed_lot(folder / "lots")
        settings = Settings(folder / "data", url, place="Invented Hill")
        self.app = create_app(settings, DrawnReader.of(self.lots))
        self.state = self.app.state.shared
        if not started_before:
            with self.state.database.write() as session:
                add_accounts(session)
        self.supervisor = Person(self.app, "supervisor")
        self.worker = Person(self.app, "worker")
        self.by = self.supervisor.client.get("/api/session").json()["account_id"]

    def pairs(self, rows) -> None:
        for row in rows:
            send(self.state, row, self.by)
            lab(self.state, row, self.by)

    def reading(self, reading_id: str) -> Reading:
        with self.state.database.read() as session:
            return session.get_one(Reading, reading_id)

    def fits(self) -> list[SiteCalibration]:
        with self.state.database.read() as session:
            return calibrations.all_made(session)

    def close(self) -> None:
        self.state.workshop.stop()
        self.state.database.close()


@pytest.fixture
def site(tmp_path, register_with_accounts):
    made = Site(tmp_path, register=register_with_accounts)
    yield made
    made.close()


def _fit(site, **form):
    told = {"lab_method": "analyser", "lab_sd": "2", **form}
    return site.supervisor.post("/calibration/fit", **told)


@pytest.mark.slow
def test_the_whole_way_of_a_site(site):
    """From cards that give no value to readings, and back."""
    site.pairs(PAIRED)
    waiting = [send(site.state, row, site.by) for row in UNPAIRED]
    assert {site.reading(one).refusal for one in waiting} == {"not_calibrated"}
    page = site.supervisor.get("/calibration").text
    assert "30 photos with a laboratory value" in page
    assert "Photos of printed cards give no value" in page
    assert "can't be read with" not in page
    assert "No calibration of this place" in site.worker.get("/").text

    # A fit in the background, one at a time; it changes nothing by itself.
    low, high = (f"{end:.1f}" for end in _reach(site))
    assert f"Their blood tests lie from {low} to {high} g/dL" in page
    assert _fit(site).status_code == 303
    assert _fit(site).status_code == 409
    assert "A fit is running" in site.supervisor.get("/calibration").text
    site.state.workshop.wait()
    (row,) = site.fits()
    assert (row.state, row.problem) == (FitState.READY, None)
    assert (row.n_pairs, row.n_women) == (30, 30)
    assert list(site.state.settings.data.glob(".fit-*")) == []
    page = site.supervisor.get("/calibration").text
    for words in ("pairs more: 10", "pairs more: 50", "Pairs: 30. Women: 30.", row.verdict):
        assert words in page.replace("&#39;", "'")
    assert f"The blood tests behind it lie from {low} to {high} g/dL" in page
    assert "does not tell faded cards" not in page
    report = site.supervisor.get(f"/calibration/{row.id}/report")
    assert report.status_code == 200
    assert "attachment" in report.headers["content-disposition"]
    more = send(site.state, 42, site.by)
    assert site.reading(more).refusal == "not_calibrated"

    # Into use: by a named person, with a reason.
    use = f"/calibration/{row.id}/use"
    assert site.supervisor.post(use, sure="yes").status_code == 422
    assert site.worker.post(use, reason="mine", sure="yes").status_code == 403
    assert site.supervisor.post(use, reason="enough women", sure="yes").status_code == 303
    site.state.workshop.wait()
    after = [site.reading(send(site.state, at, site.by)) for at in range(43, 60)]
    read = [one for one in after if one.refusal is None]
    assert len(read) >= 14
    truth = {f"KX-{at:03d}": drawn().hb_g_dl[at] for at in range(43, 60)}
    with site.state.database.read() as session:
        ids = [one.id for one in read]
        rows = session.scalars(select(Reading).where(Reading.id.in_(ids))).all()
        errors = [one.hb_g_dl - truth[one.woman.code] for one in rows]
        held = [one.low_g_dl <= truth[one.woman.code] <= one.high_g_dl for one in rows]
    assert np.sqrt(np.mean(np.square(errors))) < 1.5
    assert np.mean(held) > 0.7
    result = site.worker.get(f"/readings/{read[0].id}").text
    assert f"Calibration {row.name}, in use since" in result
    assert "Pairs: 30." in result
    assert f"Calibration {row.name}" in site.worker.get("/").text

    # What was kept is judged again; nothing kept is changed, and who has a laboratory value
    # since is not asked for again.
    assert {site.reading(one).refusal for one in waiting} == {"not_calibrated"}
    listed = site.worker.get("/lists/judged-otherwise").text
    codes = set(re.findall(r"KX-\d{3}", listed))
    told = site.supervisor.get("/calibration").text
    assert f"Women not read or tested since: {len(codes)}." in told
    assert codes <= {f"KX-{at:03d}" for at in [*UNPAIRED, 42]}
    assert len(codes) >= 9
    with site.state.database.read() as session:
        assert calibrations.in_use(session).judged_at is not None
        severe = session.scalars(select(JudgedAgain).where(JudgedAgain.outcome == "severe")).all()
        wanted = {one.visit.woman.code for one in severe} & codes
        every = session.scalars(select(JudgedAgain)).all()
        woman_id = next(one.visit.woman_id for one in every if one.visit.woman.code in codes)
    order = re.findall(r"KX-\d{3}", listed)
    assert set(order[: len(wanted)]) == wanted  # the most pressing first
    page = site.worker.get(f"/women/{woman_id}").text
    assert "Judged otherwise now" in page
    assert site.worker.post(f"/women/{woman_id}/seen-to").status_code == 422
    done = site.worker.post(f"/women/{woman_id}/seen-to", seen_to="sent her to the clinic")
    assert done.status_code == 303
    assert "Judged otherwise now" not in site.worker.get(f"/women/{woman_id}").text

    # Back to the one before: here none.
    assert site.supervisor.post("/calibration/back").status_code == 422
    assert site.supervisor.post("/calibration/back", reason="the paper ran out").status_code == 303
    site.state.workshop.wait()
    assert site.reading(send(site.state, 61, site.by)).refusal == "not_calibrated"
    page = site.supervisor.get("/calibration").text
    assert "the paper ran out" in page
    assert "enough women" in page
    assert site.supervisor.post("/calibration/back", reason="it was right").status_code == 303
    site.state.workshop.wait()
    assert site.reading(send(site.state, 62, site.by)).refusal != "not_calibrated"

    # Its pairs were on paper that nobody had named: a batch named now is another one.
    assert "The first batch that is named counts as another one" in page
    assert site.supervisor.post("/calibration/paper", paper="B-77").status_code == 303
    on_new = site.reading(send(site.state, 63, site.by))
    assert (on_new.refusal, on_new.paper) == ("not_calibrated", "B-77")

    # All of it is in the trail, and in a backup.
    with site.state.database.read() as session:
        actions = set(session.scalars(select(AuditEntry.action)))
        assert audit.check(session)
        assert calibrations.calibration_of(session.get_one(SiteCalibration, row.id)).n_pairs == 30
    for action in ("fit", "made", "use", "judged"):
        assert f"calibration.{action}" in actions
    _backup_carries(site, row)
    _bench_makes_the_same(site, row)


MAKING = """
from pathlib import Path
from cardreader.core.shipped import shipped
from cardreader.hb.calibration import Calibration
from cardreader.hb.container import save
save(Path("calibration"), Calibration.load(shipped("worlds")), {})
"""


def test_the_bench_and_the_next_fit_are_told_of_the_laboratory_what_the_last_fit_was(
    site, monkeypatch
):
    """Else the same pairs make another calibration on the bench than on the page."""
    site.pairs(range(2))

    def table():
        sent = site.supervisor.get("/calibration/pairs.zip").content
        with zipfile.ZipFile(io.BytesIO(sent)) as out:
            (site.folder / "study.csv").write_bytes(out.read("study.csv"))
        return read_study(site.folder / "study.csv").rows

    usual = table()
    assert set(usual["lab_method"]) == {StudyMethod.ANALYSER}
    assert np.allclose(usual["lab_sd_g_dl"] / usual["lab_g_dl"], 0.03, rtol=1e-3)
    _instead(monkeypatch, MAKING)
    assert _fit(site, lab_method="photometric_hicn", lab_sd="4,5").status_code == 303
    site.state.workshop.wait()
    stated = table()
    assert set(stated["lab_method"]) == {StudyMethod.PHOTOMETRIC_HICN}
    assert np.allclose(stated["lab_sd_g_dl"] / stated["lab_g_dl"], 0.045, rtol=1e-3)
    page = site.supervisor.get("/calibration").text
    assert '<option value="photometric_hicn" selected>' in page
    assert 'name="lab_sd" value="4.5"' in page


def test_an_uncertainty_that_is_too_small_is_told_from_where_on_it_is_taken(site):
    site.pairs(range(1))
    answer = _fit(site, lab_sd="0.3")
    assert answer.status_code == 422
    assert "A number from 0.5 to 20." in answer.text
    assert 'name="lab_sd" value="0.3"' in answer.text


@pytest.mark.slow
def test_a_laboratory_value_of_another_woman_is_pointed_at(site):
    """Her value and that of a woman much better off, entered the wrong way round."""
    hb = drawn().hb_g_dl[:16]
    swapped = {int(hb.argmin()): int(hb.argmax()), int(hb.argmax()): int(hb.argmin())}
    for row in range(16):
        send(site.state, row, site.by)
        lab(site.state, row, site.by, of=swapped.get(row))
    assert _fit(site).status_code == 303
    site.state.workshop.wait()
    page = site.supervisor.get("/calibration").text
    said = page[
        re.search(r"\d photos? (is|are) unlike the others and counts? little", page).end() :
    ]
    found = re.findall(r'<a href="/readings/[^"]+">(KX-\d{3})</a>', said)
    # Each has the other's value: one of the two is enough to find both.
    assert found
    assert set(found) <= {f"KX-{row:03d}" for row in swapped}


def _reach(site):
    with site.state.database.read() as session:
        values = session.scalars(select(Reading.hb_g_dl).where(Reading.source == Source.LAB)).all()
    return min(values), max(values)


def _backup_carries(site, row):
    file, fresh = site.folder / "backup", site.folder / "fresh"
    make_backup(site.state.database, site.state.settings.data, file, "an invented passphrase")
    restore_backup(sqlite_url(fresh / "register.db"), fresh, file, "an invented passphrase")
    app = create_app(Settings(fresh), DrawnReader.of(site.lots))
    try:
        state = app.state.shared
        with state.database.read() as session:
            assert calibrations.in_use(session).calibration.sha256 == row.sha256
            assert len(calibrations.all_uses(session)) == 3
        assert state.reader.calibration_sha256 == row.sha256
    finally:
        app.state.shared.workshop.stop()
        app.state.database.close()


def _bench_makes_the_same(site, row):
    """The pairs taken out, fitted by the study's own commands: not a second kind of fit."""
    with zipfile.ZipFile(io.BytesIO(site.supervisor.get("/calibration/pairs.zip").content)) as out:
        out.extractall(site.folder / "bench")
    table = (site.folder / "bench" / "study.csv").read_text()
    assert "KX-" not in table  # no woman's code leaves
    study = read_study(site.folder / "bench" / "study.csv")
    assert study.errors == ()
    kept = read_kept(site.folder / "bench" / "measured.jsonl")
    features = read_features(study, Lots.load(site.lots), date.today(), kept=kept)
    assert np.allclose(study.rows["lab_sd_g_dl"] / study.rows["lab_g_dl"], 0.02, rtol=1e-3)
    base = base_for(features, load_calibration(shipped("worlds")))
    assert base.fading is not None, "its cards can bleach"
    made = fit(Pairs.of(features), base).calibration
    with site.state.database.read() as session:
        own = calibrations.calibration_of(session.get_one(SiteCalibration, row.id))
    assert own.lots == (f"{LOT:06d}",)
    assert np.allclose(made.locus, own.locus, atol=1e-6)
    assert np.allclose(made.posterior.covariance, own.posterior.covariance, atol=1e-6)
    assert (own.basis, made.volume_cv) == ("measured", pytest.approx(own.volume_cv))


# --- a fit that fails, and who may -----------------------------------------------------


def _instead(monkeypatch, code):
    """Another program in place of the fit's."""
    words = [sys.executable, "-c", code]
    monkeypatch.setattr(calibrating, "fit_command", lambda *rest: words)


FAILING = {
    "import sys; sys.stderr.write('x\\ncardreader: no file describes it\\n'); sys.exit(5)": (
        "no file describes it"
    ),
    "import os; os.kill(os.getpid(), 9)": calibrating.KILLED,
    "pass": calibrating.NOT_READ,
    "import os; os.mkdir('calibration')": calibrating.NOT_READ,
}


@pytest.mark.parametrize("code", list(FAILING))
def test_a_fit_that_fails_tells_why_in_one_sentence(site, monkeypatch, code):
    site.pairs(range(2))
    _instead(monkeypatch, code)
    assert _fit(site).status_code == 303
    site.state.workshop.wait()
    (row,) = site.fits()
    assert row.state == FitState.FAILED
    assert row.problem.startswith(FAILING[code])
    assert "\n" not in row.problem
    assert row.problem.replace("'", "&#39;") in site.supervisor.get("/calibration").text
    assert list(site.state.settings.data.glob(".fit-*")) == []
    # And nothing was put into use; another may be begun.
    assert site.supervisor.post(f"/calibration/{row.id}/use", reason="x").status_code == 409
    assert _fit(site).status_code == 303
    site.state.workshop.wait()


def test_a_server_that_stops_ends_its_fit(site, monkeypatch):
    site.pairs(range(1))
    _instead(monkeypatch, "import time; time.sleep(600)")
    site.state.workshop.beat_s = 0.2
    assert _fit(site).status_code == 303
    site.state.workshop.stop()
    (row,) = site.fits()
    assert (row.state, row.problem) == (FitState.FAILED, calibrations.STOPPED)


def test_a_fit_whose_server_was_killed_does_not_block_the_next(site):
    with site.state.database.write() as session:
        row = calibrations.begin(session, "lost", None, 3)
        row.beat_at = utc_now() - calibrations.SILENT - timedelta(seconds=1)
        lost = row.id
    (site.state.settings.data / ".fit-lost").mkdir()
    site.state.workshop.resume()
    assert list(site.state.settings.data.glob(".fit-*")) == []
    with site.state.database.write() as session:
        assert calibrations.begin(session, "next", None, 3).state == FitState.FITTING
        assert session.get_one(SiteCalibration, lost).problem == calibrations.STOPPED
        assert not calibrations.beat(session, lost)


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_servers_and_threads_fit_one_at_a_time(request, tmp_path, kind):
    url = sqlite_url(tmp_path / "register.db")
    if kind == "postgresql":
        from postgreskit import Postgres

        server = Postgres()
        request.addfinalizer(server.stop)
        url = server.new_url()
    servers = [Database(url) for _ in range(2)]
    servers[0].migrate()
    begun, busy, ready = [], [], threading.Barrier(6)

    def begin(database):
        ready.wait()
        try:
            with database.write() as session:
                begun.append(calibrations.begin(session, "one", None, 3).id)
        except BusyError:
            busy.append(1)

    threads = [threading.Thread(target=begin, args=(servers[k % 2],)) for k in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for database in servers:
        database.close()
    assert (len(begun), len(busy)) == (1, 5)


def test_without_pairs_nothing_is_fitted(site):
    assert _fit(site).status_code == 422
    assert site.fits() == []
    page = site.supervisor.get("/calibration").text
    assert "there is nothing to fit" in page
    assert "can't be read with" not in page


def test_who_may_see_and_who_may_do(site):
    researcher = Person(site.app, "researcher")
    assert researcher.get("/calibration").status_code == 200
    assert researcher.get("/calibration/pairs.zip").status_code == 200
    assert site.worker.get("/calibration").status_code == 403
    for person in (researcher, site.worker):
        for path in ("fit", "paper", "back"):
            assert person.post(f"/calibration/{path}", reason="x", paper="x").status_code == 403
    assert site.supervisor.post("/calibration/none/use", reason="x").status_code == 404


def test_a_calibration_that_cannot_be_read_with_gives_no_value(site):
    """Damaged, or of an earlier measuring chain: as if there were none, and the page says so."""
    with site.state.database.write() as session:
        row = calibrations.begin(session, "old", None, 3)
        given = load_calibration(shipped("worlds"))
        found = {"women": 3}
        calibrations.finish(session, row.id, calibrations.Made(given, found, None))
        row.model = {**row.model, "chain": "of before"}
        use = CalibrationUse(number=1, calibration=row, since=utc_now(), reason="it was good")
        session.add(use)
    assert site.reading(send(site.state, 0, site.by)).refusal == "not_calibrated"
    page = site.supervisor.get("/calibration").text
    assert "can't be read with" in page
    assert "is not as it was made" in page


# --- by the API, and what to expect ----------------------------------------------------


def _of_other_colours(site, size=3.0):
    """The application started again once the lot's file was renewed."""
    lots = Lots.load(site.lots)
    off = np.random.default_rng(5).normal(0, size, lots[LOT].lab.shape)
    lab = lots[LOT].lab + off
    lab[:, 0] = np.clip(lab[:, 0], 1, 99)
    new = replace(lots[LOT], lab=lab)
    (site.lots / f"{new.lot_id}.txt").write_text(write_lot(new))
    site.close()
    return Site(site.folder)


def _taught_beside(site, marked=True):
    """A calibration of the lot's colours as they are now, put into use."""
    with site.state.database.write() as session:
        row = calibrations.begin(session, "of these colours", None, 3)
        lot = Lots.load(site.lots)[LOT]
        given = replace(load_calibration(shipped("worlds")), basis="measured", n_pairs=9)
        own = replace(given, lots=(lot.lot_id,), lot_colours=(LotColours.of(lot),) * marked)
        calibrations.finish(session, row.id, calibrations.Made(own, {"women": 9}, None))
        calibrations.put_into_use(session, row, "for a trial", site.by)


def test_a_lot_measured_anew_gives_no_value_and_the_supervisor_is_told(site):
    said = f"Cards of lot {LOT} give no value"
    _taught_beside(site)
    site.pairs([1])
    assert site.reading(send(site.state, 0, site.by)).refusal is None
    pages = ("/", "/calibration")
    assert all(said not in site.supervisor.get(path).text for path in pages)
    assert site.worker.api("GET", "/api/calibration").json()["lots_changed"] == []

    site = _of_other_colours(site)
    try:
        refused = site.reading(send(site.state, 2, site.by))
        assert refused.refusal == "lot_changed"
        page = site.worker.get(f"/readings/{refused.id}").text
        assert "Fit again with the new file, or put the old file back." in page
        assert all(said in site.supervisor.get(path).text for path in pages)
        assert said not in site.worker.get("/").text
        assert "1 of them was measured beside other colours" in site.supervisor.get(pages[1]).text
        assert "by an earlier version and doesn" not in site.supervisor.get(pages[1]).text
        assert site.worker.api("GET", "/api/calibration").json()["lots_changed"] == [f"{LOT}"]
    finally:
        site.close()


@pytest.mark.parametrize("by_command", [False, True])
def test_what_comes_in_from_another_register_is_judged_by_the_calibration_in_use(
    site, tmp_path, register_with_accounts, by_command
):
    """Read where no calibration was, she may be severe by the one that is in use here."""
    (tmp_path / "post").mkdir()
    post = Site(tmp_path / "post", register=register_with_accounts)
    low = int(np.argmin(np.abs(drawn().hb_g_dl - 5.0)))
    try:
        assert post.reading(send(post.state, low, post.by)).refusal == "not_calibrated"
        _taught_beside(site)
        with site.state.database.read() as session:
            use_id = calibrations.in_use(session).id
        judge_all_again(site.state.database, use_id, site.state.reader, None)
        cards = []
        for register, name in ((post, "Post"), (site, "Programme")):
            with register.state.database.write() as session:
                renew_own(session)
                cards.append(card_of(own_register(session, name)))
        for register, card in ((post, cards[1]), (site, cards[0])):
            with register.state.database.write() as session:
                add_known(session, read_card(card.to_json().encode()), False)
        file = tmp_path / "post.handover"
        hand_over(post.state.database, cards[1].id, file)
        if by_command:
            where = ("--data", site.state.settings.data, "--lots", site.lots)
            done = run_cardreader("take-in", file, *where)
            assert done.returncode == 0, done.stderr
        else:
            take_in(site.state.database, file, site.state.judge)
        listed = site.worker.get("/lists/judged-otherwise").text
        assert f"KX-{low:03d}" in listed
        with site.state.database.read() as session:
            (again,) = session.scalars(select(JudgedAgain))
            assert (again.was, again.outcome) == ("not_read", "severe")
            assert calibrations.in_use(session).judged_at is not None
    finally:
        post.close()


def test_a_calibration_of_before_that_does_not_say_its_colours_is_told_of(site):
    _taught_beside(site, marked=False)
    site.pairs([1])
    assert "say which colours it was fitted with" not in site.supervisor.get("/calibration").text
    site = _of_other_colours(site)
    try:
        assert site.reading(send(site.state, 2, site.by)).refusal is None
        assert "say which colours it was fitted with" in site.supervisor.get("/calibration").text
    finally:
        site.close()


def test_the_very_print_measured_twice_is_read_on(site):
    _taught_beside(site)
    site = _of_other_colours(site, 0.1)
    try:
        assert site.reading(send(site.state, 2, site.by)).refusal is None
        assert "give no value: the lot" not in site.supervisor.get("/").text
    finally:
        site.close()


SAYS_BELOW = {
    "en": "No blood test behind the calibration was so low",
    "fr": "Aucune analyse de sang derrière l'étalonnage n'était aussi basse",
    "hi": "अंशांकन के पीछे की कोई रक्त जाँच इतनी कम नहीं थी",
    "ar": "لم يكن أي فحص دم وراء المعايرة منخفضًا إلى هذا الحد",
}


def test_a_reading_beyond_the_pairs_says_so_in_every_language(site):
    """Of a calibration whose pairs all lay above 11 g/dL; her two blots together as well."""
    given = load_calibration(shipped("worlds"))
    with site.state.database.write() as session:
        row = calibrations.begin(session, "of the well", None, 3)
        own = replace(given, basis="measured", n_pairs=9, taught_g_dl=np.array([11.0, 14.0]))
        found = {"women": 9, "taught_g_dl": [11.0, 14.0]}
        calibrations.finish(session, row.id, calibrations.Made(own, found, None))
        calibrations.put_into_use(session, row, "for a trial", site.by)
    low = int(np.argmin(np.abs(drawn().hb_g_dl - 6.0)))
    read = site.reading(send(site.state, low, site.by))
    assert read.hb_g_dl < 11.0
    for language, words in SAYS_BELOW.items():
        site.worker.client.cookies.set("language", language)
        page = site.worker.get(f"/readings/{read.id}").text
        assert words in page.replace("&#39;", "'"), language
    page = site.supervisor.get("/calibration").text
    assert "The blood tests behind it lie from 11.0 to 14.0 g/dL" in page
    assert "does not tell faded cards from fresh ones" in page
    now = site.worker.api("GET", "/api/calibration").json()
    assert now["calibration"]["taught_g_dl"] == [11.0, 14.0]


def _ready(site, name="from the bench", fit_for_use=None) -> str:
    with site.state.database.write() as session:
        row = calibrations.begin(session, name, site.by, 3)
        given = load_calibration(shipped("worlds"))
        found = {"women": 3, "papers": ["B-1"], "criteria": [{"met": fit_for_use}]}
        calibrations.finish(session, row.id, calibrations.Made(given, found, None))
        return row.id


def test_the_api_says_which_calibration_reads_and_puts_another_into_use(site):
    none = site.worker.api("GET", "/api/calibration").json()
    assert (none["calibration"], none["since"], none["problem"]) == (None, None, "")
    made = _ready(site)
    assert site.worker.api("GET", "/api/calibrations").status_code == 403
    (listed,) = site.supervisor.api("GET", "/api/calibrations").json()
    assert (listed["id"], listed["women"], listed["papers"]) == (made, 3, ["B-1"])

    body = {"calibration_id": made, "reason": "enough women"}
    assert site.worker.api("POST", "/api/calibration", json=body).status_code == 403
    for wrong in ({"reason": " "}, {"reason": None}, {"calibration_id": "x"}):
        answer = site.supervisor.api("POST", "/api/calibration", json={**body, **wrong})
        assert answer.status_code == 422, wrong
    unsigned = site.supervisor.client.post("/api/calibration", json=body)
    assert unsigned.status_code == 403  # no CSRF header
    answer = site.supervisor.api("POST", "/api/calibration", json=body)
    assert answer.status_code == 201
    now = site.worker.api("GET", "/api/calibration").json()
    assert now == answer.json()
    assert now["calibration"]["id"] == made
    assert (now["put_by"], now["reason"]) == ("supervisor", "enough women")
    assert now["calibration"]["sha256"] == site.state.reader.calibration_sha256
    assert site.supervisor.api("POST", "/api/calibration", json=body).status_code == 409
    back = {"calibration_id": None, "reason": "the paper ran out"}
    assert site.supervisor.api("POST", "/api/calibration", json=back).status_code == 201
    assert site.worker.api("GET", "/api/calibration").json()["calibration"] is None
    with site.state.database.read() as session:
        assert len(calibrations.all_uses(session)) == 2
        assert audit.check(session)


def test_one_not_found_fit_is_put_into_use_only_if_it_is_meant(site):
    body = {"calibration_id": _ready(site, fit_for_use=False), "reason": "nothing better"}
    assert site.supervisor.api("POST", "/api/calibration", json=body).status_code == 409
    meant = {**body, "sure": True}
    assert site.supervisor.api("POST", "/api/calibration", json=meant).status_code == 201


def test_before_the_first_fit_the_page_says_how_wide_intervals_will_be(site):
    assert "How wide will the intervals be?" in site.supervisor.get("/calibration").text
    _ready(site)
    assert "How wide will the intervals be?" not in site.supervisor.get("/calibration").text


def test_the_widths_to_expect_are_those_of_the_reported_sites():
    """Of docs/sites.md, same phones and lamps, as the page rounds them."""
    text = (Path(__file__).parents[2] / "docs" / "sites.md").read_text(encoding="utf-8")
    for at, basis in enumerate(("Lab", "photos", "design")):
        _, _, table = text.partition(f"## Lot known by {basis}, same phones and lamps")
        rows = re.findall(r"^\| (\d+) \|(.*)\|$", table.split("## ")[0], re.MULTILINE)
        width = {int(pairs): float(cells.split("|")[5]) for pairs, cells in rows}
        for pairs, expected in WIDTH_G_DL.items():
            assert expected[at] == pytest.approx(width[pairs], rel=0.1), (basis, pairs)


# --- pairs -----------------------------------------------------------------------------


def test_pairs_are_close_in_time_and_of_the_lots_asked_for(site):
    for row, days in ((0, 0), (1, -2), (2, 2.5), (3, -4), (4, 5)):
        send(site.state, row, site.by)
        lab(site.state, row, site.by, days)
    send(site.state, 5, site.by)  # no laboratory value
    send(site.state, 6, site.by, lot=27_001)  # a demonstration's card
    lab(site.state, 6, site.by)
    with site.state.database.read() as session:
        found = find_pairs(session, {f"{LOT:06d}"}, timedelta(days=3))
        demonstration = find_pairs(session, {"027001"}, timedelta(days=3))
    assert len(found) == 3
    assert len(demonstration) == 1
    page = site.supervisor.get("/calibration").text
    assert "3 photos with a laboratory value" in page
    assert "Demonstration" not in page


def test_what_is_lacking_is_counted_by_woman(site):
    rows = np.argsort(drawn().hb_g_dl)[[0, 1, 2, -1]]
    site.pairs(int(row) for row in rows)
    again = int(rows[0])
    send(site.state, 50, site.by, code=f"KX-{again:03d}")  # her second blot
    with site.state.database.read() as session:
        found = find_pairs(session, {f"{LOT:06d}"}, timedelta(days=3))
    have = {lack.what: lack.have for lack in lacking(found)}
    assert (have["women"], have["severe"], have["high"], have["two_blots"]) == (4, 3, 1, 1)
    assert not any(lack.enough for lack in lacking(found) if lack.what != "phones")


def test_a_photo_set_aside_is_no_pair(site):
    site.pairs(range(2))
    with site.state.database.write() as session:
        one = session.scalars(select(Reading).where(Reading.source == "photo")).first()
        one.set_aside_at = utc_now()
    with site.state.database.read() as session:
        assert len(find_pairs(session, {f"{LOT:06d}"}, timedelta(days=3))) == 1


def test_measurements_of_another_chain_are_counted_and_left_out(site):
    site.pairs(range(2))
    with site.state.database.write() as session:
        one = session.scalars(select(Reading).where(Reading.source == "photo")).first()
        one.detail = {**one.detail, "measured": {**one.detail["measured"], "chain": "older"}}
    assert "1 more was measured by an earlier version" in site.supervisor.get("/calibration").text


def test_words_and_limits_that_two_rooms_hold_are_the_same():
    assert {method.value for method in LabMethod} == {method.value for method in StudyMethod}
    assert set(COLUMNS) <= {column.name for column in STUDY_COLUMNS}
    assert WANTED["women"] == WOMEN_FOR_RANK
    assert LEAST_WOMEN == LEAST_WOMEN_OF_A_SITE
    assert set(WANTED) == set(LACKS)


# --- paper -----------------------------------------------------------------------------


def test_a_reading_notes_the_batch_of_paper_in_use(site):
    before = send(site.state, 0, site.by)
    assert site.supervisor.post("/calibration/paper", paper="").status_code == 422
    assert site.supervisor.post("/calibration/paper", paper="B-17").status_code == 303
    first = send(site.state, 1, site.by)
    site.supervisor.post("/calibration/paper", paper="B-18")
    second = send(site.state, 2, site.by)
    papers = [site.reading(one).paper for one in (before, first, second)]
    assert papers == [None, "B-17", "B-18"]
    for row in range(3):
        lab(site.state, row, site.by)
    with (
        zipfile.ZipFile(io.BytesIO(site.supervisor.get("/calibration/pairs.zip").content)) as sent,
        sent.open("study.csv") as table,
    ):
        rows = csv.DictReader(io.TextIOWrapper(table, "utf-8"))
        assert sorted(row["paper"] for row in rows) == ["B-17", "B-18", "not named"]
    assert site.reading(first).detail["paper"]["batch"] == "B-17"
    assert "Batch B-18" in site.supervisor.get("/calibration").text


def _know_paper_alone(site, batch: str) -> None:
    """Put a calibration into use whose pairs were all on one batch of paper."""
    with site.state.database.write() as session:
        row = calibrations.begin(session, f"of paper {batch}", None, 3)
        calibration = calibrations.calibration_of(calibrations.in_use(session).calibration)
        known = replace(calibration, papers=papers_of(calibration, (batch,)))
        calibrations.finish(session, row.id, calibrations.Made(known, {"women": 9}, None))
        calibrations.put_into_use(session, row, "for a trial", site.by)


def test_a_photo_on_paper_without_pairs_says_that_it_is_the_paper(site):
    """Another photo, or another card, would not help."""
    _taught_beside(site)
    page = site.worker.get(f"/readings/{send(site.state, 0, site.by)}").text
    assert "batch of paper" not in page
    _know_paper_alone(site, "P1")
    site.supervisor.post("/calibration/paper", paper="P2")
    reading = site.reading(send(site.state, 1, site.by))
    assert reading.refusal == "not_calibrated"
    page = site.worker.get(f"/readings/{reading.id}").text
    assert "The calibration never saw this batch of paper" in page
    assert "Take the photo again" not in page
    assert "Read another blot" in page


def _past(site, person=None, **told):
    today = site.state.today().isoformat()
    given = {"past_paper": "P2", "past_first": today, "past_last": today, **told}
    return (person or site.supervisor).post("/calibration/paper/past", **given)


def _papers_of_pairs(site) -> set[str]:
    content = site.supervisor.get("/calibration/pairs.zip").content
    with zipfile.ZipFile(io.BytesIO(content)) as sent, sent.open("study.csv") as table:
        return {row["paper"] for row in csv.DictReader(io.TextIOWrapper(table, "utf-8"))}


def test_days_past_are_noted_on_the_batch_that_they_were_on(site):
    """A batch that nobody told can be told later: its pairs teach it, and no longer another."""
    _taught_beside(site)
    _know_paper_alone(site, "P1")
    site.supervisor.post("/calibration/paper", paper="P1")
    taken = send(site.state, 0, site.by)
    site.pairs([1])
    read = site.reading(taken)
    assert read.hb_g_dl is not None
    assert _papers_of_pairs(site) == {"P1"}

    assert _past(site).status_code == 303
    site.state.workshop.wait()
    noted = site.reading(taken)
    assert noted.paper == "P2"
    assert (noted.hb_g_dl, noted.band, noted.detail) == (read.hb_g_dl, read.band, read.detail)
    assert _papers_of_pairs(site) == {"P2"}
    # The calibration in use never saw it: who has no laboratory value is to be seen again.
    listed = site.worker.get("/lists/judged-otherwise").text
    assert re.findall(r"KX-\d{3}", listed) == ["KX-000"]
    with site.state.database.read() as session:
        assert calibrations.in_use(session).judged_at is not None
        assert "paper.correct" in set(session.scalars(select(AuditEntry.action)))
        assert audit.check(session)

    assert _past(site, past_paper="P1").status_code == 303
    site.state.workshop.wait()
    assert not re.findall(r"KX-\d{3}", site.worker.get("/lists/judged-otherwise").text)


def test_what_cannot_be_said_of_days_past_is_told(site):
    site.supervisor.post("/calibration/paper", paper="P2")
    send(site.state, 0, site.by)
    day = site.state.today()
    before, after = day - dt.timedelta(days=1), day + dt.timedelta(days=1)
    for wrong, words in (
        ({"past_last": before}, "A day that is not before the first."),
        ({"past_last": after}, "A date up to today."),
        ({"past_paper": " "}, "Fill this in."),
        ({}, "No photo of these days is noted as on another batch."),
        ({"past_first": before, "past_last": before, "past_paper": "P1"}, "No photo of these"),
    ):
        answer = _past(site, **{name: str(value) for name, value in wrong.items()})
        assert (answer.status_code, words in answer.text) == (422, True)
    assert _past(site, site.worker, past_paper="P1").status_code == 403


def test_pairs_of_photos_without_a_value_are_none_for_the_drift_watch(site):
    """She has a laboratory result: that no reading has one would be untrue."""
    site.pairs([0])
    page = site.supervisor.get("/exchange").text
    assert "No photo that gave a value has a laboratory result yet." in page


def test_a_lots_file_that_cannot_be_read_is_told_to_the_supervisor(site):
    words = "The files of the card lots can"
    assert words not in site.supervisor.get("/").text
    (site.lots / "000099.txt").write_text("CGATS.17")
    assert words in site.supervisor.get("/").text
    assert "000099.txt" in site.supervisor.get("/").text
    assert words not in site.worker.get("/").text
    (site.lots / "000099.txt").unlink()
    assert words not in site.supervisor.get("/").text


@pytest.mark.parametrize(("times", "asked"), [(1.0, False), (1 / 1.611, True)])
def test_pairs_in_mmol_l_entered_as_g_dl_are_asked_about_before_the_fit(site, times, asked):
    rows = sorted(range(40), key=lambda row: abs(drawn().hb_g_dl[row] - 11.5))[:8]
    for row in rows:
        send(site.state, row, site.by)
        lab(site.state, row, site.by, times=times)
    page = site.supervisor.get("/calibration").text
    assert ("these blood tests look like mmol/L" in page) is asked
    assert ("is entered times 1.611" in page) is asked


def test_of_visits_judged_otherwise_the_page_tells_who_is_left_to_be_seen(site):
    """A woman with a blood test since is on no list: the page led to an empty one."""
    low = sorted(range(len(drawn().hb_g_dl)), key=lambda row: drawn().hb_g_dl[row])
    tested, untested = low[:2]
    send(site.state, tested, site.by)
    lab(site.state, tested, site.by)
    _taught_and_judged_again(site)
    page = site.supervisor.get("/calibration").text
    assert "1 visit would have been decided otherwise." in page
    assert "none is left to be seen" in page
    assert "/lists/judged-otherwise" not in page
    assert not re.findall(r"KX-\d{3}", site.worker.get("/lists/judged-otherwise").text)

    calibrations_before = site.supervisor.post("/calibration/back", reason="once more")
    assert calibrations_before.status_code == 303
    site.state.workshop.wait()
    assert site.reading(send(site.state, untested, site.by)).refusal == "not_calibrated"
    _taught_and_judged_again(site)
    page = site.supervisor.get("/calibration").text
    assert "2 visits would have been decided otherwise." in page
    link = '<a href="/lists/judged-otherwise">Women not read or tested since: 1.</a>'
    assert link in page
    listed = site.worker.get("/lists/judged-otherwise").text
    assert set(re.findall(r"KX-\d{3}", listed)) == {f"KX-{untested:03d}"}
    told = Person(site.app, "researcher").get("/calibration").text
    assert "Women not read or tested since: 1." in told
    assert link not in told  # closed to researchers


def _taught_and_judged_again(site):
    _taught_beside(site)
    with site.state.database.read() as session:
        use_id = calibrations.in_use(session).id
    judge_all_again(site.state.database, use_id, site.state.reader, None)


@pytest.mark.parametrize(
    ("batches", "said"),
    [
        (["not named", "P1"], "Paper: that of before a batch was named, P1."),
        (["P1"], "Paper: P1."),
        (["not named"], "No batch of paper is named."),
        ([], None),
    ],
)
def test_the_page_names_every_paper_of_a_calibration(site, batches, said):
    with site.state.database.write() as session:
        row = calibrations.begin(session, "of these papers", None, 3)
        given = replace(load_calibration(shipped("worlds")), basis="measured", n_pairs=9)
        told = {"women": 9, "papers": batches}
        calibrations.finish(session, row.id, calibrations.Made(given, told, None))
    page = site.supervisor.get("/calibration").text
    assert re.findall(r"(?:Paper: |No batch of paper)[^<]*?\.", page) == ([said] if said else [])


def test_too_few_women_for_a_fit_or_for_the_paper_in_use_are_told_before_the_fit(site):
    few = "With fewer than 5 women there is no calibration"
    site.pairs(range(4))
    page = site.supervisor.get("/calibration").text
    assert few in page
    assert "<button disabled>Fit to 4 pairs" in page
    site.pairs(range(4, 6))
    page = site.supervisor.get("/calibration").text
    assert few not in page
    assert "<button>Fit to 6 pairs" in page
    assert "Women with a pair on this batch" not in page  # while none is named there is one
    site.supervisor.post("/calibration/paper", paper="B-17")
    assert "Women with a pair on this batch: 0." in site.supervisor.get("/calibration").text
    site.pairs(range(6, 11))
    assert "Women with a pair on this batch" not in site.supervisor.get("/calibration").text
