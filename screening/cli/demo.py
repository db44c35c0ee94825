"""``screening demo``: the whole job on the sample town."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from screening.cli.options import progress_option
from screening.cli.plain import echo
from screening.cli.progress import show_progress
from screening.errors import OutputExistsError, ParameterError, ScreeningError

if TYPE_CHECKING:
    from screening.batch import RunSummary

RESULT = "candidates.gpkg"
PICTURE = "best_home.png"
TEXT = "best_home.txt"


@click.command()
@click.option(
    "--out",
    "folder",
    type=click.Path(path_type=Path),
    default=Path("demo_output"),
    show_default=True,
    help="Folder to write to; made if it is not there.",
)
@progress_option
@click.pass_context
def command(ctx: click.Context, *, folder: Path, no_progress: bool) -> None:
    """Do the whole job on the sample town.

    The town is invented. An earlier result of the demo in the folder is replaced.
    """
    from screening.batch import run
    from screening.params import load_params
    from screening.report.result_layers import ResultLayers
    from screening.report.summary import summary_text
    from screening.sample import RUN_FILE, sample_folder

    _prepare(folder)
    params = load_params(sample_folder() / RUN_FILE)
    with show_progress(wanted=not no_progress and ctx.find_root().obj["verbosity"] >= 0) as on_progress:
        summary = run(params, on_progress, output=folder / RESULT, overwrite=True)
    outputs = [(folder / RESULT, "every home, garden and reason; open it in any desktop GIS")]
    outputs += _best_home(summary, folder)
    record = ResultLayers(folder / RESULT).record
    echo(summary_text(summary, record, display_units=params.output.display_units))
    echo("\nOutputs")
    width = max(len(str(path)) for path, _ in outputs)
    for path, words in outputs:
        echo(f"  {path!s:<{width}}  {words}")


def _prepare(folder: Path) -> None:
    """Make the folder; refuse to write over what the demo didn't make."""
    from screening.write import check_output

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise ParameterError(f"'{folder}' is a file: name a folder with --out") from error
    except OSError as error:
        raise ScreeningError(
            f"the folder '{folder}' cannot be made ({error.strerror or error}): name another with --out"
        ) from error
    check_output(folder / RESULT, overwrite=True)
    others = [name for name in (PICTURE, TEXT) if (folder / name).exists()]
    if others and not (folder / RESULT).exists():
        raise OutputExistsError(
            f"'{folder}' holds {' and '.join(others)}, but no result of the demo: name another folder with --out"
        )


def _best_home(summary: RunSummary, folder: Path) -> list[tuple[Path, str]]:
    """Draw and explain the best home, if there is one."""
    for name in (PICTURE, TEXT):
        (folder / name).unlink(missing_ok=True)
    if not summary.best_homes:
        return []
    from screening.report.explain import explain_text
    from screening.report.picture import save_picture
    from screening.report.result_file import read_home

    home_id = str(summary.best_homes[0]["home_id"])
    home = read_home(folder / RESULT, home_id)
    save_picture(home, folder / PICTURE)
    (folder / TEXT).write_text(explain_text(home) + "\n", encoding="utf-8")
    return [
        (folder / PICTURE, f"plan of {home_id}, the best home"),
        (folder / TEXT, f"every number of {home_id} and how it came about"),
    ]
