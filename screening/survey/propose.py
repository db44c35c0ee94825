"""From what was found to what would stand in a run file."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from screening.errors import InputError
from screening.rules import DEFAULT_RULE_SET
from screening.survey.elevation_entries import add_elevation
from screening.survey.field_entries import add_fields
from screening.survey.field_names import guess_field
from screening.survey.heights import no_elevation
from screening.survey.keep_away import guess_keep_away
from screening.survey.names import name_evidence, names_of
from screening.survey.place import lies_elsewhere
from screening.survey.proposal import Proposal, with_others
from screening.survey.rain import guess_rain
from screening.survey.roles import guess_role
from screening.survey.systems import coordinate_fault
from screening.survey.words import words_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from screening.survey.look import Survey
    from screening.survey.proposal import Named
    from screening.survey.roles import RoleGuess
    from screening.survey.vector import LayerLook

LAYER_ROLES: Final = ("parcels", "buildings", "streets", "downspouts", "soils", "districts")

PLACE_LAYERS: Final = 4
PLACE_FRAC: Final = 0.7
"""A word in the names of so many layers, and this part of them, is the place's: the lake of Lake County is no water."""


def propose(survey: Survey, named: Mapping[str, Named] | None = None) -> Proposal:
    """Guess what everything is.

    Parameters
    ----------
    survey : Survey
        Everything that was found.
    named : mapping of str to Named
        What a person has named, by input.

    Returns
    -------
    Proposal

    Raises
    ------
    InputError
        If what a person has named holds nothing that can serve.
    """
    result = Proposal(survey=survey, named=named or {})
    place = _place_words(survey.looks)
    free = list(survey.looks)
    for role in LAYER_ROLES:
        guess = _layer(result, role, free, place)
        if guess is None:
            continue
        if role == "districts":
            _suggest_districts(result, guess)
            continue
        free.remove(guess.look)
        _add_layer(result, role, guess)
    lots = result.roles.get("parcels")
    add_elevation(result, lots)
    _add_rain(result)
    if lots is not None:
        for look in list(free):
            kept = guess_keep_away(look, lots, place)
            if kept is not None:
                result.keep_away.append(kept)
                free.remove(look)
    add_fields(result)
    if not result.missing:
        why = (
            "the default. `screening rules` lists the sets by jurisdiction, `screening rules NAME` one with its sources"
        )
        result.add("rules", "base", DEFAULT_RULE_SET, f"{why}; local codes decide")
    _tell_unused(result, free, place)
    return result


def _place_words(looks: list[LayerLook]) -> frozenset[str]:
    """Words that stand in most names, and so say nothing of a single layer."""
    names = {" ".join(names_of(look.facts)) for look in looks}
    if len(names) < PLACE_LAYERS:
        return frozenset()
    counts = Counter(word for name in names for word in set(words_of(name)))
    return frozenset(word for word, n in counts.items() if n >= PLACE_FRAC * len(names))


def _layer(result: Proposal, role: str, free: list[LayerLook], place: frozenset[str]) -> RoleGuess | None:
    """Find the layer of a role, in the file that was named for it if one was."""
    lots = result.roles.get("parcels")
    named = result.named.get(role)
    if named is None:
        # what was named for something else isn't free
        others = [one for other, one in result.named.items() if other != role]
        left = [look for look in free if not any(one.has_layer(look.facts) for one in others if one.layer)]
        left = [look for look in left if look.facts.n_layers > 1 or not any(o.has_layer(look.facts) for o in others)]
        return guess_role(role, left, within=lots, place=place)
    inside = [look for look in free if named.has_layer(look.facts)]
    guess = guess_role(role, inside, within=lots, place=place, is_named=True)
    if guess is not None:
        return guess
    for path, why in result.survey.left_out:
        if named.holds(path):
            msg = f"{path.name} {why}; name another file with --{role}."
            raise InputError(msg)
    there = [
        f"{look.facts.layer!r} ({look.facts.geometry_type}, {look.facts.n_records:,} records)"
        for look in result.survey.looks
        if named.holds(look.facts.path)
    ]
    what = f"no layer {named.layer!r} for the {role}" if named.layer else f"no layer that can be the {role}"
    msg = f"{named.text} holds {what} (it has {', '.join(there) or 'none'}); name another file with --{role}."
    raise InputError(msg)


def _add_layer(result: Proposal, role: str, guess: RoleGuess) -> None:
    """Take a layer for a role, with its layer name and its system where the file doesn't say them."""
    facts = guess.look.facts
    result.roles[role] = guess.look
    result.add("inputs", role, facts.path, with_others(guess.why, guess.others), sure=guess.is_sure)
    if facts.n_layers > 1:
        result.add(
            "inputs.layers", role, facts.layer, f"one of {facts.n_layers} layers of the file", sure=guess.is_sure
        )
    stated = result.survey.systems.get((facts.path, facts.layer))
    fault = coordinate_fault(facts.crs, facts.bounds)
    if stated is not None:
        result.add("inputs.crs", role, stated.text, stated.why)
    elif fault:
        result.add("inputs.crs", role, "EPSG:...", f"the file {fault}; find out the true one", suggested=True)
        result.remarks.append(f"{facts.where} {fault}; write its true system under [inputs.crs] before a run")


def _suggest_districts(result: Proposal, guess: RoleGuess) -> None:
    """Suggest areas for totals; nobody needs them."""
    facts = guess.look.facts
    name = guess_field(facts, "district")
    if name is None or facts.crs is None:
        return
    why = f"{guess.why}; take this in if you want totals by these areas"
    result.add("inputs", "districts", facts.path, why, suggested=True)
    result.add("fields", "district", name.field.name, f"{facts.where}: {name.why}", suggested=True)
    if facts.n_layers > 1:
        result.add("inputs.layers", "districts", facts.layer, "goes with districts above", suggested=True)


def _add_rain(result: Proposal) -> None:
    """Find the rain record among the tables."""
    tables, named = result.survey.tables, result.named.get("rain")
    if named is not None:
        tables = [one for one in tables if named.holds(one.path)]
        if not tables:
            why = next((f" {why}" for path, why in result.survey.left_out if named.holds(path)), " is no table")
            msg = f"{named.text}{why}; name a CSV file with the columns time and rain_mm with --rain."
            raise InputError(msg)
    guess = guess_rain(tables, is_named=named is not None)
    if guess is None:
        if not result.missing:
            result.remarks.append(
                "no rain record was found, so yearly volumes will rest on assumed storms; a CSV file with the columns "
                "time and rain_mm, hourly or daily, makes them worth more"
            )
        return
    result.add("inputs", "rain", guess.table.path, guess.why, sure=guess.is_sure, suggested=not guess.is_usable)
    if not guess.is_usable:
        result.remarks.append(f"{guess.table.where}: {guess.why}")
        return
    result.roles["rain"] = guess.table
    if guess.unit != "mm":
        result.add("rain", "unit", guess.unit, "as the column is called", sure=True)


def _tell_unused(result: Proposal, free: list[LayerLook], place: frozenset[str]) -> None:
    """List what nothing is done with, each with the reason."""
    lots = result.roles.get("parcels")
    mentioned = {one.value for one in result.guesses if one.section == "inputs"}
    for look in free:
        facts = look.facts
        why = name_evidence(facts, place).not_used or "no input that a run knows, by its names and shapes"
        if not facts.n_records:
            why = "it holds no record"
        elif facts.path in mentioned and facts.n_layers == 1:
            continue
        elif lots is not None and lies_elsewhere(lots.facts.lonlat_bounds, facts.lonlat_bounds):
            why = "it lies elsewhere than the parcels"
        result.not_used.append((facts.where, why))
    chosen = result.roles.get("elevation")
    for raster in result.survey.rasters:
        if chosen is None or not set(raster.paths) <= set(chosen.paths):
            result.not_used.append((raster.where, no_elevation(raster) or "another raster fits better"))
    result.not_used += [
        (table.where, "it is a table, and no rain record")
        for table in result.survey.tables
        if table.path not in mentioned
    ]
    result.not_used += [(path.name, why) for path, why in result.survey.left_out]
