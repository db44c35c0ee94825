"""Which homes get a sheet, and in which order."""

from __future__ import annotations

import csv
import difflib
import re
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from screening.errors import InputError, ParameterError
from screening.paths import why_unreadable

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from screening.report.result_layers import ResultLayers

_NEEDS: Final = ("rank", "home_id", "parcel_id", "address", "street")
# Columns of a plan that tell the order of its rows, the first that is there.
_STOP_NAMES: Final = ("stop", "visit", "order", "position", "walk_order")
_ID: Final = "home_id"
_DAY: Final = "day"


@dataclass(frozen=True, slots=True)
class Stop:
    """One home on the way.

    Attributes
    ----------
    home_id : str
        The candidate.
    number : int
        Its place on the way, of the day where there are days, from 1.
    n_stops : int
        How many places there are.
    day : str
        "" where there are no days.
    is_planned : bool
        Whether a plan gave the order.
    """

    home_id: str
    number: int
    n_stops: int
    day: str = ""
    is_planned: bool = False


def choose_stops(
    result: ResultLayers,
    *,
    plan: Path | None = None,
    homes: Sequence[str] = (),
    streets: Sequence[str] = (),
    first: int | None = None,
    by_address: bool = False,
) -> list[Stop]:
    """Choose the homes that get a sheet.

    Parameters
    ----------
    result : ResultLayers
        A result of a run.
    plan : Path or None
        A file with a column `home_id` in walk order; its homes are taken instead of all candidates.
    homes : sequence of str
        Only these, by `home_id` or `parcel_id`, in this order.
    streets : sequence of str
        Only homes on these streets.
    first : int or None
        Only so many, counted in the order.
    by_address : bool
        Ordered by street and house number instead of by rank; a plan or named homes keep theirs.

    Raises
    ------
    ParameterError
        A home or street that is not there (the nearest name is told), or no home is left.
    InputError
        No candidates, or a plan that cannot be read.
    """
    rows = result.table("candidate_homes", needs=_NEEDS).select(list(_NEEDS)).to_pylist()
    if not rows:
        raise InputError(f"'{result.path}' has no candidates, so there is nothing to print: see its other_parcels")
    rows.sort(key=lambda row: (row["rank"] is None, row["rank"], row[_ID]))
    known = {row[_ID]: row for row in rows}
    days: dict[str, str] = {}
    if plan is not None:
        days = _planned(plan, known, result.path)
        rows = [known[home_id] for home_id in days]
    if homes:
        named = [_named(name, known, result) for name in dict.fromkeys(homes)]
        inside = {row[_ID] for row in rows}
        rows = [known[home_id] for home_id in dict.fromkeys(named) if home_id in inside]
    if streets:
        wanted = {_street(name, known) for name in streets}
        rows = [row for row in rows if row["street"] in wanted]
    if by_address and not plan and not homes:
        rows.sort(key=lambda row: (_natural(row["street"]), _natural(row["address"]), row[_ID]))
    if first is not None:
        rows = rows[:first]
    if not rows:
        raise ParameterError("no candidate is left by the homes, streets and the plan that were asked for together")
    return _numbered([(row[_ID], days.get(row[_ID], "")) for row in rows], is_planned=plan is not None)


def _numbered(pairs: Sequence[tuple[str, str]], *, is_planned: bool) -> list[Stop]:
    """Count the stops of each day."""
    totals: dict[str, int] = {}
    for _, day in pairs:
        totals[day] = totals.get(day, 0) + 1
    counted: dict[str, int] = {}
    stops = []
    for home_id, day in pairs:
        counted[day] = counted.get(day, 0) + 1
        stops.append(Stop(home_id, counted[day], totals[day], day, is_planned))
    return stops


def _natural(text: str | None) -> tuple[Any, ...]:
    """A key that puts house 9 before house 10, and what has no text last."""
    if not text:
        return (1,)
    # Without its house number the street is the same; the number counts as a number.
    parts = re.split(r"(\d+)", text.casefold())
    words = " ".join(part.strip() for part in parts[::2] if part.strip())
    return (0, words, tuple(int(part) for part in parts[1::2]), text)


def _named(name: str, known: Mapping[str, Any], result: ResultLayers) -> str:
    """Find a home by its own or its parcel's identifier."""
    if name in known:
        return name
    names = {name}
    if "merged_parcels" in result.names:
        # a parcel of the same outline as another goes by the row of that one
        merged = result.table("merged_parcels", needs=("parcel_id", "kept_parcel_id")).to_pylist()
        names |= {row["kept_parcel_id"] for row in merged if row["parcel_id"] == name and row["kept_parcel_id"]}
    for home_id, row in known.items():
        if row["parcel_id"] in names:
            return str(home_id)
    others = result.table("other_parcels", needs=("parcel_id", "home_id", "reason_code"))
    for row in others.select(["parcel_id", "home_id", "reason_code"]).to_pylist():
        if names & {row["parcel_id"], row["home_id"]}:
            raise ParameterError(
                f"'{name}' is no candidate ({row['reason_code']}), so it has no sheet: see "
                f"`screening explain {result.path.name} {name}`"
            )
    raise ParameterError(f"there is no home '{name}' in {result.path.name}{_nearest(name, list(known))}")


def _street(name: str, known: Mapping[str, Any]) -> str:
    """Find a street, whatever the case of its letters."""
    streets = dict.fromkeys(row["street"] for row in known.values() if row["street"])
    by_fold = {street.casefold(): street for street in streets}
    found = by_fold.get(" ".join(name.split()).casefold())
    if found is None:
        raise ParameterError(f"no candidate is on a street '{name}'{_nearest(name, list(streets))}")
    return str(found)


def _nearest(name: str, known: Sequence[str]) -> str:
    by_fold = {text.casefold(): text for text in known}
    close = difflib.get_close_matches(name.strip().casefold(), by_fold, n=3, cutoff=0.5)
    if close:
        return f"; the nearest names are {', '.join(by_fold[text] for text in close)}"
    return f"; names look like {', '.join(known[:3])}" if known else "; homes have no streets"


def _planned(plan: Path, known: Mapping[str, Any], result_path: Path) -> dict[str, str]:
    """Read the homes of a plan in its order, with their days."""
    rows = _plan_rows(plan)
    stop = next((name for name in _STOP_NAMES if rows and name in rows[0]), None)
    if rows and (stop is not None or _DAY in rows[0]):
        rows = sorted(rows, key=lambda row: tuple(_natural(_text(row.get(name))) for name in (_DAY, stop) if name))
    days: dict[str, str] = {}
    unknown = []
    for row in rows:
        home_id = _text(row[_ID])
        if not home_id:
            continue
        if home_id not in known:
            unknown.append(home_id)
        days.setdefault(home_id, _text(row.get(_DAY)))
    if unknown:
        raise InputError(
            f"the plan '{plan}' was made for another result: {len(unknown)} of its homes are no candidates in "
            f"{result_path.name}, among them {', '.join(unknown[:3])}; make the plan again"
        )
    if not days:
        raise InputError(f"the plan '{plan}' has no homes: make it with more visits")
    return days


def _text(value: object) -> str:
    """A cell as text: 3.0 as 3, null as nothing."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _plan_rows(plan: Path) -> list[dict[str, Any]]:
    """Read the rows of a plan, a CSV or a GeoPackage."""
    if why_unreadable(plan):
        raise InputError(f"there is no plan '{plan}'")
    if plan.suffix.lower() == ".gpkg":
        return _gpkg_rows(plan)
    try:
        with plan.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            if _ID not in (reader.fieldnames or ()):
                raise InputError(f"the plan '{plan}' has no column {_ID}: give a .csv or .gpkg that names the homes")
            return list(reader)
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"the plan '{plan}' is no readable CSV in UTF-8 ({error})") from error


def _gpkg_rows(plan: Path) -> list[dict[str, Any]]:
    """Read the first layer of a GeoPackage that names homes."""
    try:
        with closing(sqlite3.connect(f"{plan.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            connection.row_factory = sqlite3.Row
            layers = [row[0] for row in connection.execute("SELECT table_name FROM gpkg_contents")]
            for layer in layers:
                quoted = '"' + layer.replace('"', '""') + '"'
                names = [row["name"] for row in connection.execute(f"PRAGMA table_info({quoted})")]
                if _ID in names:
                    wanted = [name for name in (_ID, _DAY, *_STOP_NAMES) if name in names]
                    chosen = ", ".join(f'"{name}"' for name in wanted)
                    rows = connection.execute(f"SELECT {chosen} FROM {quoted} ORDER BY rowid")  # noqa: S608 - own names
                    return [dict(row) for row in rows]
    except sqlite3.Error as error:
        raise InputError(f"the plan '{plan}' is no readable GeoPackage") from error
    raise InputError(f"the plan '{plan}' has no layer with a column {_ID}")
