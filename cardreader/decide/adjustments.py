"""How much of the measured haemoglobin is owed to thin air and to smoke.

Both raise haemoglobin without any more oxygen reaching the tissues, so the
adjustment is taken off the measured value before it is compared with a limit.
Figures come from the protocol file, which names their source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from cardreader.core.units import G_L_PER_G_DL
from cardreader.decide.subject import Smoking


@dataclass(frozen=True)
class ElevationRule:
    """Adjustment for the elevation of residence.

    Either a polynomial without constant term, ``linear * E + quadratic * E**2``
    in g/L with E in metres, or a table of steps ``(from_m, g_l)``; the table
    holds when it is given and ``use_table`` is set.
    """

    linear_g_l_per_m: float = 0.0
    quadratic_g_l_per_m2: float = 0.0
    table: tuple[tuple[float, float], ...] = ()
    use_table: bool = False

    def adjustment_g_dl(self, elevation_m: float) -> float:
        """Amount to take off the measured haemoglobin, g/dL; 0 at or below the sea."""
        if elevation_m <= 0:
            return 0.0
        if self.use_table:
            steps = [g_l for from_m, g_l in self.table if from_m <= elevation_m]
            return steps[-1] / G_L_PER_G_DL if steps else 0.0
        g_l = self.linear_g_l_per_m * elevation_m + self.quadratic_g_l_per_m2 * elevation_m**2
        return g_l / G_L_PER_G_DL


@dataclass(frozen=True)
class SmokingRule:
    """Adjustment for cigarettes a day, in g/L for every way of smoking."""

    g_l: Mapping[Smoking, float]

    def adjustment_g_dl(self, smoking: Smoking) -> float:
        """Amount to take off the measured haemoglobin, g/dL."""
        return self.g_l[smoking] / G_L_PER_G_DL
