"""Names and lines as people write them.

Which joiners words need: Unicode 15.0, chapters 9.2 (Arabic), 12.1 (Devanagari) and 23.2. The
examples are invented.
"""

from __future__ import annotations

import pytest

from cardreader.core.written import as_line, ascii_dashes, ascii_digits, is_line, name_key

FAMILY = "\U0001f469\u200d\u2695\ufe0f"
"""A health worker: two emoji joined to one."""


@pytest.mark.parametrize(
    "text",
    [
        "Élodie N'Diaye",
        "\u0930\u093e\u091c\u094d\u200d\u092f",  # with a joiner, as Hindi keyboards type it
        "\u0645\u06cc\u200c\u062e\u0648\u0627\u0647\u0645",  # with a non-joiner, as Persian has it
        f"Ada {FAMILY}",
        "\u200f\u0641\u0627\u0637\u0645\u0629",
    ],
)
def test_words_of_every_script_are_lines_and_stay_as_they_are(text):
    assert is_line(text)
    assert as_line(text) == text


@pytest.mark.parametrize("sign", ["\0", "\n", "\x1b", "\u202e", "\u2028", "\ud800"])
def test_controls_are_none(sign):
    assert not is_line(f"a{sign}b")
    assert as_line(f"a{sign}b") in ("ab", "a b")


def test_spaces_count_once_and_letters_are_composed():
    assert as_line("  E\u0301lodie \t\u00a0 N ") == "Élodie N"


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Élodie", "élodie"),
        ("ЯРОСЛАВА", "ярослава"),
        ("E\u0301lodie", "ÉLODIE"),
        ("Straße", "STRASSE"),
    ],
)
def test_one_name_in_two_writings(one, other):
    assert name_key(one) == name_key(other)
    assert name_key(one) != name_key(other + "x")


def test_digits_and_dashes_of_other_keyboards():
    assert ascii_digits("KX-\u0662\u0663 \u0967\u0968") == "KX-23 12"
    assert ascii_dashes("KX\u201323") == "KX-23"
