"""What is not known for sure, and how many draws follow it: ``[uncertainty]``."""

from __future__ import annotations

from dataclasses import dataclass

from screening.params.fields import P, Section
from screening.rules import PROGRAM_DEFAULT


@dataclass(frozen=True, slots=True, kw_only=True)
class UncertaintyParams(Section):
    """Ranges and distributions behind the low and high figures."""

    n_draws: int = P(1024, "", "draws for each home", ge=16, source=PROGRAM_DEFAULT)
    seed: int = P(1, "", "seed of the draws", ge=0, source=PROGRAM_DEFAULT)
    n_first: int = P(100, "", "homes among which each home's chance to be is given", ge=1, source=PROGRAM_DEFAULT)
