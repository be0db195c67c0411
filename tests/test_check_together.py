"""`lightgap check --together`: several photos of one ring, one answer in every form."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from lightgap import cli
from lightgap.errors import ScaleError
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.report import Report
from made_ring import PHOTO_SIZE, make_measurement, make_report_of

Capture = pytest.CaptureFixture[str]

PLAN = ["--segments", "12", "--joint", "closed", "--across-flats-mm", "220"]
PLAN += ["--width-mm", "38", "--thickness-mm", "20"]


@pytest.fixture(autouse=True)
def photos(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Photos of one wood, a.png, b.png and lost.png, and of another; an engine that goes by the name."""

    def check(photo: Photo, plan: Plan, _reference: str, **_more: Any) -> Report:
        if "lost" in photo.name:
            raise ScaleError("No card was found.", "Lay a card beside the ring.")
        gap = 0.40 if photo.name == "a.png" else 0.36
        return make_report_of(plan, make_measurement(plan, joints={8: {"gap": (gap, gap, gap)}}))

    monkeypatch.setattr("lightgap.check.check", check)
    monkeypatch.setattr("lightgap.batch.cores", lambda: 1)
    monkeypatch.chdir(tmp_path)
    for name, seed in (("a.png", 1), ("b.png", 1), ("lost.png", 1), ("other.png", 2)):
        wood(name, seed)
    return tmp_path


def wood(name: str, seed: int) -> None:
    """Wood grain of its own all over the photo; a dot in the corner makes each file another."""
    coarse = np.random.default_rng(seed).integers(60, 220, (PHOTO_SIZE[1] // 5, PHOTO_SIZE[0] // 5))
    codes = np.kron(coarse, np.ones((5, 5)))[..., None].repeat(3, axis=2).astype(np.uint8)
    codes[0, 0] = len(name)
    codes[0, 1] = ord(name[0])
    Image.fromarray(codes).save(name)


def check(*arguments: str) -> int:
    return cli.main(["check", *arguments, "--together", *PLAN])


def test_one_answer_in_every_form(capsys: Capture) -> None:
    assert check("a.png", "b.png", "--json", "r.json", "--csv", "r.csv", "--picture", "r.jpg") == 1
    printed = capsys.readouterr()
    assert printed.err == ""
    assert printed.out.startswith("Joint 8 open 0.38")
    assert "ring.jpg (1) and ring.jpg (2): out of tolerance" in printed.out
    assert "About the photos\n* Combined from ring.jpg (1) and ring.jpg (2)." in printed.out
    report = json.loads(Path("r.json").read_text())
    assert report["joints"][7]["gap_mm"]["middle"]["value"] == pytest.approx(0.38)
    assert [photo["part"] for photo in report["photos"]] == ["base", "joined"]
    with Path("r.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 24
    assert rows[0]["photo"] == "ring.jpg (1); ring.jpg (2)"
    with Image.open("r.jpg") as picture:
        assert picture.width >= PHOTO_SIZE[0]


def test_a_photo_that_fails_is_named_and_the_rest_is_told(capsys: Capture) -> None:
    assert check("lost.png", "b.png", "--picture", "r.jpg") == 1
    out = capsys.readouterr().out
    assert out.startswith("Joint 8 open 0.36")
    assert "lost.png could not be measured: No card was found. Lay a card beside the ring." in out
    assert Path("r.jpg").exists()


def test_when_all_fail_each_is_named(capsys: Capture) -> None:
    assert check("lost.png", "none.png", "--json", "r.json") == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "None of these photos was measured. lost.png could not" in printed.err
    assert "none.png could not be measured: There is no file none.png." in printed.err
    assert "None of these" in json.loads(Path("r.json").read_text())["error"]["message"]


def test_photos_of_two_rings_are_not_combined(capsys: Capture) -> None:
    assert check("a.png", "other.png") == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "No two of these photos surely show the same face of one ring" in printed.err


def test_a_stranger_is_left_out(capsys: Capture) -> None:
    assert check("other.png", "a.png", "b.png", "--json", "-") == 1
    report = json.loads(capsys.readouterr().out)
    assert [photo["part"] for photo in report["photos"]] == ["left out", "base", "joined"]


def test_a_file_given_twice_counts_once(capsys: Capture) -> None:
    Path("copy.png").write_bytes(Path("b.png").read_bytes())
    assert check("b.png", "copy.png", "--json", "-") == 1
    report = json.loads(capsys.readouterr().out)
    assert "is the same file as" in report["photos"][1]["why"]


def test_one_photo_together_is_told_as_one_photo(capsys: Capture) -> None:
    assert check("a.png", "--json", "-") == 1
    assert json.loads(capsys.readouterr().out)["photos"] == []


def test_the_picture_of_several_is_one_file(capsys: Capture) -> None:
    assert check("a.png", "b.png", "--picture", "folder") == 2
    assert "folder is no name for a picture." in capsys.readouterr().err
