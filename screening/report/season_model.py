"""What is asked of a season of visits, and what a plan for it holds."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from screening import street_plan

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import pyproj

    from screening.street_plan import Choice, Range, Response, Sides, Volumes, Wishes

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[Any]

PER_DAY: Final = 8
"""Visits a day (program default): about an hour each with the way there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonWishes:
    """What is asked for.

    Attributes
    ----------
    n_visits : int
        Visits there are, one a home.
    response : Response
        Of the homes visited, how many take a garden.
    areas : ndarray of polygons or None
        Priority areas in the working CRS [m].
    areas_name : str
        Their file, for messages.
    least_priority_frac : Fraction
        Least share of the visits in them.
    min_homes : int or None
        Least homes of a street side to go there at all; what is locked in may have fewer. None: `MIN_HOMES`, or 1 where
        no side has as many.
    side_visits : int or None
        Most visits to a street side: its best homes.
    lock_in, lock_out : tuple of str
        Streets, or sides of streets, that have to be in the plan, or cannot be.
    whole_streets : bool
        Whether both sides of a street are one choice.
    bonus_frac : float
        What two neighbouring sides count more if both are chosen, of the smaller one's volume.
    per_day : int
        Visits a day.
    start : str
        Where each day begins and ends; "" for nowhere in particular.
    """

    n_visits: int
    response: Response = street_plan.PUBLISHED
    areas: ObjectArray | None = None
    areas_name: str = ""
    least_priority_frac: Fraction = Fraction(0)
    min_homes: int | None = None
    side_visits: int | None = None
    lock_in: tuple[str, ...] = ()
    lock_out: tuple[str, ...] = ()
    whole_streets: bool = False
    bonus_frac: float = 0.0
    per_day: int = PER_DAY
    start: str = ""


@dataclass(frozen=True, slots=True)
class SidePlan:
    """One street side.

    Attributes
    ----------
    name : str
        Street and side.
    street, side : str or None
        The two apart.
    rows : (n,) int array
        Its homes, the largest volume first.
    n_visits : int
        Homes that a visit to it goes to, from the first.
    volume : Range
        What these would divert together if all took a garden [m3/y].
    confidence_frac : float
        Mean of theirs.
    n_priority : int
        Those in the priority areas.
    is_chosen, is_greedy : bool
        Whether it is in the plan, and in that of the simple rule.
    why : str
        Code of `street_plan.WHY_CODES`.
    """

    name: str
    street: str | None
    side: str | None
    rows: IntArray
    n_visits: int
    volume: Range
    confidence_frac: float
    n_priority: int
    is_chosen: bool
    is_greedy: bool
    why: str

    @property
    def visited(self) -> IntArray:
        """Homes that are visited if it is chosen."""
        return self.rows[: self.n_visits]


@dataclass(frozen=True, slots=True)
class DayWalk:
    """Walk of one day: homes in order, its length [m] and its line."""

    rows: IntArray
    length_m: float
    line: Any


@dataclass(frozen=True, slots=True)
class HomeRows:
    """The candidates of a result, arrays in the order of the file."""

    home_id: ObjectArray
    address: ObjectArray
    street: ObjectArray
    rank: ObjectArray
    confidence_frac: FloatArray
    volumes: Volumes
    lots: ObjectArray
    is_priority: BoolArray | None = None


@dataclass(frozen=True, slots=True)
class SeasonPlan:
    """A plan.

    Attributes
    ----------
    path : Path
        The result it was made from.
    crs : pyproj.CRS
        Working CRS.
    record : Mapping[str, str]
        Run record of the result.
    wishes : SeasonWishes
    homes : HomeRows
    sides : tuple of SidePlan
        In the order of their names.
    min_homes : int
        Least homes of a side that was not locked in.
    choice : Choice
    table : Sides
    limits : Wishes
        What the choice was made from.
    volume : Range
        What all homes of the plan would divert together [m3/y].
    days : tuple of DayWalk
        Empty where no walk was planned.
    walk_bound_m : float
        What no walks of as many days can fall short of together.
    start_m : tuple of float or None
        Where days begin and end.
    lines : Mapping[str, geometry]
        Lines of the streets.
    notes : tuple of str
        What somebody should know.
    """

    path: Path
    crs: pyproj.CRS
    record: Mapping[str, str]
    wishes: SeasonWishes
    homes: HomeRows
    sides: tuple[SidePlan, ...]
    min_homes: int
    choice: Choice
    table: Sides
    limits: Wishes
    volume: Range
    days: tuple[DayWalk, ...]
    walk_bound_m: float
    start_m: tuple[float, float] | None
    lines: Mapping[str, Any]
    notes: tuple[str, ...]

    @property
    def chosen(self) -> tuple[SidePlan, ...]:
        """Sides in the plan."""
        return tuple(side for side in self.sides if side.is_chosen)

    @property
    def n_visits(self) -> int:
        """Visits in the plan."""
        return sum(side.n_visits for side in self.chosen)

    @property
    def n_priority(self) -> int:
        """Those in the priority areas."""
        return sum(side.n_priority for side in self.chosen)

    @property
    def greedy_l(self) -> int:
        """What the simple rule's plan is worth [L/y]."""
        return street_plan.worth_l(
            np.array([side.is_greedy for side in self.sides], dtype=bool), self.table, self.limits
        )

    @property
    def is_walked(self) -> bool:
        """Whether the visits are in the order of a walk."""
        return bool(self.days)

    def sentence(self, row: int, show_l: Any) -> str:
        """Say why a side is in the plan or not; `show_l` writes litres a year."""
        side = self.sides[row]
        return street_plan.sentence(
            side.why,
            row,
            self.table,
            self.limits,
            self.choice,
            show_l,
            n_homes=len(side.rows),
            min_homes=self.min_homes,
        )
