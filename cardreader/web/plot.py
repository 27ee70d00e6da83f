"""Where things stand in the two drawings, the shade scale and the history; in SVG units.

The templates only draw what is worked out here.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from cardreader.decide.protocol import Group, Protocol
from cardreader.decide.subject import trimester_of
from cardreader.register.history import Measurement
from cardreader.web.reader import Shade

SCALE_WIDTH = 320.0
SCALE_MARGIN = 10.0
LOWEST_G_DL = 2.0
HIGHEST_G_DL = 18.0


@dataclass(frozen=True)
class Tick:
    """A mark with its value: ``at`` along the axis, ``hb_g_dl`` as label."""

    at: float
    hb_g_dl: float


@dataclass(frozen=True)
class Block:
    """One shade of the scale."""

    x: float
    width: float
    colour: str


@dataclass(frozen=True)
class ScaleView:
    """The shade scale with the reading and its interval on it.

    Values beyond the scale are drawn at its end.
    """

    width: float
    blocks: tuple[Block, ...]
    limits: tuple[Tick, ...]
    value_x: float
    low_x: float
    high_x: float
    interval_width: float


def shade_scale(
    shades: Sequence[Shade],
    hb_g_dl: float,
    low_g_dl: float,
    high_g_dl: float,
    limits_g_dl: Sequence[float],
) -> ScaleView:
    """The scale for one result; ``shades`` lowest first."""
    low_x, high_x = _scale_x(low_g_dl), _scale_x(high_g_dl)
    return ScaleView(
        width=SCALE_WIDTH,
        blocks=_blocks(shades),
        limits=tuple(Tick(_scale_x(limit), limit) for limit in limits_g_dl),
        value_x=_scale_x(hb_g_dl),
        low_x=low_x,
        high_x=high_x,
        interval_width=max(high_x - low_x, 1.0),
    )


def limits_of(protocol: Protocol, gestation_weeks: int | None) -> tuple[float, float]:
    """The severe and the anaemia limit of a protocol, g/dL."""
    trimester = None if gestation_weeks is None else trimester_of(gestation_weeks)
    return (
        protocol.limit_g_dl(Group.SEVERE, trimester),
        protocol.limit_g_dl(Group.ANAEMIC, trimester),
    )


def _scale_x(hb_g_dl: float) -> float:
    share = (hb_g_dl - LOWEST_G_DL) / (HIGHEST_G_DL - LOWEST_G_DL)
    return SCALE_MARGIN + min(max(share, 0.0), 1.0) * (SCALE_WIDTH - 2 * SCALE_MARGIN)


def _blocks(shades: Sequence[Shade]) -> tuple[Block, ...]:
    if not shades:
        return ()
    middles = [(a.hb_g_dl + b.hb_g_dl) / 2 for a, b in pairwise(shades)]
    edges = [_scale_x(v) for v in (LOWEST_G_DL, *middles, HIGHEST_G_DL)]
    return tuple(
        Block(left, right - left, shade.colour)
        for (left, right), shade in zip(pairwise(edges), shades, strict=True)
    )


PLOT_WIDTH = 340.0
PLOT_HEIGHT = 220.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 26.0, 34.0, 12.0, 30.0


@dataclass(frozen=True)
class PlotPoint:
    """One measurement in the plot; ``top`` and ``bottom`` end its interval."""

    x: float
    y: float
    top: float
    bottom: float
    source: str


@dataclass(frozen=True)
class DateTick:
    """A date on the time axis."""

    x: float
    on: dt.date
    anchor: str


@dataclass(frozen=True)
class PlotView:
    """Haemoglobin over time, in SVG units."""

    width: float
    height: float
    left: float
    right: float
    bottom: float
    points: tuple[PlotPoint, ...]
    path: str
    grid: tuple[Tick, ...]
    limits: tuple[Tick, ...]
    dates: tuple[DateTick, ...]


def history_plot(
    points: Sequence[Measurement], protocol: Protocol, gestation_weeks: int | None
) -> PlotView | None:
    """The plot of a woman's measurements, or None when there are none."""
    if not points:
        return None
    first, last = points[0].at, points[-1].at
    span = max((last - first).total_seconds(), 1.0)
    inner = PLOT_WIDTH - _LEFT - _RIGHT - 16

    def x_of(at: dt.datetime) -> float:
        if first == last:
            return _LEFT + 8 + inner / 2
        return _LEFT + 8 + inner * (at - first).total_seconds() / span

    drawn = tuple(
        PlotPoint(
            x=x_of(p.at),
            y=_y(p.hb_g_dl),
            top=_y(p.hb_g_dl if p.high_g_dl is None else p.high_g_dl),
            bottom=_y(p.hb_g_dl if p.low_g_dl is None else p.low_g_dl),
            source=p.source.value,
        )
        for p in points
    )
    return PlotView(
        width=PLOT_WIDTH,
        height=PLOT_HEIGHT,
        left=_LEFT,
        right=PLOT_WIDTH - _RIGHT,
        bottom=PLOT_HEIGHT - _BOTTOM,
        points=drawn,
        path="M" + " L".join(f"{p.x:.1f} {p.y:.1f}" for p in drawn),
        grid=tuple(Tick(_y(v), v) for v in (4.0, 8.0, 12.0, 16.0)),
        limits=tuple(Tick(_y(v), v) for v in limits_of(protocol, gestation_weeks)),
        dates=_dates(points, x_of(first), x_of(last)),
    )


def _dates(points: Sequence[Measurement], x_first: float, x_last: float) -> tuple[DateTick, ...]:
    first, last = points[0].day, points[-1].day
    if first == last:
        # In the middle, whichever end the points of that day lie at.
        return (DateTick((x_first + x_last) / 2, first, "middle"),)
    return (DateTick(x_first, first, "start"), DateTick(x_last, last, "end"))


def _y(hb_g_dl: float) -> float:
    share = (min(max(hb_g_dl, LOWEST_G_DL), HIGHEST_G_DL) - LOWEST_G_DL) / (
        HIGHEST_G_DL - LOWEST_G_DL
    )
    return _TOP + (1 - share) * (PLOT_HEIGHT - _TOP - _BOTTOM)
