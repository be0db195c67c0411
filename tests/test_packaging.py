"""The package: what is in it, what is not, and that the source folder shadows nothing."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


def test_the_standard_library_keeps_its_own_inspect() -> None:
    # A folder without __init__.py never stands before a module of that name; one with it would.
    assert not (ROOT / "inspect" / "__init__.py").exists()
    assert not (ROOT / "inspect.py").exists()
    program = "import inspect, lightgap; print(inspect.getfile(inspect)); print(inspect.signature(print))"
    lines = subprocess.check_output([sys.executable, "-c", program], cwd=ROOT, text=True).splitlines()
    assert ROOT not in Path(lines[0]).parents
    assert lines[1].startswith("(*args")


@pytest.mark.parametrize("module", ["lightgap", "lightgap_web"])
def test_each_package_is_found_under_its_own_name(module: str) -> None:
    program = f"import {module}; print({module}.__name__)"
    assert subprocess.check_output([sys.executable, "-c", program], cwd="/", text=True) == f"{module}\n"


def files_below(folder: Path) -> set[str]:
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


def test_the_wheel_carries_the_packages_whole_the_samples_and_nothing_else(tmp_path: Path) -> None:
    pytest.importorskip("hatchling")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = tmp_path.glob("lightgap-*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if ".dist-info/" not in name}
    assert names == (
        {f"lightgap/{name}" for name in files_below(ROOT / "inspect" / "lightgap")}
        | {f"lightgap_web/{name}" for name in files_below(ROOT / "web" / "lightgap_web")}
        | {f"lightgap/sample_images/{name}" for name in files_below(ROOT / "sample_images")}
    )
