"""What a person reads at the terminal: what was found, what was guessed, what to confirm."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Final

from screening.survey.place import covered_frac, lies_elsewhere
from screening.survey.proposal import NEEDED
from screening.survey.roles import count_text
from screening.survey.run_file import LONGEST_SAMPLE, field_text, plain_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from screening.survey.facts import LayerFacts, RasterFacts
    from screening.survey.guess import Guess, KeepAwayGuess
    from screening.survey.proposal import Proposal

WIDTH: Final = 110
MOST_FIELDS: Final = 30
MOST_UNUSED: Final = 25
NAME_WIDTH: Final = 24


def report_text(proposal: Proposal) -> str:
    """Say what was found and what was made of it."""
    parts = [
        ("Found", list(_found(proposal))),
        ("Sure", list(_guessed(proposal, sure=True))),
        ("To confirm", list(_guessed(proposal, sure=False))),
        ("Not used", list(_unused(proposal))),
        ("To know", [line for one in proposal.remarks for line in _wrapped(one, "  - ", "    ")]),
    ]
    return "\n\n".join("\n".join([title, *lines]) for title, lines in parts if lines)


def missing_text(proposal: Proposal) -> str:
    """Name what a run can't do without and was not found, in one sentence with the way out."""
    lacking = proposal.missing
    *most, last = (f"no {role} ({NEEDED[role]})" for role in lacking)
    what = f"{', '.join(most)} and {last}" if most else last
    options = " ".join(f"--{role} FILE" for role in lacking)
    return f"found {what}, so no run file was written; add the files, or name them: {options}."


def _found(proposal: Proposal) -> Iterator[str]:
    survey = proposal.survey
    lots = proposal.roles.get("parcels")
    box = None if lots is None else lots.facts.lonlat_bounds
    for look in survey.looks:
        facts = look.facts
        # of a few wells nobody asks how much of the town they cover
        is_elsewhere = lies_elsewhere(box, facts.lonlat_bounds)
        covers = is_elsewhere or (look is not lots and any(look is one for one in proposal.roles.values()))
        yield from _layer_lines(facts, _overlap(box, facts.lonlat_bounds) if covers else "")
    for raster in survey.rasters:
        yield from _raster_lines(raster, _overlap(box, raster.lonlat_bounds))
    rain = proposal.guess("inputs", "rain")
    tables = [table for table in survey.tables if rain is not None and table.path == rain.value]
    for table in tables:
        yield f"  {plain_text(table.where)}: table, {table.n_lines:,} lines; {_listed(table.columns)}"
    if not (survey.looks or survey.rasters or tables):
        yield "  nothing that can be read"


def _layer_lines(facts: LayerFacts, overlap: str) -> Iterator[str]:
    place = facts.crs_text or "no coordinate system"
    unit = f", unit {facts.length_unit}" if facts.length_unit else ""
    yield from _wrapped(
        f"{facts.where}: {count_text(facts.kind, facts.n_records)} ({facts.geometry_type}), {place}{unit}{overlap}",
        "  ",
        "      ",
    )
    for note in facts.notes:
        yield from _wrapped(note, "      ! ", "        ")
    for one in facts.fields[:MOST_FIELDS]:
        text = f"      {plain_text(one.name, LONGEST_SAMPLE):<{NAME_WIDTH}} {field_text(one)}"
        yield text if len(text) <= WIDTH else text[: WIDTH - 3] + "..."
    if len(facts.fields) > MOST_FIELDS:
        yield f"      and {len(facts.fields) - MOST_FIELDS} more fields"


def _raster_lines(raster: RasterFacts, overlap: str) -> Iterator[str]:
    header = raster.header
    cell = "cells of unknown size" if raster.cell_m is None else f"cells of {raster.cell_m:.4g} m"
    bands = "1 band" if header.n_bands == 1 else f"{header.n_bands} bands"
    values = "no values" if raster.lowest is None else f"values from {raster.lowest:,.5g} to {raster.highest:,.5g}"
    unit = f"heights in {raster.height_unit}" if raster.height_unit else "unit of the values not said"
    nodata = "no value for missing cells" if header.nodata is None else f"missing cells {header.nodata:.6g}"
    size = f"{header.width:,} x {header.height:,}" + (" each" if len(raster.paths) > 1 else "")
    yield from _wrapped(
        f"{raster.where}: raster, {size}, {bands}, {cell}, {values}, {unit}, {nodata}, "
        f"{raster.crs_text or 'no coordinate system'}{overlap}",
        "  ",
        "      ",
    )
    for note in raster.notes:
        yield from _wrapped(note, "      ! ", "        ")


def _overlap(lots: tuple[float, float, float, float] | None, other: tuple[float, float, float, float] | None) -> str:
    """Say how much of the box around the parcels a data set covers."""
    if lies_elsewhere(lots, other):
        return ", lies elsewhere than the parcels"
    part = covered_frac(lots, other)
    return "" if part is None else f", covers {part:.0%} of the box around the parcels"


def _guessed(proposal: Proposal, *, sure: bool) -> Iterator[str]:
    """Yield the entries in force that are sure, or those that are not, with what speaks for them."""
    for one in proposal.guesses:
        if one.is_sure == sure and not one.is_suggestion:
            yield from _guess_lines(one, with_reason=not sure)
    for kept in proposal.keep_away:
        if (kept.is_sure and kept.is_sure_distance) == sure and not kept.is_suggestion:
            yield from _keep_away_lines(kept)


def _unused(proposal: Proposal) -> Iterator[str]:
    for name, why in proposal.not_used[:MOST_UNUSED]:
        yield from _wrapped(f"{name}: {why}", "  ", "      ")
    if len(proposal.not_used) > MOST_UNUSED:
        yield f"  and {len(proposal.not_used) - MOST_UNUSED} more"


def _guess_lines(one: Guess, *, with_reason: bool = False) -> list[str]:
    values = one.value if isinstance(one.value, tuple) else (one.value,)
    shown = _listed(tuple(value.name if hasattr(value, "name") else str(value) for value in values))
    text = f"{one.section}.{one.key}: {shown}"
    # the run file has the whole reason
    return _wrapped(f"{text} ({one.why.split('. ')[0]})" if with_reason else text, "  ", "      ")


def _keep_away_lines(one: KeepAwayGuess) -> list[str]:
    text = f"keep away: {one.path.name}{f', {one.layer}' if one.layer else ''}: {one.kind}, {one.distance_m:g} m"
    doubts = [] if one.is_sure else ["whether it is that"]
    doubts += [] if one.is_sure_distance else [f"the distance is {one.why_distance}"]
    return _wrapped(f"{text} ({'; '.join(doubts)})" if doubts else text, "  ", "      ")


def _listed(values: tuple[str, ...], most: int = 8) -> str:
    shown = ", ".join(plain_text(value, LONGEST_SAMPLE) for value in values[:most])
    return f"{shown} and {len(values) - most} more" if len(values) > most else shown


def _wrapped(text: str, first: str, further: str) -> list[str]:
    return textwrap.wrap(
        plain_text(text), WIDTH, initial_indent=first, subsequent_indent=further, break_on_hyphens=False
    )
