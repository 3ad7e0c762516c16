"""The style sheet and scripts go out compressed to whoever takes it so, else as they are."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from flask import Flask
from werkzeug.test import TestResponse

FILES = ("garden.css", "board.js", "icon.svg")


def fetch(app: Flask, name: str, **headers: str) -> TestResponse:
    with app.test_client() as client:
        answer: TestResponse = client.get(
            f"/static/{name}", headers={k.replace("_", "-"): v for k, v in headers.items()}
        )
        answer.get_data()
        answer.close()
        return answer


@pytest.mark.parametrize("name", FILES)
def test_unpacked_it_is_the_file(app: Flask, name: str) -> None:
    answer = fetch(app, name, Accept_Encoding="gzip, br")

    plain = (Path(app.static_folder or "") / name).read_bytes()
    assert answer.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(answer.data) == plain
    assert int(answer.headers["Content-Length"]) == len(answer.data) < len(plain)
    assert "Accept-Encoding" in answer.headers["Vary"]


@pytest.mark.parametrize("takes", ["", "br", "gzip;q=0", "identity"])
def test_a_browser_that_takes_no_gzip_gets_it_plain(app: Flask, takes: str) -> None:
    answer = fetch(app, "garden.css", Accept_Encoding=takes)

    assert "Content-Encoding" not in answer.headers
    assert answer.data == (Path(app.static_folder or "") / "garden.css").read_bytes()
    assert "Accept-Encoding" in answer.headers["Vary"]


def test_a_browser_that_has_it_is_not_sent_it_again(app: Flask) -> None:
    first = fetch(app, "garden.css", Accept_Encoding="gzip")

    again = fetch(app, "garden.css", Accept_Encoding="gzip", If_None_Match=first.headers["ETag"])

    assert first.headers["ETag"].startswith('W/"')
    assert (again.status_code, again.data) == (304, b"")


def test_a_part_of_a_file_is_a_part_of_the_file_as_it_is(app: Flask) -> None:
    answer = fetch(app, "garden.css", Accept_Encoding="gzip", Range="bytes=0-9")

    plain = (Path(app.static_folder or "") / "garden.css").read_bytes()
    assert (answer.status_code, answer.data) == (206, plain[:10])
    assert "Content-Encoding" not in answer.headers


def test_the_sheet_is_kept_for_a_year_under_the_address_of_its_version(app: Flask) -> None:
    answer = fetch(app, "garden.css?v=1", Accept_Encoding="gzip")

    assert answer.headers["Cache-Control"] == "public, max-age=31536000, immutable"
