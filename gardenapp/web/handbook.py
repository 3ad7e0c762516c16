"""The handbook: chapters in Markdown inside the package, shown under Help.

To add a chapter, put `name.md` (and `name.es.md`, if there is one) into `gardenapp/handbook/` and
a line into `CHAPTERS`. The files can be read as they are, too: a link from one to the next is
`[words](other.md)` there and leads to the chapter here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from flask import Blueprint, abort, render_template
from markdown_it import MarkdownIt
from markdown_it.renderer import RendererHTML
from markdown_it.token import Token
from markupsafe import Markup

from gardenapp.folders import PACKAGE
from gardenapp.web.access import public
from gardenapp.web.formats import anchor
from gardenapp.web.languages import language
from gardenapp.words import later

FOLDER = PACKAGE / "handbook"
ORIGINAL = "en"

blueprint = Blueprint("handbook", __name__)


@dataclass(frozen=True)
class Chapter:
    """A chapter by the name of its file and the words of the link that leads to it.

    What only whoever runs the computer needs stands apart from what every gardener may read.
    """

    name: str
    title: str
    is_for_operators: bool = True


CHAPTERS = (
    Chapter("changelog", later("What is new"), is_for_operators=False),
    Chapter("setting_up", later("Setting up a real garden")),
    Chapter("service", later("Letting it run by itself")),
    Chapter("https", "HTTPS"),
    Chapter("copies", later("Copies, and putting one back")),
    Chapter("new_version", later("A new version")),
    Chapter("moving", later("Moving house, and everything as tables")),
    Chapter("small_computer", later("On a small single-board computer")),
    Chapter("windows", later("On Windows")),
    Chapter("macos", later("On a Mac")),
    Chapter("postgresql", later("PostgreSQL and several workers")),
)


@dataclass(frozen=True)
class Text:
    """A chapter as a piece of a page, the language it is in, and its own heading."""

    heading: str
    html: Markup
    language: str


@blueprint.get("/help/handbook/<string(maxlength=40):chapter_name>")
@public
def chapter(chapter_name: str) -> str:
    found = next((each for each in CHAPTERS if each.name == chapter_name), None)
    if found is None:
        abort(404)
    text = read_chapter(found.name, language())
    return render_template("handbook/chapter.html", text=text, chapters=CHAPTERS, here=found)


@cache
def read_chapter(name: str, wanted: str) -> Text:
    """The chapter `name` in the language `wanted`, or as it was written where there is no other."""
    path = FOLDER / f"{name}.{wanted}.md"
    if wanted == ORIGINAL or not path.exists():
        path, wanted = FOLDER / f"{name}.md", ORIGINAL
    return Text(*to_html(path.read_text(encoding="utf-8")), wanted)


def to_html(markdown: str) -> tuple[str, Markup]:
    """(first heading, the rest as HTML). Markup in the text is shown, not obeyed.

    Wide tables and commands scroll by themselves, and can be reached by keyboard to do so.
    """
    parser = MarkdownIt("commonmark", {"html": False}).enable("table").disable("image")
    parser.add_render_rule("fence", _in_a_frame)
    parser.add_render_rule("code_block", _in_a_frame)
    parser.add_render_rule("table_open", _open_frame)
    parser.add_render_rule("table_close", _close_frame)
    tokens = parser.parse(markdown)
    heading = ""
    taken = {"main": 1}  # the page's own
    if tokens and tokens[0].type == "heading_open" and tokens[0].tag == "h1":
        heading, tokens = tokens[1].content, tokens[3:]
    for token, after in zip(tokens, [*tokens[1:], None], strict=True):
        if token.type == "heading_open" and after is not None:
            name = anchor(after.content)
            taken[name] = taken.get(name, 0) + 1
            token.attrSet("id", name if taken[name] == 1 else f"{name}-{taken[name]}")
        for inner in token.children or ():
            if inner.type == "link_open":
                inner.attrSet("href", _address(str(inner.attrGet("href") or "")))
                inner.attrSet("rel", "noreferrer")
    # Made by the renderer from our own files, with every sign of theirs escaped.
    return heading, Markup(parser.renderer.render(tokens, parser.options, {}))  # noqa: S704


def _address(target: str) -> str:
    """Where a link of a chapter leads: another chapter's page, or what it says itself."""
    file, mark, part = target.partition("#")
    if "/" in file or not file.endswith(".md"):
        return target
    # Beside this page, whatever the app's own address is: the text is kept for all readers.
    return file.partition(".")[0] + mark + part


def _in_a_frame(
    self: RendererHTML, tokens: Sequence[Token], idx: int, options: Any, env: Any
) -> str:
    return str(
        Markup('<div class="scroll" tabindex="0"><pre><code>{}</code></pre></div>\n').format(
            tokens[idx].content
        )
    )


def _open_frame(
    self: RendererHTML, tokens: Sequence[Token], idx: int, options: Any, env: Any
) -> str:
    return '<div class="scroll" tabindex="0"><table>\n'


def _close_frame(
    self: RendererHTML, tokens: Sequence[Token], idx: int, options: Any, env: Any
) -> str:
    return "</table></div>\n"
