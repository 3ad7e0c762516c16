"""One picture of a thing or a material: the form for it, and where it is kept."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from flask import current_app
from flask_wtf.file import FileField

from gardenapp.errors import FieldRefused
from gardenapp.services.store import photos, things
from gardenapp.web.clock import now
from gardenapp.web.store.base import StoreForm, me
from gardenapp.words import _, later


class PhotoForm(StoreForm):
    """One picture."""

    photo = FileField(later("Picture"))


def photo_folder() -> Path:
    """Where pictures are kept."""
    return photos.folder_in(Path(current_app.instance_path))


def keep_photo(is_lot: bool, subject_id: int, form: Any) -> None:
    """Make a sent picture anew and show it with its thing from now on."""
    sent = form.photo.data
    data = sent.read(photos.LARGEST_BYTES + 1) if sent is not None and sent.filename else b""
    if not data:
        raise FieldRefused("photo", _("Choose a picture."))
    folder = photo_folder()
    name = photos.keep(data, folder=folder)
    try:
        before = things.set_photo(
            is_lot=is_lot, subject_id=subject_id, photo=name, member=me(), now=now()
        )
    except Exception:
        photos.drop(name, folder=folder)
        raise
    photos.drop(before, folder=folder)
