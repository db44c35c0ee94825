"""The run record: everything needed to repeat a run, and nothing that differs when it is repeated."""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING

import pyogrio
import pyproj
import rasterio
import shapely

if TYPE_CHECKING:
    from screening.batch.summary import RunSummary
    from screening.params import Params
    from screening.pipeline import TownWater
    from screening.read import CityInputs


def run_record(
    params: Params,
    inputs: CityInputs,
    summary: RunSummary,
    bounds_m: tuple[float, float, float, float] | None,
    limit: int | None,
    water: TownWater,
) -> dict[str, str]:
    """Keys and values of the layer ``run_record``.

    File names stand without their folders; workers, tile size and times are left out, because they change nothing.
    """
    record = {
        "screening_version": version("screening"),
        "numpy_version": version("numpy"),
        "shapely_version": shapely.__version__,
        "geos_version": shapely.geos_version_string,
        "pyproj_version": pyproj.__version__,
        "proj_version": pyproj.proj_version_str,
        "gdal_version_vector": pyogrio.__gdal_version_string__,
        "gdal_version_raster": rasterio.__gdal_version__,
        "numba_version": version("numba"),
        "crs_wkt": inputs.crs.to_wkt(),
        "crs_name": inputs.crs.name,
        "n_parcels_read": str(summary.n_parcels_read),
        "n_candidate_homes": str(summary.n_candidate_homes),
        "n_other_parcels": str(summary.n_other_parcels),
        "n_parcels_merged": str(summary.n_parcels_merged),
        "n_gardens": str(summary.n_gardens),
        "runoff_roof_mm_y": f"{water.runoff_mm_y:.6f}",
        "total_diverted_m3_y": f"{summary.diverted_m3_y:.3f}",
        "total_diverted_low_m3_y": f"{summary.diverted_low_m3_y:.3f}",
        "total_diverted_high_m3_y": f"{summary.diverted_high_m3_y:.3f}",
        **{f"total_cause_frac.{name}": f"{part:.4f}" for name, part in summary.cause_frac.items()},
        "elevation_cell_m": f"{inputs.elevation.cell_m:.6g}",
        "bounds_m": "" if bounds_m is None else ",".join(f"{v:.3f}" for v in bounds_m),
        "limit": "" if limit is None else str(limit),
        "caution": "Screening only: candidates worth a visit, not designs or permits. Have utilities located before "
        "digging; keep away from foundations, septic systems and wells; a wet basement, a high water table or "
        "shallow rock ends the matter; test infiltration; local codes and licensed practice decide.",
    }
    authority = inputs.crs.to_authority(min_confidence=100)
    record["crs_code"] = ":".join(authority) if authority else ""
    if inputs.rain is not None:
        record["rain_years"] = f"{inputs.rain.first_year}-{inputs.rain.last_year}"
        record["rain_missing_frac"] = f"{inputs.rain.missing_frac:.6f}"
        record["rain_step_h"] = f"{inputs.rain.step_h:g}"
        if water.wettest_mm_y is not None:
            record["runoff_roof_wettest_mm_y"] = f"{water.wettest_mm_y:.6f}"
        record["rain_years_used"] = ";".join(str(year) for year in inputs.rain.years)
    for soil, depths in zip(water.town.classes, water.depth_mm, strict=True):
        record[f"soil.{soil.name}.rate_mm_h"] = f"{soil.rate_mm_h:.6g}"
        record[f"soil.{soil.name}.spread_factor"] = f"{soil.spread_factor:.6g}"
        record[f"soil.{soil.name}.basis"] = soil.basis
        record[f"soil.{soil.name}.ponding_depths_mm"] = ";".join(f"{depth:.6g}" for depth in depths)
    for file in inputs.files:
        key = f"input.{file.role.replace(' ', '_')}"
        record[f"{key}.name"] = file.name
        record[f"{key}.layer"] = file.layer
        record[f"{key}.crs"] = file.crs_text
        record[f"{key}.length_unit"] = file.length_unit
        record[f"{key}.n_features"] = str(file.n_features)
        if file.crs_step:
            record[f"{key}.crs_step"] = file.crs_step
        if file.height_unit:
            record[f"{key}.height_unit"] = file.height_unit
        for name, digest in file.sha256:
            record[f"{key}.sha256.{name}"] = digest
    record |= {f"repairs.{code}": str(n) for code, n in summary.repairs.items()}
    record |= {f"flagged.{code}": str(n) for code, n in summary.flagged.items()}
    for i, note in enumerate(summary.notes, start=1):
        record[f"note.{i:03d}"] = note
    for name, value in params.record().items():
        record[f"param.{name}"] = value
    return record
