"""What a person asks of the page, read from a request: a plan, a reference, bars, help by hand."""

from __future__ import annotations

import json
import math
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from lightgap.errors import PlanError
from lightgap.hand import ByHand, HandFace
from lightgap.plan import Plan, plan_from_mapping
from lightgap_web.failures import BadRequestError


def _finite(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("not a number")
    return value


Pixel = Annotated[float, BeforeValidator(_finite)]
Point = tuple[Pixel, Pixel]
Line = tuple[Point, Point]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Faces(_Strict):
    """Both faces of a joint, each from its inner to its outer end, in pixels of the upright photo."""

    a: Line
    b: Line


class Help(_Strict):
    """What a person set by hand; the joint numbers count from the joint marked as the first."""

    first_joint_px: Point | None = None
    outline_px: tuple[Point, Point, Point] | None = None
    faces: dict[int, Faces] = {}
    added_px: tuple[Point, ...] = ()
    struck: tuple[int, ...] = ()

    def by_hand(self) -> ByHand | None:
        """Return the engine's form of it; None when nothing was set."""
        faces = {number: (HandFace(*both.a), HandFace(*both.b)) for number, both in self.faces.items()}
        by_hand = ByHand(self.first_joint_px, self.outline_px, faces, self.added_px, frozenset(self.struck))
        return None if by_hand == ByHand() else by_hand


class Again(_Strict):
    """What to change when a photo is measured again; what is left out stays as it was."""

    plan: dict[str, Any] | None = None
    reference: str | None = None
    printed_bar: tuple[float, float] | None = None
    by_hand: Help | None = Field(None, description="on the photo that the report is drawn on")
    left_out: frozenset[int] | None = Field(None, description="places of photos, counted from 0")


def read_json(text: str, what: str) -> Any:
    """Read a form field that holds JSON.

    Raises
    ------
    BadRequestError
    """
    try:
        return json.loads(text)
    except ValueError as error:
        raise BadRequestError(
            f"{what} is not valid JSON: {error}.", "Send it as in the example of /api/openapi.json."
        ) from error


def read_help(text: str | None) -> ByHand | None:
    """Read the form field ``by_hand``."""
    if not text:
        return None
    try:
        return Help.model_validate(read_json(text, "by_hand")).by_hand()
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise BadRequestError(
            f"by_hand cannot be read at {place or 'its start'}: {first['msg'].lower()}.",
            "Send points as [x, y] in pixels of the upright photo.",
        ) from error


def read_bar(text: str | None) -> tuple[float, float] | None:
    """Read the form field ``printed_bar``: what the cards' 100 mm bars measure, "99.6 99.8"."""
    if not text or not text.strip():
        return None
    try:
        along_x, along_y = (float(part) for part in text.replace(",", " ").split())
    except ValueError as error:
        raise BadRequestError(
            f"The printed bars' lengths cannot be read from '{text[:40]}'.",
            "Give two lengths in mm, along each axis of the print, such as 99.6 99.8.",
        ) from error
    return along_x, along_y


def read_plan(keys: Any) -> Plan:
    """Read a plan from the JSON form of ring.toml.

    Raises
    ------
    PlanError
        With the command's own sentences.
    """
    if not isinstance(keys, dict):
        raise PlanError(
            "The plan is no set of keys and values.", "Send the keys of ring.toml in a JSON object."
        )
    return plan_from_mapping(keys)
