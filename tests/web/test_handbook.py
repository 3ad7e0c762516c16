"""The handbook's chapters are pages under Help, in both languages, and obey no markup."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from flask import Flask

import gardenapp
from gardenapp.web import handbook
from gardenapp.web.handbook import CHAPTERS, FOLDER, to_html
from tests.phones import Phone

VERSION = re.compile(r"^## (\d+\.\d+\.\d+), ", re.MULTILINE)


@pytest.fixture
def phone(app: Flask) -> Phone:
    return Phone(app)


def test_help_leads_to_every_chapter_before_there_is_a_garden_too(phone: Phone) -> None:
    links = {a.get("href", "") for a in phone.get("/help").all("a")}

    for chapter in CHAPTERS:
        assert f"/help/handbook/{chapter.name}" in links
        assert phone.get(f"/help/handbook/{chapter.name}").heading


def test_what_is_new_is_told_in_the_readers_language(phone: Phone) -> None:
    english = phone.get("/help/handbook/changelog")
    phone.client.set_cookie("language", "es")
    spanish = phone.get("/help/handbook/changelog")

    assert english.heading == "What is new"
    assert spanish.heading == "Novedades"
    assert "huerto" in spanish.text
    assert [a for a in spanish.all("article") if a.get("lang")] == []


def test_a_chapter_of_one_language_says_which(
    phone: Phone, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "changelog.md").write_text("# What is new\n\nOnly so.\n", "utf-8")
    monkeypatch.setattr(handbook, "FOLDER", tmp_path)
    handbook.read_chapter.cache_clear()
    phone.client.set_cookie("language", "es")

    page = phone.get("/help/handbook/changelog")
    handbook.read_chapter.cache_clear()

    assert "Only so." in page.text
    assert [a.get("lang") for a in page.all("article")] == ["en"]


@pytest.mark.parametrize("name", ["nothing", "..", "changelog.md", "changelog.es"])
def test_only_chapters_of_the_list_are_read(phone: Phone, name: str) -> None:
    phone.get(f"/help/handbook/{name}", status=404)


def test_the_newest_version_told_is_the_one_that_runs() -> None:
    told = VERSION.findall((FOLDER / "changelog.md").read_text("utf-8"))

    assert told[0] == gardenapp.__version__
    assert told == sorted(told, key=lambda v: [int(n) for n in v.split(".")], reverse=True)


def test_both_languages_tell_of_the_same_versions_in_as_many_parts() -> None:
    english = (FOLDER / "changelog.md").read_text("utf-8")
    spanish = (FOLDER / "changelog.es.md").read_text("utf-8")

    assert VERSION.findall(english) == VERSION.findall(spanish)
    for start in ("#", "- "):
        count = [sum(line.startswith(start) for line in t.split("\n")) for t in (english, spanish)]
        assert count[0] == count[1] > 0, start


def test_every_file_of_the_handbook_is_a_chapter_or_its_translation() -> None:
    known = {chapter.name for chapter in CHAPTERS}

    assert {path.name.partition(".")[0] for path in FOLDER.glob("*.md")} == known


def test_every_link_of_a_chapter_leads_somewhere() -> None:
    for path in FOLDER.glob("*.md"):
        for target in re.findall(r"\]\(([^)]+)\)", path.read_text("utf-8")):
            file, _, part = target.partition("#")
            if target.startswith(("https://", "http://")):
                continue
            other = FOLDER / file if file else path
            assert other.exists(), f"{path.name}: {target}"
            _, html = to_html(other.read_text("utf-8"))
            assert not part or f'id="{part}"' in html, f"{path.name}: {target}"


def test_markup_in_a_chapter_is_shown_and_not_obeyed() -> None:
    heading, html = to_html(
        "# A & B\n\n<script>alert(1)</script> and <b onclick=x>bold</b>\n\n"
        "[press](javascript:alert(1)) ![no](https://elsewhere.test/x.png)\n\n"
        "    <i>code</i>\n"
    )

    assert heading == "A & B"
    assert "&lt;script&gt;" in html and "&lt;i&gt;code" in html
    assert re.findall(r"<(?!/?(?:p|div|pre|code|a)\b)", html) == []
    assert not re.search(r'(?:href|src)="(?!https://elsewhere)', html)


def test_links_between_chapters_work_in_the_folder_and_on_the_page() -> None:
    _, html = to_html("[a](other.md#part) [b](other.es.md) [c](https://example.org/x.md)")

    assert re.findall(r'href="([^"]+)"', html) == [
        "other#part", "other", "https://example.org/x.md",
    ]  # fmt: skip


def test_two_headings_of_the_same_words_have_each_their_own_mark() -> None:
    _, html = to_html("# T\n\n## Copies\n\n## Main\n\n## Copies\n")

    assert re.findall(r'id="([^"]+)"', html) == ["copies", "main-2", "copies-2"]


def test_headings_can_be_linked_to_and_wide_things_scroll_by_keyboard() -> None:
    _, html = to_html("# T\n\n## On a small computer\n\n```sh\nls <x>\n```\n\n|a|\n|-|\n|b|\n")

    assert '<h2 id="on-a-small-computer">' in html
    assert html.count('<div class="scroll" tabindex="0">') == html.count("</div>") == 2
    assert "ls &lt;x&gt;" in html
