"""What photos are read with, and the one way to load it from what is named or shipped."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from cardreader.card.lots import Lots
from cardreader.core.shipped import shipped
from cardreader.decide.protocol import Protocol
from cardreader.decide.protocolfile import DEFAULT, load_protocol
from cardreader.hb.calibration import Calibration
from cardreader.hb.container import load_calibration


@dataclass(frozen=True)
class Reader:
    """What a photo is read with: known lots, calibration, protocol and the day.

    ``paper`` is the batch of the blotting paper; empty where it is not said.

    Raises CalibrationError for a calibration of another measuring chain.
    """

    lots: Lots
    calibration: Calibration
    protocol: Protocol
    today: date
    paper: str = ""

    def __post_init__(self) -> None:
        self.calibration.must_be_of_this_chain()


def load_reader(
    lots: Path | str | None = None,
    calibration: Path | str | None = None,
    protocol: Path | str | None = None,
    today: date | None = None,
    paper: str = "",
) -> Reader:
    """What photos are read with.

    Parameters
    ----------
    lots : folder of card lots; the shipped ones when None.
    calibration : file or folder; the shipped one when None.
    protocol : shipped id or the path of a TOML file; common practice when None.
    today : day to check the card's expiry against; today when None.
    paper : batch of the blotting paper; empty where it is not said.

    Raises
    ------
    ValueError, OSError
        For data that can't be used, with the reason in one line.
    """
    return Reader(
        lots=load_lots(lots),
        calibration=calibration_at(calibration),
        protocol=load_protocol(protocol or DEFAULT),
        today=today or date.today(),
        paper=paper,
    )


def load_lots(folder: Path | str | None = None) -> Lots:
    """The card lots of a folder, or the shipped ones. Errors as `Lots.load`."""
    return Lots.load(folder or shipped("lots"))


def calibration_at(path: Path | str | None = None) -> Calibration:
    """The calibration of a file or folder, or the shipped one. Errors as `load_calibration`."""
    return load_calibration(Path(path or shipped("default")))
