"""A kept page is compressed once and still says each reader's own token."""

from __future__ import annotations

import gzip
import random
import subprocess

import pytest

from gardenapp.web.kept_page import LONGEST_TOKEN, gzip_around, keep_page

PLACE = "@@here@@"
PLACES = {"token": PLACE}


@pytest.mark.parametrize(
    "html",
    [
        "",
        "no place at all",
        PLACE,
        f"<p>{PLACE}</p>",
        f"{PLACE}{PLACE}",
        f"<p>−2,0 °C ❄</p>{'frost ' * 40_000}{PLACE}{'fleece ' * 40_000}{PLACE}.",
    ],
    ids=["empty", "no place", "only a place", "one", "two together", "long"],
)
@pytest.mark.parametrize("token", [b"", b"t", b"token-abc.def_123"], ids=len)
def test_unpacked_it_is_the_page_with_the_token_in_place(html: str, token: bytes) -> None:
    page = keep_page(html, places=PLACES, tag="t")

    wanted = html.encode().replace(PLACE.encode(), token)

    assert page.plain({"token": token}) == wanted
    assert gzip.decompress(page.gzipped({"token": token})) == wanted


def test_two_readers_get_their_own_token_and_nobody_else_s() -> None:
    page = keep_page(f"<input value='{PLACE}'>" * 3, places=PLACES, tag="t")

    first = gzip.decompress(page.gzipped({"token": b"one"}))
    second = gzip.decompress(page.gzipped({"token": b"two"}))

    assert first.count(b"one") == second.count(b"two") == 3
    assert b"two" not in first
    assert b"one" not in second


def test_it_is_nearly_as_small_as_compressing_it_whole() -> None:
    rng = random.Random(3)
    words = [f"word{number}" for number in range(300)]
    html = " ".join(rng.choices(words, k=20_000)) + PLACE + " ".join(rng.choices(words, k=5_000))
    page = keep_page(html, places=PLACES, tag="t")

    whole = gzip.compress(html.encode(), 6)

    assert len(page.gzipped({"token": PLACE.encode()})) <= len(whole) * 1.02 + 100


@pytest.mark.outside("RFC 1952 and RFC 1951, as read by the gzip command")
def test_another_reader_of_gzip_takes_it() -> None:
    page = keep_page(f"a{PLACE}b" * 1000, places=PLACES, tag="t")

    unpacked = subprocess.run(
        ["gzip", "-dc"], input=page.gzipped({"token": b"token"}), capture_output=True, check=True
    )

    assert unpacked.stdout == b"atokenb" * 1000
    assert unpacked.stderr == b""


def test_a_token_that_fits_in_no_block_is_refused() -> None:
    page = keep_page(PLACE, places=PLACES, tag="t")

    assert gzip.decompress(page.gzipped({"token": b"x" * LONGEST_TOKEN})) == b"x" * LONGEST_TOKEN
    with pytest.raises(ValueError, match="no stored block"):
        page.gzipped({"token": b"x" * (LONGEST_TOKEN + 1)})


def test_two_kinds_of_filling_go_each_into_its_own_places() -> None:
    page = keep_page(
        "<a>@@m@@</a><b>@@t@@</b><i>@@m@@@@t@@</i>",
        places={"token": "@@t@@", "messages": "@@m@@"},
        tag="t",
    )
    fillings = {"token": b"T", "messages": b""}

    assert page.holes == ("messages", "token", "messages", "token")
    assert page.plain(fillings) == b"<a></a><b>T</b><i>T</i>"
    assert gzip.decompress(page.gzipped(fillings)) == page.plain(fillings)


@pytest.mark.parametrize("secret", [b"", b"s3cr3t", b"x" * (LONGEST_TOKEN + 1)], ids=len)
@pytest.mark.parametrize("times", [0, 1, 3])
def test_around_a_secret_it_is_still_the_whole_page(secret: bytes, times: int) -> None:
    body = secret.join([b"<p>frost</p>" * 50] * (times + 1))

    assert gzip.decompress(gzip_around(body, secret)) == body


def test_a_right_guess_of_the_secret_makes_the_page_no_shorter_than_a_wrong_one() -> None:
    """What an observer of lengths would go by; plain compression does give it away."""
    secret, right, wrong = b"kQ7zR2mXv9Lp", b"kQ7zR2mXv9L", b"Zy3nT8wBd5G"

    def page(guess: bytes) -> bytes:
        return b"<p>You looked for " + guess + b"</p>" + b"<p>beans</p>" * 30 + b"<i>" + secret

    assert len(gzip.compress(page(right))) < len(gzip.compress(page(wrong)))
    assert len(gzip_around(page(right), secret)) == len(gzip_around(page(wrong), secret))
