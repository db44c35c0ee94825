"""The rule sets against the published figures they stand for; the source stands beside each."""

from __future__ import annotations

import pytest

from screening.params import RuleParams
from screening.rules import BASIS_MEANINGS, OVERRIDABLE, PROGRAM_DEFAULT, RULE_SETS
from screening.units import FOOT_M

# Distances as the sources print them, in their own unit; the sets hold metres to the centimetre.
FEET = [
    # UW-Extension GWQ037 / Wisconsin DNR PUB-WT-776 (2003), step 1: at least 10 ft from the house.
    ("us-midwest", "foundation_m", 10, "read"),
    ("us-midwest", "foundation_no_basement_m", 10, "read"),
    # Minnesota Stormwater Manual, Summary of horizontal and vertical setback distances, recommended:
    # building 10 ft, property line 10 ft, septic 35 ft, private well 50 ft, toe of slope >= 20 % 200 ft.
    ("us-mn", "foundation_m", 10, "read"),
    ("us-mn", "foundation_no_basement_m", 10, "read"),
    ("us-mn", "lot_line_m", 10, "read"),
    ("us-mn", "septic_m", 35, "read"),
    ("us-mn", "well_m", 50, "read"),
    # Minnesota Stormwater Manual: 3 ft to saturated soil and bedrock, required.
    ("us-mn", "groundwater_m", 3, "read"),
    # Rutgers Cooperative Extension, technical-assistance slides p. 17: 10 ft with basement, 2 ft without,
    # septic 25 ft, 2 ft to seasonal high water.
    ("us-nj", "foundation_m", 10, "read"),
    ("us-nj", "foundation_no_basement_m", 2, "read"),
    ("us-nj", "septic_m", 25, "read"),
    ("us-nj", "groundwater_m", 2, "read"),
    # WSU / Ecology, Rain Garden Handbook for Western Washington (2013) p. 13: building 10 ft, septic 50 ft
    # where the garden is uphill of it.
    ("us-wa-west", "foundation_m", 10, "read"),
    ("us-wa-west", "foundation_no_basement_m", 10, "read"),
    ("us-wa-west", "septic_m", 50, "read"),
]

METRES = [
    # STEP/TRCA LID guide, Site considerations, bioretention: 4 m from foundations, 1 m to high water.
    ("ca-on", "foundation_m", 4.0, "read"),
    ("ca-on", "foundation_no_basement_m", 4.0, "read"),
    ("ca-on", "groundwater_m", 1.0, "read"),
    # Buckinghamshire Council, Design standards for SuDS components: soakaway 5 m from buildings and from
    # the site boundary, 1 m above groundwater.
    ("uk-5m", "foundation_m", 5.0, "read"),
    ("uk-5m", "foundation_no_basement_m", 5.0, "read"),
    ("uk-5m", "lot_line_m", 5.0, "read"),
    ("uk-5m", "groundwater_m", 1.0, "read"),
    # hausjournal.net, Abstand Versickerung Grundstuecksgrenze (trade): 6 m from an unsealed basement.
    ("de-a138", "foundation_m", 6.0, "quoted"),
    # DWA-A 138 (quoted by LfU Bayern): 1.5 times the foundation depth; federal guide: at least 2 m.
    ("de-a138", "foundation_no_basement_m", 2.0, "quoted"),
    # Kreis Rendsburg-Eckernfoerde: at least 2.0 m from the lot line.
    ("de-a138", "lot_line_m", 2.0, "quoted"),
    ("de-a138", "groundwater_m", 1.0, "quoted"),
    # From memory: Engineers Australia ARQ (2006) / SA WSUD manual, reactive clay 5 m.
    ("au-soil", "foundation_m", 5.0, "from memory"),
    ("au-soil", "foundation_no_basement_m", 5.0, "from memory"),
    ("au-soil", "lot_line_m", 5.0, "from memory"),
]

SLOPES = [
    # UW-Extension GWQ037: over 12 % another location.
    ("us-midwest", 12.0, "read"),
    # WSU / Ecology (2013) p. 13: less than 10 %.
    ("us-wa-west", 10.0, "read"),
    # UK developer guidance (trade, geoson.co.uk): up to 10 %.
    ("uk-5m", 10.0, "quoted"),
]

# Values of ours where no source was read for that jurisdiction [m].
FILL_INS = [
    ("us-midwest", "lot_line_m", 1.52),
    ("us-midwest", "septic_m", 7.62),
    ("us-midwest", "well_m", 15.24),
    ("us-nj", "lot_line_m", 1.52),
    ("us-nj", "well_m", 15.24),
    ("us-wa-west", "lot_line_m", 1.52),
    ("us-wa-west", "well_m", 30.5),
    ("ca-on", "lot_line_m", 1.0),
    ("ca-on", "septic_m", 5.0),
    ("uk-5m", "septic_m", 5.0),
    ("uk-5m", "well_m", 50.0),
]


@pytest.mark.parametrize(("name", "field", "published_ft", "basis"), FEET)
def test_distances_published_in_feet(name, field, published_ft, basis):
    value = getattr(RULE_SETS[name], field)
    assert value.value == pytest.approx(published_ft * FOOT_M, abs=0.005)
    assert value.basis == basis
    assert f"{published_ft} ft" in value.source


@pytest.mark.parametrize(("name", "field", "published_m", "basis"), METRES)
def test_distances_published_in_metres(name, field, published_m, basis):
    value = getattr(RULE_SETS[name], field)
    assert value.value == published_m
    assert value.basis == basis


@pytest.mark.parametrize(("name", "published_pct", "basis"), SLOPES)
def test_slopes(name, published_pct, basis):
    value = RULE_SETS[name].max_slope_pct
    assert (value.value, value.basis) == (published_pct, basis)


@pytest.mark.parametrize(("name", "field", "value_m"), FILL_INS)
def test_fill_ins_say_that_they_are_ours(name, field, value_m):
    value = getattr(RULE_SETS[name], field)
    assert (value.value, value.basis) == (value_m, "program default")
    assert value.source.startswith(PROGRAM_DEFAULT)


def test_steep_slopes_as_keep_away_layers():
    # Minnesota Stormwater Manual: 200 ft from the toe of a slope of 20 % or more.
    assert RULE_SETS["us-mn"].keep_away_m["steep_slope"].value == pytest.approx(200 * FOOT_M)
    # WSU / Ecology (2013) p. 13: within 50 ft of a slope over 10 % ask a geotechnical professional.
    assert RULE_SETS["us-wa-west"].keep_away_m["steep_slope"].value == pytest.approx(50 * FOOT_M)


def test_garden_sizes():
    # fyi.uwex.edu (UW-Extension), step 1: a typical residential garden has 100 to 300 ft2.
    largest = RULE_SETS["us-midwest"].max_garden_area_m2
    assert largest.value == pytest.approx(300 * FOOT_M**2, abs=0.05)
    assert largest.basis == "read"
    assert {rule_set.max_garden_area_m2.value for rule_set in RULE_SETS.values()} == {largest.value}


def test_every_value_of_every_set_has_a_source_and_a_known_basis():
    values = [
        value
        for rule_set in RULE_SETS.values()
        for value in (*dict(rule_set.limits()).values(), *rule_set.keep_away_m.values(), rule_set.groundwater_m)
    ]
    assert len(values) > len(RULE_SETS) * len(OVERRIDABLE)
    for value in values:
        assert value.source
        assert value.basis in BASIS_MEANINGS
        assert (value.basis == "program default") == value.source.startswith(PROGRAM_DEFAULT) or value.value is None


@pytest.mark.parametrize("name", RULE_SETS)
def test_an_unknown_basement_counts_as_one(name):
    rule_set = RULE_SETS[name]
    assert RuleParams(base=name).foundation_distance_m == rule_set.foundation_m.value
    assert RuleParams(base=name, basement="yes").foundation_distance_m == rule_set.foundation_m.value
    assert RuleParams(base=name, basement="no").foundation_distance_m == rule_set.foundation_no_basement_m.value
    assert rule_set.foundation_no_basement_m.value <= rule_set.foundation_m.value


def test_a_set_without_a_figure_asks_for_it():
    assert RuleParams(base="ca-on").keep_away_distance_m("well") is None
    assert RuleParams(base="ca-on", well_m=30.0).keep_away_distance_m("well") == 30.0
    assert RuleParams(base="us-mn").keep_away_distance_m("steep_slope") == 60.96
    assert RuleParams(base="us-nj").keep_away_distance_m("steep_slope") is None
