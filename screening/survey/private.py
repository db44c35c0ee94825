"""Fields about people: owners, their addresses, their telephones.  They are recognised to be left alone.

By the name of the field before anything of it is read, and by what its first values look like: a list of owners under
a harmless name stays a list of owners.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from screening.survey.words import word_set, words_of

if TYPE_CHECKING:
    from collections.abc import Sequence

_WORDS: Final = word_set(
    "own owns ownr owner owners mail mailing mailto taxpayer txpayer txpr grantor grantee buyer seller tenant lessee "
    "lessor occupant resident residents phone telephone tel mobile fax email contact payer payor trustee applicant "
    "spouse surname forename firstname lastname customer birth dob ssn billing attn attention deedholder"
)
"""Whole words of a field's name; common practice in assessors' files, no source."""

_PARTS: Final = re.compile(
    r"owner|^own(r|s)?(\d|nam|nm|add|mail|city|cty|sta|zip|first|frst|fst|last|lst|tel|typ|$)"
    r"|mail(ing)?(ad|city|cty|st|zip|nam|to)|^m_?add|^pstl|postal_?ad|^tax_?(nam|nm|add)|^fidu|taxpay|grantor|grantee|first_?name|last_?name|care_?of|telephone|phone|e_?mail|deed_?(nam|hold)|inhabit"
    r"|eigent(ue|ü)m|propri(e|é)taire|propietari|proprietari"
)

_ADDRESS_WORDS: Final = word_set(
    "addr address adress add st street city state zip zipcode country province line csz citystate citystzip"
)
_PLACE_WORDS: Final = word_set("site situs prop property phys physical phy loc location full parcel lot")
_ADDRESS_OF_PLACE: Final = re.compile(
    r"(site|situs|prop|property|phys|physical|phy|loc|parcel).*(ad+r|add|loc)|situs|.*_loc"
)
"""Words of addresses, and those that say whose: the lot's."""

_MARKS: Final = re.compile(
    r"\b(LLC|L\.L\.C|INC|CORP|TRUST|TRUSTEES?|ET ?AL|ET ?UX|ESTATE OF|HEIRS|REV TR|LIV TR|JT TEN|C/O)\b", re.IGNORECASE
)
_PERSON: Final = re.compile(r"[A-Z][A-Za-z'\-]+, ?[A-Z][A-Za-z]+( [A-Z]\.?)?( ?(&|AND) .*)?")
_MAILBOX: Final = re.compile(r"[^@\s]+@[^@\s]+\.[A-Za-z]{2,}")

MARKS_FRAC: Final = 0.03
PERSON_FRAC: Final = 0.3
FEWEST_VALUES: Final = 5
"""Parts of the values from which a field counts as one about people; program defaults."""


def private_name(name: str) -> bool:
    """Whether a field's name says that it is about a person."""
    plain = re.sub(r"[\s.\-]+", "_", name.lower())
    return bool(_WORDS & set(words_of(name))) or _PARTS.search(plain) is not None


def private_names(names: Sequence[str]) -> frozenset[str]:
    """Fields of a layer that are about people, by their names and by where they stand.

    Behind an owner's name there mostly stands the owner's address, under a plain name. Where another field has the
    address of the lot, such a plain one is the owner's.

    Parameters
    ----------
    names : sequence of str
        All fields of a layer, in its order.
    """
    private = {name for name in names if private_name(name)}
    plain = {name: re.sub(r"[\s.\-]+", "_", name.lower()) for name in names}
    if any(_ADDRESS_OF_PLACE.match(plain[name]) for name in names if name not in private):
        follows = False
        for name in names:
            words = set(words_of(name))
            is_address = bool(words & _ADDRESS_WORDS) and not words & _PLACE_WORDS
            follows = name in private or (follows and is_address and not _ADDRESS_OF_PLACE.match(plain[name]))
            if follows:
                private.add(name)
    return frozenset(private)


def private_values(values: Sequence[str]) -> bool:
    """Whether values, each given once, look like people's names."""
    if len(values) < FEWEST_VALUES:
        return False
    marks = sum(_MARKS.search(value) is not None for value in values)
    people = sum(_PERSON.fullmatch(value) is not None or _MAILBOX.fullmatch(value) is not None for value in values)
    return marks > MARKS_FRAC * len(values) or people > PERSON_FRAC * len(values)
