"""The cautions that stand wherever a household could act on a result.

The list is that of the method's chapter on care; sources, where there are some, stand beside each.
"""

from __future__ import annotations

from typing import Final

CAUTIONS: Final = (
    # One-call services: WSU Extension and Washington State Department of Ecology, Rain Garden Handbook for Western
    # Washington (2013), p. 13.
    "Have buried utilities located before any digging; private lines need their own locate.",
    # Setbacks: the rule set in force and its sources.
    "Keep away from foundations, septic systems and wells; an unknown basement counts as one.",
    # Vertical separation: Minnesota Stormwater Manual, minimum setback requirements; wet basement: common practice,
    # no source.
    "A wet basement, a high water table or shallow rock ends the matter.",
    # Infiltration test: Show Me Raingardens, Garden Guide.
    "Test on site how fast water soaks in; the soil rate used here is an assumption.",
    # Overflow away from the home and neighbours: common practice, no source.
    "Overflow must not harm a neighbour or a building; follow its way on the ground.",
    "Local codes and licensed practice decide.",
)

STANDING: Final = "Screening from map data: a candidate is a place worth a visit, not a design and no permit."
