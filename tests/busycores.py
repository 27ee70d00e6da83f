"""A run keeps every core busy until its end.

The longest files go first, those with most tests after them; else a run ends on one long file
while the other cores stand idle.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

LONGEST = (
    # These have slow tests.
    *("web/test_browser", "web/test_look", "web/test_rooms", "web/test_site_calibration"),
    *("web/test_meeting", "web/test_slow_link", "docs/test_command_blocks"),
    "hb/test_default_calibration",
    *("register/test_register_hand_over", "web/test_nobody_falls_out", "read/test_spoiled_marker"),
    *("register/test_register_meet", "hard/test_fuzz_smoke", "calibrate/test_site"),
    *("calibrate/test_study_command", "calibrate/test_validation_report", "batch/test_batch_run"),
    *("calibrate/test_other_paper", "calibrate/test_fit", "card/test_printed_card"),
    *("card/test_artwork", "terminal/test_cli", "read/test_lostchannel"),
)
"""Files that take the longest, or of which few tests take long; order among them is no matter."""

_TESTS = Path(__file__).parent


@pytest.hookimpl(trylast=True)
def pytest_configure(config: pytest.Config) -> None:
    """The order of the files is ours, not by their numbers of tests alone."""
    config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Whole files change places, their tests stay as they were."""
    tests = Counter(item.path for item in items)
    first = [_TESTS / f"{name}.py" for name in LONGEST]

    def rank(item: pytest.Item) -> tuple[int, int, Path]:
        place = first.index(item.path) if item.path in first else len(first)
        return place, -tests[item.path], item.path

    items.sort(key=rank)
