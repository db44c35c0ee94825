"""Coordinate systems: twins in metres, the choice of the working one, units of heights."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from made_files import assert_one_sentence
from pyproj import CRS, Transformer

from screening.crs import (
    Reprojector,
    choose_working_crs,
    describe,
    horizontal,
    is_web_mercator,
    length_scale,
    length_unit,
    metric_twin,
    parse_crs,
    require_projected_metric,
    same_crs,
    unit_size_m,
    utm_zone,
    vertical_factor,
)
from screening.errors import CRSError, UnitsError

# NIST Handbook 44, Appendix C: the US survey foot is 1200/3937 m, the international foot 0.3048 m.
US_SURVEY_FOOT_M = 1200 / 3937
FOOT_M = 0.3048


@pytest.mark.parametrize(
    ("feet", "metres"),
    # EPSG registry: each pair is one projection in two units.
    [(2263, 32118), (26847, 26983), (2260, 32115)],
)
@pytest.mark.parametrize("text", ["code", "WKT1_ESRI", "WKT1_GDAL", "WKT2_2019"])
def test_metric_twin_is_the_registered_pair(feet, metres, text):
    crs = CRS(feet) if text == "code" else CRS(CRS(feet).to_wkt(text))
    assert metric_twin(crs).to_epsg() == metres


@pytest.mark.parametrize(
    ("code", "foot_m"), [("EPSG:2276", US_SURVEY_FOOT_M), ("EPSG:2994", FOOT_M), ("ESRI:102629", US_SURVEY_FOOT_M)]
)
def test_metric_twin_without_a_registered_pair_is_a_pure_scaling(code, foot_m):
    crs = CRS(code)
    twin = metric_twin(crs)
    area = crs.area_of_use
    lon, lat = (area.west + area.east) / 2, (area.south + area.north) / 2
    in_feet = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True).transform(lon, lat)
    in_metres = Transformer.from_crs(crs.geodetic_crs, twin, always_xy=True).transform(lon, lat)
    assert length_unit(twin) == ("metre", 1.0)
    assert "(metre)" in twin.name
    assert "ft" not in twin.name
    np.testing.assert_allclose(np.array(in_feet) * foot_m, in_metres, rtol=0, atol=1e-6)


def test_texas_pair_is_not_taken_because_its_false_northing_differs():
    # EPSG:2276 has a false northing of 6,561,666.667 ft, EPSG:32138 one of 2,000,000 m: 0.1 mm apart.
    apart_m = 6_561_666.667 * US_SURVEY_FOOT_M - 2_000_000
    assert apart_m == pytest.approx(1.0e-4, rel=0.05)
    assert metric_twin(CRS(2276)).to_epsg(min_confidence=100) is None


def test_metric_twin_drops_the_vertical_part_and_keeps_metric_ones():
    assert metric_twin(CRS("EPSG:26915+6360")).to_epsg() == 26915
    assert metric_twin(CRS(2193)).to_epsg() == 2193


def test_metric_twin_of_degrees_is_refused():
    with pytest.raises(CRSError, match="not projected"):
        metric_twin(CRS(4326))


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("EPSG:4326", "degrees"),
        ("EPSG:3857", "Web Mercator"),
        ("ESRI:102113", "Web Mercator"),
        ("EPSG:2263", "US survey foot"),
        ("EPSG:2046", "east and north"),  # its axes point west and south
        ("EPSG:4978", "not a projected"),
    ],
)
def test_require_projected_metric_refuses(code, words):
    with pytest.raises(CRSError) as caught:
        require_projected_metric(CRS(code), "plan.gpkg")
    assert_one_sentence(caught.value, "plan.gpkg", words, "projected system in metres")


def test_require_projected_metric_gives_the_horizontal_part():
    assert require_projected_metric(CRS("EPSG:26915+5703"), "x").to_epsg() == 26915


def test_unknown_crs_text_is_one_sentence():
    with pytest.raises(CRSError) as caught:
        parse_crs("EPSG:nowhere", "[inputs.crs] parcels")
    assert_one_sentence(caught.value, "[inputs.crs] parcels", "EPSG:nowhere", "EPSG:26915")


def test_same_crs_sees_through_the_way_of_writing():
    assert same_crs(CRS(CRS(2263).to_wkt("WKT1_ESRI")), CRS(2263))
    assert same_crs(CRS("EPSG:26915+6360"), CRS(26915))
    assert not same_crs(CRS(26915), CRS(26916))
    assert is_web_mercator(CRS(CRS(3857).to_wkt("WKT1_ESRI")))
    assert describe(CRS("EPSG:26915+6360")) == "NAD83 / UTM zone 15N (EPSG:26915)"


@pytest.mark.parametrize("lat_deg", [0.0, 30.0, 50.1, -45.0])
def test_web_mercator_scale_follows_the_ellipsoid(lat_deg):
    # IOGP Guidance Note 7-2, Popular Visualisation Pseudo-Mercator: the map is a sphere's of radius a,
    # so a true length on the ellipsoid grows by a / (nu cos phi) along x and a / (rho cos phi) along y.
    geod = pyproj.Geod(ellps="WGS84")
    phi = math.radians(lat_deg)
    w = math.sqrt(1 - geod.es * math.sin(phi) ** 2)
    nu, rho = geod.a / w, geod.a * (1 - geod.es) / w**3
    y = Transformer.from_crs(4326, 3857, always_xy=True).transform(14.4, lat_deg)[1]
    scale_x, scale_y = length_scale(CRS(3857), 1_603_000.0, y)
    assert scale_x == pytest.approx(geod.a / (nu * math.cos(phi)), rel=1e-6)
    assert scale_y == pytest.approx(geod.a / (rho * math.cos(phi)), rel=1e-6)


def test_utm_scale_on_the_central_meridian():
    # Snyder, Map Projections - A Working Manual (1987), p. 57: the UTM's central scale is 0.9996.
    assert length_scale(CRS(26915), 500_000.0, 4_980_000.0) == pytest.approx((0.9996, 0.9996), abs=2e-7)


def test_working_crs_is_the_rasters_in_metres():
    chosen = choose_working_crs(elevation_crs=CRS(2263), parcels_crs=CRS(4326), centre=(-73.9, 40.7))
    assert chosen.crs.to_epsg() == 32118
    assert "elevation" in chosen.why


@pytest.mark.parametrize("raster", [4269, 3857, 5070])
def test_a_distorting_raster_gives_way_to_the_parcels(raster):
    # 5070 is an equal-area map of the whole country: in the south of Florida its lengths are off by over 1 %.
    chosen = choose_working_crs(elevation_crs=CRS(raster), parcels_crs=CRS(2236), centre=(900_000.0, 400_000.0))
    assert chosen.crs.name.startswith("NAD83 / Florida East")
    assert length_unit(chosen.crs) == ("metre", 1.0)
    assert "parcels' system in metres" in chosen.why


@pytest.mark.parametrize(
    ("parcels", "centre", "zone"),
    [
        (4326, (14.4, 50.1), 32633),
        (3857, (1_603_000.0, 6_464_000.0), 32633),
        (4269, (-93.2, 44.9), 26915),  # NAD83 stays on NAD83
        (4326, (151.2, -33.9), 32756),
    ],
)
def test_working_crs_falls_back_to_the_utm_zone(parcels, centre, zone):
    chosen = choose_working_crs(elevation_crs=CRS(3857), parcels_crs=CRS(parcels), centre=centre)
    assert chosen.crs.to_epsg() == zone


def test_stated_working_crs_wins_and_is_made_metric():
    at = {"parcels_crs": CRS(4326), "centre": (-73.9, 40.7)}
    assert choose_working_crs(elevation_crs=CRS(26918), stated="EPSG:2263", **at).crs.to_epsg() == 32118


@pytest.mark.parametrize(
    ("stated", "words"), [("EPSG:4326", "degrees"), ("EPSG:3857", "Web Mercator"), ("EPSG:3395", "wrong by a factor")]
)
def test_stated_working_crs_must_be_measurable(stated, words):
    with pytest.raises(CRSError) as caught:
        choose_working_crs(elevation_crs=CRS(26918), parcels_crs=CRS(4326), centre=(-73.9, 40.7), stated=stated)
    assert_one_sentence(caught.value, "[inputs] working_crs", words, "leave the entry out")


def test_utm_zone_refuses_a_place_off_the_earth():
    with pytest.raises(CRSError) as caught:
        utm_zone(CRS(4326), (-93.0, 89.0))
    assert_one_sentence(caught.value, "WGS 84", "UTM", "working_crs")


@pytest.mark.parametrize(
    ("crs", "band", "stated", "factor"),
    [
        ("EPSG:26915+6360", "", "", US_SURVEY_FOOT_M),  # NAVD88 height (ftUS)
        ("EPSG:26915+5703", "", "", 1.0),
        ("EPSG:26915+8228", "", "", FOOT_M),  # NAVD88 height (ft)
        ("EPSG:26915", "US survey foot", "", US_SURVEY_FOOT_M),
        ("EPSG:26915", "metre", "", 1.0),
        ("EPSG:26915", "cm", "", 0.01),
        ("EPSG:26915", "", "ft", FOOT_M),
        ("EPSG:2263", "", "m", 1.0),
        (None, "", "us-ft", US_SURVEY_FOOT_M),
        ("EPSG:26915+6360", "US survey foot", "us-ft", US_SURVEY_FOOT_M),
        # Two feet 2 parts in a million apart are no contradiction; the file's own is taken.
        ("EPSG:26915+6360", "", "ft", US_SURVEY_FOOT_M),
        # The file contradicts itself, and the run file decides.
        ("EPSG:26915+5703", "ft", "ft", FOOT_M),
        # A band unit nobody knows, and the run file decides.
        ("EPSG:26915", "cubits", "m", 1.0),
    ],
)
def test_vertical_factor(crs, band, stated, factor):
    crs = None if crs is None else CRS(crs)
    got = vertical_factor(crs=crs, band_unit=band, stated_unit=stated, where="dem.tif")
    assert got == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize(
    ("crs", "band", "stated", "words"),
    [
        ("EPSG:2263", "", "", "doesn't say"),  # feet along the ground say nothing about heights
        ("EPSG:26915", "cubits", "", "cubits"),
        ("EPSG:26915+5703", "ft", "", "contradicts itself"),
        ("EPSG:26915+6360", "", "m", "but the run file says"),
        ("EPSG:26915", "metre", "us-ft", "but the run file says"),
    ],
)
def test_vertical_unit_errors(crs, band, stated, words):
    with pytest.raises(UnitsError) as caught:
        vertical_factor(crs=CRS(crs), band_unit=band, stated_unit=stated, where="dem.tif")
    assert_one_sentence(caught.value, "dem.tif", words, "elevation_unit")


def test_unit_names():
    assert unit_size_m("Foot_US") == US_SURVEY_FOOT_M
    assert unit_size_m(" Meters ") == 1.0
    assert unit_size_m("fathom") is None


def test_feet_become_metres_by_scaling_alone():
    mover = Reprojector(CRS(2263), CRS(32118))
    assert mover.scale == pytest.approx(US_SURVEY_FOOT_M, rel=1e-15)
    square = mover.geometries(np.array([shapely.box(1e6, 2e5, 1e6 + 100, 2e5 + 100)], dtype=object))[0]
    # 100 US survey feet are 30.48006 m; a square of them 929.0341 m2.
    assert square.area == pytest.approx((100 * US_SURVEY_FOOT_M) ** 2, abs=1e-3)
    other = Transformer.from_crs(2263, 32118, always_xy=True).transform(1e6, 2e5)
    np.testing.assert_allclose(shapely.get_coordinates(square)[:, 0].min(), other[0], atol=1e-5)
    np.testing.assert_allclose(shapely.get_coordinates(square)[:, 1].min(), other[1], atol=1e-5)


def test_geometries_lose_z_and_m_and_noise_but_not_their_place():
    shapes = np.array(
        [
            shapely.from_wkt("POINT ZM (480000.123456789 4980000.000000001 5 6)"),
            None,
            shapely.from_wkt("POLYGON EMPTY"),
            shapely.from_wkt("POINT (-0.0000001 0)"),
        ],
        dtype=object,
    )
    moved = Reprojector(CRS(26915), CRS(26915)).geometries(shapes)
    assert moved[0].wkt == "POINT (480000.12346 4980000)"
    assert not shapely.has_z(moved[0])
    assert moved[1] is None
    assert shapely.is_empty(moved[2])
    assert math.copysign(1.0, moved[3].x) == 1.0
    assert shapes[0].x == 480000.123456789, "the input is not touched"


def test_coordinates_that_cannot_be_transformed_name_the_record():
    shapes = np.array([shapely.Point(-93.0, 45.0), shapely.Point(480_000.0, 4_980_000.0)], dtype=object)
    with pytest.raises(CRSError) as caught:
        Reprojector(CRS(4326), CRS(26915)).geometries(shapes, "parcels.geojson")
    assert_one_sentence(caught.value, "parcels.geojson", "record 2", "WGS 84", "[inputs.crs]")


@settings(max_examples=50, deadline=None)
@given(x=st.floats(300_000, 700_000), y=st.floats(4_800_000, 5_200_000), size=st.floats(10, 50_000), at=st.floats(0, 1))
def test_transformed_boxes_hold_everything_inside(x, y, size, at):
    mover = Reprojector(CRS(26915), CRS(4326))
    west, south, east, north = mover.bounds((x, y, x + size, y + size))
    edge = np.array([[x + at * size, y], [x + at * size, y + size], [x, y + at * size], [x + size, y + at * size]])
    lon, lat = mover.xy(edge[:, 0], edge[:, 1])
    slack = 1e-7  # 1 cm; the curve between two of the 41 points of an edge
    assert (lon >= west - slack).all()
    assert (lon <= east + slack).all()
    assert (lat >= south - slack).all()
    assert (lat <= north + slack).all()


def test_boxes_scale_with_the_unit():
    mover = Reprojector(CRS(2263), CRS(32118))
    there = mover.bounds((1e6, 2e5, 1.1e6, 2.1e5))
    assert mover.bounds(there, inverse=True) == pytest.approx((1e6, 2e5, 1.1e6, 2.1e5))


def test_crippled_datum_shift_is_noted_once_and_without_warning():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        note = Reprojector(CRS(4267), CRS(26915)).accuracy_note(-93.5, 44.5)
    assert "NAD27" in note
    assert "grid" in note
    assert Reprojector(CRS(2263), CRS(32118)).accuracy_note(1e6, 2e5) == ""


def test_network_stays_off():
    pyproj.network.set_network_enabled(active=True)
    Reprojector(CRS(4326), CRS(26915)).xy(np.array([-93.0]), np.array([45.0]))
    assert not pyproj.network.is_network_enabled()


def test_horizontal_unwraps_bound_systems():
    bound = CRS("+proj=utm +zone=15 +ellps=GRS80 +towgs84=0,0,0,0,0,0,0 +type=crs")
    assert bound.is_bound
    assert horizontal(bound).is_projected
    assert not horizontal(bound).is_bound


def test_a_place_from_which_no_operation_leads_is_a_sentence(monkeypatch):
    """A broken description of a system can leave PROJ without any operation at all."""
    from pyproj import Transformer
    from pyproj.exceptions import ProjError

    def none_used(_):
        raise ProjError("Last used operation not found.")

    monkeypatch.setattr(Transformer, "get_last_used_operation", none_used)
    with pytest.raises(CRSError, match=r"can't be brought to .* under \[inputs.crs\]"):
        Reprojector(CRS(4267), CRS(26915)).step(-93.0, 45.0)
