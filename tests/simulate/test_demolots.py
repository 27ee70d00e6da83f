"""The shipped lots are what the simulator printed, and say so."""

from datetime import date

import numpy as np

from cardreader.card.lots import Lots
from cardreader.core.shipped import shipped
from cardreader.simulate import demolots


def test_shipped_files_are_made_again_alike(tmp_path):
    demolots.write_shipped_lots(tmp_path)
    shipped_lots = Lots.load(shipped("lots"))
    for number, lot in Lots.load(tmp_path).items():
        assert shipped_lots[number].expires == lot.expires
        np.testing.assert_allclose(shipped_lots[number].lab, lot.lab, atol=2e-4)


def test_a_lot_goes_by_its_number_before_its_colours_are_worked_out():
    for demo in (*demolots.SHIPPED, demolots.UNKNOWN):
        assert demo.lot_id == demo.lot().lot_id


def test_demonstration_lots_say_that_they_are_synthetic():
    lots = Lots.load(shipped("lots"))
    for demo in demolots.SHIPPED:
        assert "synthetic" in lots[demo.number].note


def test_one_shipped_lot_is_expired_and_one_number_is_known_to_nobody():
    lots = Lots.load(shipped("lots"))
    assert lots[demolots.EXPIRED.number].is_expired(date(2026, 1, 1))
    assert not lots[demolots.IN_DATE.number].is_expired(date(2030, 1, 1))
    assert demolots.UNKNOWN.number not in lots
