"""``screening merge``: the end of a run that several processes have shared."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

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
from screening.cli.progress import show_progress
from screening.cli.run import BoundsType, tell

if TYPE_CHECKING:
    from screening.cli.run import Bounds


@click.command()
@click.argument("run_file", metavar="RUN.toml", type=click.Path(path_type=Path))
@output_option("GeoPackage to write: the same as that of the shares.", required=True)
@click.option("--bbox", "bounds_m", type=BoundsType(), metavar="X0,Y0,X1,Y1", help="As given to the shares.")
@click.option("--limit", type=click.IntRange(min=1), help="As given to the shares.")
@settings_option
@rules_option
@overwrite_option
@progress_form_option
@progress_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    *,
    run_file: Path,
    output: Path,
    bounds_m: Bounds | None,
    limit: int | None,
    settings: tuple[str, ...],
    rule_set: str | None,
    overwrite: bool,
    progress_form: str,
    no_progress: bool,
    as_json: bool,
) -> None:
    """Put together what the shares of a run have done.

    Each share was done by 'screening run RUN.toml -o OUT.gpkg --tiles I/N'. The result has the same bytes as that of a
    run in one go.
    """
    params = gather_params(run_file, settings, rule_set=rule_set)

    from screening.batch.whole_run import Part, merge_shares

    wanted = not no_progress and ctx.find_root().obj["verbosity"] >= 0
    with show_progress(wanted=wanted, form=progress_form) as on_progress:
        summary = merge_shares(params, on_progress, output=output, part=Part(bounds_m, limit), overwrite=overwrite)
    tell(summary, params, as_json=as_json)
