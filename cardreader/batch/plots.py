"""Plots of a summary as SVG text: the same numbers give the same bytes.

Colours are those of Okabe and Ito (2008), told apart without colour vision too.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from cardreader.batch.tally import Group, Tally

GREY = "#5b6672"
BLUE = "#0072B2"
OUTCOMES = {
    "severe": ("severe", "#D55E00"),
    "anaemic": ("anaemic", "#E69F00"),
    "uncertain": ("uncertain", "#999999"),
    "not_anaemic": ("not anaemic", BLUE),
}
BIN_G_DL = 0.5
_STYLE: dict[Any, Any] = {
    "svg.hashsalt": "cardreader",
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": GREY,
}


def distribution(tally: Tally, limits_g_dl: Sequence[float]) -> str:
    """Haemoglobin of the readings, by what the protocol makes of them."""
    with matplotlib.rc_context(_STYLE):
        figure, ax = _figure(3.0)
        names = [name for name in OUTCOMES if name in tally.hb_g_dl]
        values = [list(tally.hb_g_dl[name]) for name in names]
        low = np.floor(min((6.0, *(min(some) for some in values))))
        high = np.ceil(max((14.0, *(max(some) for some in values))))
        ax.set_xlim(low, high)
        if names:
            ax.hist(
                values,
                weights=[list(tally.hb_g_dl[name].values()) for name in names],
                bins=np.arange(low, high + BIN_G_DL, BIN_G_DL).tolist(),
                stacked=True,
                color=[OUTCOMES[name][1] for name in names],
                label=[OUTCOMES[name][0] for name in names],
                edgecolor="white",
                linewidth=0.4,
            )
            ax.legend(frameon=False, fontsize=8)
        else:
            middle = (low + high) / 2
            ax.text(middle, 0.5, "no photo was read", ha="center", color=GREY)
            ax.set_ylim(0, 1)
        for limit in limits_g_dl:
            ax.axvline(limit, color="#1d2733", linewidth=0.8, linestyle=(0, (4, 3)))
        ax.set_xlabel("haemoglobin, g/dL")
        ax.set_ylabel("photos")
        ax.yaxis.set_major_locator(MaxNLocator(integer=True))
        return _svg(figure)


def reasons(tally: Tally) -> str:
    """How often each reason stood in the way of a reading."""
    with matplotlib.rc_context(_STYLE):
        figure, ax = _figure(0.5 + 0.26 * len(tally.reasons))
        names = [name.replace("_", " ") for name, _ in tally.reasons]
        counts = [count for _, count in tally.reasons]
        bars = ax.barh(names, counts, color=BLUE, height=0.7)
        ax.bar_label(bars, padding=3, fontsize=8)
        ax.invert_yaxis()
        ax.set_xlabel("photos")
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
        return _svg(figure)


def by_group(groups: Sequence[Group], limits_g_dl: Sequence[float]) -> str:
    """Haemoglobin (10 % to 90 %, median) and share not read, one line a group."""
    with matplotlib.rc_context(_STYLE):
        figure = Figure(figsize=(7.2, 0.8 + 0.28 * len(groups)), layout="constrained")
        left, right = figure.subplots(1, 2, sharey=True, width_ratios=(3, 1))
        at = np.arange(len(groups))
        for y, group in zip(at, groups, strict=True):
            if group.median is not None:
                left.plot([group.p10, group.p90], [y, y], color=BLUE, linewidth=3, alpha=0.5)
                left.plot(group.median, y, "o", color=BLUE, markersize=5)
        for limit in limits_g_dl:
            left.axvline(limit, color="#1d2733", linewidth=0.8, linestyle=(0, (4, 3)))
        left.set_yticks(at, [f"{_short(group.name)} ({group.photos})" for group in groups])
        left.invert_yaxis()
        left.set_xlabel("haemoglobin, g/dL")
        right.barh(at, [100 * group.refused_share for group in groups], color=GREY, height=0.6)
        right.set_xlim(0, 100)
        right.set_xlabel("not read, %")
        return _svg(figure)


def _figure(height_in: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(7.2, height_in), layout="constrained")
    return figure, figure.subplots()


def _short(name: str) -> str:
    # A dollar sign would start a formula.
    name = name.replace("$", r"\$")
    return name if len(name) <= 32 else f"{name[:31]}\N{HORIZONTAL ELLIPSIS}"


def _svg(figure: Figure) -> str:
    # The parts are put in place once: drawing does it twice.
    if (engine := figure.get_layout_engine()) is not None:
        engine.execute(figure)
        figure.set_layout_engine("none")
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    return text[text.index("<svg") :]
