"""A season's plan as tables: street sides, visits in the order of the walk, walks; and as plain data for JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import shapely

from screening.columns import Column, Layer
from screening.report.cautions import CAUTIONS, STANDING
from screening.report.quantities import Units
from screening.report.season_text import FOR_STAFF
from screening.street_plan import WHY_CODES, by_chance

if TYPE_CHECKING:
    from collections.abc import Mapping

    from screening.report.season_model import SeasonPlan, SidePlan
    from screening.street_plan import Range

GEOMETRY: Final = "geom"

_VOLUME: Final = "roof water a year that no longer runs off, if every home visited took a garden"
_EXPECTED: Final = "roof water a year that no longer runs off, as expected"

PLAN_STREETS: Final = Layer(
    "plan_streets",
    "MultiLineString",
    (
        Column("street_side", "str", "", "name of the street and its side", is_required=True),
        Column("street", "str", "", "street; null: a block of homes of no known street"),
        Column("side", "str", "", "side of the street; null: not told apart"),
        Column("is_chosen", "bool", "", "whether it is in the plan", is_required=True),
        Column("why_code", "str", "", "why it is in the plan or not", WHY_CODES, is_required=True),
        Column("why_text", "str", "", "the same in words, with its numbers", is_required=True),
        Column("n_candidates", "int", "", "candidate homes", is_required=True),
        Column(
            "n_visits", "int", "", "homes that are visited if it is chosen, the largest volume first", is_required=True
        ),
        Column("n_priority", "int", "", "of these, homes in the priority areas; null: none were given"),
        Column("diverted_m3_y", "float", "m3/y", f"{_VOLUME}, likely"),
        Column("diverted_low_m3_y", "float", "m3/y", f"{_VOLUME}, low estimate"),
        Column("diverted_high_m3_y", "float", "m3/y", f"{_VOLUME}, high estimate"),
        Column("gardens_expected", "float", "", "gardens at the likely rate of response"),
        Column("expected_m3_y", "float", "m3/y", f"{_EXPECTED}: likely rate, likely volume"),
        Column("expected_low_m3_y", "float", "m3/y", f"{_EXPECTED}: low rate, low volume"),
        Column("expected_high_m3_y", "float", "m3/y", f"{_EXPECTED}: high rate, high volume"),
        Column(
            "confidence_frac", "float", "", "how far the data carry the proposals, mean of the homes visited, 0 to 1"
        ),
        Column("is_simple_rule", "bool", "", "whether the simple rule, most a visit first, would choose it too"),
    ),
    one_row_per="street side with candidate homes",
    key="street_side",
    geometry_may_be_null=True,
)

VISITS: Final = Layer(
    "visits",
    "Point",
    (
        Column("visit", "int", "", "number of the visit in the order of the walk; null: no walk was planned"),
        Column("day", "int", "", "day of the visit; null: no walk was planned"),
        Column("stop", "int", "", "number of the visit on its day; null: no walk was planned"),
        Column("home_id", "str", "", "identifier of the home in the result", is_required=True),
        Column("address", "str", "", "address of the parcel in the input"),
        Column("street_side", "str", "", "street side it is visited with", is_required=True),
        Column("rank", "int", "", "its rank in the result"),
        Column("is_priority", "bool", "", "whether it lies in the priority areas; null: none were given"),
        Column("diverted_m3_y", "float", "m3/y", "roof water a year that no longer runs off, likely"),
        Column("diverted_low_m3_y", "float", "m3/y", "the same, low estimate"),
        Column("diverted_high_m3_y", "float", "m3/y", "the same, high estimate"),
        Column("confidence_frac", "float", "", "how far the data carry this proposal, 0 to 1"),
    ),
    one_row_per="home to visit, in the order of the walk",
    key="home_id",
)

WALKS: Final = Layer(
    "walks",
    "LineString",
    (
        Column("day", "int", "", "day of the walk", is_required=True),
        Column("n_visits", "int", "", "visits of the day", is_required=True),
        Column("length_m", "float", "m", "length of the walk, with what crossing the street counts"),
        Column("first_home_id", "str", "", "first home"),
        Column("last_home_id", "str", "", "last home"),
    ),
    one_row_per="day's walk along the streets, drawn in its direction",
    key="day",
)

PLAN_LAYERS: Final = (VISITS, WALKS, PLAN_STREETS)
"""In the order of the file: who looks for the homes of a plan, or the lines of its walks, takes the first layer that
has such."""

_TYPES: Final = {"str": pa.string(), "int": pa.int64(), "float": pa.float64(), "bool": pa.bool_()}
_WORDS: Final = {"str": "text", "int": "whole number", "float": "number", "bool": "yes or no"}


def plan_tables(plan: SeasonPlan, *, display_units: str = "metric") -> dict[str, pa.Table]:
    """Return the plan's tables, in metric units, with geometry as WKB in the column `GEOMETRY`.

    Sentences in them are in the units of `display_units`.
    """
    rows = {
        "plan_streets": _street_rows(plan, Units(display_units)),
        "visits": _visit_rows(plan),
        "walks": _walk_rows(plan),
    }
    return {layer.name: _table(layer, rows[layer.name]) for layer in PLAN_LAYERS}


def _table(layer: Layer, rows: list[dict[str, Any]]) -> pa.Table:
    fields = []
    for column in layer.columns:
        meta = {"unit": column.unit, "meaning": column.meaning}
        if column.dtype == "float":
            meta["decimals"] = "1" if column.unit else "3"
        fields.append(pa.field(column.name, _TYPES[column.dtype], metadata=meta))
    data = [pa.array([row[column.name] for row in rows], type=_TYPES[column.dtype]) for column in layer.columns]
    shapes = shapely.to_wkb(np.array([row[GEOMETRY] for row in rows], dtype=object), flavor="iso", byte_order=1)
    fields.append(pa.field(GEOMETRY, pa.binary()))
    return pa.table([*data, pa.array(shapes.tolist(), type=pa.binary())], schema=pa.schema(fields))


def _street_rows(plan: SeasonPlan, units: Units) -> list[dict[str, Any]]:
    rows = []
    order = sorted(
        range(len(plan.sides)),
        key=lambda row: (not plan.sides[row].is_chosen, -plan.sides[row].volume.likely / plan.sides[row].n_visits, row),
    )
    for row in order:
        side = plan.sides[row]
        line = plan.lines.get(side.street or "")
        expected = _expected(plan, side)
        rows.append(
            {
                "street_side": side.name,
                "street": side.street,
                "side": side.side,
                "is_chosen": side.is_chosen,
                "why_code": side.why,
                "why_text": plan.sentence(row, lambda litres: units.rough(litres / 1000.0, "m3/y")),
                "n_candidates": len(side.rows),
                "n_visits": side.n_visits,
                "n_priority": None if plan.homes.is_priority is None else side.n_priority,
                "diverted_m3_y": side.volume.likely,
                "diverted_low_m3_y": side.volume.low,
                "diverted_high_m3_y": side.volume.high,
                "gardens_expected": side.n_visits * plan.wishes.response.likely_frac,
                "expected_m3_y": expected["likely"],
                "expected_low_m3_y": expected["low"],
                "expected_high_m3_y": expected["high"],
                "confidence_frac": side.confidence_frac,
                "is_simple_rule": side.is_greedy,
                GEOMETRY: None if line is None else shapely.multilinestrings(shapely.get_parts(line)),
            }
        )
    return rows


def _expected(plan: SeasonPlan, side: SidePlan) -> dict[str, float]:
    response = plan.wishes.response
    return {
        "low": response.low_frac * side.volume.low,
        "likely": response.likely_frac * side.volume.likely,
        "high": response.high_frac * side.volume.high,
    }


def visits_in_order(plan: SeasonPlan) -> list[tuple[int | None, int | None, int]]:
    """Day, stop and row of every home to visit, in the order of the walk; without a walk by street side."""
    if plan.is_walked:
        return [
            (number, stop, int(row))
            for number, day in enumerate(plan.days, start=1)
            for stop, row in enumerate(day.rows, start=1)
        ]
    return [(None, None, int(row)) for side in plan.chosen for row in side.visited]


def _visit_rows(plan: SeasonPlan) -> list[dict[str, Any]]:
    homes = plan.homes
    side_of = {int(row): side.name for side in plan.chosen for row in side.visited}
    ordered = visits_in_order(plan)
    points = shapely.point_on_surface(homes.lots[[row for _, _, row in ordered]]) if ordered else []
    return [
        {
            "visit": None if day is None else number,
            "day": day,
            "stop": stop,
            "home_id": homes.home_id[row],
            "address": homes.address[row],
            "street_side": side_of[row],
            "rank": homes.rank[row],
            "is_priority": None if homes.is_priority is None else bool(homes.is_priority[row]),
            "diverted_m3_y": float(homes.volumes.likely[row]),
            "diverted_low_m3_y": float(homes.volumes.low[row]),
            "diverted_high_m3_y": float(homes.volumes.high[row]),
            "confidence_frac": float(homes.confidence_frac[row]),
            GEOMETRY: point,
        }
        for number, ((day, stop, row), point) in enumerate(zip(ordered, points, strict=True), start=1)
    ]


def _walk_rows(plan: SeasonPlan) -> list[dict[str, Any]]:
    return [
        {
            "day": number,
            "n_visits": len(day.rows),
            "length_m": day.length_m,
            "first_home_id": plan.homes.home_id[day.rows[0]],
            "last_home_id": plan.homes.home_id[day.rows[-1]],
            GEOMETRY: day.line,
        }
        for number, day in enumerate(plan.days, start=1)
    ]


def list_tables(plan: SeasonPlan, *, display_units: str) -> dict[str, pa.Table]:
    """Return the tables for a spreadsheet: without geometry, in people's units, which the columns' names tell."""
    units = Units(display_units)
    found = {}
    for name, table in plan_tables(plan, display_units=display_units).items():
        fields, data = [], []
        plain = table.drop_columns([GEOMETRY])
        for column, values in zip(plain.schema, plain.columns, strict=True):
            unit = column.metadata[b"unit"].decode()
            spelt, in_base, decimals = units.scale(unit)
            if in_base == 1.0 or not pa.types.is_floating(column.type):
                fields.append(column)
                data.append(values)
                continue
            new_name = column.name.removesuffix("_" + unit.replace("/", "_")) + "_" + spelt.replace("/", "_")
            meta = {**column.metadata, b"unit": spelt.encode(), b"decimals": str(decimals).encode()}
            fields.append(column.with_name(new_name).with_metadata(meta))
            data.append(pc.divide(values, in_base))
        fixed = "2" if name == "visits" else "1"
        found[name] = pa.table(data, schema=pa.schema(fields, metadata={"n_fixed": fixed}))
    return found


def list_guide(tables: Mapping[str, pa.Table]) -> pa.Table:
    """Say what the columns of the lists mean, and the codes in them."""
    names = ("list", "column", "code", "type", "unit", "meaning")
    rows: list[tuple[str | None, ...]] = []
    for layer in PLAN_LAYERS:
        if layer.name not in tables:
            continue
        for column, shown in zip(layer.columns, tables[layer.name].schema, strict=True):
            unit = shown.metadata[b"unit"].decode() or None
            rows.append((layer.name, shown.name, None, _WORDS[column.dtype], unit, column.meaning))
            rows += [(layer.name, shown.name, code, None, None, text) for code, text in (column.codes or {}).items()]
    schema = pa.schema([pa.field(name, pa.string()) for name in names])
    return pa.Table.from_pylist([dict(zip(names, row, strict=True)) for row in rows], schema=schema)


def plan_record(plan: SeasonPlan) -> dict[str, str]:
    """Return the run record of the result with what was asked for and found, as texts."""
    wishes = plan.wishes
    asked = {
        "visits": str(wishes.n_visits),
        "response_pct": ";".join(f"{100 * frac:g}" for frac in wishes.response),
        "priority_areas": wishes.areas_name,
        "priority_pct": f"{float(100 * wishes.least_priority_frac):g}",
        "min_homes": str(plan.min_homes),
        "side_visits": "" if wishes.side_visits is None else str(wishes.side_visits),
        "lock_in": ";".join(wishes.lock_in),
        "lock_out": ";".join(wishes.lock_out),
        "whole_streets": str(wishes.whole_streets).lower(),
        "near_bonus_pct": f"{100 * wishes.bonus_frac:g}",
        "per_day": str(wishes.per_day),
        "start": wishes.start,
        "result": plan.path.name,
    }
    found = {
        "n_visits": str(plan.n_visits),
        "n_street_sides": str(len(plan.chosen)),
        "gap_frac": f"{plan.choice.gap_frac:.6f}",
        "is_settled": str(plan.choice.is_settled).lower(),
        "diverted_low_m3_y": f"{plan.volume.low:.3f}",
        "diverted_m3_y": f"{plan.volume.likely:.3f}",
        "diverted_high_m3_y": f"{plan.volume.high:.3f}",
        "walk_m": f"{sum(day.length_m for day in plan.days):.1f}",
        "walk_bound_m": f"{plan.walk_bound_m:.1f}",
    }
    return (
        dict(plan.record)
        | {f"plan.wish.{key}": text for key, text in asked.items()}
        | {f"plan.{key}": text for key, text in found.items()}
    )


def plan_about() -> tuple[str, ...]:
    """Return what somebody should know who has only the plan's file."""
    return (STANDING, FOR_STAFF, *CAUTIONS)


def plan_data(plan: SeasonPlan) -> dict[str, Any]:
    """Return the plan as plain data, ready for JSON: names carry the units, null is None."""
    response, n = plan.wishes.response, plan.n_visits
    few, many = by_chance(n, response.likely_frac)
    tables = {name: table.drop_columns([GEOMETRY]).to_pylist() for name, table in plan_tables(plan).items()}
    return {
        "about": list(plan_about()),
        "notes": list(plan.notes),
        "wishes": {
            key.removeprefix("plan.wish."): text
            for key, text in plan_record(plan).items()
            if key.startswith("plan.wish.")
        },
        "n_visits": n,
        "n_visits_left": plan.limits.n_visits - n,
        "n_candidate_homes": len(plan.homes.home_id),
        "n_priority": None if plan.homes.is_priority is None else plan.n_priority,
        "if_all_took_part": _range(plan.volume, 1.0, 1.0, 1.0),
        "expected": {
            "gardens": {
                "low": n * response.low_frac,
                "likely": n * response.likely_frac,
                "high": n * response.high_frac,
            },
            "gardens_by_chance": {"low": few, "high": many},
            **_range(plan.volume, *response),
        },
        "choice": {
            "worth_m3_y": plan.choice.worth_l / 1000.0,
            "bound_m3_y": plan.choice.bound_l / 1000.0,
            "gap_frac": plan.choice.gap_frac,
            "is_settled": plan.choice.is_settled,
            "simple_rule_m3_y": plan.greedy_l / 1000.0,
        },
        "walk": {"length_m": sum(day.length_m for day in plan.days), "bound_m": plan.walk_bound_m},
        **tables,
    }


def _range(volume: Range, low: float, likely: float, high: float) -> dict[str, float]:
    return {
        "diverted_low_m3_y": low * volume.low,
        "diverted_m3_y": likely * volume.likely,
        "diverted_high_m3_y": high * volume.high,
    }
