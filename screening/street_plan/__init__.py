"""A season of visits: which street sides, with what to expect of them, and in which order to walk.

Homes are gathered by street and side (`sides`), their ranges added up as far as the result allows (`ranges`), sides
chosen under a number of visits (`choice`, with the simple rule of `greedy` beside it) and explained (`reasons`), and
the visits put in the order of a walk along the streets (`paths`, `tours`, `days`).
"""

from __future__ import annotations

from screening.street_plan.choice import Choice, choose
from screening.street_plan.days import MOST_STOPS, Walks, plan_days
from screening.street_plan.greedy import greedy
from screening.street_plan.paths import AROUND_M, CROSSING_M, Net, distances_m, street_net, way_along
from screening.street_plan.ranges import Range, Volumes, range_of, widest
from screening.street_plan.reasons import WHY_CODES, sentence, whys
from screening.street_plan.response import PUBLISHED, SOURCES, Response, by_chance
from screening.street_plan.sides import Fronts, blocks_of, fronts_of
from screening.street_plan.tours import MOST_EXACT
from screening.street_plan.wishes import SHARE_STEP, Sides, Wishes, worth_l

__all__ = [
    "AROUND_M",
    "CROSSING_M",
    "MOST_EXACT",
    "MOST_STOPS",
    "PUBLISHED",
    "SHARE_STEP",
    "SOURCES",
    "WHY_CODES",
    "Choice",
    "Fronts",
    "Net",
    "Range",
    "Response",
    "Sides",
    "Volumes",
    "Walks",
    "Wishes",
    "blocks_of",
    "by_chance",
    "choose",
    "distances_m",
    "fronts_of",
    "greedy",
    "plan_days",
    "range_of",
    "sentence",
    "street_net",
    "way_along",
    "whys",
    "widest",
    "worth_l",
]
