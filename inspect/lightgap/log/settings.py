"""What a measuring was told beyond plan and reference, as JSON, so that it can be told again.

``{"printed_bar_mm": [x, y], "by_hand": {"first_joint_px", "outline_px", "faces", "added_px",
"struck"}, "left_out": [place]}``, all of it optional; faces by joint number, ``{"a": [inner, outer],
"b": [inner, outer]}``. Of several photos "by_hand" is a list, one entry for each, null where there was
no help; "left_out" names those, counted from 0, that the person has left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from lightgap.errors import LogError
from lightgap.hand import ByHand, HandFace, PointPx


@dataclass(frozen=True)
class Settings:
    """What was told of the print of the cards, and of each photo.

    Attributes
    ----------
    printed_bar_mm : (float, float) or None
    by_hand : tuple of ByHand or None
        One for each photo; empty when none was helped.
    left_out : frozenset of int
        Places of photos that were left out.
    """

    printed_bar_mm: tuple[float, float] | None = None
    by_hand: tuple[ByHand | None, ...] = ()
    left_out: frozenset[int] = frozenset()

    def help_for(self, place: int) -> ByHand | None:
        """Return the help that was given for one photo."""
        return self.by_hand[place] if place < len(self.by_hand) else None

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form, without what was not set."""
        form: dict[str, Any] = {}
        if self.printed_bar_mm is not None:
            form["printed_bar_mm"] = list(self.printed_bar_mm)
        if any(self.by_hand):
            forms = [None if hand is None else _hand_form(hand) for hand in self.by_hand]
            form["by_hand"] = forms[0] if len(forms) == 1 else forms
        if self.left_out:
            form["left_out"] = sorted(self.left_out)
        return form


def read_settings(form: Mapping[str, Any]) -> Settings:
    """Read the JSON form.

    Raises
    ------
    LogError
        If it cannot be read.
    """
    try:
        bar, hands = form.get("printed_bar_mm"), form.get("by_hand")
        if not isinstance(hands, list):
            hands = [] if hands is None else [hands]
        return Settings(
            printed_bar_mm=None if bar is None else _point(bar),
            by_hand=tuple(None if hand is None else _read_hand(hand) for hand in hands),
            left_out=frozenset(int(place) for place in form.get("left_out", ())),
        )
    except (KeyError, TypeError, ValueError, IndexError, AttributeError) as error:
        raise LogError(
            f"What this check was told cannot be read: {error}.", "Add the photo as a new check."
        ) from error


def _hand_form(hand: ByHand) -> dict[str, Any]:
    return {
        "first_joint_px": hand.first_joint_px,
        "outline_px": hand.outline_px,
        "faces": {
            str(number): {"a": [a.inner_px, a.outer_px], "b": [b.inner_px, b.outer_px]}
            for number, (a, b) in hand.faces.items()
        },
        "added_px": list(hand.added_px),
        "struck": sorted(hand.struck),
    }


def _read_hand(form: Mapping[str, Any]) -> ByHand:
    first, outline = form.get("first_joint_px"), form.get("outline_px")
    faces = {
        int(number): (_face(both["a"]), _face(both["b"])) for number, both in form.get("faces", {}).items()
    }
    return ByHand(
        first_joint_px=None if first is None else _point(first),
        outline_px=None if outline is None else (_point(outline[0]), _point(outline[1]), _point(outline[2])),
        faces=faces,
        added_px=tuple(_point(point) for point in form.get("added_px", ())),
        struck=frozenset(int(number) for number in form.get("struck", ())),
    )


def _face(ends: Any) -> HandFace:
    return HandFace(_point(ends[0]), _point(ends[1]))


def _point(pair: Any) -> PointPx:
    x, y = pair
    return float(x), float(y)
