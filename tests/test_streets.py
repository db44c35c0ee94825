"""Street names: which spellings are one street, and how its name is written."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from screening.streets import one_spelling, street_key, street_of, street_totals

CRS = "EPSG:26915"


def names(*given_names):
    return np.array(given_names, dtype=object)


def street_layer(*given_names):
    """A street of 100 m for each name, 200 m apart."""
    lines = [shapely.LineString([(0, 200 * i), (100, 200 * i)]) for i in range(len(given_names))]
    return gpd.GeoDataFrame({"street_name": list(given_names)}, geometry=lines, crs=CRS)


# Words and abbreviations: USPS Publication 28, Postal Addressing Standards, appendix C1 and section 233, from memory.
@pytest.mark.parametrize(
    ("word", "short"),
    [
        ("LANE", "LN"),
        ("STREET", "ST"),
        ("AVENUE", "AVE"),
        ("ROAD", "RD"),
        ("DRIVE", "DR"),
        ("COURT", "CT"),
        ("CIRCLE", "CIR"),
        ("PLACE", "PL"),
        ("BOULEVARD", "BLVD"),
        ("TERRACE", "TER"),
        ("HIGHWAY", "HWY"),
        ("PARKWAY", "PKWY"),
        ("WAY", "WAY"),
        ("TRAIL", "TRL"),
        ("SQUARE", "SQ"),
        ("ALLEY", "ALY"),
    ],
)
def test_usual_street_types_count_as_their_abbreviations(word, short):
    assert street_key(f"Alder {word.title()}") == street_key(f"ALDER {short}.") == f"ALDER {short}"


@pytest.mark.parametrize(
    "spellings",
    [
        ("Alder Street", "ALDER STREET", "alder st", " Alder  St. "),
        ("North Alder Street", "N Alder St", "N. Alder St", "N.Alder St", "NORTH ALDER ST."),
        ("Alder Street Northwest", "ALDER ST NW", "Alder St. N.W.", "Alder St N. W.", "Alder Street North West"),
        ("North East Street", "N East St", "N. EAST STREET"),
        ("Old Highway 9 North", "OLD HWY 9 N", "Old Hwy. 9 N."),
        ("Avenue B", "AVE B", "Ave. B"),
        ("Alder Street Extension", "ALDER ST EXT"),
        ("J.F.K. Boulevard", "JFK BLVD"),
        ("West End Avenue", "W END AVE"),
        ("Park Place", "PARK PL"),
    ],
)
def test_spellings_of_one_street(spellings):
    assert len({street_key(name) for name in spellings}) == 1


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Alder Street", "Alder Lane"),
        ("Alder Street", "Alder"),
        ("North Alder Street", "South Alder Street"),
        ("North Alder Street", "Alder Street"),
        ("North Alder Street", "Alder Street North"),
        ("North Street", "N Street"),  # a lettered street
        ("East Street", "E Street"),
        ("North East Street", "Northeast Street"),
        ("Avenue North", "Avenue N"),
        ("St Paul Street", "Street Paul Street"),  # a saint
        ("Court Street", "Ct Street"),
        ("1st Street", "11th Street"),
        ("Highway 9", "Highway 19"),
        ("", "Alder Street"),
    ],
)
def test_other_streets_stay_others(one, other):
    assert street_key(one) != street_key(other)


WORDS = (
    "North",
    "N.",
    "w",
    "EAST",
    "NW",
    "Street",
    "st",
    "Avenue",
    "Ave.",
    "Park",
    "Alder",
    "B",
    "9",
    "5th",
    "N.W.",
    ".",
)


@given(st.one_of(st.text(max_size=30), st.lists(st.sampled_from(WORDS), max_size=6).map(" ".join)))
def test_a_key_is_a_spelling_of_its_own_street(name):
    key = street_key(name)
    assert street_key(key) == key
    assert street_key(f"  {name.lower()} ") == street_key(name.lower())


def test_names_are_written_as_in_the_street_layer():
    written = one_spelling(names("MAPLE LN", "Maple Lane", None, "OAK ST", "Oak Street"), names("Maple lane", None))
    assert written.tolist() == ["Maple lane", "Maple lane", None, "OAK ST", "OAK ST"]


def test_without_a_street_layer_most_names_decide_whatever_their_order():
    given_names = ["Oak Street", "OAK ST", "Oak Street", "OAK ST.", "ELM RD", "Elm Road"]
    for order in (given_names, given_names[::-1]):
        written = one_spelling(names(*order), names())
        assert sorted(written) == ["ELM RD", "ELM RD", *["Oak Street"] * 4]


def test_streets_of_lots_come_from_field_address_and_place_in_one_spelling():
    lots = np.array([shapely.box(x, 5, x + 9, 20) for x in (0, 10, 20, 30)], dtype=object)
    got = street_of(
        names("N. ALDER ST", None, None, "Elm Road"),
        names("99 Elsewhere Road", "12 north alder street", None, None),
        lambda rows: lots[rows],
        street_layer("North Alder Street", "Elm Road"),
    )
    assert got.tolist() == ["North Alder Street"] * 3 + ["Elm Road"]


def test_lines_of_a_street_count_whatever_their_spelling():
    streets = street_layer("Alder Street", "ALDER ST", "Elm Road", None)
    homes = pd.DataFrame(
        {
            "street": ["Alder Street", "Alder Street", "Oak Street"],
            "n_gardens": 1,
        }
    )
    volumes = pd.DataFrame({"diverted_m3_y": {"Alder Street": 5.0, "Oak Street": 9.0}})
    totals = street_totals(homes, volumes, streets, CRS).set_index("street")
    assert totals.index.tolist() == ["Oak Street", "Alder Street"]
    assert totals["n_candidates"].to_dict() == {"Oak Street": 1, "Alder Street": 2}
    assert totals.loc["Alder Street", "length_m"] == 200.0
    assert totals.loc["Alder Street", "diverted_m3_y"] == 5.0
    assert np.isnan(totals.loc["Oak Street", "length_m"])
