"""The checks of this sitting: one measured after the other, each with its photos in its own folder.

An engine is any callable ``engine(request, folder, progress) -> result``; `OwnProcess` puts one into a
process of its own, so that a photo that takes too long or too much memory costs nothing but itself.
"""

from __future__ import annotations

import logging
import multiprocessing
import secrets
import shutil
import signal
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Literal

from lightgap.asked import Source
from lightgap.errors import LightgapError
from lightgap.plan import Plan
from lightgap_web.failures import FAULT, BusyError, NotThereError, StoppedError

log = logging.getLogger("lightgap.web")

LIMIT_SECONDS = 60.0
MOST_WAITING = 30
MOST_KEPT = 200

Progress = Callable[[float, str], None]
Result = dict[str, Any]
State = Literal["waiting", "measuring", "done", "failed"]


@dataclass(frozen=True)
class CheckRequest:
    """What a person asks for: this photo, or these of one ring together, measured against this plan."""

    photos: tuple[Source, ...]
    plan: Plan
    reference: str = "auto"
    printed_bar_mm: tuple[float, float] | None = None
    from_phone: bool = False

    @property
    def name(self) -> str:
        """What the check goes by: its photo's file name, or the first one's and how many more."""
        more = len(self.photos) - 1
        return f"{self.photos[0].name} and {more} more" if more else self.photos[0].name


Engine = Callable[[CheckRequest, Path, Progress], Result]


@dataclass(frozen=True)
class Check:
    """One check on its way. Replaced, never changed, so that a reader sees one moment whole.

    ``folder`` holds the photos and what was made from them; ``result`` (the report and its words) stays that
    of the last success when a photo is measured again.
    """

    id: str
    folder: Path
    request: CheckRequest
    asked_at: datetime
    state: State = "waiting"
    share: float = 0.0
    step: str = "waiting for its turn"
    result: Result | None = None
    error: LightgapError | None = None

    @property
    def base(self) -> int:
        """Place of the photo that is shown: the one that the report is drawn on, or the first to be seen."""
        parts = [] if self.result is None else [photo["part"] for photo in self.result["report"]["photos"]]
        if "base" in parts:
            return parts.index("base")
        return next((place for place in range(len(self.request.photos)) if self.is_seen(place)), 0)

    def is_seen(self, place: int) -> bool:
        """Tell whether a photo has been read, so that it can be shown."""
        return (self.folder / f"photo-{place}.json").exists()


class CheckQueue:
    """Runs checks one at a time in a thread.

    Parameters
    ----------
    folder : Path
        Where the checks' folders are made.
    engine : Engine
    """

    def __init__(self, folder: Path, engine: Engine) -> None:
        self.folder = folder
        self._engine = engine
        self._checks: dict[str, Check] = {}
        self._waiting: deque[str] = deque()
        self._wake = threading.Condition()
        self._closing = False
        self._thread = threading.Thread(target=self._work, name="checks", daemon=True)
        self._thread.start()

    def new_folder(self) -> Path:
        """Make the folder of a check to come; its name is the check's id."""
        with self._wake:
            if len(self._waiting) >= MOST_WAITING:
                raise BusyError(
                    "Too many photos are waiting already.", "Wait until some of them are measured."
                )
        folder = self.folder / secrets.token_hex(8)
        folder.mkdir()
        return folder

    def add(self, folder: Path, request: CheckRequest) -> Check:
        """Put a new check at the end of the line; ``folder`` comes from `new_folder`."""
        check = Check(folder.name, folder, request, datetime.now(UTC))
        with self._wake:
            self._checks[check.id] = check
            self._forget_oldest()
        return self._line_up(check)

    def again(self, check_id: str, request: CheckRequest) -> Check:
        """Measure a check's photo again, with another plan or with help by hand."""
        check = self.get(check_id)
        if check.state in ("waiting", "measuring"):
            raise BusyError(
                "This photo is being measured just now.", "Wait until it is done, then try again."
            )
        return self._line_up(replace(check, request=request, error=None))

    def get(self, check_id: str) -> Check:
        """Return a check as it stands now."""
        with self._wake:
            check = self._checks.get(check_id)
        if check is None:
            raise NotThereError(
                "There is no check with this number.",
                "The page keeps checks until lightgap ends; measure the photo again.",
            )
        return check

    def all(self) -> list[Check]:
        """Return every check, the newest first."""
        with self._wake:
            return list(reversed(self._checks.values()))

    @property
    def is_running(self) -> bool:
        """Whether the thread that measures is alive."""
        return self._thread.is_alive()

    def close(self) -> None:
        """Drop what waits, end the check in hand if it runs in a process of its own, and stop."""
        with self._wake:
            self._closing = True
            self._waiting.clear()
            self._wake.notify()
        if isinstance(self._engine, OwnProcess):
            self._engine.close()
        self._thread.join(timeout=5.0)

    def _line_up(self, check: Check) -> Check:
        fresh = replace(check, state="waiting", share=0.0, step=Check.step)
        with self._wake:
            self._checks[check.id] = fresh
            self._waiting.append(check.id)
            self._wake.notify()
        return fresh

    def _forget_oldest(self) -> None:
        over = len(self._checks) - MOST_KEPT
        ended = [check for check in self._checks.values() if check.state in ("done", "failed")]
        for check in ended[: max(over, 0)]:
            del self._checks[check.id]
            shutil.rmtree(check.folder, ignore_errors=True)

    def _work(self) -> None:
        while (check := self._next()) is not None:
            self._measure(check)

    def _next(self) -> Check | None:
        with self._wake:
            while not self._waiting and not self._closing:
                self._wake.wait()
            return None if self._closing else self._checks[self._waiting.popleft()]

    def _measure(self, check: Check) -> None:
        def progress(share: float, step: str) -> None:
            self._update(check.id, state="measuring", share=min(max(share, 0.0), 1.0), step=step)

        progress(0.0, "reading the photo")
        try:
            result = self._engine(check.request, check.folder, progress)
        except LightgapError as error:
            self._update(check.id, state="failed", step="not measured", error=error)
        except Exception:
            log.exception("fault while measuring %s", check.id)
            self._update(check.id, state="failed", step="not measured", error=FAULT)
        else:
            self._update(check.id, state="done", share=1.0, step="measured", result=result)

    def _update(self, check_id: str, **changes: Any) -> None:
        with self._wake:
            self._checks[check_id] = replace(self._checks[check_id], **changes)


class OwnProcess:
    """An engine in a process of its own, kept warm between checks and killed when it takes too long.

    Parameters
    ----------
    engine : Engine
        A function of a module, so that the other process can import it.
    limit_seconds : float
        For each photo.
    """

    def __init__(self, engine: Engine, limit_seconds: float = LIMIT_SECONDS) -> None:
        self._engine = engine
        self._limit = limit_seconds
        # "spawn" on every system: a fork of a process with threads may hang.
        self._context = multiprocessing.get_context("spawn")
        self._process: multiprocessing.process.BaseProcess | None = None
        self._pipe: Connection | None = None
        self._changing = threading.RLock()

    def __call__(self, request: CheckRequest, folder: Path, progress: Progress) -> Result:
        try:
            pipe = self._started()
            pipe.send((request, folder))
            return self._answer(pipe, progress, self._limit * len(request.photos))
        except (EOFError, OSError) as gone:
            self.close()
            raise StoppedError(
                "Measuring this photo ended before it was done, most likely for want of memory.",
                "Close other programs, or send the photo at the camera's usual size.",
            ) from gone

    def close(self) -> None:
        """End the process; the next check starts another."""
        with self._changing:
            if self._process is not None:
                self._process.kill()
                self._process.join()
            if self._pipe is not None:
                self._pipe.close()
            self._process = self._pipe = None

    def _started(self) -> Connection:
        with self._changing:
            if self._pipe is None or self._process is None or not self._process.is_alive():
                self.close()
                self._pipe, theirs = self._context.Pipe()
                self._process = self._context.Process(
                    target=_serve, args=(self._engine, theirs), name="lightgap measuring", daemon=True
                )
                self._process.start()
                theirs.close()
                # Starting loads the engine's libraries; the time for the photo counts from here.
                self._pipe.recv()
            return self._pipe

    def _answer(self, pipe: Connection, progress: Progress, limit: float) -> Result:
        deadline = time.monotonic() + limit
        while pipe.poll(max(deadline - time.monotonic(), 0.0)):
            kind, *rest = pipe.recv()
            if kind == "result":
                result: Result = rest[0]
                return result
            if kind == "error":
                error, message, hint = rest
                raise error(message, hint)
            if kind == "fault":
                raise RuntimeError(rest[0])
            progress(*rest)
        self.close()
        raise StoppedError(
            f"Measuring this photo took more than {limit:.0f} seconds and was stopped.",
            "Take the photo again: the ring filling most of it, in even light, at the camera's usual size.",
        )


def _serve(engine: Engine, pipe: Connection) -> None:
    """Answer requests until the other end closes (in the process of its own)."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    pipe.send("ready")
    try:
        while True:
            request, folder = pipe.recv()
            pipe.send(_outcome(engine, request, folder, pipe))
    except EOFError:
        pass


def _outcome(engine: Engine, request: CheckRequest, folder: Path, pipe: Connection) -> tuple[Any, ...]:
    def progress(share: float, step: str) -> None:
        pipe.send(("progress", share, step))

    try:
        return ("result", engine(request, folder, progress))
    except LightgapError as error:
        return ("error", type(error), error.message, error.hint)
    except Exception as error:
        import traceback

        return ("fault", "".join(traceback.format_exception(error)))
