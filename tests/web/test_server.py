"""The server as a process: kill -9, certificates, commands, the same JSON as the command line."""

from __future__ import annotations

import datetime as dt
import json
import re
import ssl
import subprocess
import sys
import threading
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx2
import pytest
import unsynced
from browserkit import MAIN, PASSWORD, ROOT, Server, free_port, wait_for
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from gatekit import held
from inprocess import run_cardreader
from postgreskit import Postgres
from sqlalchemy import text
from webfakes import FakeReader, photo

from cardreader.register import audit
from cardreader.register.database import Database, sqlite_url
from cardreader.web.address import qr_text
from cardreader.web.hold import data_lock
from cardreader.web.listen import ServeError
from cardreader.web.tls import CertificateError, certificates

pytestmark = pytest.mark.slow

NOW = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)


@pytest.fixture
def server(tmp_path):
    server = Server(tmp_path / "data")
    server.add_people()
    yield server
    server.kill()


@contextmanager
def signed_in(server: Server) -> Iterator[httpx2.Client]:
    with httpx2.Client(base_url=server.url, timeout=20) as client:
        client.post("/sign-in", data={"name": "worker", "password": PASSWORD})
        client.headers["X-CSRF-Token"] = client.get("/api/session").json()["csrf"]
        yield client


def test_kill_9_loses_nothing_acknowledged(server):
    """Writers run while the process is killed; whatever was answered 201 must be there."""
    server.start()
    with signed_in(server) as client:
        woman = client.post("/api/women", json={"code": "KX-1"}).json()["id"]
        # The sign-in is in the database, so it outlives the server too.
        known = {"cookies": dict(client.cookies), "headers": dict(client.headers)}
    acknowledged: set[str] = set()
    tried: set[str] = set()
    for round_ in range(3):
        if round_:
            server.start()
        stop = threading.Event()
        threads = [
            threading.Thread(target=_write, args=(server, known, woman, acknowledged, tried, stop))
            for _ in range(4)
        ]
        for thread in threads:
            thread.start()
        enough, latest = len(acknowledged) + 8, time.monotonic() + 30
        while len(acknowledged) < enough and time.monotonic() < latest:
            time.sleep(0.01)
        server.kill()
        stop.set()
        for thread in threads:
            thread.join()
    assert len(acknowledged) >= 24
    database = Database(sqlite_url(server.data / "register.db"))
    with database.read() as session:
        rows = session.execute(text("SELECT submission_key, count(*) FROM reading GROUP BY 1"))
        entered = dict(tuple(row) for row in rows)
        assert audit.check(session)
        assert session.scalar(text("PRAGMA integrity_check")) == "ok"
    database.close()
    assert acknowledged <= entered.keys() <= tried
    assert set(entered.values()) == {1}
    # What was not acknowledged is sent again, as the phone would: still once each.
    server.start()
    with signed_in(server) as client:
        for key in sorted(tried):
            assert _send(client, woman, key).status_code == 201
        readings = client.get(f"/api/women/{woman}/readings").json()
    assert len(readings) == len(tried)


def _send(client: httpx2.Client, woman: str, key: str) -> httpx2.Response:
    body = {"submission_key": key, "value": 9.0, "unit": "g_dl"}
    return client.post(f"/api/women/{woman}/tube", json=body)


def _write(server, known, woman, acknowledged, tried, stop):
    try:
        with httpx2.Client(base_url=server.url, timeout=20, **known) as client:
            while not stop.is_set():
                key = f"key-{uuid.uuid4().hex}"
                tried.add(key)
                if _send(client, woman, key).status_code == 201:
                    acknowledged.add(key)
    except httpx2.TransportError:
        pass


def test_sqlite_is_set_to_survive_a_power_cut(tmp_path, monkeypatch):
    """SQLite's own words for it: WAL with synchronous=FULL (2) syncs at every commit."""
    monkeypatch.setattr(unsynced, "AS_SHIPPED", True)
    database = Database(sqlite_url(tmp_path / "x.db"))
    with database.read() as session:
        assert session.scalar(text("PRAGMA journal_mode")) == "wal"
        assert session.scalar(text("PRAGMA synchronous")) == 2
    database.close()


def test_same_photo_same_json_as_the_command_line(server):
    """A synthetic photo; the real reader behind both."""
    file = ROOT / "sample_images" / "good" / "moderate-9.2-morning.jpg"
    said = run_cardreader("read", file, "--json", "--gestation-weeks", "22")
    server.start()
    with signed_in(server) as client:
        answer = client.post(
            "/api/photos",
            data={"code": "KX-1", "gestation_weeks": "22", "submission_key": "photo-key-1"},
            files={"photo": ("p.jpg", file.read_bytes(), "image/jpeg")},
        )
    assert answer.status_code == 201, answer.text
    assert answer.json()["reading"] == json.loads(said.stdout)


def test_certificate_is_trusted_by_whoever_trusts_the_authority(tmp_path):
    files = certificates(tmp_path, ["192.168.43.1", "8.8.8.8"], NOW)
    trust = ssl.create_default_context(cafile=str(files.authority))
    assert trust.get_ca_certs()
    leaf, authority = x509.load_pem_x509_certificates(files.chain.read_bytes())
    leaf.verify_directly_issued_by(authority)
    names = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    addresses = {str(ip) for ip in names.get_values_for_type(x509.IPAddress)}
    assert addresses == {"127.0.0.1", "192.168.43.1"}  # never for an address of the internet
    constraints = authority.extensions.get_extension_for_class(x509.NameConstraints)
    assert constraints.critical
    assert files.key.stat().st_mode & 0o077 == 0


def test_authority_stays_while_addresses_change(tmp_path):
    first = certificates(tmp_path, ["192.168.43.1"], NOW).authority.read_bytes()
    later = NOW + dt.timedelta(days=400)
    assert certificates(tmp_path, ["10.0.0.7"], later).authority.read_bytes() == first
    much_later = NOW + dt.timedelta(days=365 * 5)
    assert certificates(tmp_path, ["10.0.0.7"], much_later).authority.read_bytes() != first


def test_an_authority_without_its_key_is_told_and_not_replaced(tmp_path):
    first = certificates(tmp_path, ["192.168.43.1"], NOW).authority
    before = first.read_bytes()
    (tmp_path / "tls" / "authority.key").unlink()
    with pytest.raises(CertificateError, match="missing"):
        certificates(tmp_path, ["192.168.43.1"], NOW)
    assert first.read_bytes() == before


def test_a_clock_that_ran_ahead_costs_no_authority(tmp_path):
    """Phones would have to trust another, one by one."""
    years = dt.timedelta(days=365)
    first = certificates(tmp_path, ["192.168.43.1"], NOW).authority.read_bytes()
    ahead = certificates(tmp_path, ["192.168.43.1"], NOW + 9 * years).authority.read_bytes()
    assert ahead != first
    for now, authority in ((NOW, first), (NOW + years, first), (NOW + 9 * years, ahead)):
        files = certificates(tmp_path, ["192.168.43.1"], now)
        assert files.authority.read_bytes() == authority
        leaf, signer = x509.load_pem_x509_certificates(files.chain.read_bytes())
        leaf.verify_directly_issued_by(signer)


def test_a_clock_set_back_makes_no_certificate_of_before_the_authority(tmp_path):
    """The phones' clocks are right, and would find that it has run out."""
    certificates(tmp_path, ["192.168.43.1"], NOW)
    files = certificates(tmp_path, ["192.168.43.1"], NOW - dt.timedelta(days=2000))
    leaf = x509.load_pem_x509_certificates(files.chain.read_bytes())[0]
    assert leaf.not_valid_before_utc < NOW < leaf.not_valid_after_utc


@pytest.fixture(scope="module")
def encrypted(tmp_path_factory) -> Iterator[tuple[int, int, Path]]:
    """A server with its start page, started from nothing: the two ports, and what it said."""
    folder = tmp_path_factory.mktemp("encrypted")
    server = Server(folder / "data")
    server.add_people()
    port, start_port = free_port(), free_port()
    log = (folder / "log").open("wb")
    process = subprocess.Popen(
        [
            *(sys.executable, "-c", MAIN),
            *("serve", "--host", "127.0.0.1", "--port", str(port), "--start-port"),
            *(str(start_port), "--data", str(server.data)),
        ],
        stdout=log,
        stderr=log,
        env=server.environment(),
    )
    try:
        wait_for(f"http://127.0.0.1:{start_port}/")
        wait_for(f"https://127.0.0.1:{port}/sign-in", verify=False)
        yield port, start_port, folder / "log"
    finally:
        process.terminate()
        process.wait(20)
        log.close()


def test_encrypted_server_answers_to_a_client_that_checks(encrypted, tmp_path):
    port, start_port, log = encrypted
    page = httpx2.get(f"http://127.0.0.1:{start_port}/").text
    assert f"https://127.0.0.1:{port}/" in page
    authority = httpx2.get(f"http://127.0.0.1:{start_port}/authority.crt").content
    (tmp_path / "authority.crt").write_bytes(authority)
    trust = ssl.create_default_context(cafile=str(tmp_path / "authority.crt"))
    with httpx2.Client(verify=trust, timeout=20) as client:
        answer = client.get(f"https://127.0.0.1:{port}/sign-in")
    assert answer.status_code == 200
    with pytest.raises(httpx2.ConnectError, match="certificate"):
        httpx2.get(f"https://127.0.0.1:{port}/sign-in")
    # The unencrypted page shows nothing of the register.
    assert httpx2.get(f"http://127.0.0.1:{start_port}/sign-in").status_code == 404
    # Both screens show the same fingerprint, and it is that of the certificate.
    printed = x509.load_pem_x509_certificate(authority).fingerprint(hashes.SHA256())
    pairs = printed.hex(":").upper()
    assert pairs in page
    assert pairs in ":".join(re.findall(r"^  ([0-9A-F:]{47})$", log.read_text(), re.MULTILINE))


def test_held_connections_leave_both_ports_open(encrypted):
    port, start_port, _ = encrypted
    with held(port, 110), held(start_port, 110):
        assert httpx2.get(f"http://127.0.0.1:{start_port}/").status_code == 200
        answer = httpx2.get(f"https://127.0.0.1:{port}/sign-in", verify=False)
        assert answer.status_code == 200


def test_start_page_leads_to_the_server_whatever_host_is_asked_for(encrypted):
    port, start_port, _ = encrypted
    headers = {"Host": "elsewhere.example"}
    page = httpx2.get(f"http://127.0.0.1:{start_port}/", headers=headers).text
    assert "elsewhere" not in page
    assert f"https://127.0.0.1:{port}/" in page


def test_qr_code_holds_the_address():
    """Read back by OpenCV's own detector."""
    import cv2
    import numpy as np

    url = "http://192.168.43.1:8080/"
    half = {" ": (1, 1), "▀": (0, 1), "▄": (1, 0), "█": (0, 0)}
    rows = [line for line in qr_text(url).splitlines() if line]
    pixels = []
    for line in rows:
        pixels.append([half[c][0] for c in line])
        pixels.append([half[c][1] for c in line])
    image = np.kron(np.array(pixels, np.uint8), np.ones((8, 8), np.uint8)) * 255
    read = {cv2.QRCodeDetector().detectAndDecode(i)[0] for i in (image, 255 - image)}
    assert url in read


def test_one_server_on_one_folder(tmp_path):
    with data_lock(tmp_path), pytest.raises(ServeError, match="running"), data_lock(tmp_path):
        pass


def test_commands(server, tmp_path):
    other = tmp_path / "other"
    file = tmp_path / "register.backup"
    passphrase = {"CARDREADER_BACKUP_PASSPHRASE": "an invented passphrase"}

    def command(*words, data=server.data, **environment):
        return run_cardreader(*words, "--data", data, **environment)

    added = command("user", "add", "eve", CARDREADER_NEW_PASSWORD="another long password")
    assert added.returncode == 0, added.stderr
    taken = command("user", "add", "Eve", CARDREADER_NEW_PASSWORD="another long password")
    assert taken.returncode == 5
    assert taken.stderr == "cardreader: this name is taken\n"
    done = command("backup", file, **passphrase)
    assert done.returncode == 0, done.stderr
    assert "audit trail" in done.stdout
    restored = command("restore", file, data=other, **passphrase)
    assert restored.returncode == 0, restored.stderr
    trail = done.stdout.splitlines()[-1]
    assert f"{trail}; a note that it was put back follows" in restored.stdout
    check = command("audit", data=other)
    assert check.returncode == 0
    entries = int(trail.split()[2])
    assert check.stdout.startswith(f"{entries + 1} entries, unbroken")


def test_whole_flow_on_postgresql(make_app):
    from people import Person

    postgres = Postgres()
    try:
        app = make_app(database_url=postgres.new_url())
        worker = Person(app, "worker")
        woman = worker.add_woman("KX-1")
        visit = worker.open_visit(woman)
        first = worker.send_photo(visit, photo(5.0), key="photo-key-1")
        again = worker.send_photo(visit, photo(5.0), key="photo-key-1")
        assert (first.status_code, again.status_code) == (201, 200)
        assert first.json()["id"] == again.json()["id"]
        for path in (woman, visit, first.json()["url"], "/lists/severe", "/summary", "/"):
            assert worker.get(path).status_code == 200
        supervisor = Person(app, "supervisor")
        assert supervisor.get("/exchange/register.fhir.json").status_code == 200
        assert "holds" in supervisor.get("/audit").text
        app.state.database.close()
    finally:
        postgres.stop()


def test_fake_reader_writes_the_form_that_the_schema_asks():
    """The stand-in of the other tests gives the parts of the JSON that the register uses."""
    from cardreader.decide.subject import Subject
    from cardreader.result.asjson import reading_schema

    detail = FakeReader().read(photo(9.0), Subject()).facts.detail
    known = reading_schema()["properties"]
    assert detail.keys() <= known.keys()
