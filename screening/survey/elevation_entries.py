"""Entries about the elevation: the raster, its unit, its filler, and whether it is too coarse."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from screening.errors import InputError
from screening.params import SitingParams
from screening.raster import read_header, tile_files
from screening.read.elevation import CELL_TOLERANCE_REL
from screening.survey.heights import (
    ElevationGuess,
    guess_elevation,
    guess_unit,
    lots_on_raster_frac,
    no_elevation,
    no_heights,
)
from screening.survey.proposal import with_others
from screening.survey.raster import describe_rasters

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from screening.survey.proposal import Proposal
    from screening.survey.vector import LayerLook

WHOLE_FRAC: Final = 0.995


def add_elevation(result: Proposal, lots: LayerLook | None) -> None:
    """Find the elevation and write down what a run has to know of it.

    Raises
    ------
    InputError
        If what a person has named can't be an elevation.
    """
    guess = _named(result, lots) if "elevation" in result.named else guess_elevation(result.survey.rasters, lots)
    if guess is None:
        return
    raster = guess.raster
    result.roles["elevation"] = raster
    result.add("inputs", "elevation", _value(raster.paths), with_others(guess.why, guess.others), sure=guess.is_sure)
    unit = guess_unit(raster)
    if unit.unit:
        result.add("inputs", "elevation_unit", unit.unit, unit.why, sure=unit.is_sure)
    if raster.filler is not None:
        why = f"{raster.filler:g} stands far from every other height, so it seems to mean that nothing is known there"
        result.add("inputs", "elevation_nodata", raster.filler, why)
    stated = result.survey.systems.get((raster.path, ""))
    if stated is not None:
        result.add("inputs.crs", "elevation", stated.text, stated.why)
    part = None if lots is None else lots_on_raster_frac(lots, raster)
    if part is not None and part < WHOLE_FRAC:
        result.remarks.append(
            f"{raster.where} reaches under {part:.0%} of the parcels; those beyond it get the reason outside_elevation"
        )
    max_cell_m = SitingParams().max_cell_m
    if raster.cell_m is not None and raster.cell_m > max_cell_m * (1.0 + CELL_TOLERANCE_REL):
        why = (
            f"the elevation's cells are {raster.cell_m:.3g} m wide; over {max_cell_m:g} m they can't show the ground "
            "of a yard, and a run refuses them. Look for a finer elevation first. To go on with this one, take the # "
            "away from the next line: every candidate then has the flag coarse_elevation and needs a look on the ground"
        )
        result.add("siting", "allow_coarse", value=True, why=why, suggested=True)
        result.remarks.append(
            f"{raster.where} is too coarse to judge a yard ({raster.cell_m:.3g} m cells); a run refuses it until you "
            "allow that under [siting] in the run file"
        )


def _named(result: Proposal, lots: LayerLook | None) -> ElevationGuess:
    """Take what a person has named: one raster, the best of a folder, or all of several."""
    named = result.named["elevation"]
    rasters = [one for one in result.survey.rasters if any(named.holds(path) for path in one.paths)]
    if len(named.paths) > 1:
        paths = tile_files(named.paths)
        if sorted(path for one in rasters for path in one.paths) != sorted(paths) or len(rasters) > 1:
            rasters = [describe_rasters([read_header(path) for path in paths])]
    # what a person names is taken, whatever its name says; of a folder rather what looks like heights
    likely = [one for one in rasters if not no_elevation(one)]
    guess = guess_elevation(likely or rasters, lots, is_named=True)
    if guess is not None:
        return guess
    reasons = [f"{one.where} {no_heights(one)}" for one in rasters]
    reasons += [f"{path.name} {why}" for path, why in result.survey.left_out if named.holds(path)]
    msg = (
        f"{'; '.join(reasons[:3]) or f'{named.text} holds no raster'}; name a raster of heights with --elevation, or a "
        "folder of its tiles."
    )
    raise InputError(msg)


def _value(paths: Sequence[Path]) -> Path | tuple[Path, ...]:
    """One raster, the folder that holds these tiles and nothing else, or a list of them."""
    if len(paths) == 1:
        return paths[0]
    folder = paths[0].parent
    return folder if set(tile_files(folder)) == set(paths) else tuple(paths)
