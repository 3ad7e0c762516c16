"""A kept page is compressed once and still says each reader's own token."""

from __future__ import annotations

import gzip
import random
import subprocess

import pytest

from gardenapp.web.kept_page import LONGEST_TOKEN, keep_page

PLACE = "@@here@@"


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
    page = keep_page(html, token_place=PLACE, tag="t")

    wanted = html.encode().replace(PLACE.encode(), token)

    assert page.plain(token) == wanted
    assert gzip.decompress(page.gzipped(token)) == wanted


def test_two_readers_get_their_own_token_and_nobody_else_s() -> None:
    page = keep_page(f"<input value='{PLACE}'>" * 3, token_place=PLACE, tag="t")

    first, second = gzip.decompress(page.gzipped(b"one")), gzip.decompress(page.gzipped(b"two"))

    assert first.count(b"one") == second.count(b"two") == 3
    assert b"two" not in first
    assert b"one" not in second


def test_it_is_nearly_as_small_as_compressing_it_whole() -> None:
    rng = random.Random(3)
    words = [f"word{number}" for number in range(300)]
    html = " ".join(rng.choices(words, k=20_000)) + PLACE + " ".join(rng.choices(words, k=5_000))
    page = keep_page(html, token_place=PLACE, tag="t")

    whole = gzip.compress(html.encode(), 6)

    assert len(page.gzipped(PLACE.encode())) <= len(whole) * 1.02 + 100


@pytest.mark.outside("RFC 1952 and RFC 1951, as read by the gzip command")
def test_another_reader_of_gzip_takes_it() -> None:
    page = keep_page(f"a{PLACE}b" * 1000, token_place=PLACE, tag="t")

    unpacked = subprocess.run(
        ["gzip", "-dc"], input=page.gzipped(b"token"), capture_output=True, check=True
    )

    assert unpacked.stdout == b"atokenb" * 1000
    assert unpacked.stderr == b""


def test_a_token_that_fits_in_no_block_is_refused() -> None:
    page = keep_page(PLACE, token_place=PLACE, tag="t")

    assert gzip.decompress(page.gzipped(b"x" * LONGEST_TOKEN)) == b"x" * LONGEST_TOKEN
    with pytest.raises(ValueError, match="no stored block"):
        page.gzipped(b"x" * (LONGEST_TOKEN + 1))
