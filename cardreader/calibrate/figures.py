"""Figures of a validation report: matplotlib, one function a figure, no global state.

Colours are those of Okabe and Ito (2008), told apart without colour vision too,
and every group has its own marker.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import ArrayLike, NDArray

from cardreader.calibrate.agreement import Agreement
from cardreader.calibrate.breakdown import UnseenRow
from cardreader.calibrate.choosing import Score
from cardreader.calibrate.coverage import CoverageRow
from cardreader.calibrate.diagnostic import Roc
from cardreader.calibrate.drift import Chart
from cardreader.calibrate.regression import Line
from cardreader.hb.calibration import Calibration

COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00", "#000000")
MARKERS = ("o", "s", "^", "D", "v", "P", "X")
GREY = "#5b6672"
WIDE = (7.2, 3.6)


def _axes(size: tuple[float, float], columns: int = 1) -> tuple[Figure, list[Axes]]:
    figure = Figure(figsize=size, layout="constrained")
    axes = figure.subplots(1, columns, squeeze=False)[0]
    for one in axes:
        one.spines[["top", "right"]].set_visible(False)
        one.spines[["left", "bottom"]].set_color(GREY)
        one.tick_params(colors=GREY, labelsize=8)
        one.xaxis.label.set_size(9)
        one.yaxis.label.set_size(9)
    return figure, list(axes)


def _by_group(ax: Axes, x: NDArray, y: NDArray, group: ArrayLike, title: str) -> None:
    names = np.asarray(group).astype(str)
    for index, name in enumerate(np.unique(names)):
        own = names == name
        ax.plot(
            x[own],
            y[own],
            MARKERS[(index + index // len(COLOURS)) % len(MARKERS)],
            color=COLOURS[index % len(COLOURS)],
            markersize=3.6,
            alpha=0.65,
            markeredgewidth=0,
            label=str(name),
        )
    ax.legend(title=title, fontsize=7, title_fontsize=7, frameon=False, loc="best")


def bland_altman_figure(
    reading: NDArray, lab: NDArray, phone: ArrayLike, found: Agreement
) -> Figure:
    """Difference against mean, with bias, limits and their intervals."""
    figure, (ax,) = _axes(WIDE)
    _by_group(ax, (reading + lab) / 2, reading - lab, phone, "phone")
    lines = (
        (found.bias, found.bias_ci, "bias", "-"),
        (found.lower, found.lower_ci, "lower limit", "--"),
        (found.upper, found.upper_ci, "upper limit", "--"),
    )
    for value, (low, high), name, style in lines:
        ax.axhspan(low, high, color=GREY, alpha=0.15, linewidth=0)
        ax.axhline(value, color=GREY, linestyle=style, linewidth=1)
        ax.annotate(
            f"{name} {value:+.2f}",
            (1, value),
            xycoords=("axes fraction", "data"),
            xytext=(-3, 2),
            textcoords="offset points",
            ha="right",
            fontsize=7.5,
            color="#1d2733",
        )
    ax.set(xlabel="mean of reading and laboratory, g/dL", ylabel="reading - laboratory, g/dL")
    return figure


def comparison_figure(
    reading: NDArray, lab: NDArray, light: ArrayLike, lines: Sequence[Line]
) -> Figure:
    """Reading against laboratory, with identity and both fitted lines."""
    figure, (ax,) = _axes((7.2, 5.0))
    _by_group(ax, lab, reading, light, "light")
    ends = np.array([min(lab.min(), reading.min()) - 0.3, max(lab.max(), reading.max()) + 0.3])
    ax.plot(ends, ends, color="black", linewidth=0.8, label="identity")
    for line, style, colour in zip(lines, ("-", "--"), (COLOURS[1], COLOURS[0]), strict=False):
        words = f"{line.method}: {line.intercept:+.2f} + {line.slope:.3f} x"
        ax.plot(ends, line.at(ends), style, color=colour, linewidth=1.4, label=words)
    for cut in (7.0, 11.0):
        ax.axvline(cut, color=GREY, linewidth=0.6, linestyle=":")
        ax.axhline(cut, color=GREY, linewidth=0.6, linestyle=":")
    ax.legend(fontsize=7.5, frameon=False, loc="upper left")
    ax.set(xlabel="laboratory haemoglobin, g/dL", ylabel="reading, g/dL", xlim=ends, ylim=ends)
    ax.set_aspect("equal")
    return figure


def residual_figure(
    reading: NDArray, low: NDArray, high: NDArray, lab: NDArray, covered: NDArray
) -> Figure:
    """Residual against laboratory value with each reading's interval."""
    figure, (ax,) = _axes(WIDE)
    for hold, colour, marker, name in (
        (True, COLOURS[0], "o", "interval holds the laboratory value"),
        (False, COLOURS[1], "s", "interval misses it"),
    ):
        own = covered == hold
        ax.errorbar(
            lab[own],
            reading[own] - lab[own],
            yerr=np.maximum([(reading - low)[own], (high - reading)[own]], 0),
            fmt=marker,
            color=colour,
            markersize=3.2,
            elinewidth=0.7,
            alpha=0.75,
            label=name,
        )
    ax.axhline(0, color="black", linewidth=0.8)
    ax.legend(fontsize=7.5, frameon=False)
    ax.set(xlabel="laboratory haemoglobin, g/dL", ylabel="reading - laboratory, g/dL")
    return figure


def roc_figure(rocs: Sequence[Roc]) -> Figure:
    """Receiver operating characteristics."""
    figure, (ax,) = _axes((4.6, 4.2))
    ax.plot([0, 1], [0, 1], color=GREY, linewidth=0.8, linestyle=":")
    for found, colour, style in zip(rocs, COLOURS, ("-", "--", ":"), strict=False):
        low, high = found.area_ci
        words = (
            f"below {found.threshold_g_dl:g} g/dL: area {found.area:.3f} ({low:.3f} to {high:.3f})"
        )
        ax.step(
            found.false_positive,
            found.true_positive,
            style,
            where="post",
            color=colour,
            linewidth=1.5,
            label=words,
        )
    ax.legend(fontsize=7.5, frameon=False, loc="lower right")
    ax.set(xlabel="1 - specificity", ylabel="sensitivity", xlim=(-0.01, 1), ylim=(0, 1.01))
    ax.set_aspect("equal")
    return figure


def coverage_figure(
    rows: Sequence[CoverageRow], unseen: Sequence[UnseenRow], nominal: float
) -> Figure:
    """Coverage with intervals: parts of the study, and parts left out of the fit."""
    lines = [
        ("all women" if row.part == "all" else f"{row.part}: {row.value}", row.coverage, False)
        for row in rows
    ]
    lines += [(f"{row.part}: {row.value}, left out", row.coverage, True) for row in unseen]
    figure, (ax,) = _axes((7.2, 0.8 + 0.24 * len(lines)))
    for at, (_, found, was_out) in enumerate(lines):
        if found.value is None or found.ci is None:
            continue
        colour = COLOURS[1] if was_out else COLOURS[0]
        ax.plot(found.ci, [at, at], color=colour, linewidth=1.4)
        ax.plot(found.value, at, "s" if was_out else "o", color=colour, markersize=4.5)
        ax.annotate(
            f"{found.count}/{found.total}",
            (1.005, at),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=7,
            color=GREY,
        )
    ax.axvline(nominal, color="black", linewidth=0.8, linestyle="--")
    ax.set_yticks(range(len(lines)), [name for name, _, _ in lines], fontsize=7.5)
    ax.invert_yaxis()
    ax.set(xlabel="share of intervals that hold the laboratory value")
    return figure


def model_figure(scores: Sequence[Score]) -> Figure:
    """Cross-validated error of every candidate, by what was left out."""
    figure, (ax,) = _axes((7.2, 0.8 + 0.36 * len(scores)))
    groupings = list(scores[0].by_grouping)
    for index, grouping in enumerate(groupings):
        ax.plot(
            [score.by_grouping[grouping] for score in scores],
            range(len(scores)),
            MARKERS[index],
            color=COLOURS[index],
            markersize=5,
            label=f"{grouping} left out",
        )
    names = [score.model for score in scores]
    ax.set_yticks(range(len(names)), names, fontsize=8)
    ax.invert_yaxis()
    ax.grid(axis="y", color="#e3e7eb", linewidth=0.6)
    ax.set_axisbelow(True)
    ax.legend(fontsize=7.5, frameon=False)
    ax.set(xlabel="root mean square error, g/dL")
    return figure


def locus_figure(lab: NDArray, log_ratio: NDArray, calibration: Calibration) -> Figure:
    """Blots in log-ratio space and the fitted locus, one panel a component."""
    figure, axes = _axes((7.2, 2.8), columns=3)
    low, high = calibration.domain_g_dl
    grid = calibration.grid_g_dl
    inside = (grid >= low - 0.5) & (grid <= high + 0.5)
    for ax, component, name in zip(axes, range(3), "XYZ", strict=True):
        ax.plot(lab, log_ratio[:, component], "o", color=COLOURS[0], markersize=2.4, alpha=0.4)
        ax.plot(
            grid[inside], calibration.grid_locus[inside, component], color=COLOURS[1], linewidth=1.6
        )
        ax.set(xlabel="laboratory haemoglobin, g/dL", ylabel=f"ln {name} blot / paper")
    return figure


def drift_figure(chart: Chart) -> Figure:
    """EWMA and CUSUM of one lot or phone."""
    figure, (left, right) = _axes((7.2, 2.9), columns=2)
    step = np.arange(1, chart.n + 1)
    left.plot(step, chart.z, ".", color=GREY, markersize=3, label="single results")
    left.plot(step, chart.ewma.value, color=COLOURS[0], linewidth=1.5, label="EWMA")
    for sign in (-1, 1):
        left.plot(step, sign * chart.ewma.limit, "--", color=COLOURS[1], linewidth=1)
    left.set(xlabel="confirmed result", ylabel="standardised difference")
    left.legend(fontsize=7, frameon=False)
    right.plot(step, chart.cusum.high, color=COLOURS[0], linewidth=1.5, label="upward")
    right.plot(step, chart.cusum.low, "--", color=COLOURS[2], linewidth=1.5, label="downward")
    right.axhline(chart.cusum.limit, color=COLOURS[1], linestyle="--", linewidth=1)
    right.set(xlabel="confirmed result", ylabel="CUSUM")
    right.legend(fontsize=7, frameon=False)
    for ax, at in ((left, chart.ewma.first_alarm), (right, chart.cusum.first_alarm)):
        if at is not None:
            ax.axvline(at + 1, color=COLOURS[1], linewidth=1)
    return figure
