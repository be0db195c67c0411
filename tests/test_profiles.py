"""Stored camera profiles: written, found again by what EXIF says, and refused where they do not belong."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lightgap.errors import LightgapError
from lightgap.lens import LensName
from lightgap.photo import Photo
from lightgap.profiles import read_profile, stored_path, with_profile, write_profile
from test_lens import LENS, PROFILE

PHOTO = Photo(np.zeros((300, 400, 3), np.uint8), focal_px=300.0, name="ring.jpg", lens=LENS)


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LIGHTGAP_CAMERAS", str(tmp_path / "cameras"))


def test_a_profile_comes_back_as_it_was_written(tmp_path: Path) -> None:
    named = replace(PROFILE, lens=replace(LENS, model='Phone "3"\\ü', lens="wide"))
    write_profile(named, tmp_path / "new" / "mine.toml")
    assert read_profile(tmp_path / "new" / "mine.toml") == replace(named, aspect=pytest.approx(4 / 3))


def test_a_stored_profile_is_found_by_the_photos_own_lens() -> None:
    assert with_profile(PHOTO).profile is None
    write_profile(PROFILE, stored_path(LENS))
    found = with_profile(PHOTO)
    assert found.profile is not None and found.profile.lens == LENS
    assert found.default_focal_px == pytest.approx(0.6 * 500.0)
    assert with_profile(PHOTO, "none").profile is None
    assert with_profile(replace(PHOTO, lens=replace(LENS, focal_mm=9.0))).profile is None
    assert with_profile(replace(PHOTO, lens=None)).profile is None
    assert with_profile(replace(PHOTO, codes=np.zeros((225, 400, 3), np.uint8))).profile is None


def test_two_lenses_of_one_phone_have_files_of_their_own() -> None:
    assert stored_path(LENS) != stored_path(replace(LENS, focal_mm=2.2))
    assert stored_path(LensName("../..", "a/b", "", 5.0)).parent == stored_path(LENS).parent


def test_a_profile_that_is_named_may_serve_a_photo_without_exif(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    write_profile(PROFILE, path)
    assert with_profile(replace(PHOTO, lens=None, focal_px=None), str(path)).profile is not None
    with pytest.raises(LightgapError, match=r"was taken with Maker Phone 3, 9 mm; .* Maker Phone 3, 5.7 mm"):
        with_profile(replace(PHOTO, lens=replace(LENS, focal_mm=9.0)), str(path))
    with pytest.raises(LightgapError, match="another shape"):
        with_profile(replace(PHOTO, codes=np.zeros((225, 400, 3), np.uint8)), str(path))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "segments = 12",
        "\x00\x01",
        'focal = "wide"',
        # Whole, but for one figure that no lens has.
        "make = 'a'\nmodel = 'b'\nlens = ''\nfocal_mm = 5.7\nequivalent_mm = 26.0\naspect = 1.3\n"
        "focal = nan\ncentre = [0.0, 0.0]\nk1 = 0.0\nk2 = 0.0\nfocal_standard = 0.01\n"
        "centre_standard = 0.01\nk1_standard = 0.01\ndistance_mm = 400.0\nphotos = 3\nmade = '2026-03-01'\n",
    ],
)
def test_what_is_no_profile_is_refused_by_name_and_passed_over_when_stored(text: str) -> None:
    path = stored_path(LENS)
    path.parent.mkdir()
    path.write_text(text)
    with pytest.raises(LightgapError, match="is no camera profile"):
        with_profile(PHOTO, str(path))
    assert with_profile(PHOTO).profile is None


def test_a_missing_file_is_told() -> None:
    with pytest.raises(LightgapError, match="cannot be read"):
        with_profile(PHOTO, "nowhere.toml")
