"""Write the reference pages from the code, or check that they are current.

``python docs/generate.py`` writes docs/reference; with ``--check`` it writes nothing and fails if a page is
not what the code says.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from screening import columns
from screening.cli.main import COMMANDS, main
from screening.cli.rules import CAUTION, all_values, number, unit
from screening.params import SECTIONS, declared
from screening.params.fields import FROM_RULE_SET, kind_text, show
from screening.rules import BASIS_MEANINGS, DEFAULT_RULE_SET, PROGRAM_DEFAULT, RULE_SETS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

REFERENCE = Path(__file__).resolve().parent / "reference"
WIDTH = 100

CODE_LISTS = {
    "REASON_CODES": "Reasons: why a parcel is no candidate (`other_parcels.reason_code`)",
    "END_CODES": "Ends of an overflow (`overflow_code`, `overflow_paths.end_code`)",
    "FLAG_CODES": "Flags: what to know about a candidate (`candidate_homes.flags`)",
    "ALTERNATIVE_CODES": "Alternatives to look at on a visit (`other_parcels.alternative_code`)",
    "CAUSE_CODES": "What makes a volume unsure (`main_cause_code` of homes, streets and districts)",
    "TIGHTEST_CODES": "Tightest rules (`other_parcels.tightest_rule_code`)",
    "MERGE_CODES": "Why a parcel has no row of its own (`merged_parcels.merge_code`)",
    "SHAPE_CODES": "Shapes (`gardens.shape_code`)",
    "ROLE_CODES": "Roles of buildings (`buildings.role_code`)",
}


def table(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> Iterator[str]:
    """Yield the lines of a Markdown table."""
    heads = list(heads)
    yield "| " + " | ".join(heads) + " |"
    yield "| " + " | ".join("---" for _ in heads) + " |"
    for row in rows:
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |"


def parameters() -> Iterator[str]:
    """Yield the lines of the page of parameters."""
    yield "# Parameters"
    yield ""
    yield (
        "Everything a run file may say. `screening params` prints the same as a commented run file, "
        "`screening params SECTION` one section, `--set SECTION.KEY=VALUE` changes one value for a run."
    )
    for section_name, section in SECTIONS.items():
        yield ""
        yield f"## [{section_name}]"
        yield ""
        yield (section.__doc__ or "").strip().splitlines()[0]
        yield ""
        yield from table(
            ("key", "default", "unit", "allowed", "meaning", "source of the default"),
            (_parameter_row(section_name, name) for name in declared(section)),
        )
        if section_name == "inputs":
            yield ""
            yield "### [[inputs.keep_away]]"
            yield ""
            keep_away = importlib.import_module("screening.params").KeepAway
            yield from table(
                ("key", "unit", "meaning"),
                ((f"`{name}`", one.spec.unit, one.spec.meaning) for name, one in declared(keep_away).items()),
            )


def _parameter_row(section_name: str, name: str) -> tuple[str, ...]:
    """Return the cells of one parameter."""
    one = declared(SECTIONS[section_name])[name]
    default, source = one.default, one.spec.source
    if default == FROM_RULE_SET:
        rule = getattr(RULE_SETS[DEFAULT_RULE_SET], name)
        default, source = rule.value, f"rule set [{DEFAULT_RULE_SET}](rule-sets.md#{DEFAULT_RULE_SET})"
    allowed = one.spec.range_text() or ", ".join(show(choice) for choice in one.choices) or kind_text(one.kind)
    if one.spec.range_text() and kind_text(one.kind).startswith("list"):
        allowed = f"{kind_text(one.kind)}, each {allowed}"
    given = "" if default is None or default in ((), {}) else f"`{show(default)}`"
    return (f"`{name}`", given, one.spec.unit, allowed, one.spec.meaning, source)


def layers_and_columns() -> Iterator[str]:
    """Yield the lines of the page of columns."""
    yield "# Layers and columns"
    yield ""
    yield (
        "The output is one GeoPackage in a projected coordinate system in metres. Identifiers are text. Null means "
        "not computed, never a stand-in number. The layer `column_guide` inside the file says the same as this page."
    )
    for layer in columns.LAYERS:
        yield ""
        yield f"## {layer.name}"
        yield ""
        geometry = f"Geometry: {layer.geometry_type}" if layer.geometry_type else "A table without geometry"
        if layer.geometry_may_be_null:
            geometry += ", which may be missing"
        yield f"One row per {layer.one_row_per}. {geometry}."
        if layer.is_detail:
            yield ""
            yield 'Left out with `[output] detail = "lean"`.'
        yield ""
        yield from table(
            ("column", "type", "unit", "meaning"),
            (
                (
                    f"`{column.name}`",
                    column.dtype,
                    column.unit,
                    column.meaning + (" ([codes](codes.md))" if column.codes else ""),
                )
                for column in layer.columns
            ),
        )


def codes() -> Iterator[str]:
    """Yield the lines of the page of codes."""
    yield "# Codes"
    yield ""
    yield "The closed lists behind the columns that hold codes."
    for name, title in CODE_LISTS.items():
        yield ""
        yield f"## {title}"
        yield ""
        yield from table(("code", "meaning"), ((f"`{code}`", text) for code, text in getattr(columns, name).items()))


def troubles() -> Iterator[str]:
    """Yield the lines of the page of troubles with inputs."""
    yield "# Troubles with a city's data"
    yield ""
    yield (
        "Every code that `screening check` reports ([how to read it](../how-to/check-your-data.md)). The severity is "
        "the usual one; a mild case is reported one step lower, and so is a warning about less than 1 % of the "
        "features."
    )
    yield ""
    yield from table(("severity", "meaning"), columns.SEVERITIES.items())
    for topic, heading in columns.TOPICS.items():
        yield ""
        yield f"## {heading}"
        yield ""
        yield from table(
            ("code", "severity", "what it is", "what it does", "the way out"),
            (
                (f"`{one.code}`", one.severity, one.meaning, one.effect, one.way_out)
                for one in columns.TROUBLES.values()
                if one.topic == topic
            ),
        )


def commands() -> Iterator[str]:
    """Yield the lines of the page of commands."""
    yield "# Commands"
    yield ""
    yield "Results go to stdout, messages and progress to stderr. Every command has `--help`."
    yield ""
    yield from _help(main, "screening", None)
    context = click.Context(main, info_name="screening")
    for name in COMMANDS:
        yield ""
        yield f"## screening {name}"
        yield ""
        yield from _help(importlib.import_module(f"screening.cli.{name}").command, name, context)


def _help(command: click.Command, name: str, parent: click.Context | None) -> Iterator[str]:
    """Yield a command's help as a block."""
    context = click.Context(
        command,
        info_name=name,
        parent=parent,
        terminal_width=WIDTH,
        max_content_width=WIDTH,
        help_option_names=["-h", "--help"],
    )
    yield "```text"
    yield from (line.rstrip() for line in command.get_help(context).splitlines())
    yield "```"


def rule_sets() -> Iterator[str]:
    """Yield the lines of the page of rule sets."""
    yield "# Rule sets"
    yield ""
    yield (
        f"{CAUTION} A run file names a set with `[rules] base` and may override every number. "
        "Distances are horizontal, from the edge of the garden."
    )
    yield ""
    yield from table(("basis", "meaning"), BASIS_MEANINGS.items())
    for rule_set in RULE_SETS.values():
        yield ""
        yield f"## {rule_set.name}"
        yield ""
        yield f"{rule_set.title}."
        yield ""
        yield from table(
            ("value", "", "unit", "basis", "source"),
            (
                (
                    f"`{name}`",
                    number(value),
                    unit(name) if value.value is not None else "",
                    value.basis,
                    value.source.removeprefix(PROGRAM_DEFAULT).removeprefix(": "),
                )
                for name, value in all_values(rule_set).items()
            ),
        )
        for note in rule_set.notes:
            yield ""
            yield note


def troubles_zoo() -> Iterator[str]:
    """Yield the lines of the page of the zoo."""
    if str(REFERENCE.parent) not in sys.path:
        sys.path.insert(0, str(REFERENCE.parent))
    zoo_page = importlib.import_module("zoo_page")
    yield "# A zoo of troubles"
    yield ""
    yield (
        f"{zoo_page.n_animals()} small towns, each with one thing wrong, and what the three commands answer. "
        "`tests/test_zoo.py` makes every one of them and holds `check`, `run` and `start` to this table. What the "
        "codes mean stands in [troubles](troubles.md)."
    )
    for heading, rows in zoo_page.zoo_rows():
        yield ""
        yield f"## {heading}"
        yield ""
        yield from table(("what is wrong", "`check`", "`run`", "`start`"), rows)


PAGES: dict[str, Callable[[], Iterator[str]]] = {
    "parameters.md": parameters,
    "columns.md": layers_and_columns,
    "codes.md": codes,
    "troubles.md": troubles,
    "troubles-zoo.md": troubles_zoo,
    "commands.md": commands,
    "rule-sets.md": rule_sets,
}


def page(name: str) -> str:
    """Return the text of a page."""
    return (
        "<!-- Written by docs/generate.py; change the code, then `make docs`. -->\n\n" + "\n".join(PAGES[name]()) + "\n"
    )


def stale(folder: Path = REFERENCE) -> list[str]:
    """Return the names of the pages in a folder that are not what the code says."""
    names = []
    for name in PAGES:
        path = folder / name
        if not path.is_file() or path.read_text("utf-8") != page(name):
            names.append(name)
    return names


def write(folder: Path = REFERENCE) -> None:
    """Write every page into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in PAGES:
        (folder / name).write_text(page(name), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    if sys.argv[1:] == ["--check"]:
        if names := stale():
            sys.exit(f"not current: {', '.join(names)}; run `make docs`")
    elif sys.argv[1:]:
        sys.exit("usage: python docs/generate.py [--check]")
    else:
        write()
        print(f"wrote {len(PAGES)} pages into {REFERENCE}")
