"""The whole look at a city's data."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from screening.checks.buildings import look_at_buildings, look_at_houses_on_lots
from screening.checks.fields import look_at_fields, value_counts
from screening.checks.finding import Finding, Findings
from screening.checks.ground import look_at_ground
from screening.checks.lots import look_at_lots
from screening.checks.others import look_at_others
from screening.checks.seen import read_seen
from screening.crs import describe

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from screening.checks.seen import Seen
    from screening.params import Params


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What was found in a city's data.

    Attributes
    ----------
    findings : tuple of Finding
        The gravest first.
    working_crs : str
        Name of the working CRS; "" where it isn't known.
    n_parcels, n_buildings : int or None
        Features read.
    cell_m : float or None
        Cell size of the elevation [m].
    land_use : tuple of (str, int, bool)
        Land-use values of the parcels with their counts and whether they are eligible, the most frequent first.
    building_kinds : tuple of (str, int, bool)
        Kinds of buildings likewise, with whether they mark a house.
    lots_m : ndarray of shapely geometries, shape (n,)
        Outlines of the lots, for a map [m].
    buildings_m : ndarray of shapely geometries, shape (m,)
        Outlines of the buildings, likewise [m].
    crs_wkt : str
        The working CRS in full.
    """

    findings: tuple[Finding, ...]
    working_crs: str = ""
    n_parcels: int | None = None
    n_buildings: int | None = None
    cell_m: float | None = None
    land_use: tuple[tuple[str, int, bool], ...] = ()
    building_kinds: tuple[tuple[str, int, bool], ...] = ()
    lots_m: npt.NDArray[np.object_] | None = field(default=None, repr=False)
    buildings_m: npt.NDArray[np.object_] | None = field(default=None, repr=False)
    crs_wkt: str = field(default="", repr=False)

    def count(self, severity: str) -> int:
        """Return how many findings are of a severity."""
        return sum(one.severity == severity for one in self.findings)

    @property
    def will_run(self) -> bool:
        """Whether no error was found."""
        return self.count("error") == 0


def check_city(params: Params) -> Report:
    """Look at everything that can be wrong with the inputs of a run.

    Parameters
    ----------
    params : Params
        Of the run.

    Returns
    -------
    Report
        An error in one input doesn't stop the look at the others.
    """
    findings = Findings()
    seen = read_seen(params, findings)
    look_at_fields(seen, findings)
    buildings = look_at_buildings(seen, findings)
    lots = look_at_lots(seen, buildings, findings)
    if lots is not None and buildings is not None:
        look_at_houses_on_lots(seen, lots, buildings, findings)
    look_at_ground(seen, lots, buildings, findings)
    look_at_others(seen, lots, buildings, findings)
    return Report(
        findings=findings.in_order(),
        working_crs="" if seen.crs is None else describe(seen.crs),
        crs_wkt="" if seen.crs is None else seen.crs.to_wkt(),
        n_parcels=None if seen.parcels is None else len(seen.parcels),
        n_buildings=None if seen.buildings is None else len(seen.buildings),
        cell_m=None if seen.elevation is None else seen.elevation.cell_m,
        land_use=_values(seen, "parcels", "land_use", params.homes.land_use),
        building_kinds=_values(seen, "buildings", "building_type", params.homes.principal_values),
        lots_m=None if lots is None else lots.geometry,
        buildings_m=None if buildings is None else buildings.kept.geometry.to_numpy(),
    )


def _values(seen: Seen, role: str, column: str, wanted: tuple[str, ...]) -> tuple[tuple[str, int, bool], ...]:
    """Values of a column with their counts and whether the run asks for them."""
    frame: Any = getattr(seen, role)
    if frame is None:
        return ()
    counts = value_counts(frame[column].to_numpy(dtype=object))
    return tuple((name, n, not wanted or name in wanted) for name, n in counts)
