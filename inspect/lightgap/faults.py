"""What a person is told when the program itself fails, or the system that it runs on lacks a part."""

from __future__ import annotations

import platform
import re
import tempfile
import traceback

from lightgap import __version__
from lightgap.errors import LightgapError

_MISSING_LIBRARY = re.compile(r"(lib[\w.+-]+\.so[\w.]*)")


def told(error: BaseException) -> LightgapError:
    """Return what to tell of an unexpected failure; its traceback goes to a file that the hint names."""
    if isinstance(error, LightgapError):
        return error
    if isinstance(error, MemoryError):
        return LightgapError(
            "There is not enough memory left to measure this photo.",
            "Close other programs, or take the photo at 12 megapixels.",
        )
    library = _MISSING_LIBRARY.search(str(error)) if isinstance(error, ImportError) else None
    if library is not None:
        return LightgapError(
            f"OpenCV cannot start: this system lacks {library[1]}.",
            "On Debian or Ubuntu: apt install libgl1 libglib2.0-0. Elsewhere, or on a server: pip uninstall "
            "opencv-python, then pip install opencv-python-headless.",
        )
    return LightgapError(
        f"Something inside lightgap went wrong ({type(error).__name__}).",
        f"What happened is written in {_log(error)}: send that file, with the photo, to the makers.",
    )


def _log(error: BaseException) -> str:
    lines = (
        f"lightgap {__version__}, Python {platform.python_version()}, {platform.platform()}",
        "".join(traceback.format_exception(error)),
    )
    try:
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", prefix="lightgap-fault-", suffix=".log", delete=False
        ) as file:
            file.write("\n".join(lines))
    except OSError:
        return "no file (there is no room for one)"
    return file.name
