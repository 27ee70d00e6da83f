"""Kept photos: encrypted, without place and serial numbers, gone with her; what leaves is noted."""

from __future__ import annotations

import hashlib
import io

from people import Person
from PIL import Image
from sqlalchemy import func, select
from webfakes import FakeReader, photo, picture_photo

from cardreader.register.models import AuditEntry, Reading, Woman
from cardreader.register.photostrip import stripped
from cardreader.web.app import create_app
from cardreader.web.settings import PhotoPolicy, Settings


def women(app) -> int:
    with app.state.database.read() as session:
        return session.scalar(select(func.count()).select_from(Woman))


def _actions(app) -> list[tuple[str, str]]:
    with app.state.database.read() as session:
        return [(e.action, e.subject) for e in session.scalars(select(AuditEntry))]


def test_photos_are_not_kept_unless_chosen(app, worker):
    worker.send_photo(worker.open_visit(worker.add_woman("KX-1")), photo(9.0))
    assert not (app.state.settings.data / "photos").exists()
    with app.state.database.read() as session:
        assert session.scalars(select(Reading.photo_file)).one() is None


def test_photos_are_kept_encrypted_if_chosen_and_go_with_her(keeping_app):
    worker, supervisor = Person(keeping_app, "worker"), Person(keeping_app, "supervisor")
    woman = worker.add_woman("KX-1")
    sent = picture_photo(9.0)
    reading = worker.send_photo(worker.open_visit(woman), sent).json()
    folder = keeping_app.state.settings.data / "photos"
    (kept,) = folder.glob("*.photo")
    assert sent not in kept.read_bytes()
    assert worker.get(f"{reading['url']}/photo").status_code == 403
    answer = supervisor.get(f"{reading['url']}/photo")
    assert answer.content == stripped(sent)
    assert answer.headers["content-disposition"].startswith("attachment")
    supervisor.post(f"{woman}/remove", code="KX-2")  # the wrong code deletes nothing
    assert women(keeping_app) == 1
    supervisor.post(f"{woman}/remove", code="KX-1")
    assert women(keeping_app) == 0
    assert list(folder.glob("*.photo")) == []


def test_orphaned_photo_is_swept_at_the_next_start(keeping_app):
    state = keeping_app.state.shared
    orphan = state.photos.put(b"never acknowledged")
    worker = Person(keeping_app, "worker")
    worker.send_photo(worker.open_visit(worker.add_woman("KX-1")), picture_photo(9.0))
    settings = Settings(data=state.settings.data, photos=PhotoPolicy.ENCRYPTED)
    again = create_app(settings, FakeReader())
    again.state.database.close()
    assert orphan not in state.photos.names()
    assert len(state.photos.names()) == 1


def test_what_is_kept_says_nothing_of_place_and_phone(keeping_app):
    exif = Image.Exif()
    exif.get_ifd(0x8825).update({1: "N", 2: (1.0, 2.0, 3.0)})
    exif.get_ifd(0x8769).update({0xA431: "SN-INVENTED-77"})
    sent = picture_photo(9.0, exif.tobytes())
    worker, supervisor = Person(keeping_app, "worker"), Person(keeping_app, "supervisor")
    reading = worker.send_photo(worker.open_visit(worker.add_woman("KX-1")), sent).json()
    kept = supervisor.get(f"{reading['url']}/photo").content
    assert b"SN-INVENTED-77" in sent
    assert b"SN-INVENTED-77" not in kept
    assert not Image.open(io.BytesIO(kept)).getexif().get_ifd(0x8825)
    with keeping_app.state.database.read() as session:
        known = session.scalars(select(Reading.photo_sha256)).one()
    assert known == hashlib.sha256(sent).hexdigest()


def test_a_file_that_cannot_be_cleaned_is_not_kept(keeping_app):
    worker = Person(keeping_app, "worker")
    answer = worker.send_photo(worker.open_visit(worker.add_woman("KX-1")), photo(9.0))
    assert answer.status_code == 201
    assert not keeping_app.state.shared.photos.names()


def test_whatever_leaves_the_register_is_noted(keeping_app):
    worker, supervisor = Person(keeping_app, "worker"), Person(keeping_app, "supervisor")
    woman = worker.add_woman("KX-1")
    reading = worker.send_photo(worker.open_visit(woman), picture_photo(5.0)).json()
    page = worker.get(woman).text
    slip = page.split('href="/referrals/')[1].split('"')[0]
    for path in (
        f"/referrals/{slip}",
        f"{reading['url']}/photo",
        "/exchange/readings.csv",
        "/exchange/register.fhir.json",
        "/summary/summary.csv",
        "/summary/summary.pdf",
    ):
        assert supervisor.get(path).status_code == 200, path
    actions = _actions(keeping_app)
    assert ("photo.take_out", reading["id"]) in actions
    assert ("slip.print", slip.split("/")[0]) in actions
    exported = [subject for action, subject in actions if action == "export"]
    assert len(exported) == 4


def test_the_trail_says_whose_record_to_the_supervisor(app, worker, supervisor):
    woman = worker.add_woman("KX-777")
    worker.send_photo(worker.open_visit(woman), photo(5.0))
    page = supervisor.get("/audit").text.replace("<wbr>", "")
    for action in ("woman.add", "visit.open", "reading.photo", "referral.open"):
        row = page.split(f"<code>{action}</code>")[1].split("</tr>")[0]
        assert f'<a href="{woman}"><bdi>KX-777</bdi></a>' in row, action
    assert worker.get("/audit").status_code == 403
    supervisor.post(f"{woman}/remove", code="KX-777")
    assert "KX-777" not in supervisor.get("/audit").text
