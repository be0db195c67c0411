"""`lightgap camera`: what it says, where it stores, and how the check then uses it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from lightgap import cli
from lightgap.errors import LightgapError
from lightgap.lens import CameraProfile
from lightgap.photo import Photo, read_photo
from lightgap.profiles import read_profile, stored_path, with_profile
from test_lens import LENS, PROFILE

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def calibrated(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[str]:
    """Stand in for the adjustment: the names of the photos that it was given."""
    names: list[str] = []

    def calibrate(photos: Iterable[Photo], made: date) -> CameraProfile:
        names.extend(photo.name for photo in photos)
        if len(names) < 3:
            raise LightgapError("2 photos are too few.", "Take more.")
        return replace(PROFILE, made=made.isoformat())

    monkeypatch.setattr("lightgap.reference.calibration.calibrate", calibrate)
    monkeypatch.setenv("LIGHTGAP_CAMERAS", str(tmp_path / "cameras"))
    return names


def photos_in(folder: Path, count: int) -> list[str]:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = LENS.make, LENS.model + "\0"
    exif.get_ifd(0x8769).update({0x920A: LENS.focal_mm, 0xA405: 26})
    paths = [folder / f"cards{number}.jpg" for number in range(count)]
    for path in paths:
        Image.fromarray(np.full((1000, 1200, 3), 128, np.uint8)).save(path, exif=exif)
    return [str(path) for path in paths]


def test_the_profile_is_stored_where_photos_of_that_lens_find_it(
    calibrated: list[str], tmp_path: Path, capsys: Capture
) -> None:
    photos = photos_in(tmp_path, 3)
    assert cli.main(["camera", *photos]) == 0
    assert calibrated == ["cards0.jpg", "cards1.jpg", "cards2.jpg"]
    said = capsys.readouterr().out
    assert "Maker Phone 3, 5.7 mm, from 5 photos at about 450 mm:" in said
    assert "25.96 mm (35 mm equivalent) ± 0.8 %" in said  # 0.6 x 43.27 mm
    assert str(stored_path(LENS)) in said
    assert read_profile(stored_path(LENS)).lens == LENS
    photo = read_photo(Path(photos[0]))
    assert photo.lens == LENS
    # The photo here is 6:5, the profile's were 4:3.
    assert with_profile(photo).profile is None


@pytest.mark.usefixtures("calibrated")
def test_the_profile_can_go_to_a_file_of_its_own(tmp_path: Path) -> None:
    assert cli.main(["camera", *photos_in(tmp_path, 3), "--out", str(tmp_path / "mine.toml")]) == 0
    assert read_profile(tmp_path / "mine.toml").photos == 5
    assert not stored_path(LENS).exists()


@pytest.mark.usefixtures("calibrated")
def test_a_weak_profile_asks_for_more_photos(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    weak = replace(PROFILE, focal_standard=0.014)
    monkeypatch.setattr("lightgap.reference.calibration.calibrate", lambda _photos, _made: weak)
    cli.main(["camera", *photos_in(tmp_path, 3)])
    assert "leaned by 20 to 30 degrees" in capsys.readouterr().out


@pytest.mark.usefixtures("calibrated")
def test_what_is_wrong_is_said_and_nothing_is_stored(tmp_path: Path, capsys: Capture) -> None:
    assert cli.main(["camera", *photos_in(tmp_path, 2)]) == 2
    assert capsys.readouterr().err == "lightgap: 2 photos are too few.\n  Take more.\n"
    assert not (tmp_path / "cameras").exists()
