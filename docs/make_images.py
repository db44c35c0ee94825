"""Draw the pictures of the documentation from what the demo writes.

``python docs/make_images.py`` runs the demo in a temporary folder and writes docs/images: ``demo.png``, a part of the
sample town with the outcome of every lot, ``home.png``, the picture that ``screening explain`` makes of the best
home, and ``check.png``, the picture that ``screening check`` makes of the sample town's odd records. Run it after a
change of the results or of the drawing.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import matplotlib as mpl
import numpy as np
from click.testing import CliRunner
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from PIL import Image

from screening import colours
from screening.cli.demo import RESULT
from screening.cli.main import main

if TYPE_CHECKING:
    from matplotlib.axes import Axes

IMAGES: Final = Path(__file__).resolve().parent / "images"
LAYERS: Final = ("candidate_homes", "other_parcels", "buildings", "gardens", "inlet_runs", "overflow_paths")
WIDTH_M, HEIGHT_M = 240.0, 150.0
STEP_M: Final = 10.0
MARGIN_M: Final = 12.0
N_BEST: Final = 10
LOT_OPACITY: Final = 0.6  # the water has to show on the darkest lots
DPI: Final = 110


def best_view(homes: gpd.GeoDataFrame) -> tuple[float, float, float, float]:
    """Box of the picture's size with most of the best homes in it, then most volume; the first of equals."""
    inside = homes.geometry.representative_point()
    x, y = inside.x.to_numpy(), inside.y.to_numpy()
    volume = homes["diverted_m3_y"].to_numpy(dtype=float)
    is_best = homes["rank"].to_numpy(dtype=int) <= N_BEST
    west, south, east, north = homes.total_bounds
    most, view = (-1.0, -1.0), (west, south)
    for x0 in np.arange(west, east - WIDTH_M + STEP_M, STEP_M):
        for y0 in np.arange(south, north - HEIGHT_M + STEP_M, STEP_M):
            clear = (x >= x0 + MARGIN_M) & (x < x0 + WIDTH_M - MARGIN_M)
            clear &= (y >= y0 + MARGIN_M) & (y < y0 + HEIGHT_M - MARGIN_M)
            value = (float((clear & is_best).sum()), float(volume[clear].sum()))
            if value > most:
                most, view = value, (float(x0), float(y0))
    return (*view, view[0] + WIDTH_M, view[1] + HEIGHT_M)


def draw_town(result: Path, target: Path) -> None:
    """Draw a part of the town: lots by outcome, buildings, gardens, the water's ways, the best homes."""
    whole = gpd.read_file(result, layer="candidate_homes")
    box = best_view(whole)
    layers = {name: gpd.read_file(result, layer=name, bbox=box) for name in LAYERS}
    homes = layers["candidate_homes"]
    n = len(whole)
    # the same three classes as the map style inside the GeoPackage
    outcomes = (
        ("candidate, first tenth", homes[homes["rank"] <= n / 10], colours.LOT_BEST),
        ("candidate, first half", homes[(homes["rank"] > n / 10) & (homes["rank"] <= n / 2)], colours.LOT_GOOD),
        ("candidate, second half", homes[homes["rank"] > n / 2], colours.LOT_OTHER),
        ("no candidate", layers["other_parcels"], colours.REFUSED_LOT),
    )
    figure = Figure(figsize=(11.0, 11.0 * HEIGHT_M / WIDTH_M + 0.55), dpi=DPI, facecolor=colours.PAPER)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.005, 0.06, 0.99, 0.935))
    for _, lots, colour in outcomes:
        fill(axes, lots, mpl.colors.to_rgba(colour, LOT_OPACITY), colours.LOT_LINE, 0.7)
    fill(axes, layers["buildings"], colours.HOUSE, colours.BUILDING_LINE, 0.4)
    fill(axes, layers["gardens"], colours.GARDEN, colours.GARDEN_LINE, 0.7, above=3)
    lines(axes, layers["inlet_runs"], colours.WATER, 1.0, "-")
    is_warning = layers["overflow_paths"]["end_code"].isin(colours.WARNING_ENDS)
    lines(axes, layers["overflow_paths"][~is_warning], colours.WATER, 1.2, (0, (3, 1.5)))
    lines(axes, layers["overflow_paths"][is_warning], colours.WATER_WARNING, 1.2, (0, (1.2, 1.2)))
    houses = layers["buildings"]
    houses = houses[houses["role_code"] == "principal"].set_index("home_id").geometry.representative_point()
    for row in homes[(homes["rank"] <= N_BEST) & homes["home_id"].isin(houses.index)].itertuples():
        place = houses[row.home_id]
        axes.annotate(
            f"{row.rank}",
            (place.x, place.y),
            ha="center",
            va="center",
            fontsize=10,
            fontweight="bold",
            color=colours.INK,
            bbox={"boxstyle": "circle,pad=0.25", "facecolor": colours.PAPER, "edgecolor": colours.INK},
            zorder=9,
        )
    scale_bar(axes, box)
    axes.set_xlim(box[0], box[2])
    axes.set_ylim(box[1], box[3])
    axes.set_aspect("equal")
    axes.set_xlabel("")
    axes.set_ylabel("")
    axes.set_xticks([])
    axes.set_yticks([])
    legend(figure, outcomes)
    figure.savefig(target, dpi=DPI, metadata={"Software": None})


def fill(axes: Axes, frame: gpd.GeoDataFrame, colour: Any, line: str, width: float, above: float = 1) -> None:
    """Draw polygons."""
    frame = frame[~(frame.geometry.isna() | frame.geometry.is_empty)]
    if len(frame):
        frame.plot(ax=axes, facecolor=colour, edgecolor=line, linewidth=width, zorder=above)


def lines(axes: Axes, frame: gpd.GeoDataFrame, colour: str, width: float, style: Any) -> None:
    """Draw lines."""
    if len(frame):
        frame.plot(ax=axes, color=colour, linewidth=width, linestyle=style, zorder=4)


def scale_bar(axes: Axes, box: tuple[float, float, float, float]) -> None:
    """Draw 20 m in the lower right corner."""
    x, y = box[2] - 26.0, box[1] + 4.0
    axes.add_patch(
        mpl.patches.Rectangle((x - 3, y - 2.5), 26.0, 10.0, facecolor=colours.PAPER, alpha=0.85, linewidth=0, zorder=7)
    )
    axes.plot([x, x + 20.0], [y, y], color=colours.INK, linewidth=3, solid_capstyle="butt", zorder=8)
    axes.text(x + 10.0, y + 1.2, "20 m", ha="center", va="bottom", fontsize=9, color=colours.INK, zorder=8)


def legend(figure: Figure, outcomes: tuple[tuple[str, gpd.GeoDataFrame, str], ...]) -> None:
    """Put the legend below the map."""
    marks: list[Any] = [
        Patch(facecolor=mpl.colors.to_rgba(colour, LOT_OPACITY), edgecolor=colours.LOT_LINE, linewidth=0.5, label=name)
        for name, _, colour in outcomes
    ]
    marks += [
        Patch(facecolor=colours.GARDEN, edgecolor=colours.GARDEN_LINE, label="garden"),
        Line2D([], [], color=colours.WATER, linewidth=1.2, label="water to it"),
        Line2D([], [], color=colours.WATER, linewidth=1.4, linestyle=(0, (3, 1.5)), label="overflow"),
        Line2D(
            [], [], color=colours.WATER_WARNING, linewidth=1.4, linestyle=(0, (1.2, 1.2)), label="to a neighbour's lot"
        ),
    ]
    figure.legend(handles=marks, loc="lower center", ncols=len(marks), frameon=False, fontsize=8.5, columnspacing=1.2)


def draw_check() -> None:
    """Draw what the check finds in the sample town."""
    run_file = IMAGES.parent.parent / "sample_geodata" / "run.toml"
    options = ["--map", str(IMAGES / "check.png"), "--overwrite"]
    CliRunner().invoke(main, ["check", str(run_file), *options], catch_exceptions=False)
    # few colours are enough, and a fifth of the bytes
    with Image.open(IMAGES / "check.png") as picture:
        picture.quantize(64).save(IMAGES / "check.png", optimize=True)


def make(folder: Path) -> None:
    """Run the demo and draw what it wrote."""
    runner = CliRunner()
    demo = folder / "demo"
    home = IMAGES / "home.png"
    runner.invoke(main, ["demo", "--out", str(demo), "--no-progress"], catch_exceptions=False)
    result = demo / RESULT
    best = str(gpd.read_file(result, layer="candidate_homes")["home_id"].iloc[0])
    explained = runner.invoke(
        main, ["explain", str(result), best, "-o", str(home), "--overwrite"], catch_exceptions=False
    )
    if explained.exit_code:
        raise SystemExit(explained.output)
    with mpl.rc_context({"font.family": "DejaVu Sans"}):
        draw_town(result, IMAGES / "demo.png")


if __name__ == "__main__":
    IMAGES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary:
        make(Path(temporary))
    draw_check()
    for picture in sorted(IMAGES.glob("*.png")):
        print(f"{picture}: {picture.stat().st_size / 1000:.0f} kB")
