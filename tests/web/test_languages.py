"""Every text has its translation, and pages speak the language asked for."""

from __future__ import annotations

import re

import pytest
from babel.messages.checkers import python_format
from people import Person

from cardreader.web.catalogues import catalogue_path, collect, read_catalogue, updated
from cardreader.web.texts import SOURCE_LANGUAGE, choose_language, languages

OTHERS = [code for code in languages() if code != SOURCE_LANGUAGE]


@pytest.mark.parametrize("language", OTHERS)
def test_every_text_is_translated(language):
    catalogue = read_catalogue(language)
    lacking = [
        message.id
        for message in collect()
        if message.id and not _whole(catalogue.get(message.id), message.pluralizable)
    ]
    assert lacking == [], "run python -m cardreader.web.catalogues, then translate"


def _whole(message, plural):
    if message is None or message.fuzzy:
        return False
    return all(message.string) if plural else bool(message.string)


@pytest.mark.parametrize("language", OTHERS)
def test_catalogue_file_is_up_to_date(language):
    assert catalogue_path(language).read_bytes() == updated(language)


@pytest.mark.parametrize("language", OTHERS)
def test_placeholders_are_kept(language):
    """babel's own checker of Python formats."""
    for message in read_catalogue(language):
        if message.id and message.python_format:
            python_format(None, message)
        if message.id and not message.pluralizable:
            assert set(re.findall(r"%\(\w+\)s", message.id)) == set(
                re.findall(r"%\(\w+\)s", message.string)
            )


@pytest.mark.parametrize("language", OTHERS)
def test_gettext_tools_accept_the_catalogue(language):
    """GNU msgfmt, where it is installed, as a second opinion."""
    import shutil
    import subprocess

    if shutil.which("msgfmt") is None:
        pytest.skip("msgfmt is not installed")
    done = subprocess.run(
        ["msgfmt", "--check", "-o", "/dev/null", catalogue_path(language)],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr


def test_pages_speak_french(app):
    from fastapi.testclient import TestClient

    client = TestClient(app, headers={"Accept-Language": "fr-CA,fr;q=0.9,en;q=0.5"})
    page = client.get("/sign-in").text
    assert '<html lang="fr" dir="ltr">' in page
    assert "Se connecter" in page
    assert "Sign in" not in page


def test_language_is_remembered_with_the_account(app, worker):
    worker.client.post("/language", data={"language": "fr"})
    assert "Semaines de grossesse" in worker.get("/women/new").text
    assert "Semaines de grossesse" in Person(app, "worker").get("/women/new").text
    assert "Weeks of pregnancy" in Person(app, "supervisor").get("/women/new").text


def test_a_language_not_there_falls_back():
    assert choose_language("xx", "xx-YY, *;q=0.1") == "en"
    assert choose_language(None, "sw, fr;q=0.8") == "fr"
    assert choose_language("fr", "en") == "fr"
