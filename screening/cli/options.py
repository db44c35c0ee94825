"""Options that several commands share: one spelling, one help text, one error each."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from screening.rules import RULE_SETS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from screening.params import Params

    Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

json_option = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")

overwrite_option = click.option("--overwrite", is_flag=True, help="Replace an output that is already there.")

settings_option = click.option(
    "--set",
    "settings",
    metavar="SECTION.KEY=VALUE",
    multiple=True,
    help="Set a parameter, over the run file; repeatable.",
)

rules_option = click.option("--rules", "rule_set", type=click.Choice(list(RULE_SETS)), help="Base rule set.")

progress_option = click.option("--no-progress", is_flag=True, help="Show no progress.")

progress_form_option = click.option(
    "--progress",
    "progress_form",
    type=click.Choice(["auto", "json"]),
    default="auto",
    show_default=True,
    help="How progress is shown: a bar or lines, or a line of JSON for each step, for other programs.",
)


def _remember_result(ctx: click.Context, _: click.Parameter, path: Path) -> Path:
    """Note which result a command reads, so that it can be looked at if the command stumbles over it."""
    ctx.find_root().obj["result"] = path
    return path


result_argument = click.argument(
    "result", metavar="OUT.gpkg", type=click.Path(path_type=Path), callback=_remember_result
)


def output_option(text: str, *, required: bool = False) -> Decorator:
    """Return the option ``-o`` with a help text of the command's own."""
    return click.option("-o", "--output", type=click.Path(path_type=Path), required=required, help=text)


def gather_params(
    run_file: Path | None,
    settings: Sequence[str] = (),
    *,
    rule_set: str | None = None,
    inputs: Mapping[str, Path | None] | None = None,
) -> Params:
    """Make the parameters of a command from its run file and options.

    Parameters
    ----------
    run_file : Path or None
        Run file; None for the defaults.
    settings : sequence of str
        What ``--set`` gave; wins over everything else.
    rule_set : str or None
        What ``--rules`` gave.
    inputs : mapping, optional
        Input files given as options, by their names in ``[inputs]``; None where an option was not given.
    """
    from screening.params import load_params

    # what each setting stands for on the command line, so that a message blames the option and not the run file
    named = {
        f"inputs.{name}='''{path}'''": f"--{name} {path}" for name, path in (inputs or {}).items() if path is not None
    }
    if rule_set is not None:
        named[f"rules.base={rule_set}"] = f"--rules {rule_set}"
    overrides = [*named, *settings]
    named |= {text: f"--set {text}" for text in settings}
    return load_params(run_file, overrides, option_names=named)
