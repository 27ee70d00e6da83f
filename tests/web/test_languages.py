"""Every text has its translation, and pages speak the language asked for."""

from __future__ import annotations

import io
import re

import babel.messages.plurals
import pytest
from babel import Locale
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po
from people import Person

from cardreader.web.catalogues import catalogue_path, collect, faults, read_catalogue, updated
from cardreader.web.texts import (
    LAYOUT_TRIALS,
    SOURCE_LANGUAGE,
    catalogue,
    choose_language,
    current_language,
    direction,
    languages,
    own_name,
)

OTHERS = [code for code in languages() if code != SOURCE_LANGUAGE]


@pytest.fixture(scope="module")
def texts() -> Catalog:
    """Every text of the pages."""
    return collect()


@pytest.mark.parametrize("language", OTHERS)
def test_the_catalogue_has_no_faults(language, texts):
    """Missing, fuzzy, placeholders, plural forms; a trial of the layout is no exception."""
    found = faults(read_catalogue(language), texts)
    assert found == [], "run python -m cardreader.web.catalogues, then translate"


ONE_FORM = (
    '#, python-format\\nmsgid "%(n)s day"\\nmsgid_plural "%(n)s days"\\nmsgstr[0] "%(n)s j"\\n'
)
BROKEN = {
    'msgid "At most %(n)s letters."\nmsgstr ""\n': "has no translation",
    '#, fuzzy\nmsgid "At most %(n)s letters."\nmsgstr "%(n)s"\n': "is marked fuzzy",
    'msgid "At most %(n)s letters."\nmsgstr "Lettres"\n': "placeholders differ: n",
    'msgid "At most %(n)s letters."\nmsgstr "%(n)s %(m)s"\n': "placeholders differ: m",
    '#, python-format\nmsgid "At most %(n)s letters."\nmsgstr "%(n)d"\n': "incompatible format",
    'msgid "Never said."\nmsgstr "Jamais."\n': "is no text any more",
    ONE_FORM: "has no translation",
}


@pytest.mark.parametrize("entry", list(BROKEN))
def test_the_check_finds_what_is_broken(entry):
    head = 'msgid ""\nmsgstr ""\n"Plural-Forms: nplurals=2; plural=(n > 1);\\n"\n\n'
    texts = Catalog()
    texts.add("At most %(n)s letters.", flags=["python-format"])
    texts.add(("%(n)s day", "%(n)s days"), flags=["python-format"])
    good = 'msgid "At most %(n)s letters."\nmsgstr "%(n)s"\n\n' + (
        'msgid "%(n)s day"\nmsgid_plural "%(n)s days"\nmsgstr[0] "%(n)s j"\nmsgstr[1] "%(n)s j"\n'
    )
    assert faults(read_po(io.StringIO(head + good), locale="fr"), texts) == []
    other = good.split("\n\n")[0 if "day" in entry else 1]
    broken = read_po(io.StringIO(f"{head}{entry}\n{other}\n"), locale="fr")
    assert BROKEN[entry] in " ".join(fault.what for fault in faults(broken, texts))


def test_languages_are_called_and_written_as_babel_says():
    for code, name in languages().items():
        assert name == own_name(code)
        token = current_language.set(code)
        assert direction() == Locale(code).text_direction
        current_language.reset(token)


@pytest.mark.parametrize("language", sorted(LAYOUT_TRIALS))
def test_trials_of_the_layout_are_in_their_own_script(language):
    block = {"hi": r"[\u0900-\u097f]", "ar": r"[\u0600-\u06ff]"}[language]
    for message in read_catalogue(language):
        texts = message.string if isinstance(message.string, tuple) else (message.string,)
        for text in texts:
            letters = re.sub(r"%\(\w+\)s|[^A-Za-z]", "", str(message.id))
            if message.id and text and len(letters) > 12:
                assert re.search(block, text), message.id


def test_trials_of_the_layout_are_marked_and_never_chosen_for_anybody(app):
    from fastapi.testclient import TestClient

    for language in sorted(LAYOUT_TRIALS):
        header = catalogue_path(language).read_text(encoding="utf-8")[:200]
        assert "X-Layout-Trial: not read by a health worker" in header
        assert choose_language(None, f"{language},{language}-XX;q=0.9") == SOURCE_LANGUAGE
        assert choose_language(language, "en") == language
        client = TestClient(app, cookies={"language": language})
        page = client.get("/sign-in").text
        assert "A trial of the layout: no health worker has read these words." in page
        way = {"ar": "rtl", "hi": "ltr"}[language]
        assert f'<html lang="{language}" dir="{way}">' in page
    assert "no health worker has read" not in TestClient(app).get("/sign-in").text


@pytest.mark.parametrize("language", sorted(LAYOUT_TRIALS))
def test_papers_of_a_trial_are_in_english(worker, language):
    """The fonts that PDF brings write neither script; boxes in place of words would be worse."""
    import pypdfium2

    worker.client.cookies.set("language", language)
    document = pypdfium2.PdfDocument(worker.get("/summary/summary.pdf").content)
    assert "Monthly summary" in document[0].get_textpage().get_text_bounded()
    document.close()


COUNTED = re.compile(r"(?:%\(\w+\)s|\{\w+\}) (?:[a-z]+ )?(?:[a-z]{3,}s|women|blots more)\b")
NEVER_ONE = {
    "%(most)s letters": "a limit of the program",
    "%(least)s letters": "a limit of the program",
    "%(least)s women": "a limit of the program",
    "%(women)s women": "six at least, of a day whose readings lie off",
    "%(n)s letters": "a limit of the program",
    "%(n)s digits": "a limit of the program",
    "%(tries)s wrong tries": "a limit of the program",
    "%(minutes)s minutes": "how long an entry can be taken back, and a blot dries",
    "%(n)s tablets": "the protocol's course",
    "%(days)s days": "weeks of treatment, and how long a PIN holds",
    "%(count)s simulated places": "of a table that comes with the program",
    "%(sent)s pixels": "two numbers",
}
"""What is counted in texts with one form: these numbers are fixed, and above one."""


def test_what_is_counted_has_its_plural_forms_or_needs_none(texts):
    single = [message.id for message in texts if isinstance(message.id, str)]
    counted = {found for text in single for found in COUNTED.findall(text)}
    assert counted == set(NEVER_ONE)


@pytest.mark.parametrize("language", OTHERS)
def test_catalogue_file_is_up_to_date(language, texts):
    assert catalogue_path(language).read_bytes() == updated(language, texts)


@pytest.mark.parametrize("language", OTHERS)
def test_a_catalogue_keeps_its_own_rule_for_plurals(monkeypatch, language, texts):
    """Versions of babel differ in the rule they give; the forms are written for the file's."""
    monkeypatch.setattr(babel.messages.plurals, "PLURALS", {})
    monkeypatch.setattr(babel.messages.plurals, "DEFAULT_PLURAL", (1, "0"))
    assert catalogue_path(language).read_bytes() == updated(language, texts)


@pytest.mark.parametrize(
    ("n", "words"),
    [
        (1, "يوم"),
        (2, "يومين"),
        (3, "أيام"),
        (10, "أيام"),
        (11, "يومًا"),
        (99, "يومًا"),
        (100, "يوم"),
        (103, "أيام"),
    ],
)
def test_arabic_counts_take_the_form_of_their_number(n, words):
    """Three to ten, eleven to ninety-nine, hundreds: CLDR and the GNU gettext manual."""
    said = catalogue("ar").ngettext("Open for %(days)s day.", "Open for %(days)s days.", n)
    assert said.rstrip(".").split()[-1] == words


@pytest.mark.parametrize("language", OTHERS)
def test_the_unit_is_written_alike_in_every_language(language):
    """As on card, slip and laboratory's paper: a unit written two ways is read as two."""
    for message in read_catalogue(language):
        forms = message.string if isinstance(message.string, tuple) else (message.string,)
        if "g/dL" in str(message.id):
            assert all("g/dL" in form for form in forms), message.id


def test_what_is_filled_in_is_isolated_where_words_run_from_right_to_left():
    """A value with its unit left to right (U+2066), else by its first letter (U+2068); UAX #9."""
    said = catalogue("ar").gettext("%(hb)s g/dL, %(low)s to %(high)s")
    assert said.startswith("\u2066%(hb)s g/dL\u2069")
    assert "\u2068%(low)s\u2069" in said
    assert "\u2066" not in catalogue("hi").gettext("%(hb)s g/dL, %(low)s to %(high)s")
    for message in read_catalogue("ar"):
        if message.id and isinstance(message.id, str):
            shown = catalogue("ar").gettext(message.id)
            assert shown.count("%(") == shown.count("\u2066%(") + shown.count("\u2068%(")
            assert shown.count("\u2069") == shown.count("\u2066") + shown.count("\u2068")


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


def test_hindi_has_one_word_for_anaemia():
    """That of India's health ministry and its programme Anaemia Mukt Bharat (from memory)."""
    others = ("की कमी", "रक्ताल्पता", "अरक्तता")
    said = {
        str(message.id): str(message.string)
        for message in read_catalogue("hi")
        if message.id and "anaem" in str(message.id).lower()
    }
    assert len(said) > 15
    for english, hindi in said.items():
        assert "एनीमिया" in hindi, english
        assert not any(other in hindi for other in others), english
