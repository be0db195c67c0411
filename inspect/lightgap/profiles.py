"""Stored camera profiles: one small TOML file for each lens, in the platform's folder for a user's data.

    # How one lens draws, from 5 photos of printed cards. Lengths over the picture's diagonal ...
    make = "Maker"            # as EXIF has it
    model = "Model"
    lens = ""
    focal_mm = 5.69
    equivalent_mm = 26.0
    aspect = 1.333333
    ...

The keys are those of `lightgap.lens.CameraProfile` and its `LensName`.
"""

from __future__ import annotations

import json
import math
import os
import re
import tomllib
from collections.abc import Iterator
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import Any

from lightgap.errors import LightgapError
from lightgap.lens import CameraProfile, LensName
from lightgap.photo import Photo

ENVIRONMENT = "LIGHTGAP_CAMERAS"
AUTO, NONE = "auto", "none"

_HEAD = """\
# How one lens draws, from photos of printed cards, by: lightgap camera
# focal, centre, focal_standard (relative) and centre_standard are in units of the picture's diagonal; centre
# is the principal point less the picture's middle, x right, y down, in the picture as stored, not turned.
"""
_NAME = tuple(item.name for item in fields(LensName))
_KEYS = tuple(item.name for item in fields(CameraProfile) if item.name != "lens")


def folder() -> Path:
    """Return the folder named by LIGHTGAP_CAMERAS, else "cameras" in the platform's folder for user data."""
    named = os.environ.get(ENVIRONMENT)
    if named:
        return Path(named).expanduser()
    from platformdirs import user_data_path

    return user_data_path("lightgap", appauthor=False) / "cameras"


def with_profile(photo: Photo, camera: str = AUTO) -> Photo:
    """Return the photo with what is known of its lens.

    Parameters
    ----------
    camera : str
        "auto" for the stored profile of the lens that EXIF names, if there is one; "none"; or a profile's
        file.

    Raises
    ------
    LightgapError
        If the file named is no profile, or not that of this photo's lens.
    """
    if camera == NONE:
        return photo
    if camera == AUTO:
        return replace(photo, profile=_stored(photo))
    profile = read_profile(Path(camera))
    if photo.lens is not None and not photo.lens.is_like(profile.lens):
        raise LightgapError(
            f"{photo.name} was taken with {photo.lens}; {camera} is the profile of {profile.lens}.",
            "Leave --camera out: the right profile is found by itself, if there is one.",
        )
    if not profile.fits(photo.width, photo.height):
        raise LightgapError(
            f"{photo.name} has another shape than the photos that {camera} was made from.",
            "Use the photo as taken, not cropped, or make a profile with this picture format.",
        )
    return replace(photo, profile=profile)


def _stored(photo: Photo) -> CameraProfile | None:
    """Return the stored profile of a photo's lens; the latest, should there be several."""
    if photo.lens is None:
        return None
    found = [
        profile
        for profile in _all_stored()
        if profile.lens.is_like(photo.lens) and profile.fits(photo.width, photo.height)
    ]
    return max(found, key=lambda profile: profile.made, default=None)


def _all_stored() -> Iterator[CameraProfile]:
    for path in sorted(folder().glob("*.toml")):
        try:
            yield read_profile(path)
        except LightgapError:  # One that somebody has spoilt does not keep photos from being measured.
            continue


def read_profile(path: Path) -> CameraProfile:
    """Read a profile's file.

    Raises
    ------
    LightgapError
        If there is none, or it is no profile.
    """
    try:
        keys = tomllib.loads(path.read_text(encoding="utf-8"))
        told = {key: keys[key] for key in (*_NAME, *_KEYS)}
        name = {key: type(default)(told.pop(key)) for key, default in asdict(LensName("", "")).items()}
        centre = tuple(float(part) for part in told.pop("centre"))
        photos, made = int(told.pop("photos")), str(told.pop("made"))
        numbers = {key: float(value) for key, value in told.items()}
        profile = CameraProfile(lens=LensName(**name), centre=centre, photos=photos, made=made, **numbers)  # type: ignore[arg-type]
    except OSError as error:
        raise LightgapError(
            f"{path} cannot be read: {error.strerror or error}.", "Check the profile's name and folder."
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise _no_profile(path) from error
    if not _is_sane(profile):
        raise _no_profile(path)
    return profile


def _is_sane(profile: CameraProfile) -> bool:
    positive = (
        profile.focal,
        profile.focal_standard,
        profile.centre_standard,
        profile.k1_standard,
        profile.distance_mm,
    )
    every = (*positive, *profile.centre, profile.k1, profile.k2)
    return (
        len(profile.centre) == 2
        and all(math.isfinite(number) for number in every)
        and min(positive) > 0.0
        and 0.2 < profile.focal < 5.0
        and profile.aspect >= 1.0
    )


def _no_profile(path: Path) -> LightgapError:
    return LightgapError(
        f"{path} is no camera profile.",
        "Make one from photos of the cards: lightgap camera PHOTO PHOTO PHOTO.",
    )


def write_profile(profile: CameraProfile, path: Path) -> None:
    """Write a profile, whole or not at all.

    Raises
    ------
    OSError
    """
    keys: dict[str, Any] = asdict(profile)
    keys = {**keys.pop("lens"), **keys}
    lines = [f"{key} = {_toml(value)}" for key, value in keys.items()]
    path.parent.mkdir(parents=True, exist_ok=True)
    half = path.with_name(path.name + ".half")
    half.write_text(_HEAD + "\n".join(lines) + "\n", encoding="utf-8")
    half.replace(path)


def stored_path(lens: LensName) -> Path:
    """Return where the profile of a lens lies so that `with_profile` finds it; no two lenses share it."""
    focal = f"{lens.focal_mm or lens.equivalent_mm:g}mm"
    told = " ".join(part for part in (lens.make, lens.model, lens.lens, focal) if part).lower()
    return folder() / (re.sub(r"[^a-z0-9.]+", "-", told).strip("-.")[:100] + ".toml")


def _toml(value: Any) -> str:
    """TOML of a text, a number or a list of numbers; JSON's escapes are TOML's."""
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return f"{value:d}" if isinstance(value, int) else repr(float(f"{value:.8g}"))
