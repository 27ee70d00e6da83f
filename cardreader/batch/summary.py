"""The summary page: one HTML file that shows a batch at a glance and needs nothing beside it."""

from __future__ import annotations

from typing import Any

import jinja2

from cardreader.batch import plots
from cardreader.batch.advice import advice_for
from cardreader.batch.contact import tiles, words_of
from cardreader.batch.doubtful import Doubtful
from cardreader.batch.journal import Journal
from cardreader.batch.paper import listed_words, paper_words
from cardreader.batch.sessions import MOST_SHOWN, session_words, what_follows
from cardreader.batch.tally import NOT_STATED, Tally
from cardreader.decide.protocol import Group, Protocol
from cardreader.decide.statements import TEXT, Statement

GROUP_TITLES = {"phone": "By phone", "lot_id": "By card lot", "light": "By light"}


def summary_page(
    numbers: Tally,
    doubtful: Doubtful,
    about: dict[str, Any],
    protocol: Protocol,
    journal: Journal,
) -> str:
    """HTML of the summary, with pictures of what is ``doubtful``; the same gives the same text."""
    limits = sorted({protocol.limit_g_dl(group, None) for group in (Group.SEVERE, Group.ANAEMIC)})
    groups = {
        title: (numbers.groups[key], plots.by_group(numbers.groups[key], limits))
        for key, title in GROUP_TITLES.items()
        if [group.name for group in numbers.groups[key]] != [NOT_STATED]
    }
    unstated = [
        title for key, title in GROUP_TITLES.items() if title not in groups and numbers.photos
    ]
    return _template().render(
        about=about,
        numbers=numbers,
        sessions_off=[
            (session_words(o), what_follows(o)) for o in numbers.sessions_off[:MOST_SHOWN]
        ],
        simulated=TEXT[Statement.SIMULATED_CALIBRATION]
        if about["calibration"]["basis"] != "measured"
        else None,
        paper=(listed_words if about["papers_listed"] else paper_words)(about["paper"]),
        limits=limits,
        distribution=plots.distribution(numbers, limits),
        reasons=plots.reasons(numbers) if numbers.reasons else None,
        groups=groups,
        unstated=unstated,
        tiles=tiles(doubtful.rows(), journal.record),
        referred=[(row["photo"], words_of(row)) for row in doubtful.referred()],
        advice=[(why, count, advice_for(why)) for why, count in numbers.reasons],
    )


def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("cardreader.batch", "."),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("summary.html")
