"""One picture of a thing or a material: how it is taken in, and where it is kept."""

from __future__ import annotations

from pathlib import Path

from flask import current_app
from werkzeug.datastructures import FileStorage

from gardenapp.errors import FieldRefused
from gardenapp.services.store import acts, photos
from gardenapp.services.store.subjects import Subject
from gardenapp.web.clock import now
from gardenapp.web.store.base import me
from gardenapp.words import _


def photo_folder() -> Path:
    """Where pictures are kept."""
    return photos.folder_in(Path(current_app.instance_path))


def keep_photo(subject: Subject, sent: FileStorage | None) -> None:
    """Make a sent picture anew and show it with what it is of from now on. Raises FieldRefused."""
    data = sent.read(photos.LARGEST_BYTES + 1) if sent is not None and sent.filename else b""
    if not data:
        raise FieldRefused("photo", _("Choose a picture."))
    folder = photo_folder()
    name = photos.keep(data, folder=folder)
    try:
        before = acts.set_photo(subject=subject, photo=name, member=me(), now=now())
    except Exception:
        photos.drop(name, folder=folder)
        raise
    photos.drop(before, folder=folder)
