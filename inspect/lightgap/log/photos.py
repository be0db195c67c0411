"""The folder of photos: each file whole and untouched, named by the SHA-256 of its bytes."""

from __future__ import annotations

import hashlib
import os
import secrets
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from lightgap.errors import LogError
from lightgap.log.database import told

_UNFINISHED = ".part"

SETTLING_SECONDS = 24 * 3600.0
"""A file that no check names is taken away only when older: its check may just be being saved."""

_SIGNATURES = (
    (0, b"\xff\xd8\xff", ".jpg"),
    (0, b"\x89PNG\r\n\x1a\n", ".png"),
    (8, b"WEBP", ".webp"),
    (0, b"II*\x00", ".tif"),
    (0, b"MM\x00*", ".tif"),
    (4, b"ftyp", ".heic"),
)
MEDIA_TYPES = {
    ".jpg": "image/jpeg",
    ".png": "image/png",
    ".webp": "image/webp",
    ".tif": "image/tiff",
    ".heic": "image/heic",
    ".bin": "application/octet-stream",
}


@dataclass(frozen=True)
class StoredPhoto:
    """A photo in the folder. ``suffix`` comes from the file's first bytes, never from its name."""

    sha256: str
    suffix: str
    size_bytes: int

    @property
    def filename(self) -> str:
        return f"{self.sha256}{self.suffix}"

    @property
    def media_type(self) -> str:
        """The type under which a web page shows it."""
        return MEDIA_TYPES[self.suffix]


def describe(data: bytes) -> StoredPhoto:
    """Name a photo by its bytes.

    Examples
    --------
    >>> describe(b"").filename
    'e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855.bin'
    """
    suffix = next(
        (suffix for start, mark, suffix in _SIGNATURES if data[start : start + len(mark)] == mark), ".bin"
    )
    return StoredPhoto(hashlib.sha256(data).hexdigest(), suffix, len(data))


class PhotoFolder:
    """Photos on disk.

    A file appears under its name only when it is whole and on the disk: it is written under another
    name, flushed, then renamed. Two writers of the same photo do no harm to one another.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, photo: StoredPhoto) -> Path:
        """Where the photo lies; it may be missing if someone took it away."""
        return self.folder / photo.filename

    def holds(self, photo: StoredPhoto) -> bool:
        path = self.path(photo)
        return path.is_file() and path.stat().st_size == photo.size_bytes

    def add(self, data: bytes) -> StoredPhoto:
        """Store a photo, unless it is there already.

        Raises
        ------
        LogError
            If the disk is full or the folder cannot be written; nothing is left behind then.
        """
        photo = describe(data)
        if self.holds(photo):
            return photo
        part = self.folder / f"{secrets.token_hex(8)}{_UNFINISHED}"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            try:
                _write(part, data)
                part.replace(self.path(photo))
                _flush_folder(self.folder)
            finally:
                part.unlink(missing_ok=True)
        except OSError as error:
            raise told(error) from error
        return photo

    def read(self, photo: StoredPhoto) -> bytes:
        """Return the photo's bytes.

        Raises
        ------
        LogError
            If the file is missing or no longer what it was.
        """
        path = self.path(photo)
        try:
            data = path.read_bytes()
        except OSError as error:
            raise LogError(
                f"The photo {photo.filename} is missing from {self.folder}.",
                "Put it back from a copy of that folder, or import the build again.",
            ) from error
        if hashlib.sha256(data).hexdigest() != photo.sha256:
            raise LogError(
                f"The photo {path} is no longer what was stored: its SHA-256 differs.",
                "Put it back from a copy of that folder, or import the build again.",
            )
        return data

    def remove(self, photo: StoredPhoto) -> None:
        """Take a photo away."""
        self.path(photo).unlink(missing_ok=True)

    def settled(self) -> Iterator[Path]:
        """Yield the files that have lain here long enough to be judged as left behind."""
        before = time.time() - SETTLING_SECONDS
        if not self.folder.is_dir():
            return
        for path in self.folder.iterdir():
            if path.is_file() and path.stat().st_mtime < before:
                yield path


def _write(path: Path, data: bytes) -> None:
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _flush_folder(folder: Path) -> None:
    """Put the new name itself on the disk; Windows neither needs nor allows it."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
