"""A picture that shows where the trouble lies."""

from __future__ import annotations

import io
import textwrap
from typing import TYPE_CHECKING, Any, Final

import matplotlib as mpl
import numpy as np
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from screening import colours
from screening.checks.words import count
from screening.columns import SEVERITIES

if TYPE_CHECKING:
    from screening.checks.whole import Report

WIDTH_IN: Final = 11.0
HEIGHT_IN: Final = 8.5
DPI: Final = 150
MAX_CODES: Final = 14
"""Findings with places that a legend still holds."""

_FILLS: Final = {"error": colours.WATER_WARNING, "warning": colours.GARDEN, "note": colours.LOT_GOOD}
_MARKS: Final = ("o", "s", "^", "D", "v", "P", "X", "<", ">", "p", "h", "*", "d", "8")


def trouble_picture(report: Report) -> bytes:
    """Draw lots, buildings and the places of the findings.

    Parameters
    ----------
    report : Report
        From `check_city`.

    Returns
    -------
    bytes
        PNG.
    """
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams["font.family"] = "DejaVu Sans"
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        FigureCanvasAgg(figure)
        figure.text(0.03, 0.955, "Where the data need a look", fontsize=15, fontweight="bold", color=colours.INK)
        counts = ", ".join(count(report.count(one), one) for one in SEVERITIES)
        figure.text(0.03, 0.925, counts, fontsize=9, color=colours.QUIET_INK)
        axes = figure.add_axes((0.03, 0.06, 0.64, 0.84))
        axes.set_aspect("equal")
        axes.set_xticks([])
        axes.set_yticks([])
        for shapes, colour, width in (
            (report.lots_m, colours.REFUSED_LINE, 0.4),
            (report.buildings_m, colours.HOUSE, 0.3),
        ):
            if shapes is not None and len(shapes):
                rings = shapely.get_rings(shapely.simplify(shapes, 0.5))
                xy, ring = shapely.get_coordinates(rings, return_index=True)
                lines = np.split(xy, np.flatnonzero(np.diff(ring)) + 1)
                axes.add_collection(LineCollection(lines, colors=colour, linewidths=width))
        axes.autoscale()
        placed = [one for one in report.findings if len(one.places_m)][:MAX_CODES]
        # the gravest last, on top
        for number, one in reversed(list(enumerate(placed))):
            axes.scatter(
                one.places_m[:, 0],
                one.places_m[:, 1],
                s=26,
                marker=_MARKS[number % len(_MARKS)],
                facecolor=_FILLS[one.severity],
                edgecolor=colours.INK,
                linewidth=0.6,
                zorder=10,
            )
        _legend(figure, placed)
        _scale_bar(axes)
        foot = "North is up. Lots and buildings as they were read; nothing was moved. For staff."
        figure.text(0.03, 0.025, foot, fontsize=8)
        out = io.BytesIO()
        figure.savefig(out, format="png", dpi=DPI, metadata={"Software": None}, facecolor=colours.PAPER)
    return out.getvalue()


def _legend(figure: Figure, placed: list[Any]) -> None:
    """Write beside each mark what it stands for."""
    panel = figure.add_axes((0.69, 0.06, 0.29, 0.84))
    panel.set_axis_off()
    panel.set_xlim(0, 1)
    panel.set_ylim(0, 1)
    top = 0.98
    if not placed:
        panel.text(0.0, top, "No finding has a place.", fontsize=9, va="top", color=colours.INK)
    for number, one in enumerate(placed):
        words = textwrap.wrap(one.sentence, 46)
        shown = words[:3]
        if len(words) > len(shown):
            shown[-1] += " ..."
        panel.scatter(
            [0.02],
            [top - 0.012],
            s=34,
            marker=_MARKS[number % len(_MARKS)],
            facecolor=_FILLS[one.severity],
            edgecolor=colours.INK,
            linewidth=0.7,
        )
        panel.text(0.07, top, f"{one.code} ({one.severity})", fontsize=8.5, fontweight="bold", va="top")
        panel.text(0.07, top - 0.023, "\n".join(shown), fontsize=7.5, va="top", color=colours.QUIET_INK)
        top -= 0.036 + 0.0175 * len(shown)


def _scale_bar(axes: Any) -> None:
    """Draw a bar of a round length."""
    west, east = axes.get_xlim()
    south, north = axes.get_ylim()
    if not np.isfinite([west, east]).all() or east - west <= 2.0:
        return
    about = (east - west) / 5.0
    step = 10.0 ** np.floor(np.log10(about))
    length = max(step * k for k in (1.0, 2.0, 5.0) if step * k <= about)
    y = south + 0.025 * (north - south)
    x = west + 0.02 * (east - west)
    axes.plot([x, x + length], [y, y], color=colours.INK, linewidth=2.0, solid_capstyle="butt", zorder=20)
    text = f"{length:,.0f} m" if length < 1000 else f"{length / 1000:,.0f} km"
    axes.text(x + length, y, f" {text}", fontsize=8, va="center", zorder=20)
