"""The command as a person meets it: what it prints, where it writes, how it ends."""

from __future__ import annotations

import json
import pickle
import shlex
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import lightgap.check
from lightgap import __version__, cli
from lightgap.errors import LightgapError, ScaleError
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.report import Report
from made_ring import PHOTO_SIZE, make_measurement, make_report_of, mm

Capture = pytest.CaptureFixture[str]

PLAN_OPTIONS = ["--segments", "12", "--joint", "closed", "--across-flats-mm", "220"]
PLAN_OPTIONS += ["--width-mm", "38", "--thickness-mm", "20"]

REAL_CHECK = lightgap.check.check

GOOD: dict[str, Any] = {"gap": (0.02, 0.02, 0.02)}
OPEN: dict[str, Any] = {"gap": (0.02, 0.19, 0.36)}
UNSURE: dict[str, Any] = {"gap_outside_mm": mm(0.14)}


class Engine:
    """Stands in for the engine: gives the report that the photo's name asks for."""

    def __init__(self) -> None:
        self.asked: list[tuple[Plan, str, tuple[float, float] | None]] = []

    def check(self, photo: Photo, plan: Plan, reference: str, **more: Any) -> Report:
        self.asked.append((plan, reference, more["printed_bar_mm"]))
        more["progress"](0.5, "looking for its joints")
        if "lost" in photo.name:
            raise ScaleError("No card was found.", "Lay a card beside the ring.")
        if "fault" in photo.name:
            raise ZeroDivisionError("in the dark")
        change = OPEN if "open" in photo.name else UNSURE if "unsure" in photo.name else GOOD
        measurement = make_measurement(plan, joints={8: change})
        return make_report_of(plan, measurement)


@pytest.fixture(autouse=True)
def engine(monkeypatch: pytest.MonkeyPatch) -> Engine:
    engine = Engine()
    monkeypatch.setattr("lightgap.check.check", engine.check)
    monkeypatch.setattr("lightgap.batch.cores", lambda: 1)
    return engine


@pytest.fixture
def photo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], str]:
    """Write a photo of that name in the folder where the command runs."""
    monkeypatch.chdir(tmp_path)

    def write(name: str) -> str:
        Image.fromarray(np.full((PHOTO_SIZE[1], PHOTO_SIZE[0], 3), 120, np.uint8)).save(name)
        return name

    return write


def check(*arguments: str) -> int:
    return cli.main(["check", *arguments])


@pytest.mark.parametrize(
    ("name", "status", "said"),
    [
        ("good.jpg", 0, "All 12 joints and 12 segments are in tolerance"),
        ("open.jpg", 1, "Joint 8 open 0.360 ± 0.030 mm at the outside"),
        ("unsure.jpg", 3, "Nothing is out of tolerance; joint 8"),
    ],
)
def test_the_exit_status_tells_the_verdict(
    photo: Callable[[str], str], capsys: Capture, name: str, status: int, said: str
) -> None:
    assert check(photo(name), *PLAN_OPTIONS) == status
    printed = capsys.readouterr()
    assert printed.out.startswith(said)
    assert printed.err == ""


def test_what_cannot_be_measured_is_said_in_two_sentences(
    photo: Callable[[str], str], capsys: Capture
) -> None:
    assert check(photo("lost.jpg"), *PLAN_OPTIONS) == 2
    printed = capsys.readouterr()
    assert printed.err == "lightgap: No card was found.\n  Lay a card beside the ring.\n"
    assert printed.out == ""


def test_the_plan_comes_from_its_file_and_options_stand_above_it(
    engine: Engine, photo: Callable[[str], str], tmp_path: Path
) -> None:
    (tmp_path / "ring.toml").write_text(
        'segments = 16\njoint = "spaced"\ngap_mm = 3.0\nacross_flats_mm = 250.0\nwidth_mm = 32.0\n'
        "thickness_mm = 20.0\n[tolerance]\ngap_mm = 0.4\ntaper_deg = 0.5\n"
    )
    options = ["--gap-mm", "3.2", "--tolerance", "taper_deg=off", "mitre_deg=0.1", "--reference", "sheet:A3"]
    assert check(photo("good.jpg"), "--plan", "ring.toml", *options, "--printed-bar", "99.6", "99.8") == 1
    plan, reference, bar = engine.asked[0]
    assert (plan.segments, plan.joint, plan.gap_mm, plan.width_mm) == (16, "spaced", 3.2, 32.0)
    limits = plan.tolerance
    assert (limits.gap_mm, limits.taper_deg, limits.mitre_deg) == (0.4, None, 0.1)
    assert (reference, bar) == ("sheet:A3", (99.6, 99.8))


def test_inches_and_budgets(photo: Callable[[str], str], capsys: Capture) -> None:
    check(photo("open.jpg"), *PLAN_OPTIONS, "--units", "in", "--budget")
    printed = capsys.readouterr().out
    assert "0.0142 ± 0.0012 in (1/64)" in printed
    assert "edge fit" in printed


def test_the_report_as_json(photo: Callable[[str], str], capsys: Capture) -> None:
    assert check(photo("open.jpg"), *PLAN_OPTIONS, "--json", "report.json") == 1
    written = json.loads(Path("report.json").read_text())
    assert written["format"] == "lightgap-check/1"
    assert capsys.readouterr().out.startswith("Joint 8")
    assert check("open.jpg", *PLAN_OPTIONS, "--json", "-") == 1
    assert json.loads(capsys.readouterr().out) == written


def test_a_failure_as_json_has_the_one_error_shape(photo: Callable[[str], str], capsys: Capture) -> None:
    assert check(photo("lost.jpg"), *PLAN_OPTIONS, "--json", "-") == 2
    assert json.loads(capsys.readouterr().out) == {
        "photo": {"name": "lost.jpg"},
        "error": {"message": "No card was found.", "hint": "Lay a card beside the ring."},
    }


def test_table_and_picture_as_files(photo: Callable[[str], str]) -> None:
    check(photo("open.jpg"), *PLAN_OPTIONS, "--csv", "joints.csv", "--picture", "checked/open.png")
    assert Path("joints.csv").read_bytes().count(b"\r\n") == 1 + 12 + 12
    with Image.open("checked/open.png") as picture:
        assert picture.width > 1000


def test_several_photos_have_one_line_each_and_the_worst_exit_status(
    photo: Callable[[str], str], capsys: Capture
) -> None:
    names = [photo(name) for name in ("good.jpg", "open.jpg", "unsure.jpg")]
    out = ["--json", "all.json", "--csv", "all.csv", "--picture", "pictures"]
    assert check(*names, *PLAN_OPTIONS, *out) == 1
    lines = capsys.readouterr().out.splitlines()
    assert [line[:12] for line in lines[:3]] == ["o good.jpg: ", "x open.jpg: ", "? unsure.jpg"]
    assert lines[-1] == "3 photos: 1 in tolerance, 1 out of tolerance, 1 too close to call."
    assert [report["verdict"] for report in json.loads(Path("all.json").read_text())] == [
        "in tolerance",
        "out of tolerance",
        "too close to call",
    ]
    assert len(Path("all.csv").read_text().splitlines()) == 1 + 3 * 24
    assert {path.name for path in Path("pictures").iterdir()} == {
        "good-checked.jpg",
        "open-checked.jpg",
        "unsure-checked.jpg",
    }


def test_one_photo_that_fails_does_not_stop_the_others(photo: Callable[[str], str], capsys: Capture) -> None:
    assert check(photo("lost.jpg"), photo("open.jpg"), *PLAN_OPTIONS, "--json", "all.json") == 2
    printed = capsys.readouterr().out
    assert "! lost.jpg: No card was found. Lay a card beside the ring." in printed
    assert "x open.jpg: Joint 8 open" in printed
    assert printed.endswith("2 photos: 1 could not be measured, 1 out of tolerance.\n")
    assert [sorted(entry)[0] for entry in json.loads(Path("all.json").read_text())] == ["error", "advice"]


def test_a_pattern_that_the_shell_left_is_looked_up(photo: Callable[[str], str], capsys: Capture) -> None:
    photo("ring1.jpg"), photo("ring2.jpg")
    assert check("ring*.jpg", *PLAN_OPTIONS) == 0
    assert capsys.readouterr().out.endswith("2 photos: 2 in tolerance.\n")
    assert check("no*.jpg", *PLAN_OPTIONS) == 2


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["ring.jpg"], "segments, joint, across_flats_mm, width_mm and thickness_mm are missing"),
        (["ring.jpg", "--plan", "none.toml"], "The plan none.toml cannot be read"),
        (["ring.jpg", *PLAN_OPTIONS, "--gap-mm", "nan"], "gap_mm nan is not a number"),
        (["ring.jpg", *PLAN_OPTIONS, "--tolerance", "gap_mm"], "--tolerance cannot be read at 'gap_mm'"),
        (["ring.jpg", *PLAN_OPTIONS, "--tolerance", "gap=0.2"], "'gap' is no key of the tolerances"),
        (["ring.jpg", *PLAN_OPTIONS, "--printed-bar", "99.6", "nan"], "A printed bar of nan mm"),
        (["ring.jpg", *PLAN_OPTIONS, "--printed-bar", "3.9", "3.9"], "A printed bar of 3.9 mm"),
        (["none.jpg", *PLAN_OPTIONS], "There is no file none.jpg"),
        ([".", *PLAN_OPTIONS], "There is no file ."),
        (["ring.jpg", *PLAN_OPTIONS, "--picture", "checked"], "checked is no name for a picture"),
        (["ring.jpg", "ring.jpg", *PLAN_OPTIONS, "--picture", "a.jpg"], "a.jpg is one picture, for 2 photos"),
        (["ring.jpg", *PLAN_OPTIONS, "--picture", "ring.jpg"], "ring.jpg would be written over"),
        (["ring.jpg", *PLAN_OPTIONS, "--json", "-", "--csv", "-"], "Two outputs have the same name"),
        (["ring.jpg", *PLAN_OPTIONS, "--json", "none/a.json"], "none/a.json cannot be written"),
        (["ring.jpg", *PLAN_OPTIONS, "--reference", "moon"], "'moon' is no reference"),
    ],
)
def test_a_wrong_input_ends_with_2_and_one_message(
    photo: Callable[[str], str],
    capsys: Capture,
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    said: str,
) -> None:
    photo("ring.jpg")
    if "moon" in arguments:
        monkeypatch.setattr("lightgap.check.check", REAL_CHECK)
    before = Path("ring.jpg").read_bytes()
    assert check(*arguments) == 2
    message, hint = capsys.readouterr().err.splitlines()
    assert message.startswith(f"lightgap: {said}")
    assert hint.startswith("  ")
    assert Path("ring.jpg").read_bytes() == before


@pytest.mark.parametrize(
    "arguments", [[], ["measure"], ["check"], ["check", "ring.jpg", "--segments", "many"]]
)
def test_a_command_that_cannot_be_read(capsys: Capture, arguments: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(arguments)
    assert ended.value.code == 2
    assert "--help" in capsys.readouterr().err.splitlines()[-1]


def test_a_fault_of_the_program_is_told_politely_and_kept_in_a_file(
    photo: Callable[[str], str], capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(Path.cwd()))
    assert check(photo("fault.jpg"), *PLAN_OPTIONS) == 2
    told = capsys.readouterr().err
    assert "Traceback" not in told
    (log,) = Path.cwd().glob("lightgap-fault-*.log")
    assert str(log) in told
    assert "ZeroDivisionError: in the dark" in log.read_text()
    assert __version__ in log.read_text()


@pytest.mark.parametrize("command", ["check", "cards", "camera", "serve", "demo"])
def test_every_command_has_help_with_a_worked_example(capsys: Capture, command: str) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main([command, "--help"])
    assert ended.value.code == 0
    example = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("  lightgap "))
    # The example itself can be parsed.
    assert cli._parser().parse_args(example.split()[1:]).run


def test_cards_are_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.main(["cards", "--paper", "letter", "--count", "2"]) == 0
    assert Path("lightgap-cards-letter.pdf").read_bytes().startswith(b"%PDF")
    assert capsys.readouterr().out.startswith("lightgap-cards-letter.pdf: 2 cards")
    assert cli.main(["cards", "none/cards.pdf"]) == 2
    assert cli.main(["cards", "--count", "13"]) == 2


def test_serve_passes_on_what_was_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: dict[str, Any] = {}
    monkeypatch.setattr("lightgap_web.app.serve", lambda port, **more: asked.update(port=port, **more))
    assert cli.main(["serve", "--port", "0", "--demo", "--no-browser"]) == 0
    assert asked == {"port": 0, "demo": True, "lan": False, "log": None, "open_browser": False}


def test_the_command_starts_without_loading_anything_heavy() -> None:
    program = (
        "import sys\nfrom lightgap import cli\n"
        "try: cli.main(['--help'])\nexcept SystemExit: pass\n"
        "heavy = {'numpy', 'cv2', 'scipy', 'skimage', 'PIL', 'fastapi', 'reportlab'} & set(sys.modules)\n"
        "sys.exit(f'loaded: {heavy}' if heavy else 0)"
    )
    subprocess.run([sys.executable, "-c", program], check=True, capture_output=True)


def test_a_check_loads_no_web_library() -> None:
    program = (
        "import sys, lightgap.checking, lightgap.check, lightgap.show.table\n"
        "web = {'fastapi', 'uvicorn', 'lightgap_web'} & set(sys.modules)\n"
        "sys.exit(f'loaded: {web}' if web else 0)"
    )
    subprocess.run([sys.executable, "-c", program], check=True, capture_output=True)


def test_a_terminal_without_the_signs_gets_question_marks() -> None:
    program = "from lightgap import cli\ncli.main(['check', 'bünd±.jpg', '--segments', '2'])"
    environment = {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, env=environment, check=False)
    assert done.returncode == 0
    assert b"Traceback" not in done.stderr


def test_the_module_is_the_command() -> None:
    command = [sys.executable, "-m", "lightgap", "--version"]
    assert subprocess.check_output(command, text=True) == f"lightgap {__version__}\n"


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe's reader cannot leave in this way")
def test_whoever_stops_reading_is_no_fault() -> None:
    command = f"{shlex.quote(sys.executable)} -m lightgap cards --help"
    # The reader is gone before the first line is written.
    done = subprocess.run(["sh", "-c", f"(sleep 0.5; {command}) | true"], capture_output=True, check=True)
    assert done.stderr == b""


def test_errors_keep_their_hint_between_processes() -> None:
    error = pickle.loads(pickle.dumps(ScaleError("No card was found.", "Lay a card beside the ring.")))
    assert isinstance(error, ScaleError)
    assert isinstance(error, LightgapError)
    assert (error.message, error.hint) == ("No card was found.", "Lay a card beside the ring.")
