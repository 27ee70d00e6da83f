"""A study's usable rows as arrays: colours, laboratory values, and who belongs together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cardreader.calibrate.condition import SitePairs
from cardreader.calibrate.features import Features
from cardreader.calibrate.papers import estimates_on
from cardreader.hb.calibration import Calibration
from cardreader.hb.estimate import Estimates
from cardreader.hb.measured import Measured


@dataclass(frozen=True, eq=False)
class Pairs:
    """Arrays of a study's usable rows; all (n,) but ``x``, (n, 9 + s).

    ``print_sd`` is what the design alone leaves open of each card, see `Lot.print_sd`.
    """

    x: NDArray[np.float64]
    print_sd: NDArray[np.float64]
    lab_g_dl: NDArray[np.float64]
    lab_sd_g_dl: NDArray[np.float64]
    subject: NDArray[np.str_]
    level: NDArray[np.str_]
    blot: NDArray[np.str_]
    phone: NDArray[np.str_]
    light: NDArray[np.str_]
    lot: NDArray[np.str_]
    operator: NDArray[np.str_]
    method: NDArray[np.str_]
    paper: NDArray[np.str_]

    @classmethod
    def of(cls, features: Features) -> Pairs:
        """The usable rows of a study."""
        rows = features.used

        def text(name: str) -> NDArray[np.str_]:
            return rows[name].astype(str).to_numpy(str)

        visit = _joined(rows, "subject", "visit")
        return cls(
            x=features.x(rows),
            print_sd=rows["print_sd"].to_numpy(float),
            lab_g_dl=rows["lab_g_dl"].to_numpy(float),
            lab_sd_g_dl=rows["lab_sd_g_dl"].to_numpy(float),
            subject=text("subject"),
            level=visit,
            blot=_joined(rows, "subject", "visit", "replicate"),
            phone=text("phone"),
            light=text("light"),
            lot=text("lot"),
            operator=text("operator"),
            method=text("lab_method"),
            paper=text("paper") if "paper" in rows else np.full(len(rows), ""),
        )

    def __len__(self) -> int:
        return len(self.lab_g_dl)

    def take(self, index: NDArray[np.intp]) -> Pairs:
        """The pairs at ``index``."""
        return Pairs(**{name: getattr(self, name)[index] for name in self.__dataclass_fields__})

    def estimates(self, calibration: Calibration) -> Estimates:
        """What the reader makes of them with a calibration, each on its own paper."""
        return estimates_on(Measured.of_rows(self.x), calibration, self.paper, self.print_sd)

    @property
    def at_site(self) -> SitePairs:
        """What conditioning a prior needs."""
        return SitePairs(
            Measured.of_rows(self.x),
            self.lab_g_dl,
            self.lab_sd_g_dl,
            self.level,
            self.blot,
            self.paper,
        )

    @property
    def condition(self) -> NDArray[np.str_]:
        """Phone, light and operator of each pair, joined."""
        parts = zip(self.phone, self.light, self.operator, strict=True)
        return np.array([" | ".join(part) for part in parts])


def _joined(rows: pd.DataFrame, *names: str) -> NDArray[np.str_]:
    if rows.empty:
        return np.array([], dtype=str)
    parts = zip(*(rows[name].astype(str) for name in names), strict=True)
    return np.array(["\x1f".join(part) for part in parts])


def lots_of(pairs: Pairs) -> dict[str, Any]:
    """A calibration's fields on the lots of its pairs, and on those known by their design."""
    return {
        "lots": tuple(sorted(set(pairs.lot.tolist()))),
        "lots_by_design": tuple(sorted(set(pairs.lot[pairs.print_sd > 0].tolist()))),
    }
