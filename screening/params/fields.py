"""The declaration of one parameter, and the checks that every section shares.

A parameter is a dataclass field made by :func:`P`, which carries default, unit, meaning, range and
source; the reference page, the commented run file and the checks are all made from it.
"""

from __future__ import annotations

import dataclasses
import json
import math
import types
import typing
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from screening.errors import ParameterError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

FROM_RULE_SET: Final = "from the rule set"
"""Default of the fields of ``[rules]`` that the base rule set fills in."""

META: Final = "parameter"


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Spec:
    """What is known of one parameter besides its name and type.

    Attributes
    ----------
    unit : str
        Unit of a number; "" for text, switches and codes.
    meaning : str
        What the parameter does, one sentence.
    source : str
        Where the default comes from; "" where it needs none (names, switches).
    ge, gt, le, lt : float or None
        Bounds of a number, or of every number of a tuple.
    length : int or None
        Smallest number of entries of a tuple.
    """

    unit: str = ""
    meaning: str = ""
    source: str = ""
    ge: float | None = None
    gt: float | None = None
    le: float | None = None
    lt: float | None = None
    length: int | None = None

    def range_text(self) -> str:
        """Return the range as a person writes it, for example ``> 0, <= 100``; "" if there is none."""
        bounds = ((">=", self.ge), (">", self.gt), ("<=", self.le), ("<", self.lt))
        return ", ".join(f"{sign} {bound:g}" for sign, bound in bounds if bound is not None)

    def out_of_range(self, value: float) -> bool:
        """Return whether a number lies outside the bounds; not-a-number always does."""
        # Written as "not inside", so that NaN cannot slip through.
        return not (
            math.isfinite(value)
            and (self.ge is None or value >= self.ge)
            and (self.gt is None or value > self.gt)
            and (self.le is None or value <= self.le)
            and (self.lt is None or value < self.lt)
        )


def P(  # noqa: N802 - a short name, for it stands in front of every parameter
    default: object,
    unit: str,
    meaning: str,
    *,
    ge: float | None = None,
    gt: float | None = None,
    le: float | None = None,
    lt: float | None = None,
    length: int | None = None,
    source: str = "",
) -> Any:
    """Declare a parameter as a dataclass field.

    Parameters
    ----------
    default : object
        Value where the run file says nothing; a callable (dict) makes a fresh one each time.
    unit, meaning, source, ge, gt, le, lt, length
        See `Spec`.
    """
    spec = Spec(unit=unit, meaning=meaning, source=source, ge=ge, gt=gt, le=le, lt=lt, length=length)
    if callable(default):
        return dataclasses.field(default_factory=default, metadata={META: spec})
    return dataclasses.field(default=default, metadata={META: spec})


@dataclasses.dataclass(frozen=True, slots=True)
class Declared:
    """A parameter of a section: its name, type, default and `Spec`."""

    name: str
    kind: Any
    default: object
    spec: Spec

    @property
    def choices(self) -> tuple[str, ...]:
        """Allowed words of a text parameter; empty where it is free."""
        if typing.get_origin(self.kind) is Literal:
            return tuple(typing.get_args(self.kind))
        return ()


_DECLARED: Final[dict[type, Mapping[str, Declared]]] = {}


def declared(section: type[Section]) -> Mapping[str, Declared]:
    """Return the parameters of a section class in their order, by name."""
    if section in _DECLARED:
        return _DECLARED[section]
    # The sections' own module names every type they use; hints are text until asked for.
    hints = typing.get_type_hints(section)
    found = {}
    for field in dataclasses.fields(section):
        default = field.default
        if field.default_factory is not dataclasses.MISSING:
            default = field.default_factory()
        found[field.name] = Declared(field.name, hints[field.name], default, field.metadata[META])
    _DECLARED[section] = types.MappingProxyType(found)
    return _DECLARED[section]


def describe(section: type[Section]) -> dict[str, dict[str, object]]:
    """Return what is known of a section's parameters as plain data, by name."""
    found: dict[str, dict[str, object]] = {}
    for name, parameter in declared(section).items():
        spec = parameter.spec
        found[name] = {
            "default": list(parameter.default) if isinstance(parameter.default, tuple) else parameter.default,
            "type": kind_text(parameter.kind),
            "unit": spec.unit,
            "range": spec.range_text(),
            "choices": list(parameter.choices),
            "meaning": spec.meaning,
            "source": spec.source,
        }
    return found


def kind_text(kind: Any) -> str:
    """Return a parameter's type as a person calls it."""
    origin = typing.get_origin(kind)
    arguments = typing.get_args(kind)
    if origin in {types.UnionType, typing.Union}:
        return " or ".join(kind_text(option) for option in arguments if option is not types.NoneType)
    if origin is tuple:
        return f"list of {kind_text(arguments[0])}"
    if origin is Literal:
        return "word"
    words = {float: "number", int: "whole number", bool: "true or false", str: "text", Path: "path"}
    return words.get(kind, "table")


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Base of the parameter sections: checks types and ranges when an object is made."""

    def __post_init__(self) -> None:
        """Take whole numbers for decimal ones, then refuse what is of the wrong kind or out of range."""
        self.fill()
        problems = []
        for name, parameter in declared(type(self)).items():
            value = getattr(self, name)
            converted, problem = convert(value, parameter)
            if problem:
                problems.append(f"{name} = {show(value)}: {problem}")
            elif converted is not value:
                object.__setattr__(self, name, converted)
        if not problems:
            problems.extend(self.contradictions())
        if problems:
            raise ParameterError("\n".join(problems))

    def fill(self) -> None:
        """Fill in what depends on another field; nothing by default."""

    def contradictions(self) -> Iterator[str]:
        """Yield what is wrong between fields that are fine one by one; nothing by default."""
        yield from ()


def show(value: object) -> str:
    """Return a value as the run file would write it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str | Path):
        # JSON's escapes are TOML's too, but TOML wants the delete character escaped as well.
        return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, float):
        # The shortest text that reads back as the same number, without ".0".
        return repr(value).removesuffix(".0")
    if isinstance(value, list | tuple):
        return "[" + ", ".join(show(item) for item in value) + "]"
    return str(value)


def convert(value: object, parameter: Declared) -> tuple[object, str]:
    """Bring a value to a parameter's type and check its range.

    Returns
    -------
    converted : object
        The value in the declared type.
    problem : str
        What is wrong with it, "" if nothing.
    """
    return _convert(value, parameter.kind, parameter.spec)


def _convert(value: object, kind: Any, spec: Spec) -> tuple[object, str]:
    """Convert one value to one annotated type."""
    origin = typing.get_origin(kind)
    if origin in {types.UnionType, typing.Union}:
        if value is None:
            return None, ""
        one, *more = (option for option in typing.get_args(kind) if option is not types.NoneType)
        is_list = isinstance(value, list | tuple)
        return _convert(value, more[0] if more and is_list else one, spec)
    if origin is Literal:
        words = typing.get_args(kind)
        return value, "" if value in words else "must be one of " + ", ".join(show(word) for word in words)
    if origin is tuple:
        return _convert_tuple(value, typing.get_args(kind)[0], spec)
    if kind is float or kind is int:
        return _convert_number(value, kind, spec)
    if kind is Path:
        if isinstance(value, Path) or (isinstance(value, str) and value):
            return Path(value), ""
        return value, "must be a path in quotes"
    if origin is not None:  # a mapping of names to texts
        return _convert_mapping(value)
    wanted = {bool: "true or false", str: "text in quotes"}.get(kind, f"a {kind.__name__}")
    return value, "" if isinstance(value, kind) else f"must be {wanted}"


def _convert_number(value: object, kind: type, spec: Spec) -> tuple[object, str]:
    """Convert a number; text and switches are none, and a whole number serves as a decimal one."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return value, "must be a number"
    if kind is int and not isinstance(value, int):
        return value, "must be a whole number"
    if spec.out_of_range(value):
        return value, f"must be {spec.range_text()}" if spec.range_text() else "must be a finite number"
    # plus nothing: minus zero is zero, as it is once it was written and read again
    return kind(value) + 0, ""


def _convert_tuple(value: object, kind: type, spec: Spec) -> tuple[object, str]:
    """Convert a list of values of one type."""
    if not isinstance(value, list | tuple):
        return value, "must be a list in square brackets"
    if spec.length is not None and len(value) < spec.length:
        return value, f"must have at least {spec.length} entries"
    converted = []
    for item in value:
        one, problem = _convert(item, kind, spec)
        if problem:
            return value, f"entry {show(item)} {problem}"
        converted.append(one)
    return tuple(converted), ""


def _convert_mapping(value: object) -> tuple[object, str]:
    """Check a table of texts."""
    if not isinstance(value, dict):
        return value, "must be a table"
    wrong = [key for key, text in value.items() if not (isinstance(key, str) and isinstance(text, str) and text)]
    return dict(value), f"{wrong[0]} must be text in quotes" if wrong else ""
