"""The progress bar: one line on a terminal, nothing elsewhere."""

from __future__ import annotations

import io

from lightgap.show.bar import Bar


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True

    @property
    def screen(self) -> str:
        """What the person sees of the last line: a carriage return goes back over it."""
        line = ""
        for part in self.getvalue().split("\r"):
            line = part + line[len(part) :]
        return line.rstrip()


def test_the_bar_grows_on_one_line() -> None:
    terminal = Terminal()
    bar = Bar(terminal)
    bar.show(0.25, "looking for the ring and its joints")
    assert terminal.screen == "[######..................] looking for the ring and its joints"
    bar.show(1.0, "done")
    assert terminal.screen == "[########################] done"
    assert "\n" not in terminal.getvalue()
    bar.clear()
    assert terminal.screen == ""


def test_a_share_beyond_its_ends_is_no_failure() -> None:
    terminal = Terminal()
    Bar(terminal).show(1.7, "done")
    assert terminal.screen.startswith("[########################]")


def test_a_file_gets_no_bar() -> None:
    file = io.StringIO()
    bar = Bar(file)
    bar.show(0.5, "measuring")
    bar.clear()
    assert file.getvalue() == ""
