"""The sample photographs that come with the program: each with its plan, its truth and what scales it."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from lightgap.errors import PhotoError
from lightgap.plan import Plan, read_plan

INDEX = "samples.toml"


@dataclass(frozen=True)
class Sample:
    """One photograph of an invented ring.

    Attributes
    ----------
    name : str
        The stem of its files.
    title : str
        Which ring of which piece it is.
    about : str
        What is to be seen, in a few words.
    reference : str
        What gives the scale, as for `lightgap.check.check`.
    folder : Path
        Where its files lie.
    """

    name: str
    title: str
    about: str
    reference: str
    folder: Path

    @property
    def photo(self) -> Path:
        return self.folder / f"{self.name}.jpg"

    @property
    def truth(self) -> Path:
        """What the ring really is, as JSON."""
        return self.folder / f"{self.name}.json"

    @property
    def plan(self) -> Plan:
        """What its maker meant it to be."""
        return read_plan(self.folder / f"{self.name}.toml")


def samples_folder() -> Path:
    """Return where the sample photographs lie: inside the installed package, or in the checkout.

    Raises
    ------
    PhotoError
        If they are in neither place.
    """
    package = Path(str(files("lightgap")))
    for folder in (package / "sample_images", package.parents[1] / "sample_images"):
        if (folder / INDEX).is_file():
            return folder
    raise PhotoError(
        "The sample photographs were not installed with this program.",
        "Install it again from its own folder: pip install .",
    )


def read_samples() -> tuple[Sample, ...]:
    """Return the sample photographs, in the order of the demo."""
    folder = samples_folder()
    index = tomllib.loads((folder / INDEX).read_text(encoding="utf-8"))
    return tuple(Sample(folder=folder, **entry) for entry in index["sample"])
