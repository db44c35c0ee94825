"""Made-up results of which the counts matter: towns with so many homes on each street, and readers of lists."""

from __future__ import annotations

import csv

import geopandas as gpd
import made_up_result
import numpy as np
import pandas as pd
import shapely

from screening.write import write_package

# The made-up result has 2 candidates, 4 other parcels and 1 merged one.
COUNTS = {"n_parcels_read": "7", "n_parcels_merged": "1", "screening_version": "0.1.0"}
TOTAL = {
    "total_diverted_m3_y": "61.5",
    "total_diverted_low_m3_y": "40.25",
    "total_diverted_high_m3_y": "80",
    "total_cause_frac.soil_rate": "0.4",
}


def made_layers():
    """The made-up result without districts."""
    return {name: frame for name, frame in made_up_result.layers().items() if name != "districts"}


def write(path, layers=None, record=None, **parameters):
    layers = made_layers() if layers is None else layers
    whole = made_up_result.record(**parameters) | COUNTS | TOTAL | (record or {})
    write_package(path, layers, crs=made_up_result.CRS, record=whole, overwrite=True)
    return path


def districts(*names_and_counts):
    """A layer of districts side by side."""
    rows = [
        {
            "district": name,
            "n_candidates": count,
            "n_gardens": count,
            "runoff_roof_m3_y": 70.0 * count,
            "diverted_m3_y": 50.0 * count,
            "diverted_low_m3_y": 40.0 * count,
            "diverted_high_m3_y": 60.0 * count,
            "main_cause_code": "soil_rate" if count else None,
        }
        for name, count in names_and_counts
    ]
    shapes = [
        shapely.MultiPolygon([made_up_result.place(shapely.box(k * 100, 0, k * 100 + 100, 100))])
        for k in range(len(rows))
    ]
    return made_up_result.frame("districts", rows, shapes)


def town(streets, others=(), merged=0):
    """A result with so many homes on each street (None: on none) and so many other parcels by reason."""
    layers = made_layers()
    homes = layers["candidate_homes"]
    names = [name for name, count in streets for _ in range(count)]
    many = homes.iloc[np.zeros(len(names), dtype=int)].reset_index(drop=True)
    many["home_id"] = [f"home-{k:04d}" for k in range(len(names))]
    many["parcel_id"] = [f"lot-{k:04d}" for k in range(len(names))]
    many["address"] = [f"{k} Secret Lane" for k in range(len(names))]
    many["rank"] = range(1, len(names) + 1)
    many["street"] = names
    layers["candidate_homes"] = many
    for name in ("gardens", "downspouts", "inlet_runs", "overflow_paths", "buildings", "roof_parts", "open_ground"):
        layers[name] = layers[name].iloc[:0]
    one = layers["other_parcels"].iloc[[0]]
    reasons = [reason for reason, count in others for _ in range(count)]
    layers["other_parcels"] = one.iloc[np.zeros(len(reasons), dtype=int)].reset_index(drop=True)
    layers["other_parcels"]["reason_code"] = np.array(reasons, dtype=object)
    street = layers["streets"].iloc[0].to_dict()
    rows = [
        {**street, "street": name, "n_candidates": count, "n_gardens": count + 1, "diverted_m3_y": 50.0 * count}
        for name, count in streets
        if name is not None and count
    ]
    layers["streets"] = gpd.GeoDataFrame(
        pd.DataFrame(rows, columns=list(street)), geometry="geometry", crs=made_up_result.CRS
    )
    n_read = len(names) + len(reasons) + merged
    return layers, {"n_parcels_read": str(n_read), "n_parcels_merged": str(merged)}


def read_csv(path, delimiter=","):
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream, delimiter=delimiter))


def sheet_rows(sheet):
    """Names and rows of a list's sheet, as dictionaries; the row of units left out."""
    rows = list(sheet.iter_rows(values_only=True))
    first = sheet.freeze_panes
    n_head = int("".join(letter for letter in first if letter.isdigit())) - 1
    return [dict(zip(rows[0], row, strict=True)) for row in rows[n_head:]]
