"""Looks at fields: ids, addresses, land use, kinds of buildings, areas, states, and fields about owners."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from screening.batch.prepare import check_building_kinds, check_land_use
from screening.checks.seen import ROLES, named_fields
from screening.checks.words import count, do
from screening.errors import ScreeningError
from screening.read.fields import DBF_NAME_LENGTH, is_shapefile
from screening.read.vector import read_records
from screening.survey import private_name

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    from screening.checks.finding import Findings
    from screening.checks.seen import Seen
    from screening.read import LayerInfo

    ObjectArray = npt.NDArray[np.object_]
    FloatArray = npt.NDArray[np.float64]

AREA_FIELDS: Final = re.compile(
    r"(shape_?|st_?|gis_?|calc_?|lot_?|land_?|parcel_?|map_?|deed_?)*(area|acres?|acreage|sq_?ft|sqfeet|sq_?m|hectares?)"
    r"(_?(ac|acres?|ft|sqft|m2?|ha|sqm))?|lot_?size",
    re.IGNORECASE,
)
STATE_FIELDS: Final = re.compile(
    r"(parcel_?|lot_?|rec(ord)?_?|pcl_?)?(status|state|stat|active|lifecycle)", re.IGNORECASE
)
NOT_CURRENT: Final = re.compile(
    r".*\b(drop(ped)?|pending( .*)?|retired?|inactive|historic(al)?|deleted?|obsolete|proposed|expired|void|"
    r"superseded|demolished)\b.*",
    re.IGNORECASE,
)
"""Names and values met in parcel files; common practice, no source."""

AREA_UNITS_M2: Final = {
    "m2": 1.0,
    "ft2": 0.09290304,
    "acres": 4046.8564224,
    "ha": 10_000.0,
    "km2": 1e6,
    "square miles": 2_589_988.110336,
}
"""Units that an area field may be in [m2]; the international foot, of which all follow by definition."""

SAME_UNIT_FRAC: Final = 0.03
LARGE_ERROR_FRAC: Final = 0.25
MANY_FRAC: Final = 0.10
"""An area field fits a unit within the first; an area is off by more than the second; of so many it is worth a word."""

FEW_VALUES: Final = 8
FULL_WIDTHS: Final = frozenset({10, 16, 20, 24, 25, 30, 32, 40, 50, 64, 80, 100, 128, 254, 255})
SHORTEST_CUT: Final = 8


def look_at_fields(seen: Seen, findings: Findings) -> None:
    """Look at what the fields of all layers say."""
    for role, info in seen.infos.items():
        _cut_names(seen, role, info, findings)
        _put_right(seen, role, info, findings)
    if seen.parcels is not None and "parcels" in seen.infos:
        _parcels(seen, findings)
        _other_fields(seen, findings)
    if seen.buildings is not None:
        values = seen.buildings["building_type"].to_numpy(dtype=object)
        with findings.catching("buildings"):
            check_building_kinds(values, seen.params.homes.principal_values)
            _unknown_values(values, seen.params.homes.principal_values, "building_kind_unknown_value", findings)
    if seen.streets is not None and seen.params.fields.street_name:
        names = seen.streets["street_name"].to_numpy(dtype=object)
        blank = np.array([name is None for name in names], dtype=bool)
        if blank.any() and not blank.all():
            findings.say(
                "street_without_name",
                f"{blank.sum():,} of {count(len(names), 'street')} {do(int(blank.sum()), 'has', 'have')} no name.",
                role="streets",
                n=int(blank.sum()),
                of=len(names),
                places_m=_points(seen.streets.geometry.to_numpy()[blank]),
            )


def _points(geometry: ObjectArray) -> FloatArray:
    """A point in or on each shape, NaN where there is none [m], shape (n, 2)."""
    point = shapely.point_on_surface(geometry)
    return np.column_stack([shapely.get_x(point), shapely.get_y(point)])


def _cut_names(seen: Seen, role: str, info: LayerInfo, findings: Findings) -> None:
    if role not in ROLES or not is_shapefile(info.driver, info.path):
        return
    for name in named_fields(seen.params, role).values():
        if (
            len(name) > DBF_NAME_LENGTH
            and name not in info.fields
            and name[:DBF_NAME_LENGTH].lower() in {one[:DBF_NAME_LENGTH].lower() for one in info.fields}
        ):
            findings.say(
                "field_name_cut",
                f"{info.where}: {name!r} is there as {name[:DBF_NAME_LENGTH]!r}.",
                role=role,
                field_name=name,
            )


PUT_RIGHT: Final = {
    "height_in_geometry": ("shape", "has", "have", "heights or measures"),
    "curved_lines": ("shape", "has", "have", "arcs"),
    "id_from_number": ("id", "is", "are", "written as a number"),
}
"""What the reading itself counts, in words."""


def _put_right(seen: Seen, role: str, info: LayerInfo, findings: Findings) -> None:
    """Tell what was put right while reading."""
    short = role.split(" (", maxsplit=1)[0].replace(" ", "_")
    for code, (thing, has, have, what) in PUT_RIGHT.items():
        n = seen.repairs.get(f"{short}.{code}", 0)
        if n:
            sentence = f"{info.where}: {count(n, thing)} {do(n, has, have)} {what}."
            findings.say(code, sentence, role=role, n=n, of=info.n_features)


def _parcels(seen: Seen, findings: Findings) -> None:
    """Ids, addresses and land use of the parcels."""
    lots, fields, params = seen.parcels, seen.params.fields, seen.params
    places = shapely.get_coordinates(shapely.centroid(lots.geometry.to_numpy()))
    where = np.full((len(lots), 2), np.nan)
    where[~(shapely.is_missing(lots.geometry.to_numpy()) | shapely.is_empty(lots.geometry.to_numpy()))] = places
    unnamed = [key for key in ("parcel_id", "address") if not getattr(fields, key)]
    if unnamed:
        what = {"parcel_id": "the ids", "address": "the addresses"}
        findings.say(
            "field_not_named",
            f"[fields] names no field for {' and '.join(what[key] for key in unnamed)} of the parcels.",
            role="parcels",
        )
    ids = lots["parcel_id"].to_numpy(dtype=object)
    blank = np.array([one is None for one in ids], dtype=bool)
    if fields.parcel_id and blank.any() and not blank.all():
        findings.say(
            "id_missing",
            f"{blank.sum():,} of {count(len(ids), 'parcel')} {do(int(blank.sum()), 'has', 'have')} no id in "
            f"{fields.parcel_id!r}.",
            role="parcels",
            field_name=fields.parcel_id,
            n=int(blank.sum()),
            of=len(ids),
            ids=[f"record {i + 1}" for i in np.flatnonzero(blank)[:10]],
            places_m=where[blank],
        )
    if fields.parcel_id and not blank.all():
        _lost_zeros(ids[~blank], fields.parcel_id, findings)
    for key in ("parcel_id", "address", "street", "land_use"):
        name = getattr(fields, key)
        if name:
            _cut_values(seen, name, lots[key].to_numpy(dtype=object), where, findings)
    if fields.address and private_name(fields.address):
        findings.say(
            "address_of_owner",
            f"the field {fields.address!r}, named for the addresses of the lots, seems to be about their owners.",
            role="parcels",
            field_name=fields.address,
        )
    uses = lots["land_use"].to_numpy(dtype=object)
    with findings.catching("parcels"):
        check_land_use(uses, params.homes.land_use)
        _unknown_values(uses, params.homes.land_use, "land_use_unknown_value", findings)
    none = np.array([one is None for one in uses], dtype=bool)
    if fields.land_use and none.any() and not none.all():
        findings.say(
            "land_use_missing",
            f"{none.sum():,} of {count(len(uses), 'parcel')} {do(int(none.sum()), 'has', 'have')} no land use in "
            f"{fields.land_use!r}.",
            role="parcels",
            field_name=fields.land_use,
            n=int(none.sum()),
            of=len(uses),
            ids=[ids[i] or f"record {i + 1}" for i in np.flatnonzero(none)[:10]],
            places_m=where[none],
        )


def value_counts(values: ObjectArray) -> list[tuple[str, int]]:
    """Values with their counts, the most frequent first."""
    counts = Counter(value for value in values if value is not None)
    return sorted(counts.items(), key=lambda one: (-one[1], one[0]))


def _unknown_values(values: ObjectArray, wanted: tuple[str, ...], code: str, findings: Findings) -> None:
    """Tell wanted values that no record has, with the nearest that some have."""
    there = value_counts(values)
    names = [name for name, _ in there]
    for value in wanted:
        if value in names:
            continue
        lower = {name.lower().strip(): name for name in names}
        near = difflib.get_close_matches(value.lower().strip(), list(lower), n=1, cutoff=0.5)
        hint = f"the nearest is {lower[near[0]]!r}" if near else f"there are {_some(there)}"
        role, what = ("parcels", "parcel") if code.startswith("land_use") else ("buildings", "building")
        findings.say(code, f"no {what} has the value {value!r}; {hint}.", role=role)


def _some(counts: list[tuple[str, int]]) -> str:
    shown = ", ".join(f"{name!r} ({n:,})" for name, n in counts[:FEW_VALUES])
    return shown + (f" and {len(counts) - FEW_VALUES} others" if len(counts) > FEW_VALUES else "")


def _lost_zeros(ids: ObjectArray, field_name: str, findings: Findings) -> None:
    """Ids of digits alone, most of one length and some shorter, never with a leading zero: zeros went lost."""
    texts = np.array([str(one) for one in ids], dtype=object)
    if not all(text.isdigit() for text in texts):
        return
    lengths = np.array([len(text) for text in texts])
    longest = int(lengths.max())
    shorter = lengths < longest
    if longest < 6 or any(text.startswith("0") for text in texts):
        return
    # numbers that count up are shorter at the start too; keys of one length are not spread over all sizes
    numbers = np.array([int(text) for text in texts], dtype=object)
    counted_up = int(numbers.max()) < 20 * len(texts)
    if shorter.any() and (~shorter).sum() >= shorter.sum() and not counted_up:
        findings.say(
            "id_lost_zeros",
            f"{int(shorter.sum()):,} of {len(texts):,} ids in {field_name!r} have fewer than the usual {longest} "
            "digits, and none begins with 0.",
            role="parcels",
            field_name=field_name,
            n=int(shorter.sum()),
            of=len(texts),
            ids=list(texts[shorter][:10]),
        )


def _cut_values(seen: Seen, name: str, values: ObjectArray, where: FloatArray, findings: Findings) -> None:
    """Texts of many lengths that pile up at the greatest one: the field was too narrow."""
    rows = np.flatnonzero([value is not None for value in values])
    if len(rows) < 20:
        return
    texts = [str(values[i]) for i in rows]
    lengths = np.array([len(text.encode()) for text in texts])
    widest = int(lengths.max())
    full = lengths == widest
    n_full, n_next = int(full.sum()), int((lengths == widest - 1).sum())
    is_old = is_shapefile(seen.infos["parcels"].driver, seen.infos["parcels"].path)
    if widest < SHORTEST_CUT or len(np.unique(lengths)) < 5 or not (is_old or widest in FULL_WIDTHS):
        return
    many_kinds = len({texts[i][: widest // 2] for i in np.flatnonzero(full)}) >= 3
    if n_full >= 5 and n_full >= 3 * max(n_next, 1) and n_full < 0.7 * len(rows) and many_kinds:
        findings.say(
            "field_cut_short",
            f"{n_full:,} texts of {name!r} are exactly {widest} characters long and none is longer, such as "
            f"{texts[int(np.argmax(full))]!r}: they seem to be cut.",
            role="parcels",
            field_name=name,
            n=n_full,
            of=len(rows),
            places_m=where[rows[full]],
        )


def _other_fields(seen: Seen, findings: Findings) -> None:
    """Fields that nobody named, but that tell something: owners by their names alone, areas and states by values."""
    info = seen.infos["parcels"]
    private = [name for name in info.fields if private_name(name)]
    if private:
        findings.say(
            "owner_field_present",
            f"{info.where} has {count(len(private), 'field')} that {do(len(private), 'seems', 'seem')} to be about "
            f"people ({', '.join(map(repr, private[:6]))}{' and others' if len(private) > 6 else ''}); never read.",
            role="parcels",
            n=len(private),
        )
    areas = [name for name in info.fields if name not in private and AREA_FIELDS.fullmatch(name)][:3]
    states = [name for name in info.fields if name not in private and STATE_FIELDS.fullmatch(name)][:2]
    if not areas and not states:
        return
    with findings.catching("parcels"):
        try:
            data = read_records(info, (*areas, *states), role="parcels")
        except ScreeningError:
            # fields that the run never reads must not stop it
            return
        if len(data.geometry) != len(seen.parcels):
            return
        for name in areas:
            _areas(seen, name, data.text[name], findings)
        for name in states:
            _states(seen, name, data.text[name], findings)


def _states(seen: Seen, name: str, values: ObjectArray, findings: Findings) -> None:
    """Records that say of themselves that they don't count."""
    odd = np.array([value is not None and NOT_CURRENT.fullmatch(value) is not None for value in values], dtype=bool)
    if not odd.any():
        return
    findings.say(
        "status_not_current",
        f"{odd.sum():,} of {count(len(values), 'parcel')} {do(int(odd.sum()), 'is', 'are')} not current by the field "
        f"{name!r}: {_some(value_counts(values[odd]))}.",
        role="parcels",
        field_name=name,
        n=int(odd.sum()),
        of=len(values),
        ids=_ids(seen, odd),
        places_m=_points(seen.parcels.geometry.to_numpy()[odd]),
    )


def _ids(seen: Seen, rows: npt.NDArray[np.bool_]) -> list[Any]:
    ids = seen.parcels["parcel_id"].to_numpy(dtype=object)
    return [ids[i] or f"record {i + 1}" for i in np.flatnonzero(rows)[:10]]


def _numbers(values: ObjectArray) -> FloatArray:
    def one(value: object) -> Iterator[float]:
        try:
            yield float(str(value).replace(",", ""))
        except ValueError:
            yield np.nan

    return np.array([next(one(value)) if value is not None else np.nan for value in values])


def _areas(seen: Seen, name: str, values: ObjectArray, findings: Findings) -> None:
    """Compare an area field with the drawn areas."""
    drawn = shapely.area(seen.parcels.geometry.to_numpy())
    said = _numbers(values)
    usable = np.isfinite(said) & (said > 0) & np.isfinite(drawn) & (drawn > 0)
    if usable.sum() < 20:
        return
    ratio = drawn[usable] / said[usable]
    usual = float(np.median(ratio))
    unit, size_m2 = min(AREA_UNITS_M2.items(), key=lambda one: abs(np.log(usual / one[1])))
    own = _own_scale(seen)
    off = np.zeros(len(drawn), dtype=bool)
    if abs(usual / size_m2 - 1.0) > SAME_UNIT_FRAC:
        if own is not None and abs(usual / own - 1.0) <= SAME_UNIT_FRAC:
            # an area in the layer's own stretched or degree system: what a map program writes by itself
            return
        spread = float(np.median(np.abs(ratio / usual - 1.0)))
        if spread > SAME_UNIT_FRAC:
            findings.say(
                "area_contradicts",
                f"the field {name!r} agrees with the drawn areas in no unit (median ratio {usual:.4g} m2 for 1).",
                role="parcels",
                field_name=name,
                is_mild=True,
            )
            return
        findings.say(
            "area_contradicts",
            f"the field {name!r} differs from the drawn areas by one factor: 1 is {usual:.4g} m2, and the nearest "
            f"unit, {unit}, has {size_m2:.4g} m2; the coordinate system or a unit may be wrong.",
            role="parcels",
            field_name=name,
            n=int(usable.sum()),
        )
        return
    off[usable] = np.abs(ratio / size_m2 - 1.0) > LARGE_ERROR_FRAC
    if off.sum() > MANY_FRAC * usable.sum():
        findings.say(
            "area_contradicts",
            f"{off.sum():,} of {usable.sum():,} parcels have another area than {name!r} says (in {unit}), by more than "
            f"{LARGE_ERROR_FRAC:.0%}.",
            role="parcels",
            field_name=name,
            n=int(off.sum()),
            of=int(usable.sum()),
            ids=_ids(seen, off),
            places_m=_points(seen.parcels.geometry.to_numpy()[off]),
            is_mild=True,
        )


def _own_scale(seen: Seen) -> float | None:
    """True area of one square unit of the parcels' own system [m2], from the boxes before and after."""
    info = seen.infos["parcels"]
    if info.bounds is None or seen.parcels is None:
        return None
    west, south, east, north = info.bounds
    drawn = shapely.total_bounds(seen.parcels.geometry.to_numpy())
    own = (east - west) * (north - south)
    return float((drawn[2] - drawn[0]) * (drawn[3] - drawn[1]) / own) if own > 0 else None
