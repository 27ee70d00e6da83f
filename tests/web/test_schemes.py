"""Every scheme's colours by the contrast ratio of WCAG 2.1 (W3C), worked out from the sheet."""

from __future__ import annotations

import re

import pytest

from cardreader.web.app import STATIC

SCHEMES = [
    dict(re.findall(r"--([\w-]+):\s*#(\w+)", block))
    for block in re.findall(
        r"\{([^{}]*--paper[^{}]*)\}", (STATIC / "schemes.css").read_text(encoding="utf-8")
    )
]


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.1 defines it, of three or six hexadecimal digits."""
    digits = "".join(2 * d for d in colour) if len(colour) == 3 else colour
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_formula() -> None:
    """Black on white is 21 by the definition; #767676 on white just passes 4.5 (W3C's examples)."""
    assert contrast("000", "fff") == pytest.approx(21)
    assert contrast("777777", "fff") < 4.5 < contrast("767676", "fff")


@pytest.mark.parametrize("scheme", SCHEMES)
def test_text_and_edges_can_be_seen(scheme: dict[str, str]) -> None:
    for text in ("ink", "soft", "deep", "severe", "anaemic", "uncertain", "clear"):
        for ground in ("paper", "sheet", "field"):
            assert contrast(scheme[text], scheme[ground]) >= 4.5, (text, ground)
    assert contrast(scheme["on-fill"], scheme["fill"]) >= 4.5
    assert contrast(scheme["on-fill"], scheme["fill-pressed"]) >= 4.5
    assert contrast(scheme["deep"], scheme["chosen"]) >= 4.5
    assert contrast("fff", scheme["top"]) >= 4.5
    for edge in ("line", "fill-edge", "focus"):
        assert contrast(scheme[edge], scheme["sheet"]) >= 3, edge


def test_what_is_chosen_looks_as_what_the_phone_asks_for() -> None:
    assert len(SCHEMES) == 6
    assert SCHEMES[1] == SCHEMES[2]
    assert SCHEMES[3] == SCHEMES[4]


def test_a_scheme_is_chosen_and_kept(worker) -> None:
    assert "data-scheme" not in worker.get("/more").text.split(">")[1]
    for chosen in ("dark", "strong", "light"):
        worker.client.post("/scheme", data={"scheme": chosen})
        assert f'data-scheme="{chosen}"' in worker.get("/").text
    worker.client.post("/scheme", data={"scheme": "no such"})
    assert 'data-scheme="light"' in worker.get("/").text
    worker.client.post("/scheme", data={"scheme": ""})
    assert "data-scheme=" not in worker.get("/").text
