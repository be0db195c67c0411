"""The package: what is in it, what is not, and that the source folder shadows nothing."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
import zipfile
from importlib.metadata import packages_distributions
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


def imported_distributions() -> set[str]:
    """What the engine and the page import from elsewhere, by the names that pip knows."""
    modules = set()
    for path in (*(ROOT / "inspect").rglob("*.py"), *(ROOT / "web").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                modules |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                modules.add(node.module.split(".")[0])
    others = modules - set(sys.stdlib_module_names) - {"lightgap", "lightgap_web"}
    known = packages_distributions()
    return {known[name][0].lower().replace("_", "-") for name in others}


def test_what_is_imported_is_installed_with_the_program_and_nothing_that_is_not() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    declared = {re.split(r"[<>=]", line)[0] for line in project["dependencies"]}
    brought_along = {"starlette", "pydantic", "markupsafe"}  # by fastapi, by jinja2
    used_by_fastapi = {"jinja2", "python-multipart"}
    assert imported_distributions() - brought_along == declared - used_by_fastapi
