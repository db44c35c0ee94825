"""One run from its parameters to the written GeoPackage."""

from __future__ import annotations

import gc
import logging
import multiprocessing
import os
import signal
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from screening.batch.divide import TileTask, tile_inputs, tile_tasks
from screening.batch.prepare import Prepared, prepare, read_inputs, yield_curves
from screening.batch.record import run_record
from screening.columns import LAYERS, empty
from screening.kernels.city import place_all
from screening.pipeline import screen_tile
from screening.ranking import rank_homes
from screening.streets import street_totals
from screening.write import check_output, write_package

if TYPE_CHECKING:
    from screening.params import Params
    from screening.pipeline import TileResult
    from screening.read import CityInputs
    from screening.water_balance import YieldCurves

logger = logging.getLogger(__name__)

Progress = Callable[[int, int, str], None]

SMALL_RUN = 2500
"""Below this number of parcels starting workers takes longer than the work."""

SMALL_FILE_B = 1_500_000
"""A parcel file of more bytes than this surely holds more parcels; of workers that start early none waits long."""

_PIECES = (
    "candidate_homes",
    "gardens",
    "downspouts",
    "inlet_runs",
    "overflow_paths",
    "buildings",
    "roof_parts",
    "open_ground",
    "other_parcels",
)
_ORDER = {
    "gardens": ["garden_id"],
    "downspouts": ["downspout_id"],
    "inlet_runs": ["downspout_id"],
    "overflow_paths": ["garden_id"],
    "buildings": ["building_id"],
    "roof_parts": ["downspout_id"],
    "open_ground": [],
}


@dataclass(frozen=True, kw_only=True)
class RunSummary:
    """What a run came to.

    Attributes
    ----------
    output : Path
        The GeoPackage.
    n_parcels_read, n_candidate_homes, n_other_parcels, n_parcels_merged, n_gardens : int
    reasons : mapping
        Number of other parcels by reason code, most first.
    diverted_m3_y, diverted_low_m3_y, diverted_high_m3_y, runoff_roof_m3_y : float
        Totals over the candidates [m3/y].
    best_homes, best_streets : tuple of mappings
        The first five of each.
    seconds : float
        Time of the run [s].
    notes : tuple of str
        What a person should know about the inputs.
    """

    output: Path
    n_parcels_read: int
    n_candidate_homes: int
    n_other_parcels: int
    n_parcels_merged: int
    n_gardens: int
    reasons: Mapping[str, int]
    diverted_m3_y: float
    diverted_low_m3_y: float
    diverted_high_m3_y: float
    runoff_roof_m3_y: float
    best_homes: tuple[Mapping[str, object], ...]
    best_streets: tuple[Mapping[str, object], ...]
    seconds: float
    notes: tuple[str, ...]


def run(
    params: Params,
    on_progress: Progress | None = None,
    *,
    output: Path | str,
    jobs: int | None = None,
    bounds_m: tuple[float, float, float, float] | None = None,
    limit: int | None = None,
    overwrite: bool = False,
) -> RunSummary:
    """Screen a city and write the result.

    Parameters
    ----------
    params : Params
        Inputs and rules.
    on_progress : callable, optional
        Called with parcels done, parcels in all, and what is being done.
    output : Path
        GeoPackage to write.
    jobs : int, optional
        Worker processes; default: one per core, none for a small run.
    bounds_m : tuple of float, optional
        Account only for parcels that touch this box: west, south, east, north [m], working coordinates.
    limit : int, optional
        Account only for the first so many parcels, in order of their ids.
    overwrite : bool
        Replace an existing output.

    Returns
    -------
    RunSummary

    Raises
    ------
    ScreeningError
        If an input cannot be used, the output exists, or tiles failed.
    """
    start = time.perf_counter()
    output = Path(output)
    say = on_progress or _say_nothing
    check_output(output, overwrite)
    with ExitStack() as stack:
        pool = None
        if bounds_m is None and limit is None and _is_large(params.inputs.parcels):
            pool = stack.enter_context(_workers(jobs, SMALL_RUN))
        say(0, 0, "reading")
        inputs = read_inputs(params, bounds_m)
        if pool is None:
            n_parcels = len(inputs.parcels) if limit is None else min(limit, len(inputs.parcels))
            pool = stack.enter_context(_workers(jobs, n_parcels))
        say(0, 0, "looking at the inputs")
        prepared = prepare(inputs, params, bounds_m, limit)
        curves = yield_curves(inputs, params)
        assumed = inputs.rain is None
        notes = [*inputs.notes, *prepared.notes]
        if assumed:
            notes.append(
                f"no rain record is given: yearly volumes rest on {params.rain.storms_per_y:g} assumed storms a year "
                f"of {params.rain.storm_mean_mm:g} mm; give one as [inputs] rain."
            )
        for note in notes:
            logger.info(note)
        results = _screen(pool, prepared, curves, params, say, is_rain_assumed=assumed)
    say(1, 1, "putting the parts together")
    layers = _merge(results, prepared, inputs, params, whole=bounds_m is None and limit is None)
    summary = _summary(layers, prepared, output, notes, start)
    record = run_record(params, inputs, summary, bounds_m, limit, curves)
    say(1, 1, "writing")
    write_package(output, layers, crs=inputs.crs, record=record, overwrite=overwrite)
    return replace(summary, seconds=time.perf_counter() - start)


def _is_large(path: Path | None) -> bool:
    """Whether a parcel file is so large that the run is surely worth workers, before a line of it is read."""
    return path is not None and path.is_file() and path.stat().st_size > SMALL_FILE_B


def _say_nothing(done: int, total: int, text: str) -> None:
    """Take progress without a word."""


def kernels_are_compiled() -> bool:
    """Whether the search kernel lies compiled in the cache."""
    folder = place_all.stats.cache_path
    return folder is not None and any(Path(folder).glob("*place_all*.nbi"))


def _work(task: TileTask, curves: YieldCurves, params: Params, is_rain_assumed: bool) -> TileResult:  # noqa: FBT001 - sent to a worker
    """Screen one tile; what a worker runs."""
    return screen_tile(tile_inputs(task, curves, is_rain_assumed=is_rain_assumed), params)


def _start_worker() -> None:
    """Spare a worker the search for cyclic garbage: a tile makes none to speak of, and millions of live objects."""
    gc.freeze()
    gc.disable()


@contextmanager
def _interrupts_held_back() -> Iterator[None]:
    """Start processes that no Ctrl-C reaches: this one is told, and ends them without a word of theirs.

    A process inherits which signals are held back. Here the signal waits until the processes have started.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _workers(jobs: int | None, n_parcels: int) -> Iterator[ProcessPoolExecutor | None]:
    """The worker processes of a run, which start while the inputs are still looked at; None for a run without."""
    if jobs is None:
        jobs = 1 if n_parcels < SMALL_RUN else os.cpu_count() or 1
    if jobs <= 1:
        yield None
        return
    # spawned workers open their own files and inherit no locks
    context = multiprocessing.get_context("spawn")
    others = set(multiprocessing.active_children())
    with ProcessPoolExecutor(jobs, mp_context=context, initializer=_start_worker) as pool:
        try:
            with _interrupts_held_back():
                # a first task for each makes them start
                for _ in range(jobs):
                    pool.submit(kernels_are_compiled)
            yield pool
        except BaseException:
            # nobody waits for half a tile: the workers end at once
            pool.shutdown(wait=False, cancel_futures=True)
            for worker in set(multiprocessing.active_children()) - others:
                worker.terminate()
            raise


def _screen(
    pool: ProcessPoolExecutor | None,
    prepared: Prepared,
    curves: YieldCurves,
    params: Params,
    say: Progress,
    *,
    is_rain_assumed: bool,
) -> list[TileResult]:
    """Screen all tiles, here or in worker processes; results in the order of the grid."""
    total = int(prepared.city.parcels["is_counted"].sum())
    say(0, total, "screening" if kernels_are_compiled() else "compiling the kernels, on the first run only")
    tasks = tile_tasks(prepared.city, params)
    done = 0
    results: list[TileResult] = []
    if pool is None:
        for task in tasks:
            results.append(_work(task, curves, params, is_rain_assumed))
            done += task.n_homes
            say(done, total, "screening")
        return results
    waiting = {pool.submit(_work, task, curves, params, is_rain_assumed): task for task in tasks}
    for future in as_completed(waiting):
        results.append(future.result())
        done += waiting[future].n_homes
        say(done, total, "screening")
    return sorted(results, key=lambda result: result.tile)


def _merge(
    results: list[TileResult], prepared: Prepared, inputs: CityInputs, params: Params, *, whole: bool
) -> dict[str, pd.DataFrame]:
    """Put the tiles' rows together, rank the homes, add the streets."""
    layers: dict[str, pd.DataFrame] = {}
    for name in _PIECES:
        parts = [r.layers[name] for r in results if name in r.layers and len(r.layers[name])]
        if parts:
            layers[name] = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=inputs.crs)
    homes = layers.get("candidate_homes")
    rank: dict[str, int] = {}
    if homes is not None:
        ranked = rank_homes(homes, params.ranking)
        layers["candidate_homes"] = gpd.GeoDataFrame(ranked, crs=inputs.crs)
        rank = dict(zip(ranked["home_id"], ranked["rank"], strict=True))
        layers["streets"] = street_totals(ranked, inputs.streets, inputs.crs)
    for name, keys in _ORDER.items():
        if name in layers:
            frame = layers[name]
            by = frame[keys].copy()
            by.insert(0, "rank", frame["home_id"].map(rank))
            if name == "buildings":
                by["area_m2"] = frame["area_m2"]
            order = by.sort_values(list(by.columns), kind="stable").index
            layers[name] = frame.loc[order].reset_index(drop=True)
    others = _others(layers.get("other_parcels"), prepared, inputs, whole=whole)
    if others is not None:
        layers["other_parcels"] = others
    layers["merged_parcels"] = _merged_parcels(prepared)
    lean = params.output.detail == "lean"
    for layer in LAYERS:
        if layer.name not in layers and layer.geometry_type is not None and not (layer.is_detail and lean):
            layers[layer.name] = empty(layer.name, inputs.crs)
    return layers


def _others(rows: pd.DataFrame | None, prepared: Prepared, inputs: CityInputs, *, whole: bool) -> pd.DataFrame | None:
    """Rows of other parcels with those that have no usable outline, in order of parcel id and place."""
    parts = [] if rows is None else [rows]
    broken = prepared.cleaned.broken
    if whole and len(broken):
        extra = pd.DataFrame(
            {
                "parcel_id": broken["parcel_id"],
                "address": broken["address"],
                "reason_code": "bad_geometry",
                "reason_text": broken["reason_text"],
            }
        )
        for name in ("tightest_rule_code", "alternative_code", "home_id"):
            extra[name] = pd.Series([None] * len(extra), dtype=object)
        for name in ("tightest_margin_m", "area_m2"):
            extra[name] = np.nan
        parts.append(gpd.GeoDataFrame(extra, geometry=np.full(len(extra), None, dtype=object), crs=inputs.crs))
    if not parts:
        return None
    both = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=inputs.crs)
    key = both[["parcel_id", "address", "reason_code"]].astype(object)
    bounds = both.geometry.bounds
    key["x"], key["y"] = bounds["minx"], bounds["miny"]
    key["x1"], key["y1"] = bounds["maxx"], bounds["maxy"]
    key["area"] = both["area_m2"]
    order = key.sort_values(list(key.columns), kind="stable", na_position="last").index
    ordered: pd.DataFrame = both.loc[order].reset_index(drop=True)
    return ordered


def _merged_parcels(prepared: Prepared) -> pd.DataFrame:
    """Parcels that another row stands for, in the order of that row's parcel id."""
    parcels, merged = prepared.city.parcels, prepared.cleaned.merged
    counted = parcels.loc[parcels["is_counted"], "home_id"]
    rows = merged[merged["home_id"].isin(counted)]
    keys = ["kept_parcel_id", "home_id", "parcel_id", "address", "merge_code"]
    ordered: pd.DataFrame = rows.sort_values(keys, kind="stable", na_position="last").drop(columns="home_id")
    return ordered.reset_index(drop=True)


def _rows(frame: pd.DataFrame, columns: list[str]) -> tuple[Mapping[str, object], ...]:
    """Rows as mappings, None for null."""
    plain = pd.DataFrame(frame)[columns].astype(object)
    return tuple(
        {name: None if pd.isna(value) else value for name, value in zip(columns, row, strict=True)}
        for row in plain.itertuples(index=False, name=None)
    )


def _summary(
    layers: Mapping[str, pd.DataFrame], prepared: Prepared, output: Path, notes: list[str], start: float
) -> RunSummary:
    """Counts and totals of the merged layers; every feature has to be counted exactly once."""
    homes, others = layers["candidate_homes"], layers["other_parcels"]
    n_read = prepared.n_counted_features
    n_merged = n_read - len(homes) - len(others)
    counted = prepared.city.parcels["is_counted"].to_numpy(dtype=bool)
    expected = int((prepared.city.parcels["n_features"].to_numpy()[counted] - 1).sum())
    if not n_merged == expected == len(layers["merged_parcels"]):
        msg = f"{n_read} parcels were read, but {len(homes)} + {len(others)} + {expected} are accounted for"
        raise AssertionError(msg)
    streets = layers["streets"]
    columns = [
        "rank",
        "home_id",
        "address",
        "street",
        "diverted_m3_y",
        "diverted_low_m3_y",
        "diverted_high_m3_y",
        "garden_area_m2",
        "treated_roof_m2",
        "confidence_frac",
    ]
    street_columns = ["street", "n_candidates", "n_gardens", "diverted_m3_y"]

    def total(column: str) -> float:
        return float(homes[column].sum()) if len(homes) else 0.0

    return RunSummary(
        output=output,
        n_parcels_read=n_read,
        n_candidate_homes=len(homes),
        n_other_parcels=len(others),
        n_parcels_merged=n_merged,
        n_gardens=len(layers["gardens"]),
        reasons={
            str(k): int(v)
            for k, v in others["reason_code"]
            .value_counts(sort=False)
            .sort_index()
            .sort_values(ascending=False, kind="stable")
            .items()
        },
        diverted_m3_y=total("diverted_m3_y"),
        diverted_low_m3_y=total("diverted_low_m3_y"),
        diverted_high_m3_y=total("diverted_high_m3_y"),
        runoff_roof_m3_y=total("runoff_roof_m3_y"),
        best_homes=_rows(homes.head(5), columns),
        best_streets=_rows(streets.head(5), street_columns),
        seconds=time.perf_counter() - start,
        notes=tuple(notes),
    )
