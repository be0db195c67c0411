"""The page's own scripts and style sheets, which the browser may keep.

They lie below an address that names what is in them, so that a page finds them in the browser and is
painted without asking for them again; a new version has new addresses. Scripts import one another by
relative paths and so stay below the same address.
"""

from __future__ import annotations

import hashlib
import os
from importlib.resources import files
from pathlib import Path

from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

FOLDER = Path(str(files("lightgap_web"))) / "static"
KEEP = "private, max-age=31536000, immutable"


def digest(folder: Path) -> str:
    """Return some digits that change with whatever is in a folder."""
    found = hashlib.sha256()
    for path in sorted(folder.iterdir()):
        found.update(path.name.encode() + b"\0" + path.read_bytes())
    return found.hexdigest()[:12]


STATIC = f"/static/{digest(FOLDER)}"
"""Where they lie, without a slash at the end."""


class KeptFiles(StaticFiles):
    """A folder of files that stay as they are as long as this address does."""

    def file_response(
        self,
        full_path: str | os.PathLike[str],
        stat_result: os.stat_result,
        scope: Scope,
        status_code: int = 200,
    ) -> Response:
        response = super().file_response(full_path, stat_result, scope, status_code)
        response.headers["Cache-Control"] = KEEP
        return response
