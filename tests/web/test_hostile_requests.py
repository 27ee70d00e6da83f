"""Requests that no page sends: answered with a refusal, never with a defect."""

from __future__ import annotations

import datetime as dt
import tempfile

import pytest
from people import Person

from cardreader.terminal.exitcodes import ExitCode
from cardreader.web.tls import CertificateError, certificates

NOW = dt.datetime(2026, 11, 2, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    "body",
    [
        b'{"code": "KX-1", "gestation_weeks": NaN}',
        b'{"code": "KX-1", "gestation_weeks": Infinity}',
        b'{"code": "KX-1", "gestation_weeks": 1e999}',
        b'{"code": "\\ud800"}',
        b'{"code": {"a": NaN}}',
    ],
)
def test_what_cannot_be_told_as_json_is_refused(worker: Person, body: bytes) -> None:
    kind = {"content-type": "application/json"}
    answer = worker.api("POST", "/api/women", content=body, headers=kind)
    assert answer.status_code == 422
    assert {tuple(fault) for fault in answer.json()["detail"]} == {("loc", "msg", "type")}


def test_a_tag_with_half_a_surrogate_pair_is_refused(worker: Person) -> None:
    woman = worker.add_woman("KX-1")
    body = b'{"submission_key": "abcdefgh", "unit": "\\ud800", "value": 9}'
    kind = {"content-type": "application/json"}
    answer = worker.api("POST", f"/api{woman}/tube", content=body, headers=kind)
    assert answer.status_code == 422


def test_a_refusal_does_not_repeat_what_was_sent(worker: Person) -> None:
    answer = worker.api("POST", "/api/women", json={"code": "Ada Invented of the Hill"})
    assert answer.status_code == 422
    assert "Invented" not in answer.text


@pytest.mark.parametrize("origin", ["http://[evil", "http://]", "null", "//", "http://[::1"])
def test_an_origin_that_is_no_address_is_another_site(worker: Person, origin: str) -> None:
    answer = worker.client.post(
        "/women/new", data={"csrf": worker.csrf, "code": "KX-1"}, headers={"origin": origin}
    )
    assert answer.status_code == 403


def test_files_of_a_form_are_closed_after_it(supervisor: Person, monkeypatch) -> None:
    made = []
    real = tempfile.SpooledTemporaryFile

    def spooled(*args, **options):
        made.append(real(*args, **options))
        return made[-1]

    monkeypatch.setattr("starlette.formparsers.SpooledTemporaryFile", spooled)
    table = b"code,date,hb_g_dl,method\n"
    supervisor.post("/exchange/import", files={"table": ("t.csv", table, "text/csv")})
    assert len(made) == 1
    assert made[0].closed


@pytest.mark.parametrize("name", ["authority.crt", "authority.key"])
@pytest.mark.parametrize("damage", ["words", "cut", "another's"])
def test_a_damaged_authority_is_not_replaced_in_silence(tmp_path, name, damage) -> None:
    certificates(tmp_path / "ours", [], NOW)
    certificates(tmp_path / "other", [], NOW)
    file = tmp_path / "ours" / "tls" / name
    file.write_bytes(
        {
            "words": b"no certificate",
            "cut": file.read_bytes()[:150],
            "another's": (tmp_path / "other" / "tls" / name).read_bytes(),
        }[damage]
    )
    before = {path.name: path.read_bytes() for path in file.parent.iterdir()}
    with pytest.raises(CertificateError, match="damaged"):
        certificates(tmp_path / "ours", [], NOW)
    assert {path.name: path.read_bytes() for path in file.parent.iterdir()} == before


@pytest.mark.parametrize("words", [["serve", "--plain"], ["audit"], ["backup", "b.tar"]])
def test_a_damaged_register_ends_a_command_with_one_line(
    tmp_path, words, capsys, monkeypatch
) -> None:
    from cardreader.cli import main

    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("CARDREADER_BACKUP_PASSPHRASE", "an invented passphrase")
    (tmp_path / "register.db").write_bytes(b"no database at all" * 100)
    assert main([*words, "--data", str(tmp_path)]) == ExitCode.BAD_DATA
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "restore the newest backup" in said
