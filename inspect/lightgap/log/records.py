"""What the log holds, as it hands it out: frozen, and never touched again by the log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Generic, Literal, TypeVar

from lightgap.judge import Verdict
from lightgap.log.photos import StoredPhoto
from lightgap.plan import Plan
from lightgap.values import Below, Value

Kind = Literal["build", "ring", "check"]
Notes = Mapping[str, str]
Json = Mapping[str, Any]
Item = TypeVar("Item")

WOOD = "wood"
"""The note whose value the filter by wood looks at; a ring's stands before its build's."""


def ring_title(name: str, position: int) -> str:
    """Name a ring.

    Examples
    --------
    >>> ring_title("foot", 1), ring_title("", 3)
    ('foot', 'ring 3')
    """
    return name or f"ring {position}"


@dataclass(frozen=True)
class NewPhoto:
    """A photo to be kept: the file's own name, and its bytes."""

    name: str
    data: bytes = field(repr=False)


@dataclass(frozen=True)
class KeptPhoto:
    """A photo of a check: the file's own name, and where its bytes are."""

    name: str
    stored: StoredPhoto


@dataclass(frozen=True)
class Result:
    """What one version of the program made of a check: a report, or why there is none.

    Attributes
    ----------
    made_at : str
        UTC, ISO 8601.
    program : str
        The version that measured.
    report : mapping or None
        `Report.to_dict` with budgets; `log.stored.read_report` makes a `Report` of it.
    error : mapping or None
        ``{"message", "hint"}`` when the photo could not be measured.
    """

    id: int
    check_id: int
    made_at: str
    program: str
    report: Json | None
    error: Json | None


@dataclass(frozen=True)
class Summary:
    """A check's latest result in a few columns.

    Attributes
    ----------
    verdict : Verdict or None
        None before the first result.
    headline : str
        What is wrong first; or why the photo could not be measured.
    worst_gap : Value, Below or None
        The gap furthest beyond its plan, mm, and the joint it belongs to.
    """

    verdict: Verdict | None
    headline: str = ""
    worst_gap: Value | Below | None = None
    worst_gap_joint: int | None = None


@dataclass(frozen=True)
class Check:
    """One or more photos of a ring taken together, and all that was made of them.

    Attributes
    ----------
    plan : Plan
        What the ring should have been when the check was made, with its tolerances.
    reference : str
        "auto", "cards", "sheet:A3", "across-flats:240.6".
    settings : mapping
        What else the measuring was told, as JSON: "printed_bar_mm", "by_hand", "left_out".
    results : tuple of Result
        The first measuring first.
    """

    id: int
    ring_id: int
    made_at: str
    photos: tuple[KeptPhoto, ...]
    plan: Plan
    reference: str
    settings: Json
    summary: Summary
    notes: Notes
    results: tuple[Result, ...]
    deleted_at: str | None = None

    @property
    def latest(self) -> Result | None:
        """The last result, by whichever version."""
        return self.results[-1] if self.results else None


@dataclass(frozen=True)
class Turn:
    """How a ring lies in a later check as against an earlier one, as a person said it.

    Attributes
    ----------
    earlier_result, later_result : int
        The results in whose numbers it was said.
    turn : int
        The earlier joint k is the later joint k + turn; with ``face_down`` it is joint turn - k.
    """

    earlier_id: int
    later_id: int
    earlier_result: int
    later_result: int
    turn: int
    face_down: bool
    made_at: str

    def reversed(self) -> Turn:
        """Say the same of the later check as against the earlier one."""
        turn = self.turn if self.face_down else -self.turn
        return Turn(
            self.later_id,
            self.earlier_id,
            self.later_result,
            self.earlier_result,
            turn,
            self.face_down,
            self.made_at,
        )

    def counted_anew(self, earlier: int, later: int) -> Turn:
        """Say the same in numbers that were counted on by so much in the two checks.

        Examples
        --------
        >>> said = Turn(1, 2, 1, 2, 3, False, "")
        >>> said.counted_anew(1, 0).turn, said.counted_anew(0, 1).turn
        (2, 4)
        """
        turn = self.turn + later + (earlier if self.face_down else -earlier)
        return replace(self, turn=turn)

    def followed_by(self, onward: Turn) -> Turn:
        """Say how the ring lies in ``onward``'s later check as against this earlier one.

        Examples
        --------
        >>> said = Turn(1, 2, 1, 2, 3, False, "").followed_by(Turn(2, 3, 2, 3, 4, True, ""))
        >>> said.turn, said.face_down
        (1, True)
        """
        return replace(
            self,
            later_id=onward.later_id,
            later_result=onward.later_result,
            turn=onward.turn + (-self.turn if onward.face_down else self.turn),
            face_down=self.face_down != onward.face_down,
        )


@dataclass(frozen=True)
class CheckLine:
    """One check in a list, with the names it goes under and its first photo."""

    id: int
    made_at: str
    ring_id: int
    ring_name: str
    ring_position: int
    build_id: int
    build_name: str
    wood: str | None
    summary: Summary
    photo: StoredPhoto | None

    @property
    def ring_title(self) -> str:
        """The ring's name, or its place in the stack."""
        return ring_title(self.ring_name, self.ring_position)


@dataclass(frozen=True)
class Ring:
    """One ring of a stack; ``position`` 1 is the lowest. ``latest`` is its last check."""

    id: int
    build_id: int
    position: int
    name: str
    plan: Plan
    made_at: str
    notes: Notes
    checks: int
    latest: CheckLine | None
    deleted_at: str | None = None

    @property
    def title(self) -> str:
        """Its name, or its place in the stack."""
        return ring_title(self.name, self.position)


@dataclass(frozen=True)
class Build:
    """One piece being made, its rings in stacking order, the lowest first."""

    id: int
    uid: str
    name: str
    made_at: str
    changed_at: str
    notes: Notes
    rings: tuple[Ring, ...]
    deleted_at: str | None = None

    @property
    def latest_verdicts(self) -> tuple[Verdict | None, ...]:
        """The last verdict on each ring; None for a ring without a check."""
        return tuple(ring.latest.summary.verdict if ring.latest else None for ring in self.rings)


@dataclass(frozen=True)
class BuildLine:
    """One build in a list: how many rings, the worst of their latest verdicts, its last photo."""

    id: int
    name: str
    changed_at: str
    wood: str | None
    rings: int
    checks: int
    verdict: Verdict | None
    photo: StoredPhoto | None


@dataclass(frozen=True)
class Deleted:
    """Something that was deleted and can come back."""

    kind: Kind
    id: int
    name: str
    deleted_at: str


@dataclass(frozen=True)
class Page(Generic[Item]):
    """A part of a list; ``after`` asks for the next part, None when there is none."""

    items: tuple[Item, ...]
    after: str | None


@dataclass(frozen=True)
class Filters:
    """Which checks to list; what is None does not matter.

    Attributes
    ----------
    wood : str or None
        Part of the wood's note, in any case.
    verdict : Verdict or None
        Of the latest result.
    first_day, last_day : date or None
        Local days, both included.
    text : str or None
        Part of a name, a note, a headline or a photo's name, in any case.
    build_id, ring_id : int or None
    """

    wood: str | None = None
    verdict: Verdict | None = None
    first_day: date | None = None
    last_day: date | None = None
    text: str | None = None
    build_id: int | None = None
    ring_id: int | None = None


EVERY = Filters()
"""No filter at all."""
