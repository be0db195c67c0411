"""The command: its options, its exit status, and what it says when something cannot be done.

Nothing heavy is imported until a command needs it, so that the command itself starts at once.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn, TypeAlias, get_args

from lightgap import __version__, faults
from lightgap.errors import LightgapError
from lightgap.log_cli import add_log_commands
from lightgap.plan import JointStyle, OutlineShape

_DESCRIPTION = """\
Measure a glued segmented ring from one photo: which joints are open, uneven or off angle, and how sure
that is. A photo shows one face of a joint only: what is in tolerance on top can still be starved of glue
below."""

_CHECK_EXAMPLE = """\
example:
  lightgap check ring3.jpg --plan ring.toml --picture ring3-checked.jpg
  lightgap check ring3a.jpg ring3b.jpg ring3c.jpg --together --plan ring.toml

  where ring.toml holds
    segments = 12
    joint = "closed"
    across_flats_mm = 220.0
    width_mm = 38.0
    thickness_mm = 19.0

exit status:
  0  everything is in tolerance
  1  something is out of tolerance
  2  a photo could not be measured; the message says why and what to do
  3  nothing is out, but something is too close to call
  Of several photos the first of 2, 1, 3, 0 that occurs; of photos measured together, as for one
  photo, if at least one of them could be measured."""

_CAMERA_DESCRIPTION = """\
Make a profile of a phone's lens: focal length, optical centre and distortion. Lay two to four printed cards
flat on the bench (a ring may lie there too) and photograph them from 30 to 60 cm, without zoom: with the
phone leaned by 20 to 30 degrees from several sides, and turned by a quarter for one or two. The profile is
stored under the camera's and lens's name in EXIF; photos that name the same are measured with it."""

_TOLERANCE_HELP = "limits, such as gap_mm=0.2 mitre_deg=0.25, or mitre_deg=off for one that is not judged"

_INTERRUPTED, _PIPE_CLOSED = 130, 141


class _Parser(argparse.ArgumentParser):
    """A parser whose errors look like all others."""

    def error(self, message: str) -> NoReturn:
        _complain(LightgapError(f"{message[0].upper()}{message[1:]}.", f"See {self.prog} --help."))
        self.exit(2)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; return its exit status."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # A terminal without "±" gets a question mark, not a failure.
            stream.reconfigure(errors="replace")
    options = _parser().parse_args(arguments)
    try:
        status: int = options.run(options)
        sys.stdout.flush()
        return status
    except KeyboardInterrupt:
        return _INTERRUPTED
    except BrokenPipeError:
        # Whoever read the output has gone; Python would complain of it once more at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _PIPE_CLOSED
    except Exception as error:
        told = faults.told(error)
        _complain(told)
        return told.exit_status


def _complain(error: LightgapError) -> None:
    print(f"lightgap: {error.message}\n  {error.hint}", file=sys.stderr)


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="lightgap", description=_DESCRIPTION, formatter_class=_Raw)
    parser.add_argument("--version", action="version", version=f"lightgap {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    _add_check(commands)
    _add_cards(commands)
    _add_camera(commands)
    _add_serve(commands)
    _add_demo(commands)
    add_log_commands(commands)
    return parser


_Raw = argparse.RawDescriptionHelpFormatter
_Commands: TypeAlias = "argparse._SubParsersAction[_Parser]"


def _add_check(commands: _Commands) -> None:
    parser = commands.add_parser(
        "check",
        help="measure one or more photos",
        description="Measure photos of a ring against its plan.",
        epilog=_CHECK_EXAMPLE,
        formatter_class=_Raw,
    )
    parser.set_defaults(run=_check)
    parser.add_argument("photos", nargs="+", metavar="PHOTO", help="JPEG, HEIC, PNG, WebP or TIFF")
    parser.add_argument(
        "--together",
        action="store_true",
        help="all photos show one ring, the same face up, from several positions: give one answer",
    )
    plan = parser.add_argument_group("the plan (options stand above the file)")
    plan.add_argument("--plan", type=Path, metavar="FILE", help="what the ring should be, as TOML")
    plan.add_argument("--segments", type=int, metavar="N")
    plan.add_argument("--joint", choices=get_args(JointStyle))
    plan.add_argument(
        "--gap-mm", type=float, metavar="MM", help="gap at mid-length, spaced or tapered joints"
    )
    plan.add_argument("--gap-deg", type=float, metavar="DEG", help="angle between the faces, tapered joints")
    plan.add_argument("--across-flats-mm", type=float, metavar="MM", help="outer size; diameter when round")
    plan.add_argument("--width-mm", type=float, metavar="MM", help="of the wood, from outer to inner edge")
    plan.add_argument("--thickness-mm", type=float, metavar="MM")
    plan.add_argument("--outline", choices=get_args(OutlineShape))
    plan.add_argument(
        "--reference-height-mm",
        type=float,
        metavar="MM",
        help="height of the cards above the bench, usually 0",
    )
    plan.add_argument("--tolerance", nargs="+", action="extend", metavar="KEY=LIMIT", help=_TOLERANCE_HELP)
    scale = parser.add_argument_group("the scale")
    scale.add_argument(
        "--reference",
        default="auto",
        metavar="KIND",
        help="auto, cards, sheet, sheet:A3 (A5 to A2, Letter, Tabloid) or across-flats:240.6",
    )
    scale.add_argument(
        "--printed-bar",
        nargs=2,
        type=float,
        metavar=("X", "Y"),
        help="what the cards' two 100 mm bars really measure, the lying one first",
    )
    scale.add_argument(
        "--camera",
        default="auto",
        metavar="PROFILE",
        help="auto (the stored profile of the photo's own camera, if any), none, or a profile's file",
    )
    out = parser.add_argument_group("what comes out")
    out.add_argument("--json", metavar="FILE", help="the whole report; - for the standard output")
    out.add_argument(
        "--csv", metavar="FILE", help="joints and segments as a table; - for the standard output"
    )
    out.add_argument(
        "--picture", type=Path, metavar="FILE", help="the annotated photo; a folder for several photos"
    )
    out.add_argument("--units", choices=("mm", "in"), default="mm")
    out.add_argument("--budget", action="store_true", help="tell where each uncertainty comes from")


def _add_cards(commands: _Commands) -> None:
    parser = commands.add_parser(
        "cards",
        help="write the printed cards that give a photo its scale, as PDF",
        epilog="example:\n  lightgap cards --paper letter --count 4 cards.pdf",
        formatter_class=_Raw,
    )
    parser.set_defaults(run=_cards)
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4")
    parser.add_argument(
        "--count", type=int, default=4, metavar="N", help="1 to 12 cards, two to a page; usually 4"
    )
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE", help="usually lightgap-cards-PAPER.pdf")


def _add_camera(commands: _Commands) -> None:
    parser = commands.add_parser(
        "camera",
        help="learn a phone's lens from photos of the printed cards, for surer sizes and angles",
        description=_CAMERA_DESCRIPTION,
        epilog="example:\n  lightgap camera cards1.jpg cards2.jpg cards3.jpg cards4.jpg cards5.jpg",
        formatter_class=_Raw,
    )
    parser.set_defaults(run=_camera)
    parser.add_argument("photos", nargs="+", metavar="PHOTO", help="three or more; five to eight are better")
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="the profile's file, usually in its own place"
    )


def _add_serve(commands: _Commands) -> None:
    parser = commands.add_parser(
        "serve",
        help="open the page, on this computer only",
        epilog="example:\n  lightgap serve --demo",
        formatter_class=_Raw,
    )
    parser.set_defaults(run=_serve)
    parser.add_argument("--port", type=int, default=8010, help="usually 8010; 0 for any free one")
    parser.add_argument("--demo", action="store_true", help="with the sample photographs")
    parser.add_argument("--no-browser", action="store_true", help="do not open the browser")
    parser.add_argument("--lan", action="store_true", help="let paired phones on the home network in too")
    parser.add_argument("--log", type=Path, metavar="DIR", help="the log's folder")


def _add_demo(commands: _Commands) -> None:
    parser = commands.add_parser(
        "demo",
        help="check the sample photographs",
        epilog="example:\n  lightgap demo --out lightgap-demo",
        formatter_class=_Raw,
    )
    parser.set_defaults(run=_demo)
    parser.add_argument(
        "--out",
        type=Path,
        default=Path("lightgap-demo"),
        metavar="DIR",
        help="where the annotated pictures go; usually lightgap-demo",
    )


def _check(options: argparse.Namespace) -> int:
    from lightgap.checking import check

    return check(options)


def _cards(options: argparse.Namespace) -> int:
    from lightgap.batch import writing
    from lightgap.show.card_pdf import write_card_pdf

    path = options.file or Path(f"lightgap-cards-{options.paper}.pdf")
    with writing(path):
        write_card_pdf(path, options.paper, options.count)
    print(f"{path}: {options.count} cards. Print it at 100 % (actual size) and measure both black bars.")
    return 0


def _camera(options: argparse.Namespace) -> int:
    from lightgap.camera_command import make_profile

    return make_profile(options)


def _serve(options: argparse.Namespace) -> int:
    from lightgap_web.app import serve

    serve(
        options.port,
        demo=options.demo,
        lan=options.lan,
        log=options.log,
        open_browser=not options.no_browser,
    )
    return 0


def _demo(options: argparse.Namespace) -> int:
    from lightgap.demo import demo

    return demo(options.out)
