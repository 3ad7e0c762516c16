"""Gathers every text for readers, and brings the translations up to date with them.

`python -m gardenapp.web.catalogue` reads the code, the templates and the published tables,
adds what is new to each language's `messages.po`, drops what is gone, and compiles the `.mo`.
Nothing is guessed: a new text stays untranslated, and a test names it.
"""

from __future__ import annotations

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
    # Messages of modules that know nothing of languages.
    "say": None,
    "say_n": (1, 2),
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
        for name, _line, message, _comments, context in found:
            catalog.add(message, locations=[_place(f"{where}/{name}")], context=context)
    for text in table_texts():
        catalog.add(text, locations=[_place("gardenapp/reference")])
    return catalog


def _place(path: str) -> tuple[str, int]:
    # No line numbers: the file would change with every line of code.
    return path, 0


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
        write_po(
            file,
            catalog,
            width=0,
            sort_output=True,
            include_lineno=False,
            omit_header=False,
        )
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
