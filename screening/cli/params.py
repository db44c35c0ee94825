"""``screening params``: the defaults as a commented run file."""

from __future__ import annotations

import click

from screening.cli.options import json_option
from screening.cli.plain import echo, echo_json


@click.command()
@click.argument("section", required=False)
@json_option
def command(section: str | None, as_json: bool) -> None:
    """Print the parameters as a commented run file.

    SECTION is one section of the run file; without it all are printed. The text is a run file: keep the
    lines you want to change.
    """
    import difflib

    from screening.errors import ParameterError
    from screening.params import SECTIONS, params_toml
    from screening.params.fields import describe

    if section is not None and section not in SECTIONS:
        close = difflib.get_close_matches(section, SECTIONS, n=1)
        hint = f"; did you mean '{close[0]}'?" if close else f"; there are {', '.join(SECTIONS)}"
        raise ParameterError(f"there is no section '{section}'{hint}")
    if as_json:
        names = SECTIONS if section is None else [section]
        echo_json({name: describe(SECTIONS[name]) for name in names})
    else:
        echo(params_toml(section), nl=False)
