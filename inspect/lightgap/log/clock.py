"""Times as the log writes them: UTC, ISO 8601 with microseconds, so that text sorts as time does."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

from lightgap.errors import LogError


def now() -> str:
    """Return this moment.

    Examples
    --------
    >>> len(now())
    27
    """
    return written(datetime.now(UTC))


def written(moment: datetime) -> str:
    """Write a moment; one without a zone is taken as local time.

    Examples
    --------
    >>> written(datetime(2026, 3, 1, 9, 30, tzinfo=UTC))
    '2026-03-01T09:30:00.000000Z'
    """
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def read(text: str) -> datetime:
    """Read a moment back, in UTC.

    Raises
    ------
    LogError
        If it is no moment as `written` writes it.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise LogError(
            f"'{text}' is no date and time.", "Write it as 2026-03-01T09:30:00.000000Z."
        ) from error
    return moment.astimezone(UTC)


def shown(text: str) -> str:
    """Write a moment of the log as the clock on the wall has it.

    Examples
    --------
    >>> len(shown("2026-03-01T09:30:00.000000Z"))
    16
    """
    return read(text).astimezone().strftime("%Y-%m-%d %H:%M")


def start_of(day: date) -> str:
    """Return the local midnight at which a day begins."""
    return written(datetime.combine(day, time()))
