"""What a person is told when a photo or an input cannot be used.

Every message says what is wrong, every hint what to do next; the command prints both and ends with
``exit_status``, the page answers with ``http_status`` and the same two sentences.
"""

from __future__ import annotations

from typing import ClassVar


class LightgapError(Exception):
    """A thing that the person at the bench can put right.

    Parameters
    ----------
    message : str
        What is wrong with this photo or this input, in one sentence.
    hint : str
        What to do next, in one sentence.
    """

    exit_status: ClassVar[int] = 2
    http_status: ClassVar[int] = 422

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __reduce__(self) -> tuple[type[LightgapError], tuple[str, str]]:
        # An exception's own way between processes would leave the hint behind.
        return type(self), (self.message, self.hint)

    def to_dict(self) -> dict[str, dict[str, str]]:
        """Return the one error shape of the command and of the page."""
        return {"error": {"message": self.message, "hint": self.hint}}


class PhotoError(LightgapError):
    """The file is no usable photo: not a picture, truncated, too small, too large, too blurred."""


class PlanError(LightgapError):
    """The plan holds numbers that no ring can have, or cannot be read."""

    http_status = 400


class ScaleError(LightgapError):
    """Nothing in the photo gives a scale that can be trusted."""


class RingError(LightgapError):
    """The ring was not found, is cut off, or is not the ring that the plan describes."""


class LogError(LightgapError):
    """The log cannot be opened, read or written as asked."""

    http_status = 409


class NotInLog(LogError):  # noqa: N818 - said as a fact, "not in the log"
    """The log holds no such build, ring, check or photo."""

    http_status = 404
