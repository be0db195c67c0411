"""A progress bar on one line of the terminal; nothing at all where the output is no terminal."""

from __future__ import annotations

import shutil
import sys
from typing import TextIO

_BAR = 24


class Bar:
    """A line that is drawn over and over; `clear` takes it away."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self.stream = sys.stderr if stream is None else stream
        self.live = self.stream.isatty()
        self.shown = 0

    def show(self, share: float, text: str) -> None:
        """Draw the bar for a share of 0..1, with a few words behind it."""
        if not self.live:
            return
        full = round(_BAR * min(max(share, 0.0), 1.0))
        line = f"[{'#' * full}{'.' * (_BAR - full)}] {text}"
        line = line[: shutil.get_terminal_size().columns - 1]
        self.stream.write("\r" + line.ljust(self.shown))
        self.stream.flush()
        self.shown = len(line)

    def clear(self) -> None:
        """Take the bar away, so that other lines can be written."""
        if self.shown:
            self.stream.write("\r" + " " * self.shown + "\r")
            self.stream.flush()
            self.shown = 0
