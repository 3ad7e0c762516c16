"""How a cold night works in plain words, the cautions, and where the numbers come from."""

from __future__ import annotations

from flask import Blueprint, render_template

from gardenapp import reference
from gardenapp.services.garden import sources
from gardenapp.web.access import public
from gardenapp.web.handbook import CHAPTERS

blueprint = Blueprint("help_pages", __name__)


@blueprint.get("/help")
@public
def help_page() -> str:
    return render_template(
        "help_pages/help.html",
        cautions=reference.load_cautions(),
        terms=sorted(reference.load_terms(), key=lambda term: term.term.casefold()),
        status_words=sources.STATUS_WORDS,
        chapters=CHAPTERS,
    )


@blueprint.app_template_filter("source_name")
def source_name(source_id: str) -> str:
    """Who said it and when, as the words of a link."""
    return sources.short_name(source_id)


@blueprint.get("/sources")
@public
def sources_page() -> str:
    return render_template("help_pages/sources.html", lines=sources.list_sources())


@blueprint.get("/sources/<string(maxlength=80):source_id>")
@public
def source_page(source_id: str) -> str:
    return render_template("help_pages/source.html", page=sources.get_source(source_id))
