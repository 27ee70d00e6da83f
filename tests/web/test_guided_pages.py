"""The guided pages say every step with its cautions, and whose word they are.

The cautions are those of common practice (no source): what is looked for here is that
none of them is lost.
"""

from __future__ import annotations

import html
import re

import pytest
from people import Person
from webfakes import photo, refused_photo

TUBE = (
    "clean, dry and whole",
    "acid up to the lowest mark",
    "let it dry",
    "first drop away with dry cotton",
    "without air",
    "Wipe the outside of the pipette",
    "under the acid, press the blood out",
    "two or three times with the acid",
    "Nothing is ever sucked towards the mouth",
    "the whole ten minutes",
    "water drop by drop",
    "on both sides, in daylight",
    "lower edge of the curved surface",
)
WASTE = ("waste for infectious material", "Common practice, no source.")


def words(page: str) -> str:
    return " ".join(html.unescape(re.sub("<[^>]*>", " ", page)).split())


def test_the_tube_is_guided_through_in_order(worker: Person) -> None:
    page = worker.get(worker.add_woman("GA-1") + "/tube").text
    said = words(page)
    places = [said.index(step) for step in TUBE if "sucked" not in step]
    assert places == sorted(places)
    assert all(step in said for step in TUBE)
    assert "chlorine solution (0.5 %) for ten minutes" in said
    # As for prick and blot: numbered steps with their cautions, going on behind the timer.
    assert page.count('<ol class="steps"') == 3
    assert 'start="10"' in page
    assert said.count("Beware:") >= 8
    assert said.count("Common practice, no source.") == 3
    assert page.index("Steps: blood into the tube") < page.index("data-timer")
    assert page.index("data-timer") < page.index("Steps: match and read") < page.index('id="value"')


def test_waste_after_prick_and_blot(worker: Person) -> None:
    visit = worker.open_visit(worker.add_woman("GA-2"))
    reading = worker.send_photo(visit, photo(9.0)).json()["url"]
    for path in (visit, reading, "/unsent"):
        said = words(worker.get(path).text)
        assert "Put blot, swabs and cotton into the waste for infectious material." in said
        assert all(part in said for part in WASTE)


def test_waste_after_the_tube(worker: Person) -> None:
    woman = worker.add_woman("GA-3")
    answer = worker.post(f"{woman}/tube", value="9", unit="g_dl", submission_key="tube-ga-3")
    assert "chlorine solution (0.5 %)" in words(worker.get(answer.headers["location"]).text)


@pytest.mark.parametrize(("sent", "told"), [(photo(9.0), True), (refused_photo(), False)])
def test_what_to_tell_her_comes_from_the_protocol(worker: Person, sent, told) -> None:
    woman = worker.add_woman("GA-4")
    visit = worker.open_visit(woman)
    page = words(worker.get(worker.send_photo(visit, sent).json()["url"]).text)
    assert ("Keep the tablets away from children" in page) is told
    assert ("dark green leaves" in page) is told
    assert "Keep the tablets away from children" in words(worker.get(woman).text)


def test_own_words_of_a_programme_are_shown_as_written(app, worker: Person) -> None:
    from cardreader.core.shipped import shipped
    from cardreader.decide.protocolfile import parse_protocol

    text = shipped("protocols", "who-2024.toml").read_text(encoding="utf-8")
    own = f'{text}\n[tell_her]\nfood = ["Eat millet <daily>."]\nsource = "invented district"\n'
    app.state.shared.reader.base.rules = parse_protocol(own.encode())
    page = worker.get(worker.add_woman("GA-5")).text
    assert "Eat millet &lt;daily&gt;." in page
    assert "About the tablets" not in page


def test_no_physician_is_named_for_the_method() -> None:
    from cardreader.register import tube

    assert "acid-haematin tube" in (tube.__doc__ or "")
    assert "'s method" not in (tube.__doc__ or "")
