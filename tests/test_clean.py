"""Cleaning of parcels: which features another row stands for."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from screening.clean import clean_parcels

SQUARE, SAME_SQUARE, OTHER = shapely.box(0, 0, 30, 30), shapely.box(0, 0, 30, 30, ccw=False), shapely.box(30, 0, 60, 30)


def parcels(*rows):
    """Parcels of (parcel_id, address, land use, outline)."""
    frame = pd.DataFrame([row[:3] for row in rows], columns=["parcel_id", "address", "land_use"], dtype=object)
    frame["street"] = None
    return gpd.GeoDataFrame(frame, geometry=[row[3] for row in rows], crs="EPSG:26915")


def merged_rows(frame):
    merged = clean_parcels(frame).merged
    return {tuple(row) for row in merged.astype(object).where(merged.notna(), None).to_numpy()}


def test_every_unit_of_a_stack_keeps_its_name_and_address():
    frame = parcels(
        ("7-C", "3 Elm Road", "R", SQUARE),
        ("7-A", "1 Elm Road", "R", SAME_SQUARE),
        ("8", "5 Elm Road", "R", OTHER),
        (None, "4 Elm Road", "R", SQUARE),
        ("7-B", "2 Elm Road", "R", SQUARE),
    )
    cleaned = clean_parcels(frame)
    assert cleaned.kept[["parcel_id", "is_stack", "n_features"]].to_numpy().tolist() == [
        ["7-A", True, 4],
        ["8", False, 1],
    ]
    assert merged_rows(frame) == {
        ("7-B", "2 Elm Road", "stack", "7-A", "7-A"),
        ("7-C", "3 Elm Road", "stack", "7-A", "7-A"),
        (None, "4 Elm Road", "stack", "7-A", "7-A"),
    }


def test_the_same_parcel_written_twice_is_a_duplicate_and_not_a_stack():
    frame = parcels(("7", "1 Elm Road", "R", SQUARE), ("7", "1 Elm Road", "R", SAME_SQUARE))
    assert merged_rows(frame) == {("7", "1 Elm Road", "duplicate", "7", "7")}
    frame = parcels(*[("7", "1 Elm Road", "R", SQUARE)] * 2, ("7", "1 Elm Road", "School", SQUARE))
    assert sorted(row[2] for row in merged_rows(frame)) == ["duplicate", "stack"]


def test_repeated_identifiers_point_at_the_row_of_their_own_outline():
    frame = parcels(
        ("7", "1 Elm Road", "R", SQUARE),
        ("7", "9 Oak Road", "R", OTHER),
        ("9", "2 Elm Road", "R", SQUARE),
        ("9", "8 Oak Road", "R", OTHER),
    )
    cleaned = clean_parcels(frame)
    outline = dict(zip(cleaned.kept["home_id"], cleaned.kept.geometry, strict=True))
    place = {row[1]: outline[row[4]] for row in merged_rows(frame)}
    assert place["2 Elm Road"].equals(SQUARE)
    assert place["8 Oak Road"].equals(OTHER)


@pytest.mark.parametrize("seed", range(5))
def test_rows_and_merged_features_are_all_features_in_any_order(seed):
    rng = np.random.default_rng(seed)
    outlines = [SQUARE, SAME_SQUARE, OTHER, shapely.box(0, 30, 30, 60), None]
    rows = [
        (rng.choice(["1", "2", "3"]), rng.choice(["a", "b"]), "R", outlines[rng.integers(len(outlines))])
        for _ in range(30)
    ]
    frame = parcels(*rows)
    cleaned = clean_parcels(frame)
    assert len(cleaned.kept) + len(cleaned.broken) + len(cleaned.merged) == len(frame)
    assert cleaned.kept["n_features"].sum() - len(cleaned.kept) == len(cleaned.merged)
    names = cleaned.kept.set_index("home_id")["parcel_id"]
    assert (names[cleaned.merged["home_id"]].to_numpy() == cleaned.merged["kept_parcel_id"].to_numpy()).all()
    again = clean_parcels(frame.sample(frac=1.0, random_state=seed))
    columns = ["home_id", "parcel_id", "address", "merge_code"]
    one, other = (found.merged.sort_values(columns)[columns].to_numpy().tolist() for found in (cleaned, again))
    assert one == other
