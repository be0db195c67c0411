"""Plans and values read back from their JSON form, without loading the engine."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lightgap.plan import Plan, Tolerance
from lightgap.values import COVERAGE_FACTOR, Below, Contribution, Measured, Unknown, Value

Json = Mapping[str, Any]


def stored_plan(stored: Json, tolerance: Json) -> Plan:
    """Make a plan again from its keys and the tolerances'."""
    return Plan(**{**stored, "tolerance": Tolerance(**tolerance)})


def read_value(stored: Json | None, reason: str | None = None) -> Measured:
    """Make a measured value again from its JSON form and the reason that stands beside a null.

    Examples
    --------
    >>> read_value({"value": 0.36, "u95": 0.05}).u95, read_value({"below": 0.04})
    (0.05, Below(below=0.04))
    """
    if stored is None:
        return Unknown(reason or "no reason was kept")
    budget = tuple(Contribution(part["name"], part["standard"]) for part in stored.get("budget", ()))
    if "below" in stored:
        return Below(float(stored["below"]), budget)
    return Value(
        float(stored["value"]), budget or (Contribution("measuring", stored["u95"] / COVERAGE_FACTOR),)
    )
