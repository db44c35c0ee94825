"""``screening explain``: one home in words and, if asked for, in a picture."""

from __future__ import annotations

import json
from pathlib import Path

import click

from screening.cli.options import json_option, output_option, overwrite_option
from screening.errors import OutputExistsError, ParameterError


@click.command()
@click.argument("result", metavar="OUT.gpkg", type=click.Path(path_type=Path))
@click.argument("home_id", metavar="HOME_ID")
@output_option("Picture to write, .png or .svg.")
@overwrite_option
@json_option
def command(*, result: Path, home_id: str, output: Path | None, overwrite: bool, as_json: bool) -> None:
    """Show one home: its numbers and its picture.

    OUT.gpkg is the result of a run; HOME_ID is the identifier of a home in it, or of a parcel, which may be one where
    no garden fits. Only the result is read.
    """
    if output is not None:
        _check_picture(output, overwrite=overwrite)
    from screening.report.explain import explain_data, explain_text
    from screening.report.result_file import read_home

    home = read_home(result, home_id)
    if output is not None:
        from screening.report.picture import save_picture

        save_picture(home, output)
    if as_json:
        click.echo(json.dumps(explain_data(home), indent=2, ensure_ascii=False, allow_nan=False))
        return
    click.echo(explain_text(home))
    if output is not None:
        click.echo(f"\nPicture: {output}")


def _check_picture(output: Path, *, overwrite: bool) -> None:
    """Refuse a place for the picture that cannot take it, before reading anything."""
    if output.suffix.lower() not in {".png", ".svg"}:
        raise ParameterError(f"the picture '{output}' must end in .png or .svg")
    if not output.absolute().parent.is_dir():
        raise ParameterError(f"the folder of the picture '{output}' doesn't exist: make it first, or choose another")
    if output.is_dir():
        raise ParameterError(f"the picture '{output}' is a folder: name a file in it")
    if output.exists() and not overwrite:
        raise OutputExistsError(f"the picture '{output}' exists already: choose another name, or use --overwrite")
