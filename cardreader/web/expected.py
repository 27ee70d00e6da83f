"""How wide intervals came out by number of pairs, for a place that has not fitted anything yet.

Once a calibration is fitted its own width is worked out from its own pairs; before, the
simulated sites of docs/sites.md are all there is to go by.
"""

from __future__ import annotations

WIDTH_G_DL: dict[int, tuple[float, float, float]] = {
    5: (2.9, 3.2, 3.8),
    10: (2.5, 2.8, 3.2),
    20: (2.2, 2.5, 2.8),
    40: (2.1, 2.2, 2.5),
    80: (2.0, 2.1, 2.4),
}
"""Pairs -> mean width of the 90 % interval, g/dL, where the print was measured, where photos of
the cards found its colours and where only its design is known; phones and lamps as in the study
(docs/sites.md)."""
SITES = 10
"""Simulated sites behind them."""
