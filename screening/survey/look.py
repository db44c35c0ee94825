"""Looking at everything there is: all paths together, with a system for each layer where one can be found."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from screening.errors import InputError
from screening.survey.find import find_data
from screening.survey.raster import look_at_rasters
from screening.survey.systems import coordinate_fault, guess_systems, system_text, with_system
from screening.survey.table import look_at_table
from screening.survey.vector import LayerLook, look_at_layer, look_at_layers

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pyproj import CRS

    from screening.survey.facts import RasterFacts, TableFacts

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class StatedSystem:
    """A system that a file doesn't name.

    Attributes
    ----------
    crs : pyproj.CRS
        It.
    why : str
        What speaks for it.
    """

    crs: CRS
    why: str

    @property
    def text(self) -> str:
        """As the run file writes it."""
        return system_text(self.crs)


@dataclass(slots=True, kw_only=True)
class Survey:
    """Everything that was found.

    Attributes
    ----------
    looks : list of LayerLook
        Layers with shapes.
    rasters : list of RasterFacts
        Rasters, tiles of one taken together.
    tables : list of TableFacts
        Text tables.
    left_out : list of (pathlib.Path, str)
        Files that can't be used, and why, in words that follow the file's name.
    systems : dict
        Systems that files don't name, by file and layer (for rasters the layer is empty).
    """

    looks: list[LayerLook] = field(default_factory=list)
    rasters: list[RasterFacts] = field(default_factory=list)
    tables: list[TableFacts] = field(default_factory=list)
    left_out: list[tuple[Path, str]] = field(default_factory=list)
    systems: dict[tuple[Path, str], StatedSystem] = field(default_factory=dict)


def look_around(paths: Sequence[Path]) -> Survey:
    """Look at everything at some paths.

    Parameters
    ----------
    paths : sequence of pathlib.Path
        Files, and folders, which are searched.

    Returns
    -------
    Survey
        A file that can't be read is told there, with the reason.

    Raises
    ------
    InputError
        If a path doesn't exist.
    """
    found = find_data(paths)
    survey = Survey(left_out=list(found.left_out))
    for path in found.layers:
        logger.info("looking at %s", path)
        try:
            survey.looks += look_at_layers(path)
        except InputError as error:
            survey.left_out.append((path, reason(error, path)))
    survey.rasters, broken = look_at_rasters(found.rasters)
    survey.left_out += broken
    for path in found.tables:
        try:
            survey.tables.append(look_at_table(path))
        except InputError as error:
            survey.left_out.append((path, reason(error, path)))
    _fill_in_systems(survey)
    return survey


def reason(error: Exception, path: Path) -> str:
    """Return an error's sentence as words that follow the file's name."""
    return str(error).removeprefix(f"{path.name} ").removeprefix(f"{path.name}: ").rstrip(".")


def _fill_in_systems(survey: Survey) -> None:
    """Find systems for what names none, and look at it again with them."""
    for one, crs, where in guess_systems(survey.looks, survey.rasters):
        if isinstance(one, LayerLook):
            facts = one.facts
            why = f"the file {coordinate_fault(facts.crs, facts.bounds)}; its numbers lie where those of {where} do"
            again = look_at_layer(facts.path, facts.layer, n_layers=facts.n_layers, stated_crs=system_text(crs))
            noted = replace(again.facts, notes=(*again.facts.notes, why))
            survey.looks[survey.looks.index(one)] = LayerLook(noted, again.geometry)
            survey.systems[facts.path, facts.layer] = StatedSystem(crs, why)
        else:
            why = f"the file names no coordinate system; its numbers lie where those of {where} do"
            again_raster = with_system(one, crs)
            survey.rasters[survey.rasters.index(one)] = replace(again_raster, notes=(*again_raster.notes, why))
            survey.systems[one.path, ""] = StatedSystem(crs, why)
