"""Sentences for people that carry the code of the trouble they tell."""

from __future__ import annotations


class Note(str):
    """A sentence about an input; text everywhere, with a code and a role for those who look for them.

    Attributes
    ----------
    code : str
        Code of the trouble (`screening.columns.TROUBLES`).
    role : str
        Input it concerns, as in the run file; "" for none in particular.
    """

    __slots__ = ("code", "role")

    code: str
    role: str

    def __new__(cls, text: str, code: str = "", role: str = "") -> Note:  # noqa: PYI034 - str's own signature
        """Make a sentence with its code."""
        note = super().__new__(cls, text)
        note.code = code
        note.role = role
        return note
