"""What a page for publication takes from a plan of visits: sums, and the names of streets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pyogrio

from screening.errors import InputError
from screening.report.result_layers import ResultLayers
from screening.report.small_counts import SMALLEST_SHOWN
from screening.street_plan import Response

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

_PLAN: Final = "plan."
_VOLUMES: Final = ("diverted_low_m3_y", "diverted_m3_y", "diverted_high_m3_y")
_MADE_AGAIN: Final = "make it with `screening streets ... -o plan.gpkg`"


@dataclass(frozen=True, slots=True)
class PlannedSeason:
    """A plan, as far as a page for publication shows it.

    Attributes
    ----------
    n_visits : int
        Visits.
    response : Response
        Of the homes visited, how many take a garden.
    volume : tuple of float
        Low, likely and high volume if all took one [m3/y].
    streets : frozenset of str
        Streets in the plan.
    """

    n_visits: int
    response: Response
    volume: tuple[float, float, float]
    streets: frozenset[str]

    @property
    def may_be_shown(self) -> bool:
        """Whether it is about enough homes."""
        return self.n_visits >= SMALLEST_SHOWN


def read_season(path: Path, result: Path) -> PlannedSeason:
    """Read a plan.

    Parameters
    ----------
    path : Path
        GeoPackage that `screening streets` wrote.
    result : Path
        The result that the page is about.

    Raises
    ------
    InputError
        No such file, no plan, or one of another result.
    """
    if not path.is_file():
        raise InputError(f"there is no plan '{path}': {_MADE_AGAIN}")
    try:
        layers = {str(name) for name, _ in pyogrio.list_layers(path)}
        if not {"plan_streets", "run_record"} <= layers:
            raise InputError(f"'{path}' is no plan of visits: {_MADE_AGAIN}")
        rows = pyogrio.read_dataframe(path, layer="run_record", use_arrow=False)
        sides = pyogrio.read_dataframe(
            path, layer="plan_streets", columns=["street", "is_chosen"], read_geometry=False, use_arrow=False
        )
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        raise InputError(f"the plan '{path}' is no readable GeoPackage: {_MADE_AGAIN}") from error
    record: Mapping[str, str] = dict(zip(rows["key"], rows["value"].fillna(""), strict=True))
    of_run = {key: text for key, text in record.items() if not key.startswith(_PLAN)}
    if of_run != dict(ResultLayers(result).record):
        raise InputError(f"the plan '{path}' was made for another result than '{result}': make it again")
    try:
        low, likely, high = (float(part) / 100.0 for part in record["plan.wish.response_pct"].split(";"))
        volume = (
            float(record[f"plan.{_VOLUMES[0]}"]),
            float(record[f"plan.{_VOLUMES[1]}"]),
            float(record[f"plan.{_VOLUMES[2]}"]),
        )
        n_visits = int(record["plan.n_visits"])
    except (KeyError, ValueError) as error:
        raise InputError(f"the plan '{path}' lacks its wishes and sums: {_MADE_AGAIN}") from error
    chosen = sides.loc[sides["is_chosen"].astype(bool), "street"].dropna()
    return PlannedSeason(n_visits, Response(low, likely, high), volume, frozenset(chosen))
