"""What the documents say lies somewhere lies there, and they stay as short as they are meant to."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

from gardenapp.web.formats import anchor
from gardenapp.web.handbook import CHAPTERS, FOLDER

ROOT = Path(__file__).resolve().parent.parent
DOCUMENTS = (
    "README.md",
    "DEVELOPERS.md",
    "gardenapp/reference/README.md",
    "tests/bench/FIGURES.md",
    "tests/claims/SECURITY.md",
)
MOST_BYTES_FOR_DEVELOPERS = 9_000
MOST_BYTES_OF_THE_PICTURE = 120_000
# Where the rooms of the layers are meant, `gardenapp/` is left out.
AROUND = (ROOT, ROOT / "gardenapp")
# Made while the app runs, and no part of the project.
MADE = ("instance/", ".venv/")
SPAN = re.compile(r"`([^`\n]+)`")
LINK = re.compile(r"\]\(([^)\s]+)\)|<img src=\"([^\"]+)\"")
FENCE = re.compile(r"^```.*?^```", re.DOTALL | re.MULTILINE)


def text_of(document: str) -> str:
    return (ROOT / document).read_text("utf-8")


def paths_in(text: str) -> set[str]:
    """What stands in backticks and looks like a file or folder, alone or within a command."""
    words = {word for span in SPAN.findall(text) for word in span.split()}
    return {
        word
        for word in words
        if re.fullmatch(r"[\w.][\w./-]*(?:/|\.(?:py|md|csv|toml|html|txt|sql))", word)
        or re.fullmatch(r"\.ci/\w+|tests/[\w./]+|gardenapp/[\w./]+", word)
        if not word.startswith(MADE)
    }


def modules_in(text: str) -> set[str]:
    """What is run with `python -m`, of our own."""
    return set(re.findall(r"python -m ((?:tests|gardenapp)[\w.]*)", text))


def headings_in(text: str) -> set[str]:
    return {anchor(found) for found in re.findall(r"^#+ (.+)$", FENCE.sub("", text), re.MULTILINE)}


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_path_that_is_named_exists(document: str) -> None:
    around = (*AROUND, (ROOT / document).parent)
    named = paths_in(text_of(document))

    missing = {path for path in named if not any((folder / path).exists() for folder in around)}

    assert named
    assert missing == set()


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_module_that_is_to_be_run_exists(document: str) -> None:
    for name in modules_in(text_of(document)):
        assert importlib.util.find_spec(name.rstrip(".")) is not None, name


def test_a_path_that_is_nowhere_would_be_noticed() -> None:
    text = "`science/nowhere/` and `python -m pytest -s tests/gone.py`, not `a/b` or `.ci/run --x`"

    assert paths_in(text) == {"science/nowhere/", "tests/gone.py", ".ci/run"}


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_link_leads_to_a_file_and_its_part(document: str) -> None:
    for pair in LINK.findall(FENCE.sub("", text_of(document))):
        target = pair[0] or pair[1]
        if target.startswith(("https://", "http://")):
            continue
        file, _, part = target.partition("#")
        other = (ROOT / document).parent / file if file else ROOT / document
        assert other.exists(), target
        assert not part or part in headings_in(other.read_text("utf-8")), target


def test_readme_leads_to_every_chapter_of_the_handbook_and_shows_the_board() -> None:
    targets = {a or b for a, b in LINK.findall(text_of("README.md"))}

    assert {f"gardenapp/handbook/{chapter.name}.md" for chapter in CHAPTERS} <= targets
    assert "gardenapp/handbook/board.png" in targets


def test_the_picture_of_the_board_is_small_and_a_phone_s() -> None:
    picture = (FOLDER / "board.png").read_bytes()
    width, height = (int.from_bytes(picture[at : at + 4], "big") for at in (16, 20))

    assert len(picture) <= MOST_BYTES_OF_THE_PICTURE
    assert (width, height) == (2 * 390, 2 * 844)


def test_the_notes_for_developers_stay_short() -> None:
    assert len(text_of("DEVELOPERS.md").encode()) <= MOST_BYTES_FOR_DEVELOPERS


def test_each_claim_that_security_rests_on_has_a_test() -> None:
    told = re.findall(r"\bclaims? ([\d, ]+)", text_of("tests/claims/SECURITY.md"))
    numbers = {int(number) for some in told for number in re.findall(r"\d+", some)}
    sources = "".join(
        path.name + path.read_text("utf-8")
        for path in sorted((ROOT / "tests" / "claims").glob("test_claim*.py"))
    )

    assert len(numbers) >= 15
    assert {number for number in numbers if f"test_claim_{number:02}_" not in sources} == set()


@pytest.mark.parametrize("chapter", [each.name for each in CHAPTERS])
def test_a_chapter_has_the_same_parts_and_commands_in_both_languages(chapter: str) -> None:
    english, spanish = (
        (FOLDER / f"{chapter}{ending}.md").read_text("utf-8") for ending in ("", ".es")
    )

    for alike in (r"^#+ ", r"^(?:- |\d\. )", r"^\| "):
        counts = [len(re.findall(alike, text, re.MULTILINE)) for text in (english, spanish)]
        assert counts[0] == counts[1], alike
    assert FENCE.findall(english) == FENCE.findall(spanish)
    assert sorted(SPAN.findall(FENCE.sub("", english))) == sorted(
        SPAN.findall(FENCE.sub("", spanish))
    )
