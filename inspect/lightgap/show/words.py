"""Every word and figure that a person reads: one formatter, one set of sentences."""

from __future__ import annotations

from typing import Literal

from lightgap.judge import Judged, Verdicts

Units = Literal["mm", "inch"]


def reasons(judged: Judged, units: Units = "mm") -> tuple[str, ...]:
    """Say why a joint, a segment or the ring is not in tolerance, the worst first; () when it is."""
    return tuple(f"{item.quantity} {item.place or ''}".strip() for item in judged.deciding)


def headline(verdicts: Verdicts, units: Units = "mm") -> str:
    """Say in one sentence what is wrong first, or that nothing is."""
    return str(verdicts.overall)
