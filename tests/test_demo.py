"""The sample photographs, and the demo that checks them all."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

from lightgap import samples
from lightgap.errors import PhotoError
from lightgap.photo import read_photo
from lightgap.samples import Sample, read_samples, samples_folder

SAMPLES = read_samples()
NAMES = [sample.name for sample in SAMPLES]


def test_there_are_at_least_ten_photographs_under_20_megabytes() -> None:
    assert len(SAMPLES) >= 10
    sizes = [path.stat().st_size for path in samples_folder().iterdir()]
    assert sum(sizes) < 20e6
    assert max(sizes) < 6e6


def test_they_show_every_kind_of_joint_reference_and_outline() -> None:
    plans = [sample.plan for sample in SAMPLES]
    assert {plan.joint for plan in plans} == {"closed", "spaced", "tapered"}
    assert {plan.outline for plan in plans} == {"polygon", "round"}
    assert {sample.reference.partition(":")[0] for sample in SAMPLES} == {"auto", "sheet", "across-flats"}
    filled = {
        joint["filled"] for sample in SAMPLES for joint in json.loads(sample.truth.read_text())["joints"]
    }
    assert {"resin", "glue"} <= filled


@pytest.mark.parametrize("sample", SAMPLES, ids=NAMES)
def test_a_samples_plan_is_what_its_truth_says_the_person_enters(sample: Sample) -> None:
    truth = json.loads(sample.truth.read_text())
    entered, plan = truth["user_enters"], sample.plan
    assert truth["computer_rendered"]
    assert truth["photo"] == sample.photo.name
    assert (plan.segments, plan.across_flats_mm) == (entered["segments"], entered["outer_across_flats_mm"])
    assert (plan.width_mm, plan.thickness_mm) == (entered["width_mm"], entered["thickness_mm"])
    assert (plan.gap_mm, plan.gap_deg) == (entered["nominal_gap_mm"], entered["nominal_taper_deg"])
    assert plan.outline == entered["outline"]
    if entered["measured_outer_mm"] is not None:
        assert sample.reference == f"across-flats:{entered['measured_outer_mm']:g}"
    with Image.open(sample.photo) as image:
        stored = image.size
    turned = truth["orientation"] in (5, 6, 7, 8)
    assert list(stored[::-1] if turned else stored) == truth["camera"]["image_size"]


def test_a_sample_stored_turned_comes_in_upright() -> None:
    sample = next(item for item in SAMPLES if json.loads(item.truth.read_text())["orientation"] == 6)
    photo = read_photo(sample.photo)
    truth = json.loads(sample.truth.read_text())
    assert [photo.width, photo.height] == truth["camera"]["image_size"]
    # The focal length in EXIF is a whole number of millimetres: 4 % is one of them.
    assert photo.focal_px == pytest.approx(truth["camera"]["K"][0][0], rel=0.04)


def test_the_readme_of_the_samples_names_each_and_says_that_they_are_rendered() -> None:
    text = (samples_folder() / "README.md").read_text()
    assert "computer-rendered" in text.splitlines()[2]
    assert set(NAMES) == set(re.findall(r"^\| `(\w+)` \|", text, re.MULTILINE))


def test_without_its_samples_the_program_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(samples, "files", lambda _: tmp_path / "site" / "lightgap")
    with pytest.raises(PhotoError, match="not installed"):
        samples_folder()


def test_the_demo_checks_them_all_and_says_what_to_do_next(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "lightgap", "demo", "--out", str(tmp_path / "pictures")]
    done = subprocess.run(command, capture_output=True, encoding="utf-8", check=False)
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    for sample in SAMPLES:
        (line,) = (line for line in lines if f" {sample.title}: " in line)
        assert line[0] in "ox?-", line
    assert any(line.startswith(f"{len(SAMPLES)} photos: ") for line in lines)
    assert str(tmp_path / "pictures") in lines[-2]
    assert "lightgap serve --demo" in lines[-1]
    assert {path.name for path in (tmp_path / "pictures").iterdir()} == {
        f"{name}-checked.jpg" for name in NAMES
    }
