"""The picture of the board in README.md: the demo's garden on a phone, at a fixed dusk.

    python -m tests.bench.picture_of_the_board [FILE]

Makes the invented garden in a folder of its own, with its clock set to one afternoon, opens the
board in Debian's chromium as somebody who is not signed in, and writes what the phone shows. Run
it again when the board's look has changed. Not a test: it needs a browser.
"""

from __future__ import annotations

import io
import sys
import tempfile
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from flask_migrate import upgrade
from PIL import Image
from sqlalchemy import select

import seed_demo
from gardenapp import create_app
from gardenapp.config import read_settings
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.services.garden import people
from gardenapp.web.handbook import FOLDER
from tests.system.conftest import CHROMIUM, PHONE, start

PICTURE = FOLDER / "board.png"
# An hour before sunset at the demo's place; the season decides what grows there.
DUSK = datetime(2026, 11, 26, 15, 0, tzinfo=UTC)
LOW_C = -2.0
WHO = "Kumiko Ashdown"
COLOURS = 64
LARGEST_BYTES = 120_000


def look(folder: Path) -> bytes:
    """What a member's phone shows of the demo's evening; PNG."""
    from playwright.sync_api import sync_playwright

    app = create_app(
        read_settings({"GARDEN_INSTANCE": str(folder), "GARDEN_SCHEDULER": "no"}),
        overrides={"CLOCK": lambda: DUSK},
    )
    with app.app_context():
        upgrade()
        seed_demo.seed(low_c=LOW_C, now=DUSK)
        member_id = db.session.scalars(select(Member.id).where(Member.name == WHO)).one()
        link = people.make_invite(member_id=member_id, by_id=None, now=DUSK)
        db.session.remove()
    url, stop = start(app)
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=CHROMIUM)
            page = browser.new_context(**PHONE, locale="en-GB").new_page()
            page.clock.set_fixed_time(DUSK)
            page.goto(f"{url}/join/{link}")
            page.get_by_role("button").first.click()
            page.goto(f"{url}/tonight")
            seen: bytes = page.screenshot()
            browser.close()
    finally:
        stop()
    return seen


def small(picture: bytes) -> bytes:
    """The same in few colours, which is a third of the bytes and looks no different."""
    with Image.open(io.BytesIO(picture)) as image:
        few = image.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    out = io.BytesIO()
    few.save(out, "PNG", optimize=True)
    return out.getvalue()


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the picture and say how large it is; 1 where it is too large to send with the app."""
    words = sys.argv[1:] if arguments is None else arguments
    target = Path(words[0]) if words else PICTURE
    with tempfile.TemporaryDirectory() as folder:
        picture = small(look(Path(folder)))
    target.write_bytes(picture)
    print(f"{target}: {len(picture)} bytes, at most {LARGEST_BYTES}")
    return 0 if len(picture) <= LARGEST_BYTES else 1


if __name__ == "__main__":
    sys.exit(main())
