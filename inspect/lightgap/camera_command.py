"""`lightgap camera`: make the profile of a phone's lens from photos of the printed cards."""

from __future__ import annotations

import argparse
from datetime import date

from lightgap.batch import writing
from lightgap.checking import photos_of
from lightgap.lens import DIAGONAL_35MM, CameraProfile
from lightgap.values import COVERAGE_FACTOR

_GOOD_FOCAL = 0.007
"""Relative standard uncertainty of the focal length below which focusing is what limits it in use."""


def make_profile(options: argparse.Namespace) -> int:
    """Make the profile that the options ask for, store it, say what it holds; return the exit status."""
    from lightgap.photo import read_photo
    from lightgap.profiles import stored_path, write_profile
    from lightgap.reference.calibration import LEAN, calibrate

    profile = calibrate((read_photo(path) for path in photos_of(options.photos)), date.today())
    path = options.out or stored_path(profile.lens)
    with writing(path):
        write_profile(profile, path)
    print("\n".join(told(profile)))
    if profile.focal_standard > _GOOD_FOCAL:
        print(f"More photos would make it surer: {LEAN}.")
    print(f"Stored in {path}.")
    if options.out is None:
        print("Photos of this lens are measured with it from now on; --camera none leaves it aside.")
    return 0


def told(profile: CameraProfile) -> list[str]:
    """Say what a profile holds, each figure with its U (k = 2)."""
    equivalent = DIAGONAL_35MM * profile.focal
    across, down = (1000.0 * part for part in profile.centre)
    off = COVERAGE_FACTOR * 1000.0 * profile.centre_standard
    bends = f"{profile.k1:+.4f} ± {COVERAGE_FACTOR * profile.k1_standard:.4f}"
    if profile.k2:
        bends += f", second term {profile.k2:+.4f}"
    return [
        f"{profile.lens}, from {profile.photos} photos at about {profile.distance_mm:.0f} mm:",
        f"  focal length     {equivalent:.2f} mm (35 mm equivalent) "
        f"± {COVERAGE_FACTOR * 100.0 * profile.focal_standard:.1f} %",
        f"  principal point  {across:+.1f}, {down:+.1f} ± {off:.1f} off the middle, in thousandths of the "
        "diagonal",
        f"  distortion       {bends}",
    ]
