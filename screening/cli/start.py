"""``screening start``: from bare files to a run file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from screening.cli.options import json_option, output_option
from screening.cli.plain import as_argument, echo, echo_json
from screening.errors import InputError, OutputExistsError, ParameterError
from screening.paths import why_unreadable

if TYPE_CHECKING:
    from screening.cli.options import Decorator
    from screening.survey.proposal import Named

PLAIN_NAME = "run.toml"


def _file_option(name: str, text: str, *, multiple: bool = False) -> Decorator:
    return click.option(
        f"--{name}",
        f"{name}_paths" if multiple else name,
        type=click.Path(path_type=Path),
        multiple=multiple,
        metavar="FILE",
        help=text,
    )


@click.command()
@click.argument("paths", metavar="[PATH]...", nargs=-1, type=click.Path(path_type=Path))
@_file_option("parcels", "The parcels.")
@_file_option("buildings", "The buildings.")
@_file_option("elevation", "The elevation: a raster, or a folder of tiles; may be given several times.", multiple=True)
@_file_option("streets", "The streets.")
@_file_option("rain", "The rain record.")
@_file_option("downspouts", "Measured downspouts.")
@_file_option("soils", "The soil map.")
@output_option("Run file to write; one that is there is never replaced. Without it the run file goes to stdout.")
@json_option
def command(
    *,
    paths: tuple[Path, ...],
    parcels: Path | None,
    buildings: Path | None,
    elevation_paths: tuple[Path, ...],
    streets: Path | None,
    rain: Path | None,
    downspouts: Path | None,
    soils: Path | None,
    output: Path | None,
    as_json: bool,
) -> None:
    """Look at a city's files and write a run file with the best guesses.

    Each PATH is a file or a folder with files of any name. What is named by an option is taken for that; a layer of a
    file with several is written FILE/LAYER. Nothing but the run file is written. Above each of its lines stands what
    speaks for it, and whether it is sure or to confirm.
    """
    from screening.survey.look import look_around
    from screening.survey.propose import propose
    from screening.survey.report_text import missing_text, report_text

    options = {
        "parcels": parcels,
        "buildings": buildings,
        "streets": streets,
        "rain": rain,
        "downspouts": downspouts,
        "soils": soils,
    }
    named = _named(options, elevation_paths)
    if not paths and not named:
        raise ParameterError(
            "no PATH is given; name the folder with the city's files, for example: screening start FOLDER -o run.toml."
        )
    if output is not None:
        _check_output(output)
    survey = look_around([*paths, *(path for one in named.values() for path in one.paths)])
    proposal = propose(survey, named)
    text = None if proposal.missing else _run_file(proposal, output, paths)
    if output is not None and text is not None:
        _write(output, text)
    if as_json:
        written = None if output is None or text is None else str(output)
        data = {**proposal.data(), "written": written, "run_file": text}
        echo_json(data)
    else:
        # with -o the report is the result; without it the run file is, and the report goes to the side
        echo(report_text(proposal), err=output is None)
    if proposal.missing:
        raise InputError(missing_text(proposal))
    if not as_json:
        _say_goodbye(output, text or "", proposal.n_to_confirm)


def _named(options: dict[str, Path | None], elevation: tuple[Path, ...]) -> dict[str, Named]:
    """Gather what the options name; FILE/LAYER is parted into its two."""
    from screening.survey.proposal import Named

    named = {}
    for role, path in options.items():
        if path is not None:
            file, layer = _split_layer(path)
            named[role] = Named((file,), layer)
    if elevation:
        named["elevation"] = Named(elevation)
    for role, one in named.items():
        for path in one.paths:
            wrong = why_unreadable(path, may_be_folder=True)
            if wrong:
                raise InputError(f"{path} {wrong}; check the path after --{role}.")
    return named


def _split_layer(path: Path) -> tuple[Path, str]:
    """Part FILE/LAYER: a path that doesn't exist, below one that does and is no plain folder."""
    above = path.parent
    is_data = not why_unreadable(above, may_be_folder=above.suffix.lower() == ".gdb")
    return (above, path.name) if is_data and why_unreadable(path, may_be_folder=True) else (path, "")


def _check_output(output: Path) -> None:
    """Refuse a place for the run file before the files are looked at."""
    from screening.write.destination import check_file

    if not why_unreadable(output):
        raise OutputExistsError(f"'{output}' exists already and is kept: choose another name with -o, or move it away.")
    check_file(output, endings=(".toml",), overwrite=False)


def _write(output: Path, text: str) -> None:
    """Write the run file under another name, and move it into place when it is whole."""
    from screening.write.destination import staged_files

    data = text.encode("utf-8")
    with staged_files((output,), overwrite=False, needed_bytes=len(data)) as (staged,):
        staged.write_bytes(data)


def _run_file(proposal: object, output: Path | None, paths: tuple[Path, ...]) -> str:
    from screening.survey.run_file import run_file_text

    name = Path(PLAIN_NAME) if output is None else Path(output.name)
    made_from = ", ".join(path.name or str(path) for path in paths[:3]) + (" and more" if len(paths) > 3 else "")
    title = f"Run file, made by `screening start`{f' from {made_from}' if made_from else ''}."
    return run_file_text(
        proposal,  # type: ignore[arg-type]
        folder=Path() if output is None else output.parent,
        title=title,
        next_steps=_next_steps(name),
    )


def _next_steps(run_file: Path) -> list[str]:
    from screening.cli.main import COMMANDS

    name = as_argument(run_file)
    steps = [f"screening check {name}"] if "check" in COMMANDS else []
    return [*steps, f"screening run {name} -o candidates.gpkg"]


def _say_goodbye(output: Path | None, text: str, n_to_confirm: int) -> None:
    """Say what to do next; the run file itself where it has no file to go to."""
    if output is None:
        echo(text, nl=False)
        return
    confirm = f", with {n_to_confirm} {'lines' if n_to_confirm > 1 else 'line'} to confirm" if n_to_confirm else ""
    echo(f"\nWrote {output}{confirm}. Next:")
    for step in _next_steps(output):
        echo(f"  {step}")
