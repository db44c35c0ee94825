"""What differs between two runs besides their outcome: input files, parameters, versions, the part of the town."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

KINDS: Final[Mapping[str, str]] = {
    "input": "input file",
    "parameter": "parameter",
    "version": "version of this program",
    "library": "versions of libraries",
    "part": "part of the town",
}
"""Kinds of differences in words."""

_PARAMETER: Final = "param."
_INPUT: Final = "input."
_DIGEST: Final = ".sha256."
_PROGRAM: Final = "screening_version"
_LIBRARY_ENDINGS: Final = ("_version", "_version_vector", "_version_raster")
_PARTS: Final = ("bounds_m", "limit")
# How a result is shown or stored changes no home.
_ONLY_SHOWN: Final = ("param.output.", "param.batch.")
# Paths: the digests of the files say more.
_FILES: Final = "param.inputs."
_NOT_FILES: Final = frozenset(
    {f"{_FILES}{name}" for name in ("elevation_unit", "elevation_nodata", "layers", "crs", "working_crs")}
)
_NONE: Final = "none"
_UNKNOWN: Final = "not known to that version"


class Difference(NamedTuple):
    """One thing that differs.

    Attributes
    ----------
    kind : str
        A key of `KINDS`.
    name : str
        Which input, parameter or version.
    before, after : str
        In the first and in the second run.
    """

    kind: str
    name: str
    before: str
    after: str


def differences(first: Mapping[str, str], second: Mapping[str, str]) -> tuple[Difference, ...]:
    """Compare two run records.

    Parameters
    ----------
    first, second : Mapping[str, str]
        Run records.
    """
    return (*_inputs(first, second), *_parameters(first, second), *_versions(first, second), *_parts(first, second))


def _inputs(first: Mapping[str, str], second: Mapping[str, str]) -> Iterator[Difference]:
    files = [_digests(record) for record in (first, second)]
    for role in sorted(set(files[0]) | set(files[1])):
        one, other = (found.get(role) for found in files)
        if one != other:
            yield Difference(
                "input", role, *(_file_text(record, role, has) for record, has in ((first, one), (second, other)))
            )


def _digests(record: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
    """Digests of the files of each input: a file under another name is the same input."""
    found: dict[str, list[str]] = {}
    for key, text in record.items():
        if key.startswith(_INPUT) and _DIGEST in key:
            role = key.removeprefix(_INPUT).partition(_DIGEST)[0]
            found.setdefault(role, []).append(text)
    return {role: tuple(sorted(texts)) for role, texts in found.items()}


def _file_text(record: Mapping[str, str], role: str, digests: tuple[str, ...] | None) -> str:
    if digests is None:
        return _NONE
    name = record.get(f"{_INPUT}{role}.name", role)
    return f"{name} (SHA-256 {digests[0][:12]}{'' if len(digests) == 1 else f' and {len(digests) - 1} more'})"


def _parameters(first: Mapping[str, str], second: Mapping[str, str]) -> Iterator[Difference]:
    keys = sorted(key for key in {*first, *second} if key.startswith(_PARAMETER) and not key.startswith(_ONLY_SHOWN))
    for key in keys:
        if key.startswith(_FILES) and key not in _NOT_FILES:
            continue
        one, other = (record.get(key) for record in (first, second))
        if one != other:
            name = key.removeprefix(_PARAMETER)
            yield Difference(
                "parameter", name, *("not known to it" if text is None else text or _NONE for text in (one, other))
            )


def _versions(first: Mapping[str, str], second: Mapping[str, str]) -> Iterator[Difference]:
    one, other = (record.get(_PROGRAM, "unknown") for record in (first, second))
    if one != other:
        yield Difference("version", "screening", one, other)
    keys = sorted(key for key in {*first, *second} if key.endswith(_LIBRARY_ENDINGS) and key != _PROGRAM)
    for key in keys:
        one, other = (record.get(key, _NONE) for record in (first, second))
        if one != other:
            yield Difference("library", key.replace("_version", "").replace("_", " "), one, other)


def _parts(first: Mapping[str, str], second: Mapping[str, str]) -> Iterator[Difference]:
    for key in _PARTS:
        one, other = (record.get(key, "") for record in (first, second))
        if one != other:
            yield Difference("part", {"bounds_m": "--bbox", "limit": "--limit"}[key], one or "all", other or "all")
