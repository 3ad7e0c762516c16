"""Which publications the app rests on, and what each was used for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from gardenapp import reference
from gardenapp.errors import NotFound
from gardenapp.messages import marked
from gardenapp.reference import Source
from gardenapp.words import _, later

STATUS_WORDS = {
    "seen": later("read in the source"),
    "derived": later("worked out from published values"),
    "memory": later("from memory, not looked up"),
    "practice": later("common practice, no source"),
}


@dataclass(frozen=True)
class Use:
    """One thing a source was used for: what, which value, where it stands in the source."""

    subject: str
    what: str
    value: str
    location: str
    status: str


@dataclass(frozen=True)
class SourceLine:
    """A source in the list, with what it is for in a few words."""

    source: Source
    purposes: tuple[str, ...]
    uses: int


@dataclass(frozen=True)
class SourcePage:
    """A source with everything taken from it."""

    source: Source
    uses: tuple[Use, ...]


def list_sources() -> tuple[SourceLine, ...]:
    """Every source with its purposes, by title."""
    uses = _uses()
    lines = [
        SourceLine(
            source=source,
            purposes=tuple(dict.fromkeys(purpose for purpose, _ in uses.get(key, ()))),
            uses=len(uses.get(key, ())),
        )
        for key, source in reference.load_sources().items()
    ]
    return tuple(sorted(lines, key=lambda line: line.source.title.casefold()))


def get_source(source_id: str) -> SourcePage:
    """One source and all that was taken from it. Raises NotFound."""
    source = reference.load_sources().get(source_id)
    if source is None:
        raise NotFound(_("We can’t find that source."))
    return SourcePage(source=source, uses=tuple(use for _kind, use in _uses().get(source_id, ())))


def short_name(source_id: str) -> str:
    """A source in a few words, to stand beside a number; the id where nothing is known of it."""
    source = reference.load_sources().get(source_id)
    return source.short if source else source_id


@cache
def _uses() -> dict[str, list[tuple[str, Use]]]:
    found: dict[str, list[tuple[str, Use]]] = {}
    for source_id, purpose, use in _walk():
        if not source_id:
            continue  # common practice, with no source to name
        found.setdefault(source_id, []).append((purpose, use))
    return found


def _walk() -> Iterator[tuple[str, str, Use]]:
    for row in reference.load_evidence():
        yield (
            row.source_id,
            marked("how cold plants can get"),
            _use(
                f"{row.crop}, {row.part}",
                row.kind.replace("_", " "),
                row.as_published,
                row.location,
                row.status,
            ),
        )
    for stage in reference.load_stages():
        if stage.heat_source_id and stage.heat_max_c is not None:
            yield (
                stage.heat_source_id,
                marked("how warm plants may get by day"),
                _use(
                    f"{stage.crop}, {stage.stage}",
                    "warmest",
                    f"{stage.heat_max_c:g} °C",
                    "",
                    stage.heat_status or "",
                ),
            )
    for lift in reference.load_lift_evidence():
        yield (
            lift.source_id,
            marked("how much warmer covers keep plants"),
            _use(
                f"{lift.cover} ({lift.material})" if lift.material else lift.cover,
                "lift at night",
                _range(lift.night_gain_low_k, lift.night_gain_high_k),
                lift.location,
                lift.status,
            ),
        )
    for kind in reference.load_constructions():
        for source_id in kind.source_ids:
            yield (
                source_id,
                marked("how much warmer covers keep plants"),
                _use(kind.label, "what is assumed before any trial", "", "", kind.status),
            )
        if kind.day_gain_k is not None:
            yield (
                kind.day_gain_source_id,
                marked("how much warmer covers keep plants"),
                _use(
                    kind.label,
                    "gain by day in full winter sun",
                    _range(kind.day_gain_k, kind.day_gain_k),
                    "",
                    "derived",
                ),
            )
    for material in reference.load_materials():
        yield (
            material.source_id,
            marked("materials and sizes"),
            _use(
                material.material,
                material.property,
                f"{material.value} {material.unit}".strip(),
                material.location,
                material.status,
            ),
        )
    for caution in reference.load_cautions():
        for source_id in caution.source_ids:
            yield (
                source_id,
                marked("cautions"),
                _use(caution.key, "caution", "", "", caution.status),
            )
    for value in reference.load_night_values().values():
        yield (
            value.source_id,
            marked("how a night is reckoned"),
            _use(value.subject, value.note, value.value, value.location, value.status),
        )
    for term in reference.load_terms():
        for source_id in term.source_ids:
            yield source_id, marked("words"), _use(term.term, "meaning", "", "", term.status)


def _use(subject: str, what: str, value: str, location: str, status: str) -> Use:
    return Use(subject, what, value, location, STATUS_WORDS.get(status, status))


def _range(low_k: float | None, high_k: float | None) -> str:
    if low_k is None and high_k is None:
        return "in words only"
    ends = [f"{x:.1f}".replace("-", "−") for x in (low_k, high_k) if x is not None]
    return " to ".join(dict.fromkeys(ends)) + " °C difference"
