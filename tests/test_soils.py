"""Soils in words, the classes of a town, and the soil of each home's ground."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from screening.errors import ParameterError
from screening.params import Params, load_params
from screening.soils import (
    SoilWords,
    map_units,
    read_words,
    soil_class,
    soil_everywhere,
    soil_of_ground,
    tables,
    town_soils,
)
from screening.soils.words import TEXTURES


def soil_params(**changes):
    return load_params(None, {f"soil.{key}": value for key, value in changes.items()}).soil


# In words -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("loam", SoilWords(kind="texture", name="loam")),
        ("  Silty  Clay-Loam ", SoilWords(kind="texture", name="silty clay loam")),
        ("sandy_loam", SoilWords(kind="texture", name="sandy loam")),
        ("Compacted loam", SoilWords(kind="texture", name="loam", is_compacted=True)),
        ("B", SoilWords(kind="group", name="B")),
        ("group c", SoilWords(kind="group", name="C")),
        ("b/d", SoilWords(kind="group", name="B/D")),
        ("compacted A", SoilWords(kind="group", name="A", is_compacted=True)),
        ("7.6 mm/h", SoilWords(kind="rate", rate_mm_h=7.6)),
        ("7.6mm/h", SoilWords(kind="rate", rate_mm_h=7.6)),
        ("2.5 cm/h", SoilWords(kind="rate", rate_mm_h=25.0)),
        ("0.5 in/h", SoilWords(kind="rate", rate_mm_h=12.7)),
        ("10 um/s", SoilWords(kind="rate", rate_mm_h=36.0)),
        ("measured 1e-6 m/s", SoilWords(kind="measured", rate_mm_h=3.6)),
        ("unknown", SoilWords(kind="unknown")),
    ],
)
def test_words_are_understood(text, meant):
    found = read_words(text)
    if meant.kind in {"rate", "measured"}:
        assert (found.kind, found.name) == (meant.kind, "")
        assert found.rate_mm_h == pytest.approx(meant.rate_mm_h)
    else:
        assert (found.kind, found.name, found.is_compacted) == (meant.kind, meant.name, meant.is_compacted)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("lome", "did you mean 'loam'?"),
        ("fine sandy loam", "did you mean 'sandy loam'?"),
        ("sandy clay laom", "did you mean 'sandy clay loam'?"),
        ("SiCL", "is no soil known here"),
        ("water", "is no soil known here"),
        ("", "write for example"),
        ("7.6", "lacks its unit; write for example '7.6 mm/h'"),
        ("7.6 ft/d", "'ft/d' is no unit known here; there are mm/h"),
        ("1.2.3 mm/h", "'1.2.3' is no number"),
        ("0 mm/h", "the rate must be > 0"),
        ("measured 0 in/h", "the rate must be > 0"),
        ("7600 mm/h", "check the unit"),
        ("compacted 5 mm/h", "leave out 'compacted'"),
        ("B/C", "the dual groups are A/D, B/D and C/D"),
        ("D/D", "the dual groups are"),
        ("-3 mm/h", "is no soil known here"),
        ("nan mm/h", "is no soil known here"),
    ],
)
def test_what_is_no_soil_is_refused_with_the_nearest(text, said):
    with pytest.raises(ParameterError) as caught:
        read_words(text)
    assert said in str(caught.value)


@given(st.text(max_size=20))
def test_any_text_is_a_soil_or_refused(text):
    try:
        words = read_words(text)
    except ParameterError as error:
        said = str(error)
    else:
        said = repr(text)
        assert words.kind in {"texture", "group", "rate", "measured", "unknown"}
    assert repr(text) in said


# Classes ------------------------------------------------------------------------------------------


def test_groups_need_a_scale_and_are_told_why():
    with pytest.raises(ParameterError) as caught:
        soil_class("B", soil_params())
    for words in ("'B' is a hydrologic group", "differ by up to ten times", "[soil] group_scale", "neh630", "tr55"):
        assert words in str(caught.value)


def test_the_explanation_of_the_scales_says_what_the_tables_say():
    with pytest.raises(ParameterError) as caught:
        soil_class("B", soil_params())
    text = str(caught.value)
    ranges = {name: scale.range_mm_h["B"] for name, scale in tables.GROUP_SCALES.items()}
    assert "{:.0f}-{:.0f} mm/h saturated".format(*ranges["neh630"]) in text
    assert "{:.1f}-{:.1f} mm/h transmission".format(*ranges["tr55"]) in text
    assert f"{ranges['minnesota'][0]:.1f} mm/h design rate" in text
    for name in tables.GROUP_SCALES:
        assert f'"{name}"' in text


def test_no_group_is_faster_than_the_one_before():
    for scale in tables.GROUP_SCALES:
        rates = [soil_class(group, soil_params(group_scale=scale)).rate_mm_h for group in "ABCD"]
        assert rates == sorted(rates, reverse=True)
        assert rates[-1] > 0.0
        compacted = [soil_class(f"compacted {group}", soil_params(group_scale=scale)).rate_mm_h for group in "ABCD"]
        assert compacted == [*rates[1:], rates[-1]]


def test_dual_groups_name_what_was_taken():
    soil = soil_class("B/D", soil_params(group_scale="tr55"))
    assert soil.name == "group B/D (tr55)"
    assert soil.basis.startswith("B/D undrained, so D; group D")
    drained = soil_class("B/D", soil_params(group_scale="tr55", drained=True))
    assert drained.basis.startswith("B/D drained, so B")
    assert drained.rate_mm_h > soil.rate_mm_h


@pytest.mark.parametrize("scale", ["minnesota", "colorado", "rawls"])
def test_compacted_ground_is_never_faster(scale):
    for texture in TEXTURES:
        try:
            loose = soil_class(texture, soil_params(texture_scale=scale))
        except ParameterError as error:
            assert f"the table '{scale}' has no '{texture}', only sand" in str(error)  # noqa: PT017
            continue
        tight = soil_class(texture, soil_params(texture_scale=scale, compacted=True))
        slowest = texture in tables.MINNESOTA[-1].textures
        assert (tight.rate_mm_h == loose.rate_mm_h) == slowest
        assert tight.rate_mm_h <= loose.rate_mm_h
        assert tight.name == f"compacted {texture}"
        assert ("already the slowest" in tight.basis) == slowest


def test_rates_that_are_given_or_measured_are_not_compacted_again():
    for text, rate in (("7.6 mm/h", 7.6), ("measured 20 mm/h", 10.0)):
        assert soil_class(text, soil_params(compacted=True)).rate_mm_h == pytest.approx(rate)
        assert soil_class(text, soil_params(compacted=True)).name == text


def test_the_spread_is_at_least_the_run_file_s():
    assert soil_class("loam", soil_params()).spread_factor == 1.5
    assert soil_class("loam", soil_params(spread_factor=2.5)).spread_factor == 2.5
    # a group that spans ten times is that unsure: its ends are the 10 and 90 % points
    wide = soil_class("C", soil_params(group_scale="neh630"))
    low, high = tables.GROUP_SCALES["neh630"].range_mm_h["C"]
    assert wide.rate_mm_h / wide.spread_factor == pytest.approx(low)
    assert wide.rate_mm_h * wide.spread_factor == pytest.approx(high)


def test_one_rate_is_the_class_of_a_town_without_words():
    town = town_soils(soil_params(rate_mm_h=9.0, spread_factor=2.0))
    (soil,) = town.classes
    assert (soil.name, soil.rate_mm_h, soil.spread_factor, soil.green_ampt) == ("9 mm/h", 9.0, 2.0, None)
    assert (town.default, town.of_symbol) == (0, {})
    assert "loam" not in soil.basis
    assert "default: loam" in town_soils(soil_params()).classes[0].basis
    params = soil_params(rate_mm_h=9.0, spread_factor=2.0)
    assert (params.rate_low_mm_h, params.rate_high_mm_h) == (4.5, 18.0)


def test_green_ampt_needs_textures():
    assert soil_class("loam", soil_params()).green_ampt is None
    dry = soil_class("loam", soil_params(infiltration="green_ampt", start_saturation_frac=0.25))
    assert dry.green_ampt == pytest.approx((88.9, 3.4, 0.434 * 0.75))
    assert dry.rate_mm_h == soil_class("loam", soil_params()).rate_mm_h
    tight = soil_class("compacted loam", soil_params(infiltration="green_ampt"))
    assert tight.green_ampt.k_mm_h == pytest.approx(3.4 * 0.2 / 0.3)
    for text in ("B", "7 mm/h", "measured 7 mm/h"):
        with pytest.raises(ParameterError, match=r'"green_ampt" needs; write for example "loam"'):
            soil_class(text, soil_params(infiltration="green_ampt", group_scale="tr55"))
    with pytest.raises(ParameterError, match="has no 'silt', only sand"):
        soil_class("silt", soil_params(infiltration="green_ampt"))
    with pytest.raises(ParameterError, match="needs a texture, and rate_mm_h is none"):
        town_soils(soil_params(infiltration="green_ampt"))


# The town -----------------------------------------------------------------------------------------


def test_a_table_turns_symbols_into_classes_each_once():
    table = {"AbA": "loam", "AbB": "loam", "Sd": "compacted sandy loam", "W": "unknown", "Pit": "measured 40 mm/h"}
    town = town_soils(soil_params(classes=table), ["AbB", None, "Sd", "AbA", "W", "Pit", "Sd"])
    assert [soil.name for soil in town.classes] == ["compacted sandy loam", "loam", "measured 40 mm/h"]
    assert town.of_symbol == {"AbA": 1, "AbB": 1, "Pit": 2, "Sd": 0, "W": -1}
    assert town.default == -1
    assert town.rate_mm_h == pytest.approx([11.43, 7.62, 20.0])
    symbols = np.array(["W", None, "Sd", "AbA"], dtype=object)
    assert town.of_symbols(symbols).tolist() == [-1, -1, 0, 1]
    assert pickle.loads(pickle.dumps(town)) == town  # noqa: S301 - our own bytes


def test_without_a_table_the_symbols_are_words():
    town = town_soils(soil_params(group_scale="minnesota", default="clay"), ["B", "A/D", "loam", "B"])
    assert [soil.name for soil in town.classes] == ["clay", "group A/D (minnesota)", "group B (minnesota)", "loam"]
    assert town.default == 0


def test_classes_do_not_depend_on_the_order_of_the_file():
    params = soil_params(classes={"a": "loam", "b": "clay", "c": "sand"})
    assert town_soils(params, ["a", "b", "c"]) == town_soils(params, ["c", "a", "b", "a"])


@pytest.mark.parametrize(
    ("changes", "symbols", "said"),
    [
        ({"classes": {"AbA": "loam"}}, ["AbB"], "says nothing of 'AbB' of soils.gpkg (the nearest entry is 'AbA')"),
        ({"classes": {"AbA": "loam"}}, [*"UVWXYZ"], "says nothing of 'U', 'V', 'W', 'X', 'Y' and 1 more of"),
        ({"classes": {"AbA": "loam"}}, ["Zz"], 'add "Zz" = "..." there, or "unknown".'),
        ({"classes": {"AbA": "lome"}}, ["AbA"], "[soil.classes] AbA: 'lome' is no soil"),
        ({"classes": {"never found": "lome"}}, [], "[soil.classes] never found: 'lome' is no soil"),
        ({}, ["AbA"], "soils.gpkg: 'AbA' is no soil known here"),
        ({}, ["AbA"], "are translated under [soil.classes]"),
        ({"default": "lome"}, None, "[soil] default: 'lome' is no soil known here; did you mean 'loam'?"),
        ({"default": "unknown"}, None, "leaves the town without a soil"),
        ({"default": "C"}, None, "[soil] default: 'C' is a hydrologic group, and the published scales differ"),
        ({}, [], "soils.gpkg says the soil of no place near the parcels"),
        ({"classes": {"W": "unknown"}}, ["W", None], "says the soil of no place"),
    ],
)  # fmt: skip
def test_what_a_town_lacks_is_said(changes, symbols, said):
    with pytest.raises(ParameterError) as caught:
        town_soils(soil_params(**changes), symbols, where="soils.gpkg")
    assert said in str(caught.value)
    assert str(caught.value).endswith(".")
    assert "\n" not in str(caught.value)


def test_every_problem_is_said_at_once():
    params = soil_params(default="lome", classes={"a": "B", "b": "7"})
    with pytest.raises(ParameterError) as caught:
        town_soils(params, ["z"])
    text = str(caught.value)
    assert text.startswith("4 problems with the soils:\n")
    for said in ("[soil] default: 'lome'", "[soil.classes] a: 'B'", "[soil.classes] b: '7'", "says nothing of 'z'"):
        assert said in text
    with pytest.raises(ParameterError) as caught:
        town_soils(soil_params(), [f"unit {i}" for i in range(300)])
    assert len(str(caught.value).splitlines()) == 8
    assert "  - 294 more" in str(caught.value)


def test_two_soils_for_one_town_are_refused():
    with pytest.raises(ParameterError, match="both say the soil of the town"):
        load_params(None, ["soil.rate_mm_h=5", "soil.default=loam"])
    assert load_params(None, ["soil.default=loam"]).soil.default == "loam"
    assert isinstance(Params().soil.classes, dict)


# Ground -------------------------------------------------------------------------------------------

LOAM, CLAY, SAND = 0, 1, 2
RATES = np.array([7.6, 1.5, 20.3])


def square(x, y, side=10.0):
    return shapely.box(x, y, x + side, y + side)


def found_in(ground, units, *, lots=None, default=-1, mixed_frac=0.1):
    ground = np.array(ground, dtype=object)
    polygons = np.array([outline for outline, _ in units], dtype=object)
    of = np.array([soil for _, soil in units], dtype=np.int64)
    lots = ground if lots is None else np.array(lots, dtype=object)
    return soil_of_ground(ground, lots, polygons, of, rate_mm_h=RATES, default=default, mixed_frac=mixed_frac)


def test_ground_inside_a_map_unit_is_its_soil():
    got = found_in([square(0, 0), square(200, 0)], [(square(-50, -50, 100.0), LOAM), (square(150, -50, 100.0), SAND)])
    assert got.soil.tolist() == [LOAM, SAND]
    assert got.share_frac.tolist() == [1.0, 1.0]
    assert got.covered_frac.tolist() == [1.0, 1.0]
    assert not got.is_outside.any()
    assert not got.is_mixed.any()


def test_the_soil_of_most_of_the_ground_counts_and_mixed_ground_is_flagged():
    units = [(shapely.box(-50, -50, 3, 50), CLAY), (shapely.box(3, -50, 60, 50), LOAM)]
    got = found_in([square(0, 0), square(2.5, 0), square(1.95, 0)], units)
    assert got.soil.tolist() == [LOAM, LOAM, LOAM]
    assert got.share_frac == pytest.approx([0.7, 0.95, 0.895], abs=1e-9)
    assert got.is_mixed.tolist() == [True, False, True]


def test_parts_of_one_soil_are_added_up():
    # two strips of loam of 30 % each around clay of 40 %
    units = [(shapely.box(0, -5, 3, 15), LOAM), (shapely.box(3, -5, 7, 15), CLAY), (shapely.box(7, -5, 10, 15), LOAM)]
    got = found_in([square(0, 0)], units)
    assert got.soil.tolist() == [LOAM]
    assert got.share_frac == pytest.approx([0.6])
    assert got.is_mixed.tolist() == [True]


def test_of_equal_shares_the_slower_soil_counts():
    for first, second in ((SAND, CLAY), (CLAY, SAND), (LOAM, SAND)):
        units = [(shapely.box(-5, -5, 5, 15), first), (shapely.box(5, -5, 15, 15), second)]
        got = found_in([square(0, 0)], units)
        assert got.soil[0] == min((first, second), key=lambda soil: RATES[soil])


def test_ground_that_the_map_does_not_cover_is_flagged_and_takes_only_a_given_default():
    units = [(shapely.box(-50, -50, 4, 50), LOAM), (square(500, 0), -1)]
    ground = [square(0, 0), square(500, 0), square(-9, 0), square(-5.5, 0)]
    got = found_in(ground, units)
    assert got.soil.tolist() == [-1, -1, LOAM, LOAM]
    assert got.is_outside.tolist() == [True, True, False, False]
    # mapped for the most part, but not for enough of it
    assert got.covered_frac == pytest.approx([0.4, 0.0, 1.0, 0.95])
    assert got.is_mixed.tolist() == [False, False, False, False]
    assert found_in(ground, units, mixed_frac=0.01).is_mixed.tolist() == [False, False, False, True]
    with_default = found_in(ground, units, default=CLAY)
    assert with_default.soil.tolist() == [CLAY, CLAY, LOAM, LOAM]
    assert with_default.is_outside.tolist() == [True, True, False, False]
    assert with_default.share_frac[0] == 0.0


def test_where_there_is_no_open_ground_the_lot_counts():
    units = [(square(-50, -50, 100.0), LOAM)]
    got = found_in([None, shapely.Polygon(), None], units, lots=[square(0, 0), square(5, 5), None])
    assert got.soil.tolist() == [LOAM, LOAM, -1]
    assert got.is_outside.tolist() == [False, False, True]


def test_ground_mapped_twice_counts_for_both():
    got = found_in([square(0, 0)], [(square(-5, -5, 30.0), LOAM), (square(-5, -5, 30.0), CLAY)])
    assert got.soil.tolist() == [CLAY]
    assert got.share_frac == pytest.approx([0.5])
    assert got.covered_frac.tolist() == [1.0]
    assert got.is_mixed.tolist() == [True]


def test_no_map_units_and_no_homes():
    got = found_in([square(0, 0)], [], default=LOAM)
    assert (got.soil.tolist(), got.is_outside.tolist()) == ([LOAM], [True])
    assert len(found_in([], [(square(0, 0), LOAM)]).soil) == 0
    everywhere = soil_everywhere(3, 2)
    assert everywhere.soil.tolist() == [2, 2, 2]
    assert not everywhere.is_outside.any()


def test_broken_outlines_are_repaired_and_unknown_ones_dropped():
    bow = shapely.Polygon([(0, 0), (20, 20), (20, 0), (0, 20)])
    spike = shapely.Polygon([(0, 0), (30, 0), (30, 30), (0, 30), (0, 60), (0, 0)])
    flat = shapely.Polygon([(0, 0), (5, 5), (0, 0)])
    given_ones = np.array([bow, spike, square(0, 0), None, square(9, 9), flat], dtype=object)
    outlines, soil = map_units(given_ones, np.array([LOAM, CLAY, SAND, LOAM, -1, LOAM]))
    assert soil.tolist() == [LOAM, CLAY, SAND]
    assert shapely.is_valid(outlines).all()
    assert shapely.area(outlines).tolist() == [200.0, 900.0, 100.0]
    assert outlines[2].equals(square(0, 0))


def test_outlines_of_many_corners_are_cut_and_nothing_changes():
    rng = np.random.default_rng(3)
    around = np.linspace(0.0, 2.0 * np.pi, 6000, endpoint=False)
    radius = 400.0 + 60.0 * np.sin(9.0 * around) + rng.uniform(0.0, 4.0, len(around))
    lake = shapely.Point(30.0, -20.0).buffer(150.0, quad_segs=400)
    winding = shapely.Polygon(np.column_stack([radius * np.cos(around), 1.7 * radius * np.sin(around)])).difference(
        lake
    )
    units = np.array([winding, lake], dtype=object)
    of = np.array([LOAM, CLAY])
    outlines, soil = map_units(units, of)
    assert shapely.get_num_coordinates(outlines).max() <= 1000
    for i in (LOAM, CLAY):
        assert shapely.area(outlines[soil == i]).sum() == pytest.approx(units[i].area, rel=1e-12)
    x, y = rng.uniform(-500, 500, 2000), rng.uniform(-800, 800, 2000)
    ground = shapely.box(x, y, x + 20.0, y + 15.0)
    whole, cut = (
        soil_of_ground(ground, ground, shapes, kinds, rate_mm_h=RATES, default=SAND, mixed_frac=0.1)
        for shapes, kinds in ((units, of), (outlines, soil))
    )
    assert {*whole.soil.tolist()} == {LOAM, CLAY, SAND}
    assert whole.is_mixed.sum() > 20
    for mine, theirs in zip(whole, cut, strict=True):
        np.testing.assert_array_equal(mine, theirs)


@st.composite
def towns(draw):
    """Homes, and a map of overlapping and missing patches."""
    spot = st.tuples(st.integers(0, 40), st.integers(0, 40))
    homes = [square(x, y) for x, y in draw(st.lists(spot, min_size=1, max_size=6))]
    patch = st.tuples(spot, st.integers(1, 30), st.integers(-1, 2))
    units = [(square(x, y, float(side)), soil) for (x, y), side, soil in draw(st.lists(patch, max_size=8))]
    return homes, units


@given(town=towns(), seed=st.integers(0, 1000))
@settings(deadline=None)
def test_the_order_of_rows_changes_nothing(town, seed):
    homes, units = town
    rng = np.random.default_rng(seed)
    base = found_in(homes, units, default=SAND)
    moved = rng.permutation(len(homes))
    other = found_in([homes[i] for i in moved], [units[i] for i in rng.permutation(len(units))], default=SAND)
    for mine, theirs in zip(base, other, strict=True):
        np.testing.assert_array_equal(mine[moved], theirs)


@given(town=towns())
@settings(deadline=None)
def test_shares_are_those_of_areas_counted_one_by_one(town):
    homes, units = town
    got = found_in(homes, units)
    for i, home in enumerate(homes):
        by_soil = np.zeros(3)
        for outline, soil in units:
            if soil >= 0:
                by_soil[soil] += home.intersection(outline).area / home.area
        assert got.covered_frac[i] == pytest.approx(min(by_soil.sum(), 1.0), abs=1e-6)
        if by_soil.sum() < 0.5 - 1e-6:
            assert got.soil[i] == -1
        elif by_soil.sum() > 0.5 + 1e-6:
            assert by_soil[got.soil[i]] == pytest.approx(by_soil.max(), abs=1e-6)
            assert got.share_frac[i] == pytest.approx(by_soil.max() / max(by_soil.sum(), 1.0), abs=2e-6)
