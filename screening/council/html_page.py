"""The page as one HTML file: no script, no picture from elsewhere, charts as tables with a bar in each row."""

from __future__ import annotations

import base64
import hashlib
import html
from typing import TYPE_CHECKING, Any, Final

from screening import colours
from screening.council.facts import paragraphs
from screening.council.place_map import STEP_WORDS, STEPS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from screening.council.facts import Bar, Chart, Facts
    from screening.council.place_map import PlaceMap

_BAR_WIDE: Final = 160.0
_BAR_TALL: Final = 14.0

_STYLE: Final = f"""
:root {{ color-scheme: light; }}
*, *::before, *::after {{ box-sizing: border-box; }}
body {{ margin: 0 auto; max-width: 64rem; padding: 1.2rem; background: {colours.PAPER}; color: {colours.INK};
  font: 100%/1.45 "Segoe UI", system-ui, "Noto Sans", "DejaVu Sans", sans-serif;
  overflow-wrap: anywhere; }}
h1 {{ font-size: 1.6rem; line-height: 1.2; margin: 0 0 0.3rem; }}
h2 {{ font-size: 1.1rem; margin: 1.4rem 0 0.3rem; border-bottom: 2px solid {colours.LOT_BEST}; }}
p, ul, dl {{ margin: 0.3rem 0; }}
ul {{ padding-left: 1.2rem; }}
.standing {{ border-left: 6px solid {colours.GARDEN}; padding-left: 0.7rem; font-weight: 600; }}
.figures {{ display: flex; flex-wrap: wrap; gap: 0.7rem 2.5rem; margin: 0.9rem 0 0; }}
.figures div {{ flex: 1 1 12rem; display: flex; flex-direction: column; }}
.figures dd {{ margin: 0; }}
.figures .number {{ order: -1; font-size: 2rem; line-height: 1.1; font-weight: 700; color: {colours.LOT_BEST}; }}
.figures dt {{ font-weight: 600; }}
.quiet, .notes {{ color: {colours.QUIET_INK}; font-size: 0.875rem; }}
.scroll {{ overflow-x: auto; }}
table {{ border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }}
caption {{ text-align: left; }}
th, td {{ padding: 0.15rem 0.6rem 0.15rem 0; text-align: right; vertical-align: middle; white-space: nowrap; }}
th[scope="row"], th.label {{ text-align: left; font-weight: 400; white-space: normal; min-width: 8.5rem; }}
th.label, thead th {{ font-weight: 600; border-bottom: 1px solid {colours.REFUSED_LINE}; }}
td.bar {{ width: {_BAR_WIDE}px; padding-right: 0; }}
svg {{ display: block; max-width: 100%; height: auto; }}
.columns {{ margin-top: 1.4rem; columns: 22rem 2; column-gap: 2rem; }}
.columns section {{ break-inside: avoid; }}
.columns section h2 {{ margin-top: 0; }}
.columns section + section h2 {{ margin-top: 1rem; }}
figure {{ margin: 0.5rem 0; }}
figcaption ul {{ list-style: none; padding: 0; display: flex; flex-wrap: wrap; gap: 0.1rem 1.2rem; }}
figcaption svg {{ display: inline-block; vertical-align: -0.1rem; margin-right: 0.4rem; }}
@media print {{
  @page {{ margin: 12mm; }}
  body {{ max-width: none; padding: 0; font-size: 8.5pt; }}
  h2 {{ margin-top: 0.7rem; break-after: avoid; }}
  tr, figure {{ break-inside: avoid; }}
  * {{ print-color-adjust: exact; }}
}}
"""


def html_page(facts: Facts, place_map: PlaceMap | None) -> str:
    """Write the page.

    Parameters
    ----------
    facts : Facts
    place_map : PlaceMap or None
        None where no place has a shape.
    """
    return "\n".join(_lines(facts, place_map)) + "\n"


def _lines(facts: Facts, place_map: PlaceMap | None) -> Iterator[str]:
    # every character that an address or a name of a street could hold is escaped; and nothing else may run or load
    digest = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'"
    yield "<!doctype html>"
    yield '<html lang="en">'
    yield '<head><meta charset="utf-8">'
    yield f'<meta http-equiv="Content-Security-Policy" content="{html.escape(policy)}">'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<title>{_text(facts.title)}</title>"
    yield f"<style>{_STYLE}</style></head>"
    yield "<body><header>"
    yield f"<h1>{_text(facts.title)}</h1>"
    yield f'<p class="standing">{_text(facts.standing)}</p>'
    yield '<dl class="figures">'
    for number, what, more in facts.figures:
        yield f'<div><dt>{_text(what)}</dt><dd class="number">{_text(number)}</dd>'
        if more:
            yield f'<dd class="quiet">{_text(more)}</dd>'
        yield "</div>"
    yield "</dl></header><main>"
    yield from _chart(facts.water)
    yield "<section>"
    yield f"<h2>{_text(facts.places.title)}</h2>"
    if place_map is not None:
        yield from _figure(place_map)
    yield from _table(facts.places)
    yield "</section>"
    yield from _chart(facts.outcomes)
    yield '<div class="columns">'
    for head, sentences in paragraphs(facts):
        yield f"<section><h2>{_text(head)}</h2><ul>"
        yield from (f"<li>{_text(sentence)}</li>" for sentence in sentences)
        yield "</ul></section>"
    yield "</div></main></body></html>"


def _text(text: str) -> str:
    return html.escape(text)


def _chart(chart: Chart) -> Iterator[str]:
    yield f"<section><h2>{_text(chart.title)}</h2>"
    yield from _table(chart)
    yield "</section>"


def _table(chart: Chart) -> Iterator[str]:
    if chart.bars:
        has_numbers = any(bar.number is not None for bar in chart.bars)
        # the table may be wider than a telephone: it scrolls by itself, also with the keyboard
        name = _text(chart.title)
        yield f'<div class="scroll" role="region" aria-label="{name}" tabindex="0"><table><thead><tr>'
        if has_numbers:
            yield '<th scope="col">No.</th>'
        yield f'<th scope="col" class="label">{_text(chart.label_head) or "&nbsp;"}</th>'
        yield from (f'<th scope="col">{_text(head)}</th>' for head in chart.heads)
        yield '<td class="bar"></td></tr></thead><tbody>'
        for bar in chart.bars:
            number = f"<td>{bar.number}</td>" if has_numbers else ""
            cells = "".join(f"<td>{_text(cell)}</td>" for cell in bar.cells)
            yield (
                f'<tr>{number}<th scope="row" dir="auto">{_text(bar.label)}</th>{cells}'
                f'<td class="bar">{_bar(bar, chart.longest)}</td></tr>'
            )
        yield "</tbody></table></div>"
    yield from (f'<p class="notes">{_text(note)}</p>' for note in chart.notes)


def _bar(bar: Bar, longest: float) -> str:
    """Draw a bar; the numbers stand beside it, so a reader of the text misses nothing."""
    scale = (_BAR_WIDE - 2.0) / longest
    fill, line = colours.UNSCREENED_LOT if bar.is_pale else colours.LOT_GOOD, colours.LOT_LINE
    size = f'width="{max(bar.value * scale, 0.5):.1f}" height="{_BAR_TALL - 6:g}"'
    parts = [f'<rect x="0.5" y="3" {size} fill="{fill}" stroke="{line}"/>']
    if bar.low is not None and bar.high is not None:
        low, high, mid = bar.low * scale + 0.5, bar.high * scale + 0.5, _BAR_TALL / 2
        path = f"M{low:.1f} 1V{_BAR_TALL - 1:g}M{high:.1f} 1V{_BAR_TALL - 1:g}M{low:.1f} {mid:g}H{high:.1f}"
        parts.append(f'<path d="{path}" fill="none" stroke="{colours.INK}" stroke-width="1.6"/>')
    size = f'width="{_BAR_WIDE:g}" height="{_BAR_TALL:g}" viewBox="0 0 {_BAR_WIDE:g} {_BAR_TALL:g}"'
    return f'<svg {size} aria-hidden="true" focusable="false">{"".join(parts)}</svg>'


def _figure(place_map: PlaceMap) -> Iterator[str]:
    yield "<figure>"
    size = f'viewBox="0 0 {place_map.wide:.0f} {place_map.tall:.0f}" width="{place_map.wide:.0f}"'
    yield f'<svg {size} role="img" aria-label="{_text(place_map.text)}">'
    for shape in place_map.shapes:
        if shape.fill is None:
            path = "".join(_path(part) for part in shape.parts)
            yield (
                f'<path d="{path}" fill="none" stroke="{shape.line}" stroke-width="{shape.width:g}" '
                'stroke-linecap="round" stroke-linejoin="round"/>'
            )
        else:
            path = "".join(f"{_path(part[:-1])}Z" for part in shape.parts)
            yield (
                f'<path d="{path}" fill="{shape.fill}" fill-rule="evenodd" stroke="{shape.line}" '
                f'stroke-width="{shape.width:g}"/>'
            )
    for x, y, number in place_map.numbers:
        yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="7.5" fill="{colours.PAPER}" stroke="{colours.INK}"/>'
        yield (
            f'<text x="{x:.1f}" y="{y + 3.4:.1f}" font-size="9.5" font-weight="700" text-anchor="middle" '
            f'fill="{colours.INK}">{number}</text>'
        )
    length, label = place_map.scale
    x, y = place_map.wide - length - 8.0, place_map.tall - 8.0
    yield f'<rect x="{x - 5:.1f}" y="{y - 18:.1f}" width="{length + 10:.1f}" height="23" fill="{colours.PAPER}"/>'
    yield f'<rect x="2" y="2" width="24" height="40" fill="{colours.PAPER}"/>'
    bar = f"M{x:.1f} {y - 4:.1f}V{y:.1f}H{x + length:.1f}V{y - 4:.1f}"
    yield f'<path d="{bar}" fill="none" stroke="{colours.INK}" stroke-width="1.5"/>'
    yield (
        f'<text x="{x + length / 2:.1f}" y="{y - 5:.1f}" font-size="11" text-anchor="middle" '
        f'fill="{colours.INK}">{_text(label)}</text>'
    )
    yield f'<path d="M14 26V8M9 14L14 7L19 14" fill="none" stroke="{colours.INK}" stroke-width="1.8"/>'
    yield f'<text x="14" y="38" font-size="11" text-anchor="middle" fill="{colours.INK}">N</text>'
    yield "</svg><figcaption><ul>"
    for colour, words in zip(STEPS, STEP_WORDS, strict=True):
        yield f"<li>{_sample(colour)}{_text(words)}</li>"
    if place_map.has_planned:
        yield f"<li>{_sample(colours.GARDEN)}edged in gold: in this season's plan</li>"
    yield "</ul></figcaption></figure>"


def _sample(colour: str) -> str:
    return (
        f'<svg width="26" height="12" viewBox="0 0 26 12" aria-hidden="true" focusable="false"><rect x="0.5" y="0.5" '
        f'width="25" height="11" fill="{colour}" stroke="{colours.LOT_LINE}"/></svg>'
    )


def _path(points: Any) -> str:
    numbers: Sequence[tuple[float, float]] = points.tolist()
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in numbers)
