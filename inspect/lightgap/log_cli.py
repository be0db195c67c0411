"""`lightgap log`: the sub-commands and their options; `lightgap.log.commands` carries them out."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

_KINDS = ("build", "ring", "check")
_VERDICTS = ("in", "out", "close", "unmeasured")
_Raw = argparse.RawDescriptionHelpFormatter

_DESCRIPTION = """\
Keep checks with their rings, and rings with their builds: photos, plans, results and notes, in one
folder. It is the platform's folder for a user's data unless --log or LIGHTGAP_LOG names another."""

_EXAMPLE = """\
example:
  lightgap log add "Oak bowl" --ring 1 --plan ring.toml ring1.jpg --note glue="hide glue"
  lightgap log show build 1"""


def add_log_commands(commands: Any) -> None:
    """Add `log` and its sub-commands to the command's sub-parsers; nothing of the log is loaded yet."""
    parser = commands.add_parser(
        "log",
        help="keep checks, rings and builds, and look them up",
        description=_DESCRIPTION,
        epilog=_EXAMPLE,
        formatter_class=_Raw,
    )
    parser.add_argument("--log", type=Path, metavar="DIR", help="the log's folder")
    actions = parser.add_subparsers(title="what to do", required=True, metavar="ACTION")
    _add_list(actions)
    _add_show(actions)
    _add_add(actions)
    _add_again(actions)
    _add_note(actions)
    _add_delete(actions)
    _add_exchange(actions)
    _add_print(actions)


def _action(actions: Any, name: str, help_: str, example: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = actions.add_parser(
        name,
        help=help_,
        description=f"{help_[0].upper()}{help_[1:]}.",
        epilog=f"example:\n  lightgap log {example}",
        formatter_class=_Raw,
    )
    parser.set_defaults(run=_later(name))
    return parser


def _later(name: str) -> Callable[[argparse.Namespace], int]:
    """Load the log only when one of its commands is run."""

    def run(options: argparse.Namespace) -> int:
        from lightgap.log import commands

        return commands.run(name, options)

    return run


def _add_list(actions: Any) -> None:
    parser = _action(
        actions,
        "list",
        "list the builds, or the checks that pass the filters",
        "list --verdict out --wood oak",
    )
    parser.add_argument("--checks", action="store_true", help="list checks even without a filter")
    parser.add_argument("--deleted", action="store_true", help="list what was deleted and can come back")
    parser.add_argument("--wood", metavar="WORD", help="part of the wood's note")
    parser.add_argument("--verdict", choices=_VERDICTS, help="of the latest result")
    parser.add_argument("--from", dest="first_day", type=_day, metavar="DATE", help="as 2026-03-01")
    parser.add_argument("--to", dest="last_day", type=_day, metavar="DATE", help="that day included")
    parser.add_argument("--text", metavar="WORD", help="part of a name, a note or what was wrong")
    parser.add_argument("--build", type=int, metavar="ID")
    parser.add_argument("--ring", type=int, metavar="ID")
    parser.add_argument("--most", type=int, default=50, metavar="N", help="usually 50")
    parser.add_argument("--after", metavar="PLACE", help="go on where the last list ended")


def _add_show(actions: Any) -> None:
    parser = _action(
        actions, "show", "show a build with its stack, a ring with its history, or a check", "show check 12"
    )
    _record(parser)
    parser.add_argument("--units", choices=("mm", "in"), default="mm")


def _add_add(actions: Any) -> None:
    parser = _action(
        actions,
        "add",
        "check photos of a ring and keep them; a new build or ring is begun",
        'add "Oak bowl" --ring 2 --plan ring.toml ring2.jpg',
    )
    parser.add_argument("build", metavar="BUILD", help="its number in the log, or its name")
    parser.add_argument("photos", nargs="+", metavar="PHOTO")
    parser.add_argument(
        "--together", action="store_true", help="all photos show this ring: keep them as one check"
    )
    parser.add_argument("--ring", metavar="RING", help="its place in the stack (1 is the lowest) or its name")
    parser.add_argument("--plan", type=Path, metavar="FILE", help="what the ring should be, from now on")
    parser.add_argument("--reference", default="auto", metavar="KIND", help="as for lightgap check")
    parser.add_argument("--printed-bar", nargs=2, type=float, metavar=("X", "Y"))
    parser.add_argument(
        "--note",
        action="append",
        default=[],
        metavar="KEY=TEXT",
        help="on the photo's check",
    )


def _add_again(actions: Any) -> None:
    parser = _action(
        actions, "again", "measure kept photos again with this version; both results stay", "again 12 13"
    )
    parser.add_argument("checks", nargs="+", type=int, metavar="CHECK", help="its number in the log")


def _add_note(actions: Any) -> None:
    parser = _action(
        actions, "note", "write, change or remove a note", 'note build 1 "resin mix" "2:1 by weight"'
    )
    _record(parser)
    parser.add_argument("key", metavar="KEY", help="wood, glue, clamp time, moisture, who, anything")
    parser.add_argument("text", nargs="?", metavar="TEXT")
    parser.add_argument("--remove", action="store_true")


def _add_delete(actions: Any) -> None:
    parser = _action(
        actions, "delete", "put a build, a ring or a check away; it can come back", "delete check 12"
    )
    _record(parser)
    parser = _action(
        actions, "restore", "bring back what was deleted; without a name, what was deleted last", "restore"
    )
    parser.add_argument("kind", nargs="?", choices=_KINDS)
    parser.add_argument("id", nargs="?", type=int, metavar="ID")
    parser = _action(actions, "purge", "take away for good what was deleted long ago", "purge --days 90")
    parser.add_argument("--days", type=float, default=30.0, metavar="N", help="usually 30")


def _add_exchange(actions: Any) -> None:
    parser = _action(actions, "export", "write a build with its photos to one zip", "export 1 bowl.zip")
    parser.add_argument("build", type=int, metavar="BUILD", help="its number in the log")
    parser.add_argument("file", type=Path, metavar="FILE")
    parser = _action(actions, "import", "take in a build that was exported", "import bowl.zip")
    parser.add_argument("file", type=Path, metavar="FILE")
    parser.add_argument("--copy", action="store_true", help="even if the log holds it already")


def _add_print(actions: Any) -> None:
    parser = _action(actions, "print", "write a build or a check as PDF", "print build 1 bowl.pdf")
    parser.add_argument("kind", choices=("build", "check"))
    parser.add_argument("id", type=int, metavar="ID")
    parser.add_argument("file", type=Path, metavar="FILE")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4")
    parser.add_argument("--units", choices=("mm", "in"), default="mm")


def _record(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("kind", choices=_KINDS)
    parser.add_argument("id", type=int, metavar="ID", help="its number in the log")


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no date; write it as 2026-03-01") from None
