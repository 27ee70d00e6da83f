"""Photos in pieces: what has arrived stays, nothing is taken twice, nothing is left lying."""

from __future__ import annotations

import hashlib
import io
import re

import pytest
from people import Person
from PIL import Image
from webfakes import photo

from cardreader.core.refusal import Refusal
from cardreader.read.phonenote import CardPart, Reduced, VideoFrame, phone_note
from cardreader.read.photo import Photo, open_photo
from cardreader.register.models import AuditEntry, Reading
from cardreader.web.uploads import (
    ALL_HALVES_BYTES,
    CHUNK_LIMIT_BYTES,
    FORGOTTEN_AFTER_S,
    HALVES_AN_ACCOUNT,
    Uploads,
    UploadTooLargeError,
)

KEY = "a-key-of-a-photo"


class Clock:
    """A clock that is set by hand."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def uploads(tmp_path):
    made = Uploads(tmp_path, 1000, Clock())
    yield made
    made.close()


def put(person: Person, data: bytes, at: int, to: int, key: str = KEY):
    """Send one piece."""
    path = f"/api/uploads/{key}?size={len(data)}&offset={at}"
    return person.api("PUT", path, content=data[at:to])


def enter(person: Person, visit: str, key: str = KEY, **fields):
    """Send the form for a photo that came in pieces."""
    data = {"submission_key": key, "uploaded": "true", **fields}
    return person.api("POST", f"/api{visit}/photos", data=data)


def test_pieces_make_the_photo_whatever_is_sent_twice(uploads):
    whole = bytes(range(200))
    assert uploads.add("a", KEY, 200, 0, whole[:50]) == 50
    assert uploads.add("a", KEY, 200, 0, whole[:50]) == 50  # the answer was lost
    assert uploads.add("a", KEY, 200, 30, whole[30:90]) == 90
    assert uploads.add("a", KEY, 200, 150, whole[150:]) == 90  # a gap: not taken
    assert uploads.whole("a", KEY) is None
    assert uploads.add("a", KEY, 200, 90, whole[90:] + b"more") == 200
    assert uploads.whole("a", KEY) == whole


def test_another_size_begins_anew(uploads):
    uploads.add("a", KEY, 200, 0, bytes(50))
    assert uploads.add("a", KEY, 100, 0, bytes(10)) == 10


def test_nobody_meets_anothers_photo(uploads):
    uploads.add("a", KEY, 10, 0, bytes(10))
    assert uploads.received("b", KEY) == 0
    assert uploads.whole("b", KEY) is None
    uploads.drop("b", KEY)
    assert uploads.whole("a", KEY) is not None


def test_what_is_too_large_is_refused(uploads):
    with pytest.raises(UploadTooLargeError):
        uploads.add("a", KEY, 1001, 0, b"x")


def test_forgotten_ones_and_the_oldest_make_room(uploads):
    for k in range(HALVES_AN_ACCOUNT + 1):
        uploads.clock.now += 1
        uploads.add("a", f"key-{k}", 10, 0, b"x")
    assert uploads.received("a", "key-0") == 0
    assert uploads.received("a", "key-1") == 1
    uploads.clock.now += FORGOTTEN_AFTER_S + 1
    uploads.add("b", "another-key", 10, 0, b"x")
    assert uploads.received("a", f"key-{HALVES_AN_ACCOUNT}") == 0


def test_all_together_stay_within_the_limit(tmp_path):
    uploads = Uploads(tmp_path, ALL_HALVES_BYTES, Clock())
    uploads.add("a", KEY, ALL_HALVES_BYTES - 5, 0, b"x")
    uploads.clock.now = 1
    uploads.add("b", KEY, 10, 0, b"x")
    assert uploads.received("a", KEY) == 0
    assert uploads.received("b", KEY) == 1
    uploads.close()


def test_no_file_lies_there_to_be_left(uploads, tmp_path):
    uploads.add("a", KEY, 200, 0, bytes(100))
    assert list(tmp_path.iterdir()) == []


def test_a_photo_in_pieces_is_read_and_entered_once(app, worker):
    visit = worker.open_visit(worker.add_woman("KX-1"))
    data = photo(9.0, "x" * 300)
    assert put(worker, data, 0, 100).json() == {"received": 100, "entered": False}
    assert enter(worker, visit).status_code == 410
    assert worker.get(f"/api/uploads/{KEY}").json()["received"] == 100
    assert put(worker, data, 100, len(data)).json()["received"] == len(data)
    first = enter(worker, visit)
    assert first.status_code == 201
    assert first.json()["reading"]["photo"]["sha256"] == hashlib.sha256(data).hexdigest()
    # The answer got lost: nothing has to travel again.
    assert worker.get(f"/api/uploads/{KEY}").json() == {"received": 0, "entered": True}
    again = enter(worker, visit)
    assert again.status_code == 200
    assert again.json()["id"] == first.json()["id"]
    other = worker.open_visit(worker.add_woman("KX-2"))
    assert enter(worker, other).status_code == 409


def test_a_photo_in_pieces_for_a_code(worker):
    data = photo(9.0)
    put(worker, data, 0, len(data))
    form = {"submission_key": KEY, "uploaded": "true", "code": "KX-9"}
    assert worker.api("POST", "/api/photos", data=form).status_code == 201
    assert worker.api("POST", "/api/photos", data=form).status_code == 200
    assert worker.api("POST", "/api/photos", data={**form, "code": "KX-8"}).status_code == 409


def test_a_question_keeps_the_pieces(worker):
    data = photo(9.0)
    one, two = (worker.open_visit(worker.add_woman(code)) for code in ("KX-1", "KX-2"))
    assert worker.send_photo(one, data).status_code == 201
    put(worker, data, 0, len(data))
    assert enter(worker, two).json()["ask"] == "known_photo"
    assert enter(worker, two, known_photo="true").status_code == 201


def test_without_photo_and_without_pieces_it_is_told(worker):
    visit = worker.open_visit(worker.add_woman("KX-1"))
    answer = worker.api("POST", f"/api{visit}/photos", data={"submission_key": KEY})
    assert answer.status_code == 422


def test_strangers_bodies_and_large_pieces_are_turned_away(app, worker, researcher):
    assert put(researcher, b"x", 0, 1).status_code == 403
    large = bytes(CHUNK_LIMIT_BYTES + 1)
    assert put(worker, large, 0, len(large)).status_code == 413
    assert put(worker, large, 0, 1000).status_code == 200
    worker.client.cookies.clear()
    assert put(worker, b"x", 0, 1).status_code == 401
    size = app.state.settings.upload_limit_bytes + 1
    path = f"/api/uploads/{KEY}?size={size}&offset=0"
    assert Person(app, "worker").api("PUT", path, content=b"x").status_code == 413


def test_given_up_is_forgotten(worker):
    put(worker, bytes(100), 0, 50)
    assert worker.api("DELETE", f"/api/uploads/{KEY}").status_code == 204
    assert worker.get(f"/api/uploads/{KEY}").json()["received"] == 0


# --- what the phone did to a photo --------------------------------------------------------


def jpeg(comment: bytes, size: tuple[int, int] = (640, 480)) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, "#a84a42").save(out, "JPEG", comment=comment)
    return out.getvalue()


def reduced_of(original: bytes) -> bytes:
    digest = hashlib.sha256(original).hexdigest()
    return f"cardreader-reduced/1 from=4000x3000 quality=90 sha256={digest}".encode()


def test_a_note_of_the_phone_is_read():
    found = phone_note(reduced_of(b"x"))
    assert found == Reduced((4000, 3000), 90, hashlib.sha256(b"x").hexdigest())
    assert phone_note(b"cardreader-frame/1 size=1280x960") == VideoFrame()
    assert phone_note(b"cardreader-part/1 sha256=" + b"0a" * 32) == CardPart("0a" * 32)
    assert phone_note(b"cardreader-part/1 sha256=unknown") == CardPart(None)
    assert phone_note(re.sub(rb"=[0-9a-f]{64}", b"=unknown", reduced_of(b"x"))) == Reduced(
        (4000, 3000), 90, None
    )


@pytest.mark.parametrize(
    "comment",
    [
        b"",
        None,
        "text",
        b"a holiday",
        reduced_of(b"x") + b" more",
        b"cardreader-reduced/2 from=1x1",
    ],
)
def test_any_other_comment_is_nothing(comment):
    assert phone_note(comment) is None


def test_the_photo_carries_the_note():
    opened = open_photo(jpeg(reduced_of(b"x")))
    assert isinstance(opened, Photo)
    assert isinstance(opened.phone_note, Reduced)
    plain = open_photo(jpeg(b"a holiday"))
    assert not isinstance(plain, Refusal)
    assert plain.phone_note is None


# --- the original, later --------------------------------------------------------------------


def entered_reduced(app, person: Person, original: bytes) -> dict:
    """A reading whose photo says that it was made smaller from ``original``."""
    visit = person.open_visit(person.add_woman("KX-1"))
    out = person.send_photo(visit, jpeg(b"x", (32, 24)) + photo(9.0)).json()
    with app.state.database.write() as session:
        reading = session.get_one(Reading, out["id"])
        note = {
            "from_width_px": 4000,
            "from_height_px": 3000,
            "quality": 90,
            "original_sha256": hashlib.sha256(original).hexdigest(),
        }
        detail = dict(reading.detail)
        detail["photo"] = {**detail["photo"], "width_px": 2000, "height_px": 1500, "reduced": note}
        reading.detail = detail
    return out


def send_original(person: Person, reading: dict, original: bytes):
    put(person, original, 0, len(original), "original-key")
    path = f"/api/readings/{reading['id']}/original"
    return person.api("POST", path, json={"upload_key": "original-key"})


def test_the_original_takes_the_place_of_the_smaller_photo(keeping_app):
    worker, supervisor = Person(keeping_app, "worker"), Person(keeping_app, "supervisor")
    original = jpeg(b"original", (64, 48))
    reading = entered_reduced(keeping_app, worker, original)
    (before,) = keeping_app.state.shared.photos.names()
    assert send_original(worker, reading, original).status_code == 204
    (after,) = keeping_app.state.shared.photos.names()
    assert after != before
    kept = Image.open(io.BytesIO(supervisor.get(f"{reading['url']}/photo").content))
    assert kept.size == (64, 48)
    page = worker.get(reading["url"]).text
    assert "2000 x 1500 pixels of 4000 x 3000" in page
    with keeping_app.state.database.read() as session:
        assert "photo.original" in {entry.action for entry in session.query(AuditEntry)}


def test_another_file_does_not(keeping_app):
    worker = Person(keeping_app, "worker")
    reading = entered_reduced(keeping_app, worker, jpeg(b"original"))
    before = keeping_app.state.shared.photos.names()
    assert send_original(worker, reading, jpeg(b"another")).status_code == 409
    assert keeping_app.state.shared.photos.names() == before


def test_where_no_photos_are_kept_no_original_is(app, worker):
    original = jpeg(b"original")
    reading = entered_reduced(app, worker, original)
    assert worker.get("/api/session").json()["keeps_photos"] is False
    assert send_original(worker, reading, original).status_code == 409
