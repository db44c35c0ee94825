"""``screening run``: the main job."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from screening.cli.options import (
    gather_params,
    json_option,
    output_option,
    overwrite_option,
    progress_form_option,
    progress_option,
    rules_option,
    settings_option,
)
from screening.cli.plain import echo, echo_json
from screening.cli.progress import show_progress
from screening.errors import ParameterError

if TYPE_CHECKING:
    from screening.batch import RunSummary
    from screening.batch.prepare import GroundLook
    from screening.cli.options import Decorator
    from screening.cli.progress import OnProgress
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


class ShareType(click.ParamType[Any]):
    """One share of several: ``3/8`` is the third of eight."""

    name = "share"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, int]:
        """Read the two numbers."""
        if isinstance(value, tuple):
            return value
        number, slash, of = str(value).partition("/")
        if not (slash and number.isdecimal() and of.isdecimal() and 1 <= int(number) <= int(of)):
            self.fail("give which one of how many, such as 3/8 for the third of eight", param, ctx)
        return int(number), int(of)


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
@click.option(
    "--tiles",
    "share",
    type=ShareType(),
    metavar="I/N",
    help="Do the I-th of N shares of the tiles and stop; 'screening merge' puts them together.",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Let the workers of a Dask cluster do the tiles: tcp://HOST:PORT, or the scheduler's file.",
)
@click.option("--dry-run", is_flag=True, help="Look at parameters and inputs, and write nothing.")
@progress_form_option
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
    share: tuple[int, int] | None,
    scheduler: str | None,
    dry_run: bool,
    progress_form: str,
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
    if share is not None and (scheduler is not None or overwrite or resume):
        raise ParameterError("--tiles goes neither with --scheduler nor with --overwrite or --resume")
    if output is not None:
        # Before any long work: it would be lost.
        from screening.write import check_output

        check_output(output, overwrite)
    if dry_run or output is None:
        _dry_run(params, output, bounds_m, limit, as_json=as_json)
        return

    from screening.batch import run

    wanted = not no_progress and ctx.find_root().obj["verbosity"] >= 0
    with show_progress(wanted=wanted, form=progress_form) as on_progress:
        if share is not None:
            _do_share(params, on_progress, output, share, jobs, (bounds_m, limit), as_json=as_json)
            return
        summary = run(
            params,
            on_progress,
            output=output,
            jobs=jobs,
            bounds_m=bounds_m,
            limit=limit,
            overwrite=overwrite,
            resume=resume,
            scheduler=scheduler,
        )
    tell(summary, params, as_json=as_json)


def tell(summary: RunSummary, params: Params, *, as_json: bool) -> None:
    """Print what a run came to; end with the words and the exit code for tiles that failed."""
    from screening.errors import TilesFailedError
    from screening.report.result_layers import ResultLayers
    from screening.report.summary import summary_data, summary_text

    if as_json:
        echo_json(summary_data(summary))
    else:
        record = ResultLayers(summary.output).record
        echo(summary_text(summary, record, display_units=params.output.display_units))
    if summary.failed_tiles:
        n = len(summary.failed_tiles)
        raise TilesFailedError(
            f"{n} tile{'s' if n > 1 else ''} failed ({summary.failed_tiles[0]}); their parcels have the reason "
            "tile_failed. Try these again with --resume --overwrite."
        )


def _do_share(
    params: Params,
    on_progress: OnProgress | None,
    output: Path,
    share: tuple[int, int],
    jobs: int | None,
    part: tuple[Bounds | None, int | None],
    *,
    as_json: bool,
) -> None:
    """Do one share of the tiles, and say so."""
    from screening.batch.whole_run import Part, run_share
    from screening.errors import TilesFailedError

    done = run_share(params, on_progress, output=output, share=share, jobs=jobs, part=Part(*part))
    if as_json:
        echo_json({"share": f"{share[0]}/{share[1]}", **done._asdict()}, indent=None)
    else:
        echo(
            f"Share {share[0]} of {share[1]} is done: {done.n_tiles} of {done.n_tiles_in_all} tiles with "
            f"{done.n_homes:,} parcels. When all shares are, put them together with 'screening merge' and the same -o."
        )
    if done.failed_tiles:
        n = len(done.failed_tiles)
        raise TilesFailedError(f"{n} tile{'s' if n > 1 else ''} failed ({done.failed_tiles[0]}); do the share again.")


def _dry_run(params: Params, output: Path | None, bounds_m: Bounds | None, limit: int | None, *, as_json: bool) -> None:
    """Read the inputs and look at them as a run would, and say what they are."""
    import tempfile

    from screening.batch.gather import gather
    from screening.batch.prepare import look_at_ground

    with tempfile.TemporaryDirectory() as scratch:
        gathered = gather(params, bounds_m, limit, Path(scratch))
        ground = look_at_ground(gathered.city, gathered.may_be_home, gathered.is_house, params)
    city = gathered.inputs
    notes = [*city.notes, *gathered.notes, *ground.notes]
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
        echo_json(data)
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
