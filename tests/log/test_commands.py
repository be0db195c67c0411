"""`lightgap log` as a person meets it: what it prints, what it keeps, how it ends."""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from lightgap import cli
from lightgap.errors import ScaleError
from lightgap.log.store import Log
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.report import Report
from made_ring import PHOTO_SIZE, make_measurement, make_report_of

Run = Callable[..., int]
Capture = pytest.CaptureFixture[str]

PLAN = """
segments = 12
joint = "{joint}"
across_flats_mm = 220.0
width_mm = 38.0
thickness_mm = 20.0
"""


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in, with plans, and an engine that goes by the photo's name."""

    def check(photo: Photo, plan: Plan, reference: str, **more: Any) -> Report:
        more["progress"](0.5, "looking for its joints")
        if "lost" in photo.name:
            raise ScaleError("No card was found.", "Lay a card beside the ring.")
        wide = (plan.gap_mm, plan.gap_mm + 0.2, plan.gap_mm + 0.4)
        joints = {8: {"gap": wide}} if "open" in photo.name else {}
        return make_report_of(plan, make_measurement(plan, joints), name=reference)

    monkeypatch.setattr("lightgap.check.check", check)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LIGHTGAP_LOG", str(tmp_path / "log"))
    Path("closed.toml").write_text(PLAN.format(joint="closed"))
    Path("spaced.toml").write_text(PLAN.format(joint="spaced") + "gap_mm = 3.0\n")
    for name, grey in (("good.png", 90), ("open.png", 120), ("lost.png", 150)):
        # The same wood in all of them, so that they can be taken together.
        grain = np.random.default_rng(1).integers(0, 100, (PHOTO_SIZE[1] // 5, PHOTO_SIZE[0] // 5))
        codes = np.kron(grain, np.ones((5, 5)))[..., None].repeat(3, axis=2) + grey
        Image.fromarray(codes.astype(np.uint8)).save(name)
    return tmp_path


def run(line: str) -> int:
    return cli.main(["log", *shlex.split(line)])


def test_an_empty_log_says_how_to_begin(capsys: Capture) -> None:
    assert run("list") == 0
    assert "The log is empty. Begin with: lightgap log add" in capsys.readouterr().out


def test_the_first_photo_begins_build_and_ring_and_is_kept(capsys: Capture) -> None:
    assert (
        run('add "Oak bowl" --plan closed.toml open.png --note glue="hide glue" --printed-bar 99.6 99.8') == 1
    )
    out = capsys.readouterr().out
    assert "build 1  Oak bowl" in out and "ring 1  ring 1: 12 segments" in out
    assert "x check 1  open.png: out of tolerance. Joint 8" in out
    with Log() as log:
        check = log.check(1)
        assert check.notes == {"glue": "hide glue"}
        assert check.settings == {"printed_bar_mm": [99.6, 99.8]}
        assert log.photos.read(check.photos[0].stored) == Path("open.png").read_bytes()


def test_a_whole_build_from_first_photo_to_paper_and_back(capsys: Capture, folder: Path) -> None:
    assert run('add "Vase" --plan spaced.toml good.png') == 0
    assert run('add "Vase" --ring rim --plan spaced.toml open.png') == 1
    assert run("add 1 --ring 1 open.png good.png") == 1
    assert run("note build 1 wood walnut") == 0
    capsys.readouterr()

    assert run("list") == 0
    assert "x build 1  Vase, walnut: 2 rings, 4 checks." in capsys.readouterr().out
    assert run("list --verdict out --wood WALNUT") == 0
    assert [line.split()[2] for line in capsys.readouterr().out.splitlines()] == ["3", "2"]
    assert run("show build 1") == 0
    out = capsys.readouterr().out
    assert out.index("rim (ring 2): out of tolerance") < out.index("ring 1 (ring 1): in tolerance")
    assert "Rim. Mean of 12 gaps" in out and "ring 1 and rim together" in out
    assert run("show ring 1") == 0
    assert [line[:9] for line in capsys.readouterr().out.splitlines()[-3:]] == [
        "o check 1",
        "x check 3",
        "o check 4",
    ]
    assert run("show check 3 --units in") == 0
    assert "kept as" in (out := capsys.readouterr().out) and "lengths in inches" in out

    assert run("print build 1 vase.pdf --paper letter") == 0
    assert run("print check 3 check.pdf --units in") == 0
    document = pypdfium2.PdfDocument(Path("vase.pdf"))
    assert document.get_page_size(0) == (612.0, 792.0)
    document.close()
    assert run("export 1 vase.zip") == 0
    assert run("import vase.zip") == 2
    assert run("import vase.zip --copy") == 0
    assert run(f"--log {shlex.quote(str(folder / 'other'))} import vase.zip") == 0
    capsys.readouterr()
    assert run("--log other show build 1") == 0
    assert "rim (ring 2): out of tolerance" in capsys.readouterr().out


def test_measuring_again_goes_by_the_rings_plan_as_it_is_now(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    run('add "Bowl" --plan closed.toml open.png --reference cards')
    Path("wide.toml").write_text(PLAN.format(joint="closed") + "[tolerance]\ngap_mm = 0.5\ntaper_deg = 2.0\n")
    run("add 1 --ring 1 --plan wide.toml good.png")
    capsys.readouterr()
    monkeypatch.setattr("lightgap.report.__version__", "9.9")
    assert run("again 1") == 0
    out = capsys.readouterr().out
    assert "before: out of tolerance" in out and "o check 1  now: in tolerance" in out
    with Log() as log:
        check = log.check(1)
        assert [result.program for result in check.results][1] == "9.9"
        assert [(result.report or {})["reference"]["name"] for result in check.results] == ["cards"] * 2
        assert check.plan.tolerance.gap_mm == 0.15, "the check keeps the plan that it was made with"


def test_a_photo_that_cannot_be_measured_is_kept_with_the_reason(capsys: Capture) -> None:
    assert run('add "Bowl" --plan closed.toml lost.png') == 2
    out = capsys.readouterr().out
    assert "not measured. No card was found." in out and "Lay a card beside the ring." in out
    assert run("show check 1") == 0
    assert "No card was found.\n  Lay a card" in capsys.readouterr().out
    assert run("print check 1 lost.pdf") == 0


def test_photos_taken_together_are_one_check_and_stay_so(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch, folder: Path
) -> None:
    assert run('add "Bowl" --plan closed.toml lost.png good.png open.png --together') == 3
    # The two that were measured contradict each other.
    assert "? check 1  lost.png, good.png and open.png: too close to call." in capsys.readouterr().out
    with Log() as log:
        check = log.check(1)
        names = ["lost.png", "good.png", "open.png"]
        assert [photo.name for photo in check.photos] == names
        assert [log.photos.read(photo.stored) for photo in check.photos] == [
            Path(name).read_bytes() for name in names
        ]
        assert log.ring_print(check.results[0].id) is not None
    run("show check 1")
    out = capsys.readouterr().out
    assert "photo: lost.png (not measured), kept as" in out and "photo: open.png (joined), kept as" in out
    assert "lost.png could not be measured: No card was found." in " ".join(out.split())

    monkeypatch.setattr("lightgap.report.__version__", "9.9")
    assert run("again 1") == 3
    with Log() as log:
        first, again = log.check(1).results
        assert (again.program, again.report["photos"]) == ("9.9", first.report["photos"])
        assert log.ring_print(again.id) == log.ring_print(first.id)
    capsys.readouterr()
    run("list --text lost.png")
    assert "check 1 " in capsys.readouterr().out, "found by the name of any of its photos"
    assert run("print check 1 check.pdf") == 0
    document = pypdfium2.PdfDocument(Path("check.pdf"))
    printed = " ".join(page.get_textpage().get_text_bounded() for page in document)
    document.close()
    assert "Combined from" in printed and "About the photos" in printed
    assert run("export 1 bowl.zip") == 0
    assert run(f"--log {shlex.quote(str(folder / 'other'))} import bowl.zip") == 0
    assert run("--log other again 1") == 3, "its photos came along, each whole"


def test_photos_together_of_which_one_is_no_photo_are_not_kept(capsys: Capture) -> None:
    assert run('add "Bowl" --plan closed.toml good.png closed.toml --together') == 2
    run("list")
    assert "The log is empty" in capsys.readouterr().out


def test_what_is_no_photo_is_not_kept_and_nothing_is_begun(capsys: Capture) -> None:
    assert run('add "Bowl" --plan closed.toml good.png closed.toml') == 2
    assert "closed.toml" in capsys.readouterr().err
    run("list")
    assert "The log is empty" in capsys.readouterr().out


def test_deleting_and_undoing(capsys: Capture) -> None:
    run('add "Bowl" --plan closed.toml good.png')
    assert run("delete check 1") == 0
    assert "Undo: lightgap log restore check 1" in capsys.readouterr().out
    run("list --checks")
    assert "No check is like that." in capsys.readouterr().out
    run("list --deleted")
    assert "check 1  Bowl, ring 1, in tolerance, deleted" in capsys.readouterr().out
    assert run("restore") == 0
    assert "is back." in capsys.readouterr().out
    assert run("restore") == 0
    assert "Nothing is deleted." in capsys.readouterr().out
    assert run("delete build 1") == 0
    assert run("restore build 1") == 0
    assert run("delete ring 1") == 0
    assert run("purge --days 0") == 0
    assert "1 record taken away for good." in capsys.readouterr().out
    assert run("restore ring 1") == 2


def test_notes(capsys: Capture) -> None:
    run('add "Bowl" --plan closed.toml good.png')
    assert run('note check 1 "clamp time" "45 min"') == 0
    assert run('note check 1 "clamp time" "60 min"') == 0
    assert "before: 45 min" in capsys.readouterr().out
    assert run('note check 1 "clamp time"') == 2
    assert run('note check 1 "clamp time" --remove') == 0
    run("show check 1")
    assert "clamp time" not in capsys.readouterr().out.split("before")[1].split("\n", 1)[1]


def test_a_long_list_goes_on_where_it_ended(capsys: Capture) -> None:
    run('add "Bowl" --plan closed.toml good.png good.png good.png')
    capsys.readouterr()
    run("list --checks --most 2")
    *lines, more = capsys.readouterr().out.splitlines()
    assert len(lines) == 2
    run(f"list --checks --most 2 {more.split(': add ')[1]}")
    (last,) = capsys.readouterr().out.splitlines()
    assert "check 1 " in last


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("add Other good.png", "A new ring needs its plan."),
        ("add Bowl good.png", "The build has 2 rings: which one is it?"),
        ("add Bowl --ring 7 --plan closed.toml good.png", "The build has 2 rings, and no ring 7."),
        ("add Bowl --ring rim good.png", "A new ring needs its plan."),
        ("add 9 --ring 1 good.png", "There is no build 9 in the log."),
        ("add Bowl --ring 1 good.png --note oak", "'oak' is no note."),
        ("add Bowl --ring 1 none.png", "none.png cannot be read"),
        ("add Bowl --ring 1 good.png --printed-bar 9 9", "cannot be one of the cards' 100 mm bars"),
        ("add Twin --ring 1 good.png", "2 builds are called 'Twin'."),
        ("show check 99", "There is no check 99 in the log."),
        ("restore ring", "Which ring?"),
        ("list --from yesterday", "'yesterday' is no date"),
        ("import closed.toml", "no whole zip file"),
        ("export 1 nowhere/bowl.zip", "nowhere/bowl.zip cannot be read or written"),
        ("print build 1 nowhere/bowl.pdf", "nowhere/bowl.pdf cannot be written"),
    ],
)
def test_every_mistake_gets_a_sentence(capsys: Capture, line: str, told: str) -> None:
    run("add Bowl --plan closed.toml good.png")
    run("add Bowl --plan closed.toml good.png")
    with Log() as log:
        for _ in range(2):
            log.add_build("Twin")
    capsys.readouterr()
    try:
        status = run(line)
    except SystemExit as end:  # argparse's own complaints
        status = int(end.code or 0)
    assert status == 2
    err = capsys.readouterr().err
    assert told in err and "Traceback" not in err
    assert len(err.splitlines()) == 2


def test_every_action_has_help_with_an_example(capsys: Capture) -> None:
    with pytest.raises(SystemExit):
        run("--help")
    actions = re.findall(r"^    ([a-z]+) ", capsys.readouterr().out, re.MULTILINE)
    assert {"list", "show", "add", "again", "note", "delete", "restore", "export", "import"} <= set(actions)
    for action in actions:
        with pytest.raises(SystemExit) as end:
            run(f"{action} --help")
        assert end.value.code == 0
        assert f"lightgap log {action}" in capsys.readouterr().out.split("example:")[1]
