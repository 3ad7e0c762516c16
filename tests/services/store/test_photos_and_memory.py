"""A small file that promises a large picture takes neither the memory nor the disk."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from PIL import Image

from gardenapp.errors import FieldRefused
from gardenapp.services.store import photos

MEGABYTE = 1_000_000
# Runs by itself, so that what is counted is one picture's and not this process's.
CODE = """
import resource, sys
from gardenapp.errors import FieldRefused
from gardenapp.services.store import photos
data = open(sys.argv[1], "rb").read()
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
try:
    photos.remake(data)
except FieldRefused:
    pass
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024)
"""


def saved(folder: Path, kind: str, megapixels: int, **how: object) -> Path:
    side = int((megapixels * MEGABYTE) ** 0.5)
    path = folder / f"picture.{kind.lower()}"
    Image.new("RGB", (side, side), (90, 120, 60)).save(path, kind, **how)
    return path


@pytest.mark.parametrize(
    ("kind", "megapixels", "how"),
    [
        ("PNG", 59, {}),
        ("PNG", 19, {}),
        ("JPEG", 59, {"quality": 30}),
        ("JPEG", 59, {"quality": 30, "progressive": True}),
        ("WEBP", 59, {"quality": 10, "method": 0}),
    ],
)
def test_a_picture_takes_no_more_memory_than_one_of_twenty_megapixels(
    tmp_path: Path, kind: str, megapixels: int, how: dict[str, object]
) -> None:
    file = saved(tmp_path, kind, megapixels, **how)
    assert file.stat().st_size < photos.LARGEST_BYTES

    taken = subprocess.run(
        [sys.executable, "-c", CODE, str(file)], capture_output=True, text=True, check=True
    )

    # Before, 59 megapixels of PNG took 819 MB: each pixel four bytes, several times over.
    assert int(taken.stdout) < 4 * photos.MOST_PIXELS_WHOLE * 2


def test_pictures_are_made_anew_one_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    out = io.BytesIO()
    Image.new("RGB", (50, 50)).save(out, "JPEG")
    at_once, most, lock = [0], [0], threading.Lock()
    real = photos._remade

    def counted(data: bytes) -> bytes:
        with lock:
            at_once[0] += 1
            most[0] = max(most[0], at_once[0])
        time.sleep(0.02)
        try:
            return real(data)
        finally:
            with lock:
                at_once[0] -= 1

    monkeypatch.setattr(photos, "_remade", counted)
    threads = [threading.Thread(target=photos.remake, args=(out.getvalue(),)) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(10)

    assert most == [1]


def test_who_waits_too_long_is_told_to_try_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photos, "_ONE", threading.Semaphore(0))
    monkeypatch.setattr(photos, "WAIT_S", 0.01)

    with pytest.raises(FieldRefused, match="try again"):
        photos.remake(b"x")


def test_pictures_that_nothing_shows_are_swept_and_fresh_ones_are_not(tmp_path: Path) -> None:
    shown, stray, fresh, draft = (f"{digit * 32}.jpg" for digit in "abcd")
    for name in (shown, stray, fresh, f".{draft}", "notes.txt"):
        (tmp_path / name).write_bytes(b"x")
        if name != fresh:
            os.utime(tmp_path / name, (time.time() - 7_200,) * 2)

    gone = photos.sweep({shown}, folder=tmp_path, now=datetime.now(UTC))

    assert gone == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([shown, fresh, "notes.txt"])
    assert photos.sweep(set(), folder=tmp_path / "absent", now=datetime.now(UTC)) == 0
