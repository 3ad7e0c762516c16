"""Text goes out compressed to whoever takes it so, else as it is."""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from flask import Flask, Response
from werkzeug.test import TestResponse

from gardenapp.web.access import public
from gardenapp.web.compress import SMALLEST_BYTES, is_text
from tests.factories import Factory
from tests.pages import Pages

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


# What is made when it is asked for


def answer_to(pages: Pages, path: str, **headers: str) -> TestResponse:
    found: TestResponse = pages.client.get(
        path, headers={k.replace("_", "-"): v for k, v in headers.items()}
    )
    return found


def test_every_text_that_a_coordinator_can_open_is_compressed(make: Factory, pages: Pages) -> None:
    make.garden()
    pages.sign_in(make.coordinator())
    paths = sorted(
        rule.rule
        for rule in pages.app.url_map.iter_rules()
        if "GET" in (rule.methods or ()) and not rule.arguments
    )
    seen: dict[str, int] = {}

    for path in paths:
        answer = answer_to(pages, path, Accept_Encoding="gzip")
        assert answer.mimetype is not None, path
        if not is_text(answer.mimetype) or not answer.data:
            continue
        assert "Accept-Encoding" in answer.headers["Vary"], path
        if answer.headers.get("Content-Encoding") == "gzip":
            whole = gzip.decompress(answer.data)
            assert int(answer.headers["Content-Length"]) == len(answer.data) < len(whole), path
            seen[answer.mimetype] = seen.get(answer.mimetype, 0) + 1
        else:
            assert len(answer.data) < SMALLEST_BYTES, path

    assert seen["text/html"] >= 30
    assert "application/json" in seen


@pytest.mark.parametrize("path", ["/nowhere", "/tonight.json", "/help", "/sw.js"])
def test_unpacked_an_answer_is_what_goes_to_whoever_takes_no_gzip(
    make: Factory, pages: Pages, path: str
) -> None:
    make.garden()

    packed = answer_to(pages, path, Accept_Encoding="gzip")
    plain = answer_to(pages, path)

    assert "Content-Encoding" not in plain.headers
    body = packed.data
    if packed.headers.get("Content-Encoding") == "gzip":
        body = gzip.decompress(body)
    assert body.split(b"Number of this answer")[0] == plain.data.split(b"Number of this answer")[0]
    assert packed.status_code == plain.status_code


def test_a_form_s_token_stands_in_the_packed_page_uncompressed(make: Factory, pages: Pages) -> None:
    make.garden()

    packed = answer_to(pages, "/sign-in", Accept_Encoding="gzip")

    html = gzip.decompress(packed.data).decode()
    token = html.partition('name="csrf_token"')[2].partition('value="')[2].partition('"')[0]
    assert len(token) > 40
    assert token.encode() in packed.data
    # As the browser sends it back, it is good.
    again = pages.client.post(
        "/sign-in", data={"csrf_token": token, "name": "Nobody", "password": "nothing at all"}
    )
    assert again.status_code == 422


def made(app: Flask, response: Response, **headers: str) -> TestResponse:
    """`response` as it goes out through the app."""
    app.view_functions["help_pages.help_page"] = public(lambda: response)
    return answer_to(Pages(app), "/help", Accept_Encoding="gzip", **headers)


def test_asked_for_its_head_only_it_says_the_same_length(app: Flask) -> None:
    whole = made(app, Response("frost " * 500))
    app.view_functions["help_pages.help_page"] = public(lambda: Response("frost " * 500))

    head = Pages(app).client.head("/help", headers={"Accept-Encoding": "gzip"})

    assert head.data == b""
    assert head.headers["Content-Encoding"] == "gzip"
    assert head.headers["Content-Length"] == whole.headers["Content-Length"]


@pytest.mark.parametrize(
    "kind",
    ["text/html", "text/plain", "text/csv", "text/calendar", "text/javascript",
     "application/json", "application/atom+xml", "application/manifest+json", "image/svg+xml"],
)  # fmt: skip
def test_each_kind_of_text_is_compressed(app: Flask, kind: str) -> None:
    answer = made(app, Response("frost " * 500, content_type=f"{kind}; charset=utf-8"))

    assert answer.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(answer.data) == b"frost " * 500


def test_what_is_made_while_it_is_sent_is_compressed_while_it_is_sent(app: Flask) -> None:
    closed: list[bool] = []

    def lines() -> Iterator[str]:
        try:
            for number in range(2000):
                yield f"{number},2.5\n"
        finally:
            closed.append(True)

    answer = made(app, Response(lines(), content_type="text/csv; charset=utf-8"))

    assert answer.headers["Content-Encoding"] == "gzip"
    assert "Content-Length" not in answer.headers
    assert gzip.decompress(answer.data).decode() == "".join(f"{n},2.5\n" for n in range(2000))
    assert closed == [True]


@pytest.mark.parametrize(
    "response",
    [
        Response(b"\xff" * 2000, content_type="image/jpeg"),
        Response(b"PK" * 2000, content_type="application/zip"),
        Response("ok", content_type="text/plain"),
        Response(zlib.compress(b"frost" * 500), content_type="text/plain",
                 headers={"Content-Encoding": "deflate"}),
        Response("", status=204, content_type="text/html"),
    ],
    ids=["picture", "archive", "small", "already", "nothing"],
)  # fmt: skip
def test_what_gets_no_shorter_is_left_as_it_is(app: Flask, response: Response) -> None:
    before = response.get_data()

    answer = made(app, response)

    assert answer.headers.get("Content-Encoding") != "gzip"
    assert answer.data == before


def test_a_tag_of_the_plain_text_is_weak_on_the_packed_one(app: Flask) -> None:
    response = Response("frost " * 500, content_type="text/plain")
    response.set_etag("abc")

    answer = made(app, response)

    assert answer.headers["Content-Encoding"] == "gzip"
    assert answer.headers["ETag"] == 'W/"abc"'
