"""Drift watch: confirmatory results that come back are charted against the readings.

Each card lot and each phone has its own charts of the standardised difference
``(reading - confirmatory - centre) / sd``:

EWMA (Roberts 1959) for slow drift and two-sided CUSUM (Page 1954) for steps.
Average run lengths come from the Markov chain of Brook and Evans (Biometrika
1972; 59: 539-549), so that limits are chosen by the false alarms they cost.

Only women who were referred are confirmed, mostly those with low readings, and
a low reading is low partly by its own error: without correction every chart
would drift down by itself. `selected_centre` takes the centre from the
calibration study under the same selection.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.core.normal import normal_cdf

EWMA_WEIGHT = 0.1
EWMA_WIDTH = 2.814
"""Limits in sd of the EWMA: in-control average run length 500 at weight 0.1."""
CUSUM_SLACK = 0.5
CUSUM_LIMIT = 5.0
"""In-control average run length 465, 10.4 after a shift of one sd."""
LEAST_CENTRE = 20
"""Fewer selected study pairs give no centre worth charting against."""


@dataclass(frozen=True)
class Confirmation:
    """A confirmatory result with the reading it belongs to.

    ``sd_g_dl`` is that of the difference: reading and laboratory together.
    """

    on: date
    lot: str
    phone: str
    hb_g_dl: float
    lab_g_dl: float
    sd_g_dl: float


@dataclass(frozen=True, eq=False)
class Ewma:
    """Chart values (n,), half-widths of the limits (n,), and where it first alarms."""

    value: NDArray[np.float64]
    limit: NDArray[np.float64]
    first_alarm: int | None


@dataclass(frozen=True, eq=False)
class Cusum:
    """Upper and lower sums (n,), and where one first exceeds the limit.

    ``since`` is the index at which the alarming sum last left zero: the
    estimate of when the shift began.
    """

    high: NDArray[np.float64]
    low: NDArray[np.float64]
    limit: float
    first_alarm: int | None
    since: int | None


def ewma(z: ArrayLike, weight: float = EWMA_WEIGHT, width: float = EWMA_WIDTH) -> Ewma:
    """EWMA chart of standardised values with its exact, widening limits."""
    values = np.asarray(z, dtype=float)
    if not 0 < weight <= 1 or width <= 0:
        raise ValueError("weight must lie in (0, 1] and width be positive")
    smoothed = np.empty_like(values)
    level = 0.0
    for i, value in enumerate(values):
        level = weight * value + (1 - weight) * level
        smoothed[i] = level
    step = np.arange(1, values.size + 1)
    limit = width * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * step)))
    return Ewma(smoothed, limit, _first(np.abs(smoothed) > limit))


def cusum(z: ArrayLike, slack: float = CUSUM_SLACK, limit: float = CUSUM_LIMIT) -> Cusum:
    """Two-sided tabular CUSUM of standardised values."""
    values = np.asarray(z, dtype=float)
    if slack < 0 or limit <= 0:
        raise ValueError("slack must not be negative and limit be positive")
    high, low = np.zeros_like(values), np.zeros_like(values)
    up = down = 0.0
    for i, value in enumerate(values):
        up, down = max(0.0, up + value - slack), max(0.0, down - value - slack)
        high[i], low[i] = up, down
    alarm = _first(np.maximum(high, low) > limit)
    since = None
    if alarm is not None:
        side = high if high[alarm] > limit else low
        zeros = np.flatnonzero(side[:alarm] == 0)
        since = int(zeros[-1]) + 1 if zeros.size else 0
    return Cusum(high, low, limit, alarm, since)


def _first(flags: NDArray[np.bool_]) -> int | None:
    hits = np.flatnonzero(flags)
    return int(hits[0]) if hits.size else None


def cusum_run_length(
    slack: float = CUSUM_SLACK, limit: float = CUSUM_LIMIT, shift: float = 0.0
) -> float:
    """Average number of results until a two-sided CUSUM alarms; ``shift`` of the mean in sd."""
    up = _one_sided_run_length(slack, limit, shift)
    down = _one_sided_run_length(slack, limit, -shift)
    return 1 / (1 / up + 1 / down)


def _one_sided_run_length(slack: float, limit: float, shift: float, states: int = 401) -> float:
    width = 2 * limit / (2 * states - 1)
    middle = np.arange(states) * width
    move = middle[None, :] - middle[:, None] + slack - shift
    transition = normal_cdf(move + width / 2) - normal_cdf(move - width / 2)
    transition[:, 0] = normal_cdf(width / 2 - middle + slack - shift)
    return float(np.linalg.solve(np.eye(states) - transition, np.ones(states))[0])


def ewma_run_length(
    weight: float = EWMA_WEIGHT, width: float = EWMA_WIDTH, shift: float = 0.0, states: int = 401
) -> float:
    """Average number of results until an EWMA chart (steady limits) alarms."""
    half = width * np.sqrt(weight / (2 - weight))
    cell = 2 * half / states
    middle = -half + cell * (np.arange(states) + 0.5)
    reach = (middle[None, :] - (1 - weight) * middle[:, None]) / weight - shift
    transition = normal_cdf(reach + cell / (2 * weight)) - normal_cdf(reach - cell / (2 * weight))
    lengths = np.linalg.solve(np.eye(states) - transition, np.ones(states))
    return float(lengths[states // 2])


def selected_centre(hb_g_dl: ArrayLike, lab_g_dl: ArrayLike, confirmed_below_g_dl: float) -> float:
    """Mean of reading minus laboratory among study pairs that would have been confirmed.

    Parameters
    ----------
    hb_g_dl, lab_g_dl : (n,) array_like
        Held-out readings of the calibration study and their laboratory values.
    confirmed_below_g_dl : float
        Readings below this are sent for confirmation.

    Raises
    ------
    ValueError
        Fewer than `LEAST_CENTRE` pairs are selected.
    """
    hb, lab = np.asarray(hb_g_dl, dtype=float), np.asarray(lab_g_dl, dtype=float)
    chosen = hb < confirmed_below_g_dl
    if chosen.sum() < LEAST_CENTRE:
        raise ValueError(
            f"only {int(chosen.sum())} study pairs lie below {confirmed_below_g_dl} g/dL; "
            f"{LEAST_CENTRE} are needed"
        )
    return float(np.mean(hb[chosen] - lab[chosen]))


@dataclass(frozen=True, eq=False)
class Chart:
    """Both charts of one lot or phone."""

    part: str
    name: str
    n: int
    days: tuple[date, ...]
    z: NDArray[np.float64]
    mean_difference_g_dl: float
    ewma: Ewma
    cusum: Cusum

    @property
    def alarm(self) -> bool:
        """Whether either chart has raised this lot or phone."""
        return self.ewma.first_alarm is not None or self.cusum.first_alarm is not None

    @property
    def title(self) -> str:
        """Lot or phone with its name, said once."""
        said = self.name.lower().startswith(self.part)
        return self.name if said else f"{self.part} {self.name}"

    @property
    def words(self) -> str:
        """A few plain sentences for the supervisor."""
        if not self.alarm:
            return f"{self.title}: no drift seen in {self.n} confirmed readings."
        at = min(i for i in (self.ewma.first_alarm, self.cusum.first_alarm) if i is not None)
        way = "above" if self.ewma.value[at] > 0 else "below"
        return (
            f"{self.title}: readings have drifted {way} the confirmatory results "
            f"(alarm on {self.days[at].isoformat()}, result {at + 1} of {self.n}; mean difference "
            f"{self.mean_difference_g_dl:+.2f} g/dL). Stop relying on it until it is checked: "
            "read control blots of known value, look at the card for fading or dirt, at the "
            "blotting paper for another batch and at the laboratory's slips for another unit, and "
            "confirm recent readings. Now and then an alarm is false."
        )


def watch(confirmations: list[Confirmation], centre_g_dl: float = 0.0) -> tuple[Chart, ...]:
    """Charts of every lot and every phone, in order of date; alarms first.

    Parameters
    ----------
    centre_g_dl : float
        Expected reading minus confirmatory in control, see `selected_centre`.
    """
    if any(not entry.sd_g_dl > 0 for entry in confirmations):
        raise ValueError("every confirmation needs a positive sd_g_dl")
    ordered = sorted(confirmations, key=lambda entry: entry.on)
    charts = []
    for part in ("lot", "phone"):
        for name in sorted({getattr(entry, part) for entry in ordered}):
            own = [entry for entry in ordered if getattr(entry, part) == name]
            difference = np.array([entry.hb_g_dl - entry.lab_g_dl for entry in own])
            z = (difference - centre_g_dl) / np.array([entry.sd_g_dl for entry in own])
            charts.append(
                Chart(
                    part=part,
                    name=name,
                    n=len(own),
                    days=tuple(entry.on for entry in own),
                    z=z,
                    mean_difference_g_dl=float(difference.mean()),
                    ewma=ewma(z),
                    cusum=cusum(z),
                )
            )
    return tuple(sorted(charts, key=lambda chart: not chart.alarm))
