"""How a GIS draws each layer of the result: rules, symbols, and the words of the legend.

Each style is a few rules over codes of the layer, so that a legend reads in plain words. Light and dark carry the
meaning as much as hue does: the layers stay apart in a grey print and for colour-blind readers.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from screening import colours
from screening.columns import END_CODES, NOT_SCREENED, REASON_CODES

if TYPE_CHECKING:
    from collections.abc import Mapping

# Details of a lot are drawn from about these scales on; farther out they would only make the map black.
_NEAR: Final = 2_500
_LESS_NEAR: Final = 6_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Fill:
    """Symbol of an area: a fill (None: hollow), and an outline."""

    colour: str | None
    line: str
    width: float = 0.8
    opacity: float = 1.0
    dash: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Symbol of a line. Dash as lengths of stroke and gap, in pixels."""

    colour: str
    width: float
    dash: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Symbol of a point, one of the well-known marks of Symbology Encoding."""

    shape: str
    colour: str
    line: str
    size: float


Symbol = Fill | Line | Mark


@dataclass(frozen=True, slots=True, kw_only=True)
class Test:
    """Condition on a column: one of some values, at most or above a number, null, or not null."""

    column: str
    values: tuple[str, ...] = ()
    at_most: float | None = None
    above: float | None = None
    is_null: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One line of the legend: its words, which rows it holds for (all tests together), what is drawn."""

    title: str
    symbols: tuple[Symbol, ...]
    tests: tuple[Test, ...] = ()
    nearer_than: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """The look of one layer."""

    title: str
    rules: tuple[Rule, ...] = field(default=())


def layer_style(name: str, n_rows: int) -> Style:
    """Return the style of a layer.

    Parameters
    ----------
    name : str
        A layer that has a geometry.
    n_rows : int
        Its rows; candidates are coloured by which part of the ranks they stand in.

    Returns
    -------
    Style
        Title and rules.
    """
    if name == "candidate_homes":
        return _candidates(n_rows)
    return _STYLES[name]


def _candidates(n_rows: int) -> Style:
    """Lots in three steps of rank: the first tenth, the rest of the first half, the others.

    They let through what lies on them, for a program may draw the layers in any order.
    """
    tenth, half = -(-n_rows // 10), -(-n_rows // 2)
    steps = (
        ("first tenth", (Test(column="rank", at_most=tenth),), colours.LOT_BEST),
        ("first half", (Test(column="rank", above=tenth), Test(column="rank", at_most=half)), colours.LOT_GOOD),
        ("second half", (Test(column="rank", above=half),), colours.LOT_OTHER),
    )
    rules = tuple(
        Rule(
            title=f"{title} of the ranks",
            tests=tests,
            symbols=(Fill(colour=colour, line=colours.LOT_LINE, opacity=0.55),),
        )
        for title, tests, colour in steps
    )
    return Style(title="Candidate homes, by rank", rules=rules)


def _codes(column: str, *values: str) -> tuple[Test, ...]:
    return (Test(column=column, values=values),)


_STYLES: Final[Mapping[str, Style]] = {
    "gardens": Style(
        title="Candidate gardens",
        rules=(
            Rule(
                title="candidate garden",
                symbols=(Fill(colour=colours.GARDEN, line=colours.GARDEN_LINE, width=1.4),),
            ),
        ),
    ),
    "downspouts": Style(
        title="Downspouts",
        rules=(
            # Not by `is_measured`: programs disagree on how a switch is compared, and some then draw nothing at all.
            Rule(
                title="water to a garden",
                tests=(Test(column="garden_id", is_null=False),),
                symbols=(Mark(shape="circle", colour=colours.PAPER, line=colours.WATER, size=8),),
                nearer_than=_NEAR,
            ),
            Rule(
                title="not served",
                tests=(Test(column="garden_id", is_null=True),),
                symbols=(Mark(shape="x", colour=colours.INK, line=colours.INK, size=6),),
                nearer_than=_NEAR,
            ),
        ),
    ),
    "inlet_runs": Style(
        title="Water's way to the garden",
        rules=(
            Rule(
                title="downspout to garden",
                symbols=(Line(colour=colours.PAPER, width=4), Line(colour=colours.WATER, width=2)),
                nearer_than=_NEAR,
            ),
        ),
    ),
    "overflow_paths": Style(
        title="Overflow's way",
        rules=(
            Rule(
                title="to the street, a drain or the own ground",
                tests=_codes("end_code", *(code for code in END_CODES if code not in colours.WARNING_ENDS)),
                symbols=(Line(colour=colours.WATER, width=1.6, dash="7 4"),),
                nearer_than=_NEAR,
            ),
            Rule(
                title="to a neighbour or a building: look on the visit",
                tests=_codes("end_code", *colours.WARNING_ENDS),
                symbols=(Line(colour=colours.WATER_WARNING, width=2.6, dash="2 3"),),
                nearer_than=_NEAR,
            ),
        ),
    ),
    "buildings": Style(
        title="Buildings",
        rules=(
            Rule(
                title="house of the lot",
                tests=_codes("role_code", "principal"),
                symbols=(Fill(colour=colours.HOUSE, line=colours.BUILDING_LINE),),
                nearer_than=_LESS_NEAR,
            ),
            Rule(
                title="other building of the lot",
                tests=_codes("role_code", "other"),
                symbols=(Fill(colour=colours.OTHER_BUILDING, line=colours.BUILDING_LINE),),
                nearer_than=_LESS_NEAR,
            ),
            Rule(
                title="building of a neighbour",
                tests=_codes("role_code", "neighbour"),
                # Hollow: the house of one candidate is a neighbour of the next, and would be painted over.
                symbols=(Fill(colour=None, line=colours.BUILDING_LINE, width=0.4),),
                nearer_than=_LESS_NEAR,
            ),
        ),
    ),
    "roof_parts": Style(
        title="Roof parts",
        rules=(
            Rule(
                title="part that drains to one downspout",
                symbols=(Fill(colour=None, line=colours.PAPER, width=1.2),),
                nearer_than=_NEAR,
            ),
        ),
    ),
    "open_ground": Style(
        title="Open ground",
        rules=(
            Rule(
                title="the distances allow a garden",
                symbols=(
                    Fill(colour=colours.OPEN_GROUND, line=colours.OPEN_GROUND_LINE, width=0.6, opacity=0.7, dash="3 2"),
                ),
                nearer_than=_LESS_NEAR,
            ),
        ),
    ),
    "other_parcels": Style(
        title="Other parcels",
        rules=(
            Rule(
                title="no garden fits",
                tests=_codes("reason_code", *(code for code in REASON_CODES if code not in NOT_SCREENED)),
                symbols=(Fill(colour=colours.REFUSED_LOT, line=colours.REFUSED_LINE, width=0.5),),
            ),
            Rule(
                title="no home, or not screened",
                tests=_codes("reason_code", *NOT_SCREENED),
                symbols=(Fill(colour=colours.UNSCREENED_LOT, line=colours.REFUSED_LINE, width=0.5),),
            ),
        ),
    ),
    "districts": Style(
        title="Districts",
        rules=(
            Rule(
                title="area with totals",
                symbols=(Fill(colour=colours.PAPER, line=colours.QUIET_INK, width=1.5, opacity=0.0, dash="8 4"),),
            ),
        ),
    ),
    "streets": Style(
        title="Streets",
        rules=(
            Rule(
                title="with candidates",
                tests=(Test(column="n_candidates", above=0),),
                symbols=(Line(colour=colours.STREET, width=3.5),),
            ),
            Rule(
                title="without",
                tests=(Test(column="n_candidates", at_most=0),),
                symbols=(Line(colour=colours.STREET, width=1),),
            ),
        ),
    ),
}
