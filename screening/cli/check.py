"""``screening check``: everything that can be wrong with the inputs, before any long work."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from screening.cli.options import gather_params, json_option, overwrite_option, settings_option
from screening.cli.plain import echo, echo_json
from screening.errors import ParameterError

if TYPE_CHECKING:
    from screening.checks import Report

UNUSABLE = 3
"""Exit code where an error was found."""


@click.command()
@click.argument("run_file", metavar="RUN.toml", type=click.Path(path_type=Path))
@click.option(
    "--map",
    "picture",
    metavar="F.html|F.png",
    type=click.Path(path_type=Path),
    help="Write a page (.html) or a picture (.png) that shows where the trouble lies.",
)
@settings_option
@overwrite_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    *,
    run_file: Path,
    picture: Path | None,
    settings: tuple[str, ...],
    overwrite: bool,
    as_json: bool,
) -> None:
    """Look for everything that can be wrong with the inputs.

    RUN.toml is the run file. Nothing is screened, and no input is changed. Each finding has a code, what it does to
    the result, and the way out; docs/reference/troubles.md lists all codes. The exit code is 0 where a run will go,
    3 where an error was found, 2 where the run file itself is wrong.
    """
    if picture is not None:
        from screening.write.destination import check_file

        check_file(picture, endings=(".html", ".png"), overwrite=overwrite)
    from screening.checks import Finding, Report, check_city
    from screening.checks.told import report_data, report_text

    try:
        params = gather_params(run_file, settings)
    except ParameterError as error:
        if as_json:
            wrong = Finding.of_code("parameter_wrong", str(error))
            echo_json(report_data(Report(findings=(wrong,)), run_file))
        raise
    report = check_city(params)
    if as_json:
        echo_json(report_data(report, run_file))
    else:
        echo(report_text(report, run_file))
    if picture is not None:
        _draw(report, picture, overwrite=overwrite)
        echo(f"Where it lies: {picture}", err=True)
    if not report.will_run:
        ctx.exit(UNUSABLE)


def _draw(report: Report, picture: Path, *, overwrite: bool) -> None:
    """Write the page or the picture."""
    from screening.write.destination import staged_files

    if picture.suffix.lower() == ".html":
        from screening.checks.page import trouble_page

        content = trouble_page(report).encode()
    else:
        from screening.checks.picture import trouble_picture

        content = trouble_picture(report)
    with staged_files((picture,), overwrite=overwrite, needed_bytes=len(content)) as (staged,):
        staged.write_bytes(content)
