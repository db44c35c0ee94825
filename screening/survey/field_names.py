"""Which field is what: points for the name, points for what the values are like."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from screening.survey.values import HOUSE_KIND, RESIDENTIAL
from screening.survey.words import run_together, word_set, words_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from screening.survey.facts import FieldFacts, LayerFacts

DBF_NAME_LENGTH: Final = 10

NAMES: Final[Mapping[str, frozenset[str]]] = {
    "parcel_id": word_set(
        "parcelid parcel parcelno parcelnum parcelnumber parcelnumb parcelnbr parcelkey pin pin10 pin13 pin14 pinnum "
        "pinno apn apnno ain bbl mapbklot mapblklot mapblocklot maplot mblu stateid locid taxparcelid taxparcel "
        "taxlotid taxid taxkey taxpin gislink parid parcid pid prclid prclno prcl tmk parno upi ppn folio strap "
        "altkey geopin lotid lotno plotid plotno propid propertyid rollnum rollno arn flstkennz "
        "flurstueckskennzeichen cadastralref nationalcadastralreference inspireid parcelapn taxmapno taxmap sbl "
        "printkey"
    ),
    "address": word_set(
        "siteaddress siteadress siteaddr siteadd propaddrs propaddress propaddr proploc proplocation location "
        "locaddr locaddress situs situsaddr situsaddress situsadd fulladdr fulladdress propertyaddress propertyaddr "
        "physaddr physicaladdress phyaddr phyaddr1 situs1 adresse anschrift addressfull parceladdress addrfull"
    ),
    "street": word_set(
        "street streetname stname strname roadname propstreet sitestreet fullstreet situsstreet locstreet streetnm "
        "addrstreet fullstr strasse"
    ),
    "land_use": word_set(
        "landuse use usecode usedesc usedescription landusecode landusecd landusedesc landusedescription luc lu "
        "lucode ludesc propclass propertyclass propclassdesc propuse propertyuse propusedesc usecd usecode1 doruc "
        "dorcode dorusecode useclass useclass1 usetype bldgclass landuse1 nutzung propertytype proptype classcd "
        "classcode classdesc class luse existinguse existinglanduse parcelclass statecode taxclass primaryuse "
        "landusetype"
    ),
    "building_type": word_set(
        "bldgtype buildingtype type bldgtyp use bldguse buildinguse usage class subtype category building function "
        "occupancy structuretype structtype structure feature featurecode featcode featuretype kind style bldgstyle "
        "bldgclass buildingclass description descr desc"
    ),
    "building_id": word_set(
        "buildingid bldgid bin structid structureid footprintid footprint uid id egid gebid doitt doittid bldguid "
        "buildingnumber buildingkey bldgno"
    ),
    "street_name": word_set(
        "name fullname streetname stname strname roadname street road rdname label fullstreet streetnam streetnm "
        "fullstname strasse nom linearnam stfullname fename"
    ),
    "soil": word_set(
        "hydgrp hydgrpdcd hydrolgrp hydrolgrpd hydrologicgroup hydrologicgrp hydgroup hsg soilgroup soilgrp texture "
        "texcl soil soiltype soilclass soiltexture soilhydgrp"
    ),
    "district": word_set(
        "name district districtname neighborhood neighbourhood nbhd nhood ward wardname sewershed watershed basin "
        "catchment label community"
    ),
}
"""Names met in cities' files, run together in lower case; a shapefile's ten letters of them count as well.
Common practice, no source; those of parcels from trade files of Maine, New York, Milwaukee, Honolulu and others."""

PATTERNS: Final[Mapping[str, re.Pattern[str]]] = {
    "parcel_id": re.compile(
        r"(tax|gis|county|city)?(par|parcel|prcl|pcl|lot|plot|taxlot)s?_?(id|no|num|nbr|key|pin)\d?|map_?(blk|block)?_?lot.*|(.*_)?(pin|apn)_?(no|num|id)?\d*"
    ),
    "address": re.compile(
        r"(site|situs|prop(erty)?|phys?(ical)?|loc(ation)?|full|street|st|parcel)?_?(ad+r(es+)?s?|loc).*"
    ),
    "street": re.compile(r"(prop|site|situs|loc|addr)?_?(st|str|street|road|rd)_?(name|nam|nm)"),
    "land_use": re.compile(
        r"(land|prop(erty)?|par|parcel|exist(ing)?|current|primary)_?(use|usage|class|cls|type).*|use_?(code|cd|desc|class|type).*|lu_?(code|desc|cat|class).*"
    ),
    "building_type": re.compile(r"(bldg|building|struct(ure)?|house)_?(type|typ|use|class|style|cat|kind|desc).*"),
    "building_id": re.compile(r"(bldg|building|struct(ure)?|footprint|fp|gebaeude)_?(id|no|num|key|uid)"),
    "street_name": re.compile(r"(full|street|st|str|road|rd)_?(name|nam|nm).*"),
    "soil": re.compile(r"hyd(rol?)?(ogic)?_?(gr|group|soil).*|soil_?(group|grp|text|type|class).*"),
    "district": re.compile(r".*(district|neighbou?rh|ward|sewershed|watershed|basin)_?(name|nam|nm)?"),
}
"""Names that are put together from such words."""

ROW_NUMBERS: Final = word_set("objectid fid gid oid ogcfid globalid id rowid recno featureid")
"""Identifiers of records, not of lots: another export may number them anew."""

MEASURES: Final = word_set(
    "area acres acreage acre length len perimeter shape sqft hectares value val total tax assessed year yr date "
    "price height elev count width depth zip zipcode phone lat lon x y longitude latitude"
)
"""Words of fields that measure or value something."""

COMMENT_NAMES: Final[Mapping[str, re.Pattern[str]]] = {
    "number of dwellings": re.compile(
        r"(num|no|nbr|n)?_?(of)?_?(liv(ing)?|dwlg|dwell(ing)?s?|res(idential)?|total|tot)?_?(units?|dwellings?|apts?|du)(_?res|_?cnt|_?count)?|num_?bldgs?|dwlg_?units?"
    ),
    "year built": re.compile(r"(act(ual)?|eff)?_?(yr|year)_?(blt|built|bld|constr?).*|built_?(yr|year)|baujahr"),
    "building height": re.compile(
        r"(bldg|building|roof|max|avg|mean|median|ridge|eave)?_?(height|hgt|ht)_?(roof|m|ft|2k|max)?|heightroof|h_?max|hoehe"
    ),
    "number of storeys": re.compile(r"(num|no|n)?_?(stor(y|ies|eys?)|floors?|levels?)(_?num|_?cnt)?|numfloors"),
}
"""Fields worth telling of, though a run has no use for them."""


USABLE_KINDS: Final = ("text", "whole number", "number", "true or false")
"""Kinds of fields that may be what a run wants."""


@dataclass(frozen=True, slots=True)
class FieldGuess:
    """The field that fits best.

    Attributes
    ----------
    field : FieldFacts
        It.
    is_sure : bool
        Whether name and values agree, and no other field comes near.
    why : str
        What speaks for it.
    others : tuple of str
        Fields that come near.
    """

    field: FieldFacts
    is_sure: bool
    why: str
    others: tuple[str, ...]


def guess_field(facts: LayerFacts, wanted: str, *, known_streets: frozenset[str] = frozenset()) -> FieldGuess | None:
    """Find the field of a layer that is what a run wants; None if none is.

    Parameters
    ----------
    facts : LayerFacts
        The layer.
    wanted : str
        Name in ``[fields]``.
    known_streets : frozenset of str
        Names of the street layer in lower case.
    """
    scored = []
    for field in facts.fields:
        if field.is_private or field.kind not in USABLE_KINDS or not field.n_known:
            continue
        name = _name_points(field.name, wanted)
        content, words = _CONTENT[wanted](field, known_streets)
        if name + content >= _LEAST[wanted] and (name > 0 or content >= 3):
            scored.append((name + content, name, content, words, field))
    if not scored:
        return None
    # the first field of the file wins a tie
    scored.sort(key=lambda row: -row[0])
    points, name, content, words, field = scored[0]
    near = tuple(row[4].name for row in scored[1:] if row[0] >= points - 1)
    return FieldGuess(field, name >= 3 and content >= 2 and not near, words, near)


def remarkable_fields(facts: LayerFacts) -> dict[str, str]:
    """Name the fields worth telling of, each with what it is; a run has no use for them."""
    return {
        field.name: what
        for field in facts.fields
        for what, pattern in COMMENT_NAMES.items()
        if not field.is_private and field.n_known and pattern.fullmatch(field.name.lower())
    }


def private_fields(facts: LayerFacts) -> list[str]:
    """Names of the fields that seem to be about people."""
    return [field.name for field in facts.fields if field.is_private]


def _name_points(name: str, wanted: str) -> int:
    """Points of a field's name: 5 for a known one, 4 for one that is put together like them, 2 for a row number."""
    plain = run_together(name)
    known = NAMES[wanted]
    if wanted in ("parcel_id", "building_id") and plain in ROW_NUMBERS:
        return 2 if plain == "id" else 1
    is_cut = len(name) == DBF_NAME_LENGTH
    if plain in known or (is_cut and any(word.startswith(plain) for word in known)):
        return 5
    if PATTERNS[wanted].fullmatch(re.sub(r"[\s.\-]+", "_", name.lower())):
        return 4
    return -6 if MEASURES & set(words_of(name)) else 0


def _id_content(field: FieldFacts, _: frozenset[str]) -> tuple[int, str]:
    words = f"{field.n_distinct:,} different values in {field.n_records:,} records"
    if field.n_missing:
        words += f", {field.n_missing:,} without one"
    if field.kind not in ("text", "whole number") or field.missing_frac > 0.5:
        return -6, words
    if field.n_known < 3:
        return 0, words
    if field.distinct_frac >= 0.9:
        return 3 if field.missing_frac <= 0.1 else 1, words
    return (0 if field.distinct_frac >= 0.5 else -4), words


def _building_id_content(field: FieldFacts, _: frozenset[str]) -> tuple[int, str]:
    points, words = _id_content(field, _)
    # a building's identifier that isn't its own is worse than none: a run makes one from its place
    return (points if field.distinct_frac >= 0.99 and field.missing_frac <= 0.01 else -6), words


def _address_content(field: FieldFacts, _: frozenset[str]) -> tuple[int, str]:
    words = f"{field.address_frac:.0%} of its values look like addresses"
    if field.kind != "text":
        return -6, words
    if field.address_frac >= 0.5:
        return (4 if field.distinct_frac > 0.3 else 1), words
    return (1 if field.address_frac >= 0.2 else -3), words


def _street_content(field: FieldFacts, known_streets: frozenset[str]) -> tuple[int, str]:
    words = f"{field.street_frac:.0%} of its values end like street names"
    if field.kind != "text" or field.address_frac > 0.3:
        return -6, words
    values = [value.lower() for value, _ in field.counts]
    shared = sum(value in known_streets for value in values) / max(len(values), 1)
    if shared > 0.3:
        return 5, f"{shared:.0%} of its values are names of the street layer"
    if field.street_frac >= 0.5:
        return 3 if field.distinct_frac < 0.7 else 1, words
    return -1, words


def _street_name_content(field: FieldFacts, _: frozenset[str]) -> tuple[int, str]:
    words = f"{field.street_frac:.0%} of its values end like street names"
    if field.kind != "text":
        return -6, words
    return (3 if field.street_frac >= 0.5 else 0), words


def _kinds_content(pattern: re.Pattern[str]) -> Callable[[FieldFacts, frozenset[str]], tuple[int, str]]:
    def content(field: FieldFacts, _: frozenset[str]) -> tuple[int, str]:
        words = f"{field.n_distinct:,} different values"
        if field.kind not in ("text", "whole number") or field.n_distinct > 500 or field.missing_frac > 0.9:
            return -6, words
        if field.n_distinct > 20 and field.distinct_frac > 0.3:
            return -6, words
        speaking = [value for value, _ in field.counts if pattern.search(value)]
        if speaking:
            return 4, f"{words}, among them {_quoted(speaking[:2])}"
        return (1 if field.n_distinct > 1 else -1), words

    return content


def _soil_content(field: FieldFacts, _: frozenset[str]) -> tuple[int, str]:
    from screening.errors import ParameterError  # noqa: PLC0415
    from screening.soils.words import read_words  # noqa: PLC0415

    words = f"{field.n_distinct:,} different values"
    if field.kind != "text":
        return -6, words
    for value, _count in field.counts:
        try:
            read_words(value)
        except ParameterError:
            return -6, f"{value!r} is no soil in words"
    return 4, f"every value is a soil that can be read, such as {_quoted(field.samples[:2])}"


def _district_content(field: FieldFacts, _: frozenset[str]) -> tuple[int, str]:
    words = f"{field.n_distinct:,} different values"
    return (2 if field.kind == "text" and field.distinct_frac > 0.5 and not field.n_missing else -6), words


def _quoted(values: Sequence[str]) -> str:
    return " and ".join(f'"{value}"' for value in values)


_CONTENT: Final[Mapping[str, Callable[[FieldFacts, frozenset[str]], tuple[int, str]]]] = {
    "parcel_id": _id_content,
    "building_id": _building_id_content,
    "address": _address_content,
    "street": _street_content,
    "land_use": _kinds_content(RESIDENTIAL),
    "building_type": _kinds_content(HOUSE_KIND),
    "street_name": _street_name_content,
    "soil": _soil_content,
    "district": _district_content,
}

_LEAST: Final[Mapping[str, int]] = {
    "parcel_id": 4,
    "building_id": 5,
    "address": 4,
    "street": 5,
    "land_use": 5,
    "building_type": 5,
    "street_name": 3,
    "soil": 4,
    "district": 5,
}
"""Points from which a field is taken at all; program defaults."""
