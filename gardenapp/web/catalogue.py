"""Gathers every text for readers, and brings the translations up to date with them.

`python -m gardenapp.web.catalogue` reads the code, the templates and the published tables,
adds what is new to each language's `messages.po`, drops what is gone, and compiles the `.mo`.
Nothing is guessed: a new text stays untranslated, and a test names it.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

from gardenapp.folders import ABOVE as ROOT
from gardenapp.reference import loader
from gardenapp.words import TRANSLATIONS

KEYWORDS = {
    "_": None,
    "gettext": None,
    "ngettext": (1, 2),
    "n_": (1, 2),
    "later": None,
    "marked": None,
    # The words that go with a number, not the number.
    "plural": (2, 3),
}
WHAT = [
    ("gardenapp/**.py", "python"),
    ("templates/**.html", "jinja2"),
    ("templates/**.xml", "jinja2"),
]
OPTIONS = {
    "templates/**.html": {"newstyle_gettext": "true"},
    "templates/**.xml": {"newstyle_gettext": "true"},
}


def gather() -> Catalog:
    """All texts of the code, the templates and the published tables, without translations."""
    catalog = Catalog(project="gardenapp", charset="utf-8")
    for where in ("gardenapp", "templates"):
        found = extract_from_dir(
            str(ROOT / where),
            [(pattern.partition("/")[2], kind) for pattern, kind in WHAT],
            {pattern.partition("/")[2]: options for pattern, options in OPTIONS.items()},
            keywords=KEYWORDS,
        )
        for name, _line, message, _comments, _context in found:
            # No line numbers: the file would change with every line of code.
            catalog.add(message, locations=[(f"{where}/{name}", 0)])
    for text in table_texts():
        catalog.add(text, locations=[("gardenapp/reference", 0)])
    for text in code_texts():
        catalog.add(text, locations=[("gardenapp/readers", 0)])
    return catalog


def table_texts() -> Iterator[str]:
    """What the published tables say to readers; notes that quote a source stay as they are."""
    for stage in loader.load_stages():
        yield from (stage.crop, stage.stage, stage.group)
    for kind in loader.load_constructions():
        yield from (kind.label, kind.construction, kind.material)
    for caution in loader.load_cautions():
        yield from (caution.text, caution.defer_to)
    for offset in loader.load_offsets():
        yield from (offset.label, offset.hint)
    for term in loader.load_terms():
        yield from (term.term, term.meaning)


# Readers and designs know nothing of languages and speak English. What they say in these calls is
# gathered here, and told again in the reader's language by `gardenapp.words.retold`.
SPOKEN_IN = {
    "gardenapp/readers/*.py": frozenset(
        {"fault", "refuse", "add", "append", "BadFigure", "LineError"}
        | {"_count_note", "_note", "_expected"}
    ),
    "gardenapp/science/designs/*.py": frozenset(
        {"Step", "Item", "Part", "bar", "film_part", "append"}
    ),
    "gardenapp/science/timber/cutting.py": frozenset({"append"}),
    "gardenapp/science/trials/matching.py": frozenset({"OutOfRange"}),
}
SPOKEN_NAMES = {
    "words", "hint", "why", "no_low", "named", "note", "notes", "wanted", "SAVE_AS_UTF8",
    "TYPICAL_NOTE", "_OTHER_FILES", "_COLD_HAZARDS",
}  # fmt: skip
DRAWN_WITH = ("title", "tools", "notes")  # what a draft of a design says besides
FOR_MACHINES = {"readings_json.py"}  # their answers are English JSON, for whoever writes a sender
# Made of parts that stand in variables.
SPOKEN_BESIDES = ("%(n1)s row %(n2)s.", "%(n1)s rows %(n2)s.", "and %(n1)s more")
FEWEST_LETTERS = 6  # of a text with places to fill: with fewer it would fit anything


def code_texts() -> Iterator[str]:
    """What modules without languages say: texts, with `%(n1)s` for each piece put in."""
    yield from SPOKEN_BESIDES
    for pattern, calls in SPOKEN_IN.items():
        for path in sorted(ROOT.glob(pattern)):
            if path.name in FOR_MACHINES:
                continue
            is_of_words = path.parent.name == "readers"  # single words are names of columns there
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                for said in _said_at(node, calls):
                    for text in _texts_in(said):
                        if " " in text or not is_of_words:
                            yield text


def _said_at(node: ast.AST, calls: frozenset[str]) -> Iterator[ast.expr]:
    if isinstance(node, ast.Return) and node.value is not None:
        found = node.value.elts if isinstance(node.value, ast.Tuple) else [node.value]
        # A single word that is handed back is a name in the code, not something that is said.
        is_said = (e for e in found if not isinstance(e, ast.Constant) or " " in str(e.value))
        yield from (each for each in is_said if isinstance(each, ast.JoinedStr | ast.Constant))
    elif isinstance(node, ast.Assign) and _name_of(node.targets[0]) in SPOKEN_NAMES:
        yield node.value
    elif isinstance(node, ast.Call):
        name = _name_of(node.func)
        if name == "Draft":
            yield from (k.value for k in node.keywords if k.arg in DRAWN_WITH)
        elif name in calls:
            yield from node.args[:1] if name[0].isupper() and name != "LineError" else node.args


def _name_of(function: ast.expr) -> str:
    return function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")


def _texts_in(node: ast.expr) -> Iterator[str]:
    if isinstance(node, ast.Constant):
        if isinstance(node.value, str) and re.search(r"[a-z]{2}", node.value):
            yield node.value
    elif isinstance(node, ast.JoinedStr):
        parts, count = [], 0
        for piece in node.values:
            if isinstance(piece, ast.Constant):
                parts.append(str(piece.value).replace("%", "%%"))
            else:
                count += 1
                parts.append(f"%(n{count})s")
        words = re.sub(r"%\(n\d+\)s", "", "".join(parts))
        if len(re.findall(r"[a-zA-Z]", words)) >= FEWEST_LETTERS:
            yield "".join(parts)
    elif isinstance(node, ast.List | ast.Tuple):
        for each in node.elts:
            yield from _texts_in(each)
    elif isinstance(node, ast.Dict):
        for each in node.values:
            yield from _texts_in(each)
    elif isinstance(node, ast.IfExp):
        yield from _texts_in(node.body)
        yield from _texts_in(node.orelse)


def read_translations(language: str) -> Catalog:
    """The kept translations of `language`."""
    path = po_path(language)
    if not path.exists():
        return Catalog(locale=language, project="gardenapp", charset="utf-8")
    with path.open("rb") as file:
        return read_po(file, locale=language)


def po_path(language: str) -> Path:
    return TRANSLATIONS / language / "LC_MESSAGES" / "messages.po"


def compiled(catalog: Catalog) -> bytes:
    """The catalogue as the app loads it."""
    out = BytesIO()
    write_mo(out, catalog)
    return out.getvalue()


def update(language: str) -> int:
    """Bring one language up to date and compile it; returns how many texts want translating."""
    catalog = read_translations(language)
    catalog.update(gather(), no_fuzzy_matching=True)
    catalog.obsolete.clear()
    catalog.revision_date = catalog.creation_date = datetime(2026, 11, 25, tzinfo=UTC)
    path = po_path(language)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        write_po(file, catalog, width=0, sort_output=True, no_location=True, omit_header=False)
    with path.open("rb") as file:
        kept = read_po(file, locale=language)
    path.with_suffix(".mo").write_bytes(compiled(kept))
    return sum(1 for message in kept if message.id and not _is_done(message.string))


def _is_done(string: str | tuple[str, ...] | list[str] | None) -> bool:
    return all(map(bool, string)) if isinstance(string, tuple | list) else bool(string)


def main() -> None:
    """Update every language and say what is missing."""
    for folder in sorted(path.name for path in TRANSLATIONS.iterdir() if path.is_dir()):
        sys.stdout.write(f"{folder}: {update(folder)} without a translation\n")


if __name__ == "__main__":
    main()
