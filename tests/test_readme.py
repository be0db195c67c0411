"""README.md: its commands can be run, and its table of tolerances is that of the program."""

from __future__ import annotations

import re
import shlex
import tomllib
from dataclasses import fields
from pathlib import Path

import pytest

from lightgap import cli
from lightgap.plan import Tolerance, default_tolerance, plan_from_mapping

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = sorted(
    {
        *re.findall(r"^ +(lightgap .+)$", README, re.MULTILINE),
        *re.findall(r"`(lightgap [^`]+)`", README),
        *re.findall(r"bin/(lightgap [a-z]+)$", README, re.MULTILINE),
    }
)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_can_be_read(command: str) -> None:
    assert cli._parser().parse_args(shlex.split(command)[1:]).run


def test_the_set_up_is_two_commands_and_ci_runs_the_second() -> None:
    commands = re.findall(r"^    (python3 -m venv .+)$", README, re.MULTILINE)
    assert commands == [
        "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/lightgap demo",
        'python3 -m venv .venv && .venv/bin/pip install ".[dev]" && .venv/bin/pytest',
    ]
    assert commands[1] in (ROOT / ".ci" / "run").read_text().splitlines()


def test_the_plan_in_the_readme_is_one() -> None:
    (block,) = re.findall(r"^       segments = 12\n(?:       .*\n|\n)+", README, re.MULTILINE)
    plan = plan_from_mapping(tomllib.loads(block))
    assert (plan.segments, plan.joint, plan.tolerance.gap_mm) == (12, "spaced", 0.2)


def test_the_table_of_tolerances_is_that_of_the_program() -> None:
    rows = re.findall(r"^\| `(\w+)` \| ([\d.]+|-) \| ([\d.]+|-) \|", README, re.MULTILINE)
    read = {key: [None if limit == "-" else float(limit) for limit in limits] for key, *limits in rows}
    assert read == {
        item.name: [
            getattr(default_tolerance("closed"), item.name),
            getattr(default_tolerance("spaced"), item.name),
        ]
        for item in fields(Tolerance)
    }
    assert default_tolerance("spaced") == default_tolerance("tapered")


def test_every_source_that_is_cited_is_listed() -> None:
    cited = {int(number) for number in re.findall(r"\[(\d)\]", README)}
    listed = {
        int(number)
        for number in re.findall(r"^(\d)\. [^*]", README.split("What is known of glue")[1], re.MULTILINE)
    }
    assert cited == listed
