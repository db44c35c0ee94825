"""What the page says: figures for publication in people's units, and the sentences around them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from screening.columns import CAUSE_CODES, REASON_CODES
from screening.report.cautions import CAUTIONS
from screening.report.list_kinds import CANDIDATE
from screening.report.public_lists import PLACE_DIGITS, TOGETHER
from screening.report.publication import RULES, read_publication
from screening.report.quantities import Units, percent
from screening.report.recorded import town_soils, year_spans, years_used
from screening.report.season_text import counted, one_line
from screening.street_plan import PUBLISHED, SOURCES, Response

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from screening.council.season import PlannedSeason
    from screening.report.publication import Publication

MOST_PLACES: Final = 12
"""Places in the list; the map has a number for each of these."""

_MOST_OUTCOMES: Final = 6


@dataclass(frozen=True, slots=True)
class Bar:
    """One row of a chart, which is a table with a bar in each row.

    Attributes
    ----------
    label : str
        What it is.
    cells : tuple of str
        Its numbers in words, one a column.
    value : float
        Length of the bar, in the unit of the chart.
    low, high : float or None
        Ends of its range.
    number : int or None
        Its number on the map.
    is_pale : bool
        Whether the bar is something to measure the others by.
    """

    label: str
    cells: tuple[str, ...]
    value: float
    low: float | None = None
    high: float | None = None
    number: int | None = None
    is_pale: bool = False


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart.

    Attributes
    ----------
    title : str
    label_head : str
        What the labels are.
    heads : tuple of str
        Heads of the columns of numbers.
    bars : tuple of Bar
    notes : tuple of str
        Sentences below it.
    """

    title: str
    label_head: str
    heads: tuple[str, ...]
    bars: tuple[Bar, ...]
    notes: tuple[str, ...] = ()

    @property
    def longest(self) -> float:
        """What the width of the chart stands for."""
        return max((max(bar.value, bar.high or 0.0) for bar in self.bars), default=0.0) or 1.0


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything on the page.

    Attributes
    ----------
    title, standing : str
    figures : tuple of (str, str, str)
        The three numbers at the top: number, what it is, and more of it.
    water, outcomes, places : Chart
    asked, data, limits, cautions : tuple of str
        Sentences.
    plan : tuple of str
        Sentences about a plan of visits; empty without one.
    planned : frozenset of str
        Streets of the plan that may be shown.
    publication : Publication
        Figures and shapes.
    units : Units
    """

    title: str
    standing: str
    figures: tuple[tuple[str, str, str], ...]
    water: Chart
    outcomes: Chart
    places: Chart
    asked: tuple[str, ...]
    data: tuple[str, ...]
    limits: tuple[str, ...]
    cautions: tuple[str, ...]
    plan: tuple[str, ...]
    planned: frozenset[str]
    publication: Publication
    units: Units


STANDING: Final = (
    "A screening from map data. It names no home and decides nothing: every candidate needs a visit, and local codes "
    "and licensed practice decide."
)
_FEW: Final = "not shown (fewer than 10 homes)"


def read_facts(
    path: Path,
    *,
    kind: str | None = None,
    place: str = "",
    plan: PlannedSeason | None = None,
    display_units: str | None = None,
) -> Facts:
    """Gather what the page says.

    Parameters
    ----------
    path : Path
        A result of a run.
    kind : str or None
        What homes are counted by, as in `read_publication`.
    place : str
        Name of the town, for the title; "" for none.
    plan : PlannedSeason or None
        A plan of visits made from the same result.
    display_units : str or None
        ``"metric"`` or ``"us"``; None: the run's ``[output] display_units``.
    """
    publication = read_publication(path, kind)
    record = publication.record
    units = Units(display_units or record.get("param.output.display_units", "metric"))
    where = f" in {one_line(place)}" if place.strip() else ""
    shown = set(publication.tables[publication.kind][publication.place].to_pylist())
    is_marked = plan is not None and plan.may_be_shown and publication.kind == "streets"
    planned = frozenset(plan.streets & shown) if plan is not None and is_marked else frozenset()
    return Facts(
        title=f"Rain gardens{where}: what a screening found",
        standing=STANDING,
        figures=_figures(publication, units),
        water=_water(publication, units, PUBLISHED if plan is None else plan.response),
        outcomes=_outcomes(publication),
        places=_places(publication, units),
        asked=tuple(_asked(record, units)),
        data=tuple(_data(record, units)),
        limits=tuple(_limits(publication, record)),
        cautions=CAUTIONS,
        plan=() if plan is None else tuple(_plan(plan, units, planned)),
        planned=planned,
        publication=publication,
        units=units,
    )


def _total(publication: Publication, name: str) -> Mapping[str, Any]:
    return publication.totals.get(name, {"low": None, "value": None, "high": None})


def _figures(publication: Publication, units: Units) -> tuple[tuple[str, str, str], ...]:
    """Homes, water, and its part of what the roofs shed."""
    homes, read = _total(publication, "n_candidate_homes")["value"], _total(publication, "n_parcels_read")["value"]
    water = _total(publication, "diverted_m3_y")
    runoff = _total(publication, "runoff_roof_m3_y")["value"]
    of_all = f"of {read:,.0f} parcels in the input" if read is not None else ""
    if homes == 0:
        return (("0", "candidate homes", of_all),)
    if homes is None or water["value"] is None:
        return ((_FEW, "candidate homes", of_all), (_FEW, "roof water kept a year", ""))
    share = percent(water["value"] / runoff) if runoff else percent(None)
    span = (
        ""
        if water["low"] is None
        else f"likely; {units.rough_span(water['low'], water['high'], 'm3/y')} in 8 of 10 draws"
    )
    of_runoff = "" if not runoff else f"of the {units.rough(runoff, 'm3/y')} that their roofs shed"
    return (
        (f"{homes:,.0f}", "candidate homes", of_all),
        (units.rough(water["value"], "m3/y"), "of roof water kept if all took part", span),
        (share, "of that roof water", of_runoff),
    )


def _water(publication: Publication, units: Units, response: Response) -> Chart:
    """Volumes: what runs off, what all gardens would keep, and what a part of them would."""
    water, homes = _total(publication, "diverted_m3_y"), _total(publication, "n_candidate_homes")["value"]
    runoff = _total(publication, "runoff_roof_m3_y")["value"]
    bars = []
    if runoff:
        bars.append(Bar("Runs off their roofs", ("", _amount(runoff, units), ""), runoff, is_pale=True))
    if water["value"] is not None and homes:
        for frac in (1.0, *sorted(set(response), reverse=True)):
            low, likely, high = (None if water[end] is None else frac * water[end] for end in ("low", "value", "high"))
            label = "Kept if all take part" if frac == 1.0 else f"Kept if {100 * frac:.3g} of 100 do"
            cells = (f"{frac * homes:,.0f}", _amount(likely, units), _ends(low, high, units))
            bars.append(Bar(label, cells, likely or 0.0, low, high))
    notes = [
        (
            "The bar is the likely volume; the line ends where one draw of ten lies below and one above. How many take "
            "part is a scenario, no forecast."
        )
    ]
    if response == PUBLISHED:
        notes += list(SOURCES)
    if not bars:
        notes = ["No volume is shown." if homes is None else "There is no candidate home, so there is no volume."]
    heads = ("Homes", units.sign("m3/y"), "Low to high")
    return Chart("How much water, in a mean year", "", heads, tuple(bars), tuple(notes))


def _amount(value: float | None, units: Units, *, digits: int = 3) -> str:
    """Write a volume without its unit, which stands in the head of the column."""
    return units.rough(value, "m3/y", digits=digits).removesuffix(" " + units.sign("m3/y"))


def _ends(low: float | None, high: float | None, units: Units, *, digits: int = 3) -> str:
    if low is None or high is None:
        return ""
    return f"{_amount(low, units, digits=digits)} to {_amount(high, units, digits=digits)}"


_SHORT: Final[Mapping[str, str]] = {
    CANDIDATE: "Candidate: a garden fits that keeps every rule",
    TOGETHER: "All other outcomes together",
    **{code: text[:1].upper() + text[1:] for code, text in REASON_CODES.items()},
    "merged": "Counts with another parcel of the same outline",
}


def _outcomes(publication: Publication) -> Chart:
    rows = publication.tables["reasons"].to_pylist()
    bars = [
        Bar(
            _SHORT.get(row["outcome_code"], row["outcome_code"]),
            (f"{row['n_parcels']:,}", "" if row["parcels_frac"] is None else percent(row["parcels_frac"])),
            row["n_parcels"],
        )
        for row in rows
    ]
    notes: tuple[str, ...] = ()
    if len(bars) > _MOST_OUTCOMES:
        last = bars[_MOST_OUTCOMES:]
        bars = bars[:_MOST_OUTCOMES]
        notes = (f"And {sum(int(bar.value) for bar in last):,} parcels with {len(last)} further outcomes.",)
    return Chart("What became of the parcels", "Outcome", ("Parcels", "Part"), tuple(bars), notes)


def _places(publication: Publication, units: Units) -> Chart:
    rows = publication.tables[publication.kind].to_pylist()
    named = [row for row in rows if row.get("diverted_m3_y") is not None]
    rest = [row for row in rows if row.get("diverted_m3_y") is None]
    bars = []
    for number, row in enumerate(named[:MOST_PLACES], start=1):
        low, likely, high = (row[f"diverted{end}_m3_y"] for end in ("_low", "", "_high"))
        amount, span = (
            _amount(likely, units, digits=PLACE_DIGITS),
            _ends(low, high, units, digits=PLACE_DIGITS),
        )
        cells = (f"{row['n_candidates']:,}", amount, span)
        bars.append(Bar(one_line(str(row[publication.place])), cells, likely, low, high, number))
    notes = []
    if len(named) > MOST_PLACES:
        notes.append(
            f"And {len(named) - MOST_PLACES:,} more {publication.kind} with 10 candidate homes or more: "
            "they are in the copy for publication."
        )
    for row in rest:
        name = row[publication.place]
        what = (
            f"{publication.kind} with fewer than 10, and what has to stand with them so that they cannot be found"
            if name == TOGETHER
            else f"no {publication.place}"
        )
        notes.append(f"{row['n_candidates']:,} candidate homes are counted together: {what}.")
    if not named:
        notes.append(f"No {publication.place} has 10 candidate homes, so none is shown.")
    if publication.kind == "squares":
        notes.append("Squares are named by their south-west corner: metres east, metres north.")
    return Chart(
        "Where",
        publication.place.capitalize(),
        ("Homes", f"Kept, {units.sign('m3/y')}", "Low to high"),
        tuple(bars),
        tuple(notes),
    )


def _number(record: Mapping[str, str], key: str) -> float | None:
    try:
        return float(record.get(key, ""))
    except ValueError:
        return None


def _asked(record: Mapping[str, str], units: Units) -> Iterator[str]:
    """What was asked: which homes, which rules."""
    eligible = record.get("param.homes.land_use", "").replace(";", ", ")
    who = f"parcels with the land use {one_line(eligible)}" if eligible else "every parcel"
    yield f"Does a rain garden fit on the lot that takes water from the roof by itself? Asked of {who} with a house."
    part = record.get("bounds_m")
    if part:
        yield f"Only for the part of the town inside the box {part} (metres)."
    basement = record.get("param.rules.basement")
    rules = [
        ("foundation_no_basement_m" if basement == "no" else "foundation_m", "m", "at least {} from buildings"),
        ("lot_line_m", "m", "at least {} from the lot line"),
        ("max_slope_pct", "%", "ground no steeper than {}"),
        ("max_run_m", "m", "at most {} from the downspout"),
        ("min_fall_pct", "%", "with at least {} of fall"),
        ("min_garden_area_m2", "m2", "no smaller than {}"),
    ]
    told = [
        words.format(units.limit(value, unit))
        for name, unit, words in rules
        if (value := _number(record, f"param.rules.{name}")) is not None
    ]
    yield f"Rules ({record.get('param.rules.base', 'not recorded')}): {'; '.join(told)}."
    kept = [one.split(",") for one in record.get("param.inputs.keep_away", "").split(";") if one]
    away = [f"{one[0]} {units.limit(float(one[1]), 'm')}" for one in kept if len(one) > 1 and _is_number(one[1])]
    if away:
        yield f"Kept away from: {', '.join(away)}."
    yield "The overflow of a full garden must not run at a building."


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


_ROLES: Final = ("parcels", "buildings", "elevation", "streets", "districts", "downspouts", "soils", "rain")


def _data(record: Mapping[str, str], units: Units) -> Iterator[str]:
    """Which data: files with their digests, rain, soil, program."""
    files = []
    names = [key.removeprefix("input.").removesuffix(".name") for key in record if _is_name(key)]
    for role in sorted(names, key=lambda one: (_ROLES.index(one) if one in _ROLES else len(_ROLES), one)):
        digests = [text for key, text in sorted(record.items()) if key.startswith(f"input.{role}.sha256.")]
        name = one_line(record[f"input.{role}.name"])
        what = role.split("(")[-1].rstrip(")") if role.startswith("keep_away") else role
        files.append(f"{what} {name} ({digests[0][:8] if digests else 'no digest'})")
    yield f"Files, with the first digits of their SHA-256: {'; '.join(files)}."
    cell = _number(record, "elevation_cell_m")
    if cell is not None:
        yield f"Elevation in cells of {units.limit(cell, 'm')}."
    years = years_used(record)
    if years:
        yield f"Rain of {counted(len(years), 'year')} ({year_spans(years)})."
    else:
        yield "No rain record: assumed storms, so the volumes are rough."
    rates = [value for name in town_soils(record) if (value := _number(record, f"soil.{name}.rate_mm_h")) is not None]
    if rates:
        low, high = min(rates), max(rates)
        shown = (
            units.limit(low, "mm/h") if low == high else f"{units.limit(low, 'mm/h')} to {units.limit(high, 'mm/h')}"
        )
        assumed = "assumed for all lots" if len(rates) == 1 else f"{len(rates)} soils"
        yield f"Soil takes in {shown} ({assumed}); a test on site decides."
    version, crs = record.get("screening_version", "of an unknown version"), record.get("crs_name", "not recorded")
    yield f"Program screening {version}; coordinates {crs}."


def _is_name(key: str) -> bool:
    return key.startswith("input.") and key.endswith(".name")


def _limits(publication: Publication, record: Mapping[str, str]) -> Iterator[str]:
    """What the page is not."""
    yield "It is no list of homes that will get a garden: owners decide, and a visit may end with no."
    yield "The volumes are those of gardens built as proposed and kept up; what gets built is a part of them."
    causes = {
        name.removeprefix("cause_frac."): row["value"]
        for name, row in publication.totals.items()
        if name.startswith("cause_frac.") and row["value"]
    }
    widest = max(causes.items(), key=lambda one: one[1], default=("", 0.0))
    unsure = f" What widens it most: {CAUSE_CODES.get(widest[0], widest[0])}." if widest[0] else ""
    yield (
        "The range covers the soil's rate, the roofs, and which year it is, as far as that can be told from maps; "
        f"nothing was calibrated on built gardens.{unsure}"
    )
    yield "Maps don't show wet basements, buried pipes, true downspouts or the soil of a yard."
    if not years_used(record):
        yield "Without a rain record the volumes rest on assumed storms."
    yield " ".join(RULES[:2])


def _plan(plan: PlannedSeason, units: Units, planned: frozenset[str]) -> Iterator[str]:
    """What a season's plan asks for and may bring."""
    if not plan.may_be_shown:
        yield "The plan of visits is about fewer than 10 homes, so nothing of it is shown."
        return
    # to tens, and without the number of street sides: a street's homes less its visits would be a small count
    n_visits = 10 * round(plan.n_visits / 10)
    yield f"About {counted(n_visits, 'visit')}."
    response = plan.response
    low, likely, high = plan.volume
    span = units.rough_span(response.low_frac * low, response.high_frac * high, "m3/y", digits=PLACE_DIGITS)
    expected = units.rough(response.likely_frac * likely, "m3/y", digits=PLACE_DIGITS)
    yield (
        f"If {100 * response.likely_frac:.3g} of 100 homes visited take a garden: about "
        f"{n_visits * response.likely_frac:,.0f} gardens, {expected}; from {100 * response.low_frac:.3g} to "
        f"{100 * response.high_frac:.3g} of 100, and with the range of the water, {span}."
    )
    if planned:
        yield f"Streets of the plan are marked on the map: {', '.join(sorted(planned))}."
        yield "Streets with fewer than 10 candidate homes would not be marked."


def paragraphs(facts: Facts) -> Sequence[tuple[str, tuple[str, ...]]]:
    """Return the texts of the page with their heads, in the order of the page."""
    found = [("What was asked", facts.asked), ("Which data", facts.data)]
    if facts.plan:
        found.append(("This season's visits", facts.plan))
    return [*found, ("What this is not", facts.limits), ("Before anybody digs", facts.cautions)]
