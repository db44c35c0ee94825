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
PLAN = "plan.gpkg"
MAP = "map.html"
SHEETS = "sheets.pdf"
REPORT = "report.html"
TOWN = "Ferrowick"
N_VISITS = 40

_OTHERS = (PICTURE, TEXT, PLAN, MAP, SHEETS, REPORT)


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

    The town is invented. Homes are found and ranked, 40 visits planned, and the map, the sheets for the visits and the
    page for a council made. An earlier result of the demo in the folder is replaced.
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
    if summary.best_homes:
        outputs += _season(folder, params.output.display_units)
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
    others = [name for name in _OTHERS if (folder / name).exists()]
    if others and not (folder / RESULT).exists():
        raise OutputExistsError(
            f"'{folder}' holds {' and '.join(others)}, but no result of the demo: name another folder with --out"
        )


def _best_home(summary: RunSummary, folder: Path) -> list[tuple[Path, str]]:
    """Draw and explain the best home, if there is one."""
    for name in _OTHERS:
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


def _season(folder: Path, display_units: str) -> list[tuple[Path, str]]:
    """Plan a season of visits and make what people need for it: map, sheets, and the page for a council."""
    from screening.council.page import write_page
    from screening.report.map_data import read_map
    from screening.report.map_page import map_page
    from screening.report.map_plan import read_plan
    from screening.report.result_layers import ResultLayers
    from screening.report.season import plan_season
    from screening.report.season_model import SeasonWishes
    from screening.report.season_tables import PLAN_LAYERS, plan_record, plan_tables
    from screening.sheets.book import write_book
    from screening.write.derived_package import write_derived

    result = folder / RESULT
    plan = plan_season(result, SeasonWishes(n_visits=N_VISITS))
    tables = plan_tables(plan, display_units=display_units)
    write_derived(
        folder / PLAN, tables, PLAN_LAYERS, what="a plan", crs=plan.crs, record=plan_record(plan), overwrite=True
    )
    layers = ResultLayers(result)
    visits = read_plan(folder / PLAN, crs_wkt=layers.record.get("crs_wkt", ""))
    (folder / MAP).write_bytes(map_page(read_map(result, plan=visits)).encode())
    book = write_book(layers, folder / SHEETS, plan=folder / PLAN)
    write_page(result, folder / REPORT, is_pdf=False, place=TOWN, plan_file=folder / PLAN)
    n_days = len(plan.days)
    return [
        (folder / PLAN, f"plan of {plan.n_visits} visits on {n_days} days: which streets, why, and the walks"),
        (folder / MAP, "map of everything with the plan; opens in a browser without a network"),
        (folder / SHEETS, f"a page for each visit in the order of the walk, {book.n_pages} pages"),
        (folder / REPORT, "a page for a council or a funder; no home is on it"),
    ]
