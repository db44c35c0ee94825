"""What a look at the data finds, and the list that all looks write into."""

from __future__ import annotations

import contextlib
import logging
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from screening.columns import SEVERITIES, TOPICS, TROUBLES
from screening.crs import lonlat
from screening.errors import CRSError, SchemaError, ScreeningError, UnitsError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy.typing as npt
    from pyproj import CRS

    from screening.columns.troubles import Severity
    from screening.notes import Note

    FloatArray = npt.NDArray[np.float64]

logger = logging.getLogger(__name__)

_SMALL: Final = ("no ", "the ", "in ", "under ", "of ")
"""Sentences that begin with a file or a number keep it as it is."""

SHOWN_IDS: Final = 5
"""Features named in a finding."""

MAPPED_PLACES: Final = 300
"""Places of a finding that a map shows."""

FEW_FRAC: Final = 0.01
"""A warning about a smaller part of the features is a note."""

_TOLD_BETTER: Final = frozenset({"elevation_partial", "rain_missing"})
"""Notes that a look of its own tells with places."""

_MILDER: Final[dict[Severity, Severity]] = {"error": "warning", "warning": "note", "note": "note"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One trouble in one input.

    Attributes
    ----------
    code : str
        Its code (`screening.columns.TROUBLES`).
    severity : str
        How grave it is here: ``error``, ``warning`` or ``note``.
    role : str
        Input as the run file names it; "" where it concerns the run file or several.
    file, layer, field_name : str
        Where it is; "" where that says nothing.
    n, of : int or None
        Features concerned, and among how many.
    ids : tuple of str
        The first few of these features.
    places_m : ndarray of float64, shape (k, 2)
        Places in the working CRS [m], at most `MAPPED_PLACES`; empty where it has none.
    lon_deg, lat_deg : float or None
        The first place [deg].
    sentence : str
        What was found.
    effect : str
        What it does to the result.
    way_out : str
        What to do.
    is_told : bool
        Whether the sentence says the way out by itself.
    """

    code: str
    severity: Severity
    role: str = ""
    file: str = ""
    layer: str = ""
    field_name: str = ""
    n: int | None = None
    of: int | None = None
    ids: tuple[str, ...] = ()
    places_m: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    lon_deg: float | None = None
    lat_deg: float | None = None
    sentence: str
    effect: str
    way_out: str
    is_told: bool = False

    @classmethod
    def of_code(cls, code: str, sentence: str) -> Finding:
        """Make a finding without a place that says the way out by itself."""
        one = TROUBLES[code]
        return cls(
            code=code,
            severity=one.severity,
            sentence=sentence,
            effect=one.effect,
            way_out=one.way_out,
            is_told=True,
        )


class Findings:
    """What all looks have found so far.

    Attributes
    ----------
    crs : pyproj.CRS or None
        The working CRS as soon as it is known; places are told in it.
    """

    def __init__(self) -> None:
        self.crs: CRS | None = None
        self._all: list[Finding] = []
        self._where: dict[str, tuple[str, str]] = {}

    def know(self, role: str, file: str, layer: str = "") -> None:
        """Take note of the file and layer of an input."""
        self._where[role] = (file, layer)

    def say(
        self,
        code: str,
        sentence: str,
        *,
        role: str = "",
        field_name: str = "",
        n: int | None = None,
        of: int | None = None,
        ids: Sequence[object] = (),
        places_m: Any = None,
        is_mild: bool = False,
        is_told: bool = False,
    ) -> None:
        """Write a finding down.

        Parameters
        ----------
        code : str
            Code of the trouble.
        sentence : str
            What was found: what, where, how much.
        role, field_name : str
            Input and field.
        n, of : int
            Features concerned, and among how many.
        ids : sequence
            Their ids; the first few are kept.
        places_m : array of shape (k, 2)
            Their places in the working CRS [m].
        is_mild : bool
            Whether it is a mild case: one step below the usual severity.
        is_told : bool
            Whether the sentence says the way out by itself.
        """
        trouble = TROUBLES[code]
        is_mild = is_mild or bool(trouble.severity == "warning" and n is not None and of and n < FEW_FRAC * of)
        file, layer = self._where.get(role, ("", ""))
        places = np.empty((0, 2)) if places_m is None else np.asarray(places_m, dtype=float).reshape(-1, 2)
        places = places[np.isfinite(places).all(axis=1)]
        if len(places) > MAPPED_PLACES:
            places = places[np.linspace(0, len(places) - 1, MAPPED_PLACES).astype(int)]
        lon, lat = self._lonlat(places)
        finding = Finding(
            code=code,
            severity=_MILDER[trouble.severity] if is_mild else trouble.severity,
            role=role,
            file=file,
            layer=layer,
            field_name=field_name,
            n=n,
            of=of,
            ids=tuple(str(one) for one in list(ids)[:SHOWN_IDS]),
            places_m=places,
            lon_deg=lon,
            lat_deg=lat,
            sentence=sentence[:1].upper() + sentence[1:] if sentence.startswith(_SMALL) else sentence,
            effect=trouble.effect,
            way_out=trouble.way_out,
            is_told=is_told,
        )
        same = [one for one in self._all if (one.code, one.sentence) == (finding.code, finding.sentence)]
        if not same:
            self._all.append(finding)

    def _lonlat(self, places: FloatArray) -> tuple[float | None, float | None]:
        if self.crs is None or not len(places):
            return None, None
        lon, lat = lonlat(self.crs, float(places[0, 0]), float(places[0, 1]))
        return (round(lon, 6), round(lat, 6)) if np.isfinite([lon, lat]).all() else (None, None)

    def tell_note(self, note: Note | str) -> None:
        """Write a note of the reading down; notes without a code are left to the run."""
        code = getattr(note, "code", "")
        if code and code not in _TOLD_BETTER:
            is_mild = TROUBLES[code].severity == "error"
            self.say(code, str(note), role=getattr(note, "role", ""), is_mild=is_mild, is_told=True)

    def tell_error(self, error: ScreeningError, role: str) -> None:
        """Write an error down that stopped a reading."""
        code = error.code or _code_of(error, role)
        self.say(code, str(error), role=role, is_told=True)

    @contextlib.contextmanager
    def catching(self, role: str) -> Iterator[None]:
        """Turn an error that a person can act on into a finding; a bug stays a bug."""
        try:
            yield
        except ScreeningError as error:
            logger.debug("%s: %s", role, error, exc_info=True)
            self.tell_error(error, role)

    def has_error(self, role: str | None = None) -> bool:
        """Whether an error was found, in one input or in any."""
        return any(one.severity == "error" and role in (None, one.role) for one in self._all)

    def in_order(self) -> tuple[Finding, ...]:
        """All findings: the gravest first, then by topic, then as they were found."""
        grave, topic = list(SEVERITIES), list(TOPICS)
        return tuple(
            sorted(self._all, key=lambda one: (grave.index(one.severity), topic.index(TROUBLES[one.code].topic)))
        )


def _code_of(error: ScreeningError, role: str) -> str:
    """Code of an error that carries none, by its class and the input it stopped."""
    if role == "soils":
        return "soil_unclear"
    if error.exit_code == 2 or not role:
        return "parameter_wrong"
    if isinstance(error, CRSError):
        return "crs_doubtful"
    if isinstance(error, UnitsError):
        return "vertical_unit_doubtful"
    if isinstance(error, SchemaError):
        return "field_missing"
    return "rain_unreadable" if role == "rain" else "file_unreadable"
