"""The run file: every guess with its reason above it, marked sure or to confirm."""

from __future__ import annotations

import os
import re
import textwrap
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any, Final

from screening.params import declared
from screening.params.fields import show
from screening.params.sections import FieldParams, InputParams
from screening.survey.facts import SAMPLES_SHOWN, FieldFacts

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from screening.survey.facts import LayerFacts
    from screening.survey.guess import Guess, KeepAwayGuess
    from screening.survey.proposal import Proposal

WIDTH: Final = 110
LONGEST_SAMPLE: Final = 40
MOST_FIELDS: Final = 60
"""Fields of a layer that are listed at the end of the run file."""

SURE: Final = "sure"
CONFIRM: Final = "TO CONFIRM"
SUGGESTED: Final = "if wanted"

SECTIONS: Final = {
    "inputs": "The files; paths are relative to this file.",
    "inputs.layers": "Layers, where a file has several.",
    "inputs.crs": "Coordinate systems of files that name none.",
    "fields": "Which field is what. Owners' names are never read.",
    "homes": "Which parcels are homes, and which building is the house.",
    "rules": "The rules a garden obeys; any of them can be set here, see `screening params rules`.",
    "siting": "",
    "rain": "",
    "soil.classes": 'The soil of each symbol of the map: a texture, a hydrologic group, or a rate such as "5 mm/h".',
}
"""Sections in the order of the file, with the remark above each."""

ORDER: Final = tuple(declared(InputParams)) + tuple(declared(FieldParams))
"""Keys in the order in which the parameters are declared."""


def run_file_text(proposal: Proposal, *, folder: Path, title: str, next_steps: Sequence[str] = ()) -> str:
    """Write the run file.

    Parameters
    ----------
    proposal : Proposal
        What stands in it; nothing needed is missing.
    folder : pathlib.Path
        Where the file will lie; paths are written relative to it.
    title : str
        First sentence: what it was made from.
    next_steps : sequence of str
        Commands to go on with.

    Returns
    -------
    str
        TOML.
    """
    lines = list(_head(proposal, title, next_steps))
    for section, remark in SECTIONS.items():
        entries = sorted(
            (one for one in proposal.guesses if one.section == section),
            key=lambda one: ORDER.index(one.key) if one.key in ORDER else len(ORDER),
        )
        if entries:
            lines += ["", *_comment(remark), *_header(section, entries)]
            lines += [line for one in entries for line in _entry(one, folder)]
        if section == "inputs.crs":
            lines += [line for one in proposal.keep_away for line in _keep_away(one, folder)]
    lines += ["", *_holdings(proposal)]
    return "\n".join(lines) + "\n"


UNSEEN: Final = r"\x00-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff\ud800-\udfff"
"""Characters that steer a terminal or turn the direction of writing."""


def plain_text(text: str, longest: int | None = None) -> str:
    """Return a text from a file as one line without control characters, cut where it is longer than allowed."""
    plain = " ".join(re.sub(f"[{UNSEEN}]", " ", text).split())
    return plain if longest is None or len(plain) <= longest else plain[: longest - 3] + "..."


def relative(path: Path, folder: Path) -> str:
    """Return a path as it is written into a file in a folder, with slashes."""
    # absolute without resolving links: a linked folder keeps the name it was given
    target, base = os.path.abspath(path), os.path.abspath(folder)  # noqa: PTH100 - Path.absolute keeps ".."
    try:
        text = PurePath(os.path.relpath(target, base)).as_posix()
    except ValueError:  # another drive
        return PurePath(target).as_posix()
    # a path that climbs to the root is better told from there
    return PurePath(target).as_posix() if text.count("../") > 3 else text


def _head(proposal: Proposal, title: str, next_steps: Sequence[str]) -> Iterator[str]:
    yield from _comment(title)
    yield "#"
    n = proposal.n_to_confirm
    yield from _comment(
        f'Above each line stands what speaks for it. "{SURE}": the files say it themselves. "{CONFIRM}": the best '
        f'guess, to be looked at before anybody trusts a result; there are {n}. "{SUGGESTED}": written as a comment, '
        "which does nothing until you take the # away."
    )
    if next_steps:
        yield "#"
        yield "# Go on with"
        yield from (f"#   {plain_text(step)}" for step in next_steps)
    if proposal.remarks:
        yield "#"
        yield "# To know:"
        for remark in proposal.remarks:
            yield from _comment(remark, first="# - ", further="#   ")


def _comment(text: str, *, first: str = "# ", further: str = "# ") -> list[str]:
    """Wrap a text as comment lines."""
    return textwrap.wrap(
        plain_text(text), WIDTH, initial_indent=first, subsequent_indent=further, break_on_hyphens=False
    )


def _header(section: str, entries: Sequence[Guess]) -> Iterator[str]:
    """Yield the header of a section; as a comment where all of a table of names is one."""
    if all(one.is_suggestion for one in entries) and "." in section:
        yield f"# [{section}]"
    else:
        yield f"[{section}]"


def _entry(one: Guess, folder: Path) -> Iterator[str]:
    mark = SUGGESTED if one.is_suggestion else (SURE if one.is_sure else CONFIRM)
    line = f"{_key(one.key)} = {_value(one.value, folder)}"
    if one.section == "soil.classes":
        # a table to fill in: one line each
        yield f"# {line}  # {plain_text(one.why)}"
        return
    yield from _comment(f"{mark}: {one.why}")
    off = "# " if one.is_suggestion else ""
    yield from (off + part for part in line.split("\n"))


def _keep_away(one: KeepAwayGuess, folder: Path) -> Iterator[str]:
    mark, mark_distance = (
        SUGGESTED if one.is_suggestion else (SURE if is_sure else CONFIRM)
        for is_sure in (one.is_sure, one.is_sure_distance)
    )
    off = "# " if one.is_suggestion else ""
    yield ""
    yield from _comment(f"{mark}: {one.why}")
    yield from _comment(f"{mark_distance}: the distance, {one.why_distance}")
    yield f"{off}[[inputs.keep_away]]"
    yield f"{off}path = {_value(one.path, folder)}"
    if one.layer:
        yield f"{off}layer = {_value(one.layer, folder)}"
    yield f"{off}kind = {show(one.kind)}"
    yield f"{off}distance_m = {show(one.distance_m)}"


def _value(value: Any, folder: Path) -> str:
    """Return a value as TOML."""
    if isinstance(value, Path):
        return _value(relative(value, folder), folder)
    if isinstance(value, tuple) and value and isinstance(value[0], Path):
        return "[\n" + "".join(f"    {_value(path, folder)},\n" for path in value) + "]"
    # signs that can't be seen are written as numbers, so that what a person reads is what the program reads
    return re.sub(f"[{UNSEEN}]", lambda sign: f"\\u{ord(sign[0]):04x}", show(value))


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _value(key, Path())


def _holdings(proposal: Proposal) -> Iterator[str]:
    """Yield what the files hold, for whoever corrects a guess."""
    yield "# What the files hold"
    for role, look in proposal.roles.items():
        facts: LayerFacts | None = getattr(look, "facts", None)
        if facts is None:
            continue
        yield "#"
        yield from _comment(
            f"{role}: {facts.where}, {facts.n_records:,} records ({facts.geometry_type}), "
            f"{facts.crs_text or 'no coordinate system'}"
        )
        for one in facts.fields[:MOST_FIELDS]:
            yield f"#   {plain_text(one.name, LONGEST_SAMPLE)}: {field_text(one)}"
        if len(facts.fields) > MOST_FIELDS:
            yield f"#   and {len(facts.fields) - MOST_FIELDS} more fields"
    if proposal.not_used:
        yield "#"
        yield "# Not used"
        for name, why in proposal.not_used:
            yield from _comment(f"{name}: {why}", first="#   ", further="#     ")


def field_text(one: FieldFacts) -> str:
    """Describe a field in one line: kind, missing values, how many different ones, a few of them."""
    if one.is_private:
        return f"not looked at, for it seems to be about people ({one.why_private})"
    words = [one.kind, f"{one.n_distinct:,} different"]
    if one.n_missing:
        words.append(f"{one.missing_frac:.1%} missing" if one.missing_frac < 0.999 else "nearly all missing")
    samples = ", ".join(plain_text(value, LONGEST_SAMPLE) for value in one.samples[:SAMPLES_SHOWN])
    return ", ".join(words) + (f"; {samples}" if samples else "")
