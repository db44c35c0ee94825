"""``screening run``: the main job."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from screening.cli.options import (
    gather_params,
    json_option,
    output_option,
    overwrite_option,
    progress_option,
    rules_option,
    settings_option,
)
from screening.cli.plain import echo
from screening.cli.progress import show_progress
from screening.errors import ParameterError

if TYPE_CHECKING:
    from screening.batch import RunSummary
    from screening.batch.prepare import GroundLook
    from screening.cli.options import Decorator
    from screening.params import Params

    Bounds = tuple[float, float, float, float]


class BoundsType(click.ParamType[Any]):
    """Four numbers with commas between them: west, south, east, north."""

    name = "bounds"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Bounds:
        """Read the numbers and their order."""
        if isinstance(value, tuple):
            return value
        try:
            west, south, east, north = (float(text) for text in str(value).split(","))
        except ValueError:
            self.fail("give four numbers with commas and no spaces between them: X0,Y0,X1,Y1", param, ctx)
        # Written as "not in order", so that not-a-number fails too.
        if not (west < east and south < north) or abs(west + south + east + north) == float("inf"):
            self.fail("X0 must be less than X1 and Y0 less than Y1", param, ctx)
        return west, south, east, north


def _input_option(name: str) -> Decorator:
    return click.option(f"--{name}", type=click.Path(path_type=Path), help=f"File of the {name}; over the run file.")


@click.command()
@click.argument("run_file", metavar="[RUN.toml]", required=False, type=click.Path(path_type=Path))
@_input_option("parcels")
@_input_option("buildings")
@_input_option("elevation")
@output_option("GeoPackage to write.")
@click.option("--jobs", type=click.IntRange(min=1), help="Processes that work side by side; default: one a core.")
@click.option(
    "--bbox",
    "bounds_m",
    type=BoundsType(),
    metavar="X0,Y0,X1,Y1",
    help="Only parcels in this box, in metres of the working coordinate system.",
)
@click.option("--limit", type=click.IntRange(min=1), help="Only the first N parcels.")
@settings_option
@rules_option
@overwrite_option
@click.option("--resume", is_flag=True, help="Go on with what a broken run of this output has left.")
@click.option("--dry-run", is_flag=True, help="Look at parameters and inputs, and write nothing.")
@progress_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    *,
    run_file: Path | None,
    parcels: Path | None,
    buildings: Path | None,
    elevation: Path | None,
    output: Path | None,
    jobs: int | None,
    bounds_m: Bounds | None,
    limit: int | None,
    settings: tuple[str, ...],
    rule_set: str | None,
    overwrite: bool,
    resume: bool,
    dry_run: bool,
    no_progress: bool,
    as_json: bool,
) -> None:
    """Find and rank the candidate homes of a city.

    RUN.toml says where the inputs are and what differs from the defaults; without it --parcels, --buildings and
    --elevation are needed. The result is one GeoPackage.
    """
    if output is None and not dry_run:
        raise ParameterError("say where the result goes: -o OUT.gpkg")
    inputs = {"parcels": parcels, "buildings": buildings, "elevation": elevation}
    params = gather_params(run_file, settings, rule_set=rule_set, inputs=inputs)
    missing = [name for name in inputs if getattr(params.inputs, name) is None]
    if missing:
        options = " ".join(f"--{name} FILE" for name in missing)
        raise ParameterError(
            f"no {', no '.join(missing)} given: name them in the run file under [inputs], or by {options}"
        )
    if output is not None:
        # Before any long work: it would be lost.
        from screening.write import check_output

        check_output(output, overwrite)
    if dry_run or output is None:
        _dry_run(params, output, bounds_m, limit, as_json=as_json)
        return

    from screening.batch import run
    from screening.report.result_layers import ResultLayers
    from screening.report.summary import summary_data, summary_text

    with show_progress(wanted=not no_progress and ctx.find_root().obj["verbosity"] >= 0) as on_progress:
        summary = run(
            params,
            on_progress,
            output=output,
            jobs=jobs,
            bounds_m=bounds_m,
            limit=limit,
            overwrite=overwrite,
            resume=resume,
        )
    if as_json:
        click.echo(json.dumps(summary_data(summary), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        record = ResultLayers(output).record
        echo(summary_text(summary, record, display_units=params.output.display_units))
    _report_failed_tiles(summary)


def _report_failed_tiles(summary: RunSummary) -> None:
    """End with the words and the exit code for tiles that failed."""
    if summary.failed_tiles:
        from screening.errors import TilesFailedError

        n = len(summary.failed_tiles)
        raise TilesFailedError(
            f"{n} tile{'s' if n > 1 else ''} failed ({summary.failed_tiles[0]}); their parcels have the reason "
            "tile_failed. Try these again with --resume --overwrite."
        )


def _dry_run(params: Params, output: Path | None, bounds_m: Bounds | None, limit: int | None, *, as_json: bool) -> None:
    """Read the inputs and look at them as a run would, and say what they are."""
    from screening.batch.prepare import prepare, read_inputs

    city = read_inputs(params, bounds_m)
    prepared = prepare(city, params, bounds_m, limit)
    ground = prepared.ground
    notes = [*city.notes, *prepared.notes]
    data = {
        "output": None if output is None else str(output),
        "working_crs": city.crs.name,
        "rules": params.rules.base,
        "inputs": [
            {
                "role": file.role,
                "name": file.name,
                "layer": file.layer,
                "crs": file.crs_text,
                "length_unit": file.length_unit,
                "n_features": file.n_features,
            }
            for file in city.files
        ],
        "elevation_cell_m": city.elevation.cell_m,
        "ground": {
            "n_houses_looked_at": ground.n_houses,
            "n_without_elevation": ground.n_without,
            "lowest_m": ground.lowest_m,
            "highest_m": ground.highest_m,
            "median_slope_pct": ground.median_slope_pct,
        },
        "notes": notes,
    }
    if as_json:
        click.echo(json.dumps(data, indent=2, ensure_ascii=False))
        return
    echo(f"Working coordinate system: {city.crs.name}")
    echo(f"Rule set: {params.rules.base}")
    for file in city.files:
        where = f"{file.name} ({file.layer})" if file.layer else file.name
        crs = f", {file.crs_text}" if file.crs_text else ""
        echo(f"  {file.role:<22} {where}: {file.n_features:,} features{crs}")
    echo(f"Elevation cells: {city.elevation.cell_m:g} m")
    echo(_ground_text(ground))
    for note in notes:
        echo(f"Note: {note}")
    echo("Nothing was written (--dry-run).")


def _ground_text(ground: GroundLook) -> str:
    """What the ground around some houses looks like, so that a wrong unit of its heights is seen."""
    if ground.lowest_m is None or ground.highest_m is None:
        return "Ground around the houses: no elevation known"
    slope = "" if ground.median_slope_pct is None else f", median slope {ground.median_slope_pct:.1f} %"
    heights = f"{ground.lowest_m:,.1f} to {ground.highest_m:,.1f} m high"
    houses = f"{ground.n_houses} house{'' if ground.n_houses == 1 else 's'}"
    return f"Ground around {houses} looked at: {heights}{slope}"
