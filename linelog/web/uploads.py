"""Files on their way in: streamed to the disk, kept under their digest, and a plain word where the disk is full."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar, cast

from django.conf import settings
from django.core.files.base import File
from django.core.files.uploadedfile import TemporaryUploadedFile, UploadedFile
from django.core.files.uploadhandler import FileUploadHandler, StopUpload, TemporaryFileUploadHandler

from linelog.web import errors
from linelog.web.disk import settle
from linelog.web.requests import Request

LEFT_OVER_S = 24 * 3600.0
View = TypeVar("View", bound=Callable[..., Any])


def takes_up_to(setting: str) -> Callable[[View], View]:
    """Name the setting, in bytes, up to which a view takes a file; without it the usual limit holds."""

    def mark(view: View) -> View:
        vars(view)["body_limit"] = setting
        return view

    return mark


class Passing(TemporaryUploadedFile):
    """A file on its way in, beside the kept files: a large one fills no folder held in memory."""

    def __init__(self, name: str, content_type: str | None, charset: str | None, extra: Any) -> None:
        file = tempfile.NamedTemporaryFile(dir=_folder(), prefix="sent-")  # noqa: SIM115 - closed with the request
        UploadedFile.__init__(self, file, name, content_type, 0, charset, extra)


class ToDisk(TemporaryFileUploadHandler):
    """Django's own handler, that says on the request where the disk took no more."""

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        """Begin a file in the folder of what is on its way in."""
        FileUploadHandler.new_file(self, *args, **kwargs)
        with self._told():
            self.file = Passing(self.file_name or "", self.content_type, self.charset, self.content_type_extra)

    def receive_data_chunk(self, raw_data: bytes, start: int) -> None:
        """Write a piece."""
        with self._told():
            super().receive_data_chunk(raw_data, start)

    def file_complete(self, file_size: int) -> UploadedFile[Any] | None:
        """Write what was still held back."""
        with self._told():
            self.file.flush()
            return super().file_complete(file_size)

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except OSError as trouble:
            if not errors.is_disk_full(trouble):
                raise
            cast(Request, self.request).upload_trouble = errors.DiskFull()
            raise StopUpload(connection_reset=False) from None


@dataclass(frozen=True, slots=True)
class Incoming:
    """A file that lies whole on the disk under a passing name."""

    path: Path
    sha256: str
    size: int

    def keep(self, folder: str) -> str:
        """Move it to its place under the folder of kept files, named by its digest; return that name."""
        name = f"{folder}/{self.sha256[:2]}/{self.sha256}"
        target = Path(settings.MEDIA_ROOT) / name
        target.parent.mkdir(parents=True, exist_ok=True)
        if target.is_file() and target.stat().st_size == self.size:
            return name
        with disk_full_told():
            shutil.move(self.path, target)
            settle(target.parent)
        return name


@contextmanager
def received(file: File[bytes]) -> Iterator[Incoming]:
    """Write a sent file to the disk and work out its digest; it is gone after the block unless it was kept."""
    handle, name = tempfile.mkstemp(dir=_folder(), prefix="in-")
    path, digest, size = Path(name), hashlib.sha256(), 0
    try:
        with disk_full_told(), open(handle, "wb") as out:
            for block in file.chunks():
                digest.update(block)
                size += out.write(block)
            out.flush()
            os.fsync(out.fileno())
        yield Incoming(path, digest.hexdigest(), size)
    finally:
        path.unlink(missing_ok=True)


@contextmanager
def disk_full_told() -> Iterator[None]:
    """Say in a sentence that the disk is full."""
    try:
        yield
    except OSError as trouble:
        if errors.is_disk_full(trouble):
            raise errors.DiskFull(field="file") from None
        raise


def _folder() -> Path:
    """Return the folder of files on their way in, rid of what a killed server left there."""
    folder = Path(settings.INCOMING_DIR)
    folder.mkdir(parents=True, exist_ok=True)
    for left in folder.iterdir():
        with suppress(OSError):
            if time.time() - left.stat().st_mtime > LEFT_OVER_S:
                left.unlink()
    return folder
