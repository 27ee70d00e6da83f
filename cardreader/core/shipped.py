"""Where the data that comes with the program lies: card lots, calibrations, protocols."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parents[1]


def shipped(*parts: str) -> Path:
    """Path of shipped data, e.g. ``shipped("lots")``.

    The data lives once, in ``calibration/`` at the top of a checkout; building
    the wheel puts that folder at ``cardreader/_calibration``. The path is not
    promised to exist below the folder itself. Raises FileNotFoundError when the
    folder is missing, which means a broken installation.
    """
    for root in (_PACKAGE / "_calibration", _PACKAGE.parent / "calibration"):
        if root.is_dir():
            return root.joinpath(*parts)
    raise FileNotFoundError(f"the data of cardreader is missing beside {_PACKAGE}")
