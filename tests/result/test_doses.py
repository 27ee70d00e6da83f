"""A dose stands only where safety.md says: with a clear result that is not severe."""

from __future__ import annotations

from pathlib import Path

import fakes
import pytest

from cardreader.decide.rule import Outcome
from cardreader.result.astext import reading_text

SAFETY = (Path(__file__).parents[2] / "docs" / "safety.md").read_text(encoding="utf-8")
DOSE = "tablet"


@pytest.mark.parametrize("protocol", ["common-practice", "who-2024"])
@pytest.mark.parametrize("sd_g_dl", [0.3, 1.0, 2.5])
@pytest.mark.parametrize("hb_g_dl", [4.0, 6.5, 7.3, 9.0, 10.8, 11.2, 13.0, 16.0])
def test_a_dose_stands_only_with_a_clear_result(hb_g_dl, sd_g_dl, protocol) -> None:
    reading = fakes.reading(hb_g_dl, sd_g_dl, protocol)
    text = reading_text(reading)
    if DOSE not in text:
        return
    assert reading.decision.outcome in (Outcome.ANAEMIC, Outcome.NOT_ANAEMIC)
    before = text[: text.index(DOSE)]
    if reading.decision.outcome is Outcome.ANAEMIC:
        assert "Once confirmed, local protocol usually asks" in before
    else:
        assert "local protocol usually asks" in before.replace("Local", "local")


def test_a_refused_photo_names_no_dose() -> None:
    assert DOSE not in reading_text(fakes.refused())


def test_the_safety_page_says_so() -> None:
    clear = reading_text(fakes.reading(9.0, 0.3))
    assert DOSE in clear
    assert "no dose is ever named" not in SAFETY
    assert "a dose stands only where the result is clear and not severe" in SAFETY
