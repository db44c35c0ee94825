"""Entries about fields, and about the values that tell homes and houses."""

from __future__ import annotations

from typing import TYPE_CHECKING

from screening.survey.field_names import guess_field, private_fields, remarkable_fields
from screening.survey.lots import house_shares
from screening.survey.proposal import with_others
from screening.survey.soil_map import soil_guesses
from screening.survey.values import RESIDENTIAL, home_values, principal_values, values_listed

if TYPE_CHECKING:
    from screening.survey.facts import FieldFacts, LayerFacts
    from screening.survey.proposal import Proposal
    from screening.survey.vector import LayerLook

LIKELY_FRAC = 0.6
"""Part of the lots of a code with one house from which the code is suggested as that of homes.  Program default."""


def add_fields(result: Proposal) -> None:
    """Find the fields of each layer, and the values that count."""
    lots, buildings, streets, soils = (result.roles.get(role) for role in ("parcels", "buildings", "streets", "soils"))
    street_names: frozenset[str] = frozenset()
    if streets is not None:
        known = _add(result, streets, "street_name")
        street_names = frozenset(value.lower() for value, _ in known.counts) if known is not None else frozenset()
    if lots is not None:
        _add(result, lots, "parcel_id")
        _add(result, lots, "address")
        _add(result, lots, "street", street_names)
        _add_land_use(result, lots, buildings)
        _tell_others(result, lots.facts)
    if buildings is not None:
        _add(result, buildings, "building_id")
        _add_building_type(result, buildings)
        _tell_others(result, buildings.facts)
    if soils is not None:
        entries, is_usable = soil_guesses(soils)
        result.guesses += entries
        if not is_usable:
            result.suggest_only("soils")
            result.remarks.append(
                f"{soils.facts.where} is a soil map, but its symbols say nothing by themselves; the run file shows "
                "what to fill in"
            )


def _add(
    result: Proposal, look: LayerLook, wanted: str, known_streets: frozenset[str] = frozenset()
) -> FieldFacts | None:
    """Add the field of a layer that is what a run wants, unless it already serves for something else."""
    where = f"{look.facts.where}: "
    guess = guess_field(look.facts, wanted, known_streets=known_streets)
    taken = {one.value for one in result.guesses if one.section == "fields" and one.why.startswith(where)}
    if guess is None or guess.field.name in taken:
        return None
    result.add("fields", wanted, guess.field.name, where + with_others(guess.why, guess.others), sure=guess.is_sure)
    return guess.field


def _add_land_use(result: Proposal, lots: LayerLook, buildings: LayerLook | None) -> None:
    known = _add(result, lots, "land_use")
    if known is None:
        result.remarks.append(
            "no field of the parcels tells the land use, so every parcel with a house counts as a home"
        )
        return
    values = home_values(known)
    if values.values:
        why = f"{values.why}. Values of {known.name}: {values_listed(known)}"
        closer = _closer_field(lots.facts, known)
        if closer is not None:
            why += (
                f". Flats may be among them; {closer.name} tells more ({values_listed(closer)}): name it as land_use "
                "under [fields] and list its values here, if that is so"
            )
        result.add("homes", "land_use", values.values, why)
        return
    shares = [] if buildings is None else house_shares(lots, buildings, known.name)
    why = f"{known.name}: {values.why}. Without this line every parcel with a house counts as a home"
    if shares:
        listed = "; ".join(f'"{value}": {part:.0%} of {count:,}' for value, count, part in shares)
        why += f". Part of the lots of each code that hold one building of the size of a house: {listed}"
    chosen = tuple(value for value, _, part in shares if part > LIKELY_FRAC) or known.samples[:1]
    result.add("homes", "land_use", chosen, why, suggested=True)
    result.remarks.append(
        f"{lots.facts.where}: the values of {known.name} are codes, so no land use is left out yet; see [homes] in the "
        "run file"
    )


def _closer_field(facts: LayerFacts, known: FieldFacts) -> FieldFacts | None:
    """Find a field that tells kinds of homes apart, where the land use does not."""
    for field in facts.fields:
        if field.is_private or field.kind != "text" or field.name == known.name or field.n_distinct > 100:
            continue
        if sum(RESIDENTIAL.search(value) is not None for value, _ in field.counts) >= 2:
            return field
    return None


def _add_building_type(result: Proposal, buildings: LayerLook) -> None:
    known = _add(result, buildings, "building_type")
    if known is None:
        return
    values, use = principal_values(known)
    if values.values:
        result.add("homes", "principal_values", values.values, values.why, suggested=not use)


def _tell_others(result: Proposal, facts: LayerFacts) -> None:
    """Tell of fields that a run has no use for, and of those that were left alone."""
    others = remarkable_fields(facts)
    if others:
        listed = ", ".join(f"{name} ({what})" for name, what in others.items())
        result.remarks.append(f"{facts.where} has fields that a run does not use: {listed}")
    private = private_fields(facts)
    if private:
        some = f"{len(private)} fields that seem" if len(private) > 1 else "a field that seems"
        result.remarks.append(f"{facts.where}: {some} to be about people, not looked at: {', '.join(private)}")
