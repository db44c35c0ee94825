"""The registry of troubles with a city's data: one stable code each, with its meaning, its effect and the way out.

`check` reports by these codes, errors and notes of the reading carry them, and the run record counts repairs by
them.  A new trouble is entered here first; a code once published is never given another meaning.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from screening.columns.trouble import Severity, Trouble
from screening.columns.troubles_city import ROWS as CITY
from screening.columns.troubles_files import ROWS as FILES

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["SEVERITIES", "TOPICS", "TROUBLES", "Severity", "Trouble"]

SEVERITIES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "error": "the run refuses to start; something has to be mended or said",
        "warning": "the run goes on, but some homes or figures will be wrong or missing; look before you trust them",
        "note": "the run copes with it; good to know",
    }
)
"""What each severity says, the gravest first."""

TOPICS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "file": "Files and layers",
        "place": "Coordinates and place",
        "field": "Fields and identifiers",
        "lot": "Lots",
        "building": "Buildings",
        "elevation": "Elevation",
        "other": "Streets, rain and other inputs",
        "machine": "The machine and the output",
    }
)
"""Topics with their headings, in the order of a report."""

_ORDER: Final = {name: place for place, name in enumerate((*TOPICS, *SEVERITIES))}

TROUBLES: Final[Mapping[str, Trouble]] = MappingProxyType(
    {one.code: one for one in sorted((*FILES, *CITY), key=lambda one: (_ORDER[one.topic], _ORDER[one.severity]))}
)
"""Every trouble by its code, in the order of topics and severities."""
