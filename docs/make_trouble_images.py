"""Make the pictures of "Bring your city's data" in docs/images from the zoo of troubles (tests/zoo), an invented town.

``python docs/make_trouble_images.py``
"""

from __future__ import annotations

import inspect
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib as mpl

mpl.use("Agg")

import matplotlib.pyplot as plt
import numpy as np
import shapely
from zoo_page import load_animals

from screening import colours

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

IMAGES = Path(__file__).resolve().parent / "images"
LIGHT_DEG = 45.0
"""Height of the light over the ground, from the north-west."""

STEEPER = 4.0
"""Times that the ground is drawn steeper than it is: the invented town is gentle."""

LOTS = (
    ("stack", "1  Units of one outline", (0, -10, 66, 45)),
    ("puzzle", "2  Units cut out of the yard", (44, -10, 110, 45)),
    ("on_ground", "3  Units on a ground parcel", (44, -10, 110, 45)),
    ("road", "4  A street that is a parcel", (-6, 36, 126, 146)),
    ("over_two_lots", "5  One home on two lots", (11, -8, 77, 47)),
    ("overlapping", "6  Old and new outlines in one file", (44, -8, 110, 47)),
)
GROUND = (
    ("shifted", "7  Buildings of another survey", (-6, 0, 96, 85)),
    ("few_houses", "8  Buildings older than the lots", (-6, -6, 176, 146)),
    ("row_houses", "9  Row houses as one footprint", (-6, -10, 96, 75)),
    ("holes_under_lots", "10  Missing heights", (-26, 28, 118, 148)),
    ("seam", "11  Tiles of two levels", (66, 0, 168, 85)),
    ("roofs", "12  Roofs in the elevation", (-6, 0, 96, 85)),
)
"""Name of the animal, title, and the part of the town that is drawn: west, south, east, north of its corner [m]."""


def spoilt(name: str) -> tuple[Any, Any]:
    """The sound town, and the one with this trouble."""
    animals = {animal.name: animal for group in load_animals().values() for animal in group}
    from zoo.animal import small_town  # noqa: PLC0415 - found by `load_animals`

    town = small_town()
    make: Callable[..., None] = animals[name].make
    with tempfile.TemporaryDirectory() as folder:
        make(*(town, Path(folder))[: len(inspect.signature(make).parameters)])
    return small_town(), town


def panel(axes: Any, name: str, title: str, box: Sequence[float]) -> None:
    """Draw one trouble: the town in quiet colours, what is wrong in the colour of warnings."""
    before, town = spoilt(name)
    from made_trouble import SOUTH_M, WEST_M  # noqa: PLC0415 - found by `load_animals`

    changed_ground = before.z.shape != town.z.shape or not np.array_equal(before.z, town.z, equal_nan=True)
    if changed_ground:
        _ground(axes, town)
    _areas(axes, town.parcels.geometry, "none" if changed_ground else colours.LOT_OTHER, colours.LOT_LINE, 0.7)
    _areas(axes, town.buildings.geometry, "none" if changed_ground else colours.HOUSE, colours.BUILDING_LINE, 0.5)
    for layer in ("parcels", "buildings"):
        old = set(getattr(before, layer).geometry.to_wkb())
        new = [one for one in getattr(town, layer).geometry if shapely.to_wkb(one) not in old]
        if len(new) < len(old):
            _areas(axes, new, "none", colours.WATER_WARNING, 1.8)
    if name == "stack":
        # Units of one outline can't be told apart in a plan; drawn a little apart.
        outline = town.parcels.geometry[1]
        _areas(axes, [shapely.transform(outline, lambda xy, k=k: xy + 1.2 * k) for k in range(1, 4)], "none",
               colours.WATER_WARNING, 1.2)  # fmt: skip
    if name == "few_houses":
        lost = [one for one in before.buildings.geometry if not town.buildings.geometry.intersects(one).any()]
        _areas(axes, lost, "none", colours.WATER_WARNING, 1.2, dashes=(0, (2, 1.5)))
    axes.set_xlim(WEST_M + box[0], WEST_M + box[2])
    axes.set_ylim(SOUTH_M + box[1], SOUTH_M + box[3])
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_title(title, loc="left", fontsize=11, color=colours.INK)
    for side in axes.spines.values():
        side.set_color(colours.REFUSED_LINE)


def _areas(axes: Any, shapes: Any, fill: str, line: str, width: float, dashes: Any = "solid") -> None:
    """Draw outlines."""
    for shape in shapely.get_parts(np.array([one for one in shapes if one is not None], dtype=object)):
        rings = [shape.exterior, *shape.interiors]
        path = mpl.path.Path.make_compound_path(*(mpl.path.Path(np.asarray(ring.coords)) for ring in rings))
        axes.add_patch(mpl.patches.PathPatch(path, facecolor=fill, edgecolor=line, linewidth=width, linestyle=dashes))


def _ground(axes: Any, town: Any) -> None:
    """Draw the elevation as shaded ground; where nothing is known, in the colour of warnings."""
    west, north, cell = (town.raster[name] for name in ("west", "north", "cell"))
    south, east = np.gradient(town.z * STEEPER, cell)
    light = np.radians(LIGHT_DEG)
    # The ground's normal times the direction to a light in the north-west.
    shade = np.sin(light) + np.cos(light) * (east + south) / np.sqrt(2.0)
    shade /= np.sqrt(1.0 + east**2 + south**2)
    rows, cols = town.z.shape
    extent = (west, west + cols * cell, north - rows * cell, north)
    axes.set_facecolor(colours.WATER_WARNING)
    axes.imshow(np.ma.masked_invalid(shade), extent=extent, cmap="gray", vmin=0.2, vmax=1.0, interpolation="nearest")


def picture(name: str, panels: Sequence[tuple[str, str, tuple[float, ...]]]) -> None:
    """Make a picture of six troubles."""
    figure, grid = plt.subplots(2, 3, figsize=(11, 7.4), layout="constrained")
    for axes, (animal, title, box) in zip(grid.flat, panels, strict=True):
        panel(axes, animal, title, box)
    figure.savefig(IMAGES / name, dpi=100, facecolor=colours.PAPER, pil_kwargs={"optimize": True})
    plt.close(figure)


if __name__ == "__main__":
    picture("troubles-lots.png", LOTS)
    picture("troubles-ground.png", GROUND)
