"""From rows to what they would do to the garden: made, changed or left; nothing is written here.

One row may name a plot, its holder and what grows there at once, as people's lists do. A plot left
empty is that of the row above. What lacks in a table is left as it is.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from rapidfuzz import fuzz, process

from gardenapp.messages import Number, Words, say
from gardenapp.models.people import Member
from gardenapp.readers.amounts import (
    BadAmount,
    read_count,
    read_labels,
    read_length_cm,
    read_size_cm,
    read_yes,
)
from gardenapp.readers.cells import CellRow, CellSheet, address_of
from gardenapp.readers.records import quoted
from gardenapp.services.matching import Names, plain
from gardenapp.services.store.tables import unguard
from gardenapp.services.tables.columns import (
    COVERS,
    GARDEN,
    HEADINGS,
    HOLDS,
    MATERIALS,
    MEMBERS,
    NEEDED,
    RawTable,
    guess,
    guess_columns,
    tables_of,
)
from gardenapp.services.tables.findings import (
    CHANGED,
    LEFT,
    MADE,
    NEW,
    PERSON,
    PLANTING,
    PLOT,
    SKIP,
    Difference,
    Findings,
    PersonAct,
    PlantingAct,
    PlotAct,
    TableRead,
)
from gardenapp.services.tables.garden_now import GardenNow, Row, Stage, plain_label
from gardenapp.services.tables.store_lines import StoreLines
from gardenapp.words import said

MOST_NAME, MOST_NOTE, MOST_LABEL = 80, 2_000, 80
MOST_PLANTS = 5_000
# Of a plot, its beds and a plant. [cm]
PLOT_LIMITS_CM, PLANT_LIMITS_CM = (10.0, 20_000.0), (1.0, 1_000.0)
FARTHEST_M = 5_000.0
# A bare number of a plot's size up to this is in metres or feet, above it in centimetres or inches.
MOST_OF_THE_LARGE_UNIT = 60.0
# How alike two people's names are to be asked about, of a hundred. Our own.
LIKE_ONE_PERSON = 86.0
MINDS = {
    "little": "little", "a little": "little", "poco": "little", "un poco": "little",
    "much": "much", "some": "much", "bastante": "much", "algo": "much",
    "dearly": "dearly", "very much": "dearly", "mucho": "dearly", "muchisimo": "dearly",
}  # fmt: skip
PERS = {"plant": "plant", "each plant": "plant", "planta": "plant", "cada planta": "plant"}
PERS |= {"bed": "bed", "the bed": "bed", "bancal": "bed", "el bancal": "bed"}
LANGUAGE_WORDS = {
    "en": "en", "english": "en", "ingles": "en", "es": "es", "spanish": "es", "espanol": "es",
    "castellano": "es",
}  # fmt: skip
ROLE_WORDS = {
    "coordinator": "coordinator", "coordinadora": "coordinator", "coordinador": "coordinator",
    "persona coordinadora": "coordinator", "member": "member", "miembro": "member",
    "socio": "member", "socia": "member",
}  # fmt: skip


@dataclass(frozen=True)
class Cells:
    """The cells of one row by the names of their columns; what is empty is left out."""

    table: int
    row: int
    texts: Mapping[str, str]
    columns: Mapping[str, int]

    @property
    def place(self) -> tuple[int, int]:
        return self.table, self.row

    def at(self, name: str) -> str:
        """The address of a column's cell in this row."""
        return address_of(self.columns.get(name, 1), self.row)


class Reader:
    """Reads tables one after the other into `Findings`."""

    def __init__(self, now: GardenNow, member: Member, answers: Mapping[str, str]) -> None:
        self.now = now
        self.found = Findings(answers)
        self.store = StoreLines(member, self.found, now, self._person)
        self._plots: dict[str, PlotAct] = {}
        self._people: dict[str, PersonAct] = {}
        self._names: dict[str, PersonAct | None] = {}
        self._plantings: dict[tuple[str, int, str], str] = {}
        self._taken: set[int] = set()
        self._holders: set[tuple[int, int]] = set()
        self._sure: dict[str, tuple[int, str]] = {}
        self._stage_names_of: dict[int, Names[int]] = {}
        self._units: dict[str, str] = {}
        self._above = ""
        self._words: dict[str, str] = {}

    def read(self, sheets: Sequence[CellSheet]) -> Findings:
        """Everything on these sheets."""
        number = 0
        for at, sheet in enumerate(sheets):
            for table in tables_of(sheet):
                number += 1
                self._table(number, table, sheet, at)
        if not number:
            self.found.wrong(0, 1, None, say("There is nothing in it."))
        self.store.finish()
        self._settle()
        self.found.lines.sort(key=lambda line: (line.table, line.row))
        return self.found

    # --- one table ----------------------------------------------------------------------------

    def _table(self, number: int, table: RawTable, sheet: CellSheet, at: int) -> None:
        holds, columns = guess(table)
        answers = self.found.answers
        asked = answers.get(f"holds-{number}", "")
        if asked in HOLDS and asked != holds:
            holds, columns = asked, guess_columns(table, asked)
        elif f"holds-{number}" in answers:
            columns = {
                column.number: name
                for column in table.columns
                if (name := answers.get(f"column-{number}-{column.number}", "")) in HEADINGS[holds]
            }
        first = table.header.number if table.header else (table.rows[0].number if table.rows else 1)
        self._check_headings(number, table, sheet, holds, columns, first)
        notes: list[Words] = [*sheet.notes]
        if table.above:
            notes.append(
                say("Lines above the headings are left out: %(count)s.", count=table.above)
            )
        if holds == GARDEN and "crop" in columns.values() and "count" not in columns.values():
            notes.append(say("No column says how many plants: each line counts as one."))
        self.found.tables.append(
            TableRead(
                number,
                sheet.name,
                at,
                holds,
                tuple((column, columns.get(column.number, "")) for column in table.columns),
                tuple(table.rows),
                tuple(notes),
            )
        )
        by_name = {name: at for at, name in columns.items()}
        if not any(name in by_name for name in NEEDED[holds]):
            return
        takers: dict[str, Callable[[Cells], None]] = {
            GARDEN: self._garden_row,
            MEMBERS: self._member_row,
            COVERS: self.store.cover_row,
            MATERIALS: self.store.lot_row,
        }
        self._rows(number, table, sheet, by_name, takers[holds])

    def _check_headings(
        self,
        number: int,
        table: RawTable,
        sheet: CellSheet,
        holds: str,
        columns: Mapping[int, str],
        first: int,
    ) -> None:
        if table.second_header is not None:
            self.found.wrong(
                number,
                table.second_header,
                None,
                say(
                    "Rows %(one)s and %(other)s both hold headings. Keep one, with a heading for "
                    "each column.",
                    one=first,
                    other=table.second_header,
                ),
            )
        for top, left, bottom, right in sheet.merged:
            if table.header is not None and top <= table.header.number <= bottom and right > left:
                self.found.wrong(
                    number,
                    top,
                    left,
                    say("These headings are merged cells. Give each column its own."),
                )
        twice = [name for name in columns.values() if list(columns.values()).count(name) > 1]
        if twice:
            self.found.wrong(
                number,
                first,
                next(at for at, name in columns.items() if name == twice[0]),
                say("Two columns are chosen for the same thing. Leave one out."),
            )
        if not any(name in columns.values() for name in NEEDED[holds]):
            self.found.wrong(
                number,
                first,
                None,
                say("We don’t know these headings. Choose below what the columns hold."),
            )

    def _rows(
        self,
        number: int,
        table: RawTable,
        sheet: CellSheet,
        by_name: Mapping[str, int],
        take: Callable[[Cells], None],
    ) -> None:
        below = self._merged_down(number, table, sheet)
        units = {c.number: c.unit for c in table.columns if c.unit}
        self._units = {name: units[at] for name, at in by_name.items() if at in units}
        self._above = ""
        for row in table.rows:
            texts = {}
            is_readable = True
            for name, at in by_name.items():
                text = row.cells[at - 1] if at <= len(row.cells) else ""
                text = text or below.get((row.number, at), "")
                if not text:
                    continue
                if text[0] == "=" and len(text) > 1:
                    self.found.wrong(
                        number,
                        row.number,
                        at,
                        say("This is a formula. Paste what it gives, not the formula."),
                    )
                    is_readable = False
                    continue
                texts[name] = unguard(text)
            if texts and is_readable:
                take(Cells(number, row.number, texts, by_name))

    def _merged_down(
        self, number: int, table: RawTable, sheet: CellSheet
    ) -> dict[tuple[int, int], str]:
        """What cells merged downwards say for the rows below; those merged sideways are wrong."""
        if not sheet.merged:
            return {}
        rows: dict[int, CellRow] = {row.number: row for row in table.rows}
        below: dict[tuple[int, int], str] = {}
        for top, left, bottom, right in sheet.merged:
            if not any(line in rows for line in range(top, bottom + 1)):
                continue
            if right > left:
                self.found.wrong(
                    number, top, left, say("Merged over several columns. Split it again.")
                )
                continue
            cells = rows[top].cells if top in rows else ()
            text = cells[left - 1] if left <= len(cells) else ""
            below |= {(line, left): text for line in range(top + 1, bottom + 1)}
        return below

    # --- plots, holders, plantings ------------------------------------------------------------

    def _garden_row(self, cells: Cells) -> None:
        texts = cells.texts
        written = texts.get("plot", "")
        if not written and ("crop" in texts or "holder" in texts):
            written = self._above
        if not written:
            self._wrong(cells, "plot", say("Say which plot."))
            return
        self._above = written
        labels = self._read(cells, "plot", lambda _text: read_labels(written), ())
        sizes = self._sizes(cells)
        people = self._people_of(cells, "holder")
        for label in labels:
            plot = self._plot(cells, label)
            if plot is None:
                continue
            for name, value in sizes.items():
                self._say_of_plot(cells, plot, name, value)
            for person in people:
                self._hold(plot, person)
            if "crop" in texts:
                self._planting(cells, plot)
            elif "note" in texts:
                self._say_of_plot(cells, plot, "note", texts["note"][:MOST_NOTE])

    def _plot(self, cells: Cells, label: str) -> PlotAct | None:
        key = plain_label(label)
        plot = self._plots.get(key)
        if plot is None:
            present = self.now.plots.get(key)
            if present is None and not self._is_text(cells, "plot", label, MOST_LABEL):
                return None
            plot = PlotAct(present.name if present else label, cells.at("plot"), cells.place)
            if present is not None:
                plot.id, plot.before = present.id, present.values
            self._plots[key] = plot
        elif "crop" not in cells.columns and plot.address != cells.at("plot"):
            # In a list of plots alone a plot has one line; among plantings it has many.
            self._wrong(
                cells,
                "plot",
                say("%(plot)s is in %(cell)s already.", plot=quoted(label), cell=plot.address),
            )
        return plot

    def _sizes(self, cells: Cells) -> dict[str, float]:
        found: dict[str, float] = {}
        size = cells.texts.get("size")
        if size:
            sides = self._read(cells, "size", self._plot_size, ())
            if len(sides) >= 2:
                found |= {"length_cm": max(sides[:2]), "width_cm": min(sides[:2])}
        for name, column in (
            ("length_cm", "length"),
            ("width_cm", "width"),
            ("bed_width_cm", "bed_width"),
        ):
            if column in cells.texts:
                value = self._read(cells, column, partial(self._plot_length, column), None)
                if value is not None:
                    found[name] = value
        if "distance" in cells.texts:
            way = self._read(
                cells,
                "distance",
                lambda text: read_length_cm(text, unit=self._unit("distance", "m", "ft")) / 100.0,
                None,
            )
            if way is not None:
                if way > FARTHEST_M:
                    self._wrong(
                        cells,
                        "distance",
                        say("At most %(most)s m.", most=Number(FARTHEST_M, ",.0f")),
                    )
                else:
                    found["distance_m"] = round(way, 2)
        for name in ("length_cm", "width_cm", "bed_width_cm"):
            low, high = PLOT_LIMITS_CM
            if name in found and not low <= found[name] <= high:
                column = name.removesuffix("_cm")
                self._wrong(
                    cells,
                    column if column in cells.texts else "size",
                    say(
                        "A plot’s sides are from 10 cm to 200 m; this is %(m)s m.",
                        m=Number(found[name] / 100, ".2f"),
                    ),
                )
                del found[name]
        return found

    def _plot_length(self, column: str, text: str) -> float:
        units = self._plot_units(column)
        found = read_length_cm(text, unit=units[0])
        return found if self._fits(found, units) else read_length_cm(text, unit=units[-1])

    def _plot_size(self, text: str) -> tuple[float, ...]:
        units = self._plot_units("size")
        found = read_size_cm(text, unit=units[0])
        return found if self._fits(max(found), units) else read_size_cm(text, unit=units[-1])

    def _plot_units(self, column: str) -> tuple[str, ...]:
        """What a bare number of a plot's size may be in: the heading's unit, or two to try."""
        if column in self._units:
            return (self._units[column],)
        return ("m", "cm") if self.now.length_unit == "metric" else ("ft", "in")

    def _fits(self, found_cm: float, units: tuple[str, ...]) -> bool:
        return found_cm < MOST_OF_THE_LARGE_UNIT * read_length_cm("1", unit=units[0])

    def _unit(self, column: str, metric: str, inch: str) -> str:
        return self._units.get(column) or (metric if self.now.length_unit == "metric" else inch)

    def _say_of_plot(self, cells: Cells, plot: PlotAct, name: str, value: Any) -> None:
        column = name.removesuffix("_cm").removesuffix("_m")
        said = plot.values.get(name)
        if said is not None and said != value:
            self._wrong(
                cells,
                column if column in cells.texts else "size",
                say("%(cell)s says otherwise of the same plot.", cell=plot.said_at[name]),
            )
            return
        plot.values[name] = value
        plot.said_at.setdefault(name, cells.at(column if column in cells.texts else "size"))

    def _planting(self, cells: Cells, plot: PlotAct) -> None:
        texts = cells.texts
        crop_id, beside = self._crop(cells)
        if crop_id is None:
            return
        in_pot = self._read(cells, "in_pot", read_yes, None) if "in_pot" in texts else None
        stage = self._stage(cells, crop_id, in_pot) if "stage" in texts else None
        if "stage" in texts and stage is None:
            return
        name = texts.get("variety", beside)
        if not self._is_text(cells, "variety" if "variety" in texts else "crop", name, MOST_NAME):
            return
        values = self._planting_values(cells)
        if values is None:
            return
        present = self._present(plot, crop_id, stage, name)
        chosen = stage or (
            self.now.stages[present.values["stage_id"]]
            if present
            else self.now.usual_stage(crop_id, in_pot=in_pot)
        )
        key = (plain_label(plot.label), chosen.id, plain(name))
        if present is None and key in self._plantings:
            self._wrong(
                cells,
                "crop",
                say(
                    "The same as %(cell)s. Give it a name of its own, or add the two up.",
                    cell=self._plantings[key],
                ),
            )
            return
        self._plantings.setdefault(key, cells.at("crop"))
        title = f"{plot.label}: {values.get('count', 1)} {self._said(chosen.crop)}"
        if name and plain(name) != plain(chosen.crop):
            title += f", {name}"
        if present is not None:
            self._taken.add(present.id)
            told = {
                k: v
                for k, v in (values | {"stage_id": chosen.id}).items()
                if present.values[k] != v
            }
            act = PlantingAct(plot, chosen.id, present.name, told, present.id, present.values)
            self._tell(cells, PLANTING, title, act.before, told)
            if told:
                self.found.acts.plantings.append(act)
            return
        full = {
            "count": 1,
            "height_cm": chosen.height_cm,
            "spread_cm": chosen.spread_cm,
            "in_pot": "pot" in chosen.name.replace(",", " ").split(),
            "is_movable": False,
            "mind": "much",
            "worth_per": "plant",
            "note": "",
        } | values
        full["is_movable"] = full["is_movable"] and full["in_pot"]
        self.found.acts.plantings.append(PlantingAct(plot, chosen.id, name, full))
        self.found.did(
            cells.table, cells.row, PLANTING, MADE, f"{title} ({self._said(chosen.name)})"
        )

    def _planting_values(self, cells: Cells) -> dict[str, Any] | None:
        """What the row says of a planting besides crop and name; None where a cell is wrong."""
        before = self._problems()
        texts = cells.texts
        values: dict[str, Any] = {}
        if "count" in cells.columns:
            if "count" not in texts:
                self._wrong(cells, "count", say("Say how many."))
            else:
                values["count"] = self._read(
                    cells, "count", partial(read_count, most=MOST_PLANTS), 1
                )
        for name, column in (("height_cm", "height"), ("spread_cm", "spread")):
            if column in texts:
                unit = self._unit(column, "cm", "in")
                value = self._read(cells, column, partial(read_length_cm, unit=unit), None)
                low, high = PLANT_LIMITS_CM
                if value is not None and not low <= value <= high:
                    self._wrong(cells, column, say("From 1 cm to 10 m."))
                elif value is not None:
                    values[name] = round(value, 2)
        for name, column in (("in_pot", "in_pot"), ("is_movable", "movable")):
            if column in texts:
                values[name] = self._read(cells, column, read_yes, False)
        for name, column, known in (("mind", "mind", MINDS), ("worth_per", "per", PERS)):
            if column in texts:
                values[name] = self._word(cells, column, known)
        if "note" in texts and self._is_text(cells, "note", texts["note"], MOST_NOTE):
            values["note"] = texts["note"]
        if values.get("is_movable") and values.get("in_pot") is False:
            self._wrong(cells, "movable", say("Only plants in pots can be carried in."))
        return values if self._problems() == before else None

    def _present(self, plot: PlotAct, crop_id: int, stage: Stage | None, name: str) -> Row | None:
        """The planting that is there already: of the crop, and of the stage and name as said."""
        if plot.id is None:
            return None
        for row in self.now.plantings.get((plot.id, crop_id), ()):
            is_stage = stage is None or row.values["stage_id"] == stage.id
            if row.id not in self._taken and is_stage and plain(row.name) == plain(name):
                return row
        return None

    def _crop(self, cells: Cells) -> tuple[int | None, str]:
        """The crop that is meant and what was said beside it; None: asked, or left out."""
        text = cells.texts["crop"]
        known = self._sure.get(text)
        if known is not None:
            return known
        match = self.now.crops.find(text)
        if match.key is not None and match.is_exact:
            self._sure[text] = (match.key, match.rest)
            return self._sure[text]
        likely = dict.fromkeys((*((match.key,) if match.key is not None else ()), *match.choices))
        choices: list[tuple[str, Words]] = [
            (str(crop_id), said(self.now.stages_of[crop_id][0].crop)) for crop_id in likely
        ]
        choices.append((SKIP, say("leave these lines out")))
        chosen = self.found.ask(
            "crop",
            text,
            cells.at("crop"),
            tuple(choices),
            str(match.key) if match.key is not None else "",
        )
        if chosen in ("", SKIP):
            return None, ""
        beside = match.rest or (text if not match.is_exact and match.key is None else "")
        return int(chosen), beside[:MOST_NAME]

    def _stage(self, cells: Cells, crop_id: int, in_pot: bool | None) -> Stage | None:
        text = cells.texts["stage"]
        stages = self.now.stages_of[crop_id]
        names = self._stage_names(crop_id)
        match = names.find(text)
        if match.key is not None:
            return self.now.stages[match.key]
        chosen = self.found.ask(
            f"stage{crop_id}",
            text,
            cells.at("stage"),
            tuple((str(stage.id), said(stage.name)) for stage in stages),
            str(stages[0].id) if len(stages) == 1 else "",
        )
        return self.now.stages[int(chosen)] if chosen else None

    def _stage_names(self, crop_id: int) -> Names[int]:
        names = self._stage_names_of.get(crop_id)
        if names is None:
            names = Names(
                (text, stage.id)
                for stage in self.now.stages_of[crop_id]
                for text in (stage.name, self.store.spanish(stage.name))
            )
            self._stage_names_of[crop_id] = names
        return names

    # --- people -------------------------------------------------------------------------------

    def _member_row(self, cells: Cells) -> None:
        texts = cells.texts
        if "name" not in texts:
            self._wrong(cells, "name", say("Say who it is."))
            return
        person = self._person(cells, "name", texts["name"])
        if person is None:
            return
        if person.is_seen:
            self._wrong(
                cells,
                "name",
                say(
                    "%(name)s is in %(cell)s already.",
                    name=quoted(person.name),
                    cell=person.address,
                ),
            )
            return
        person.is_seen = True
        if "language" in texts:
            word = self._word(cells, "language", LANGUAGE_WORDS)
            if word:
                person.values["language"] = word
        if "role" in texts:
            word = "coordinator" if texts["role"].casefold() in ("yes", "sí", "si", "x") else ""
            word = word or (
                "member"
                if texts["role"].casefold() == "no"
                else self._word(cells, "role", ROLE_WORDS)
            )
            if word:
                person.values["role"] = word
        if "plots" in texts:
            for label in self._read(cells, "plots", read_labels, ()):
                key = plain_label(label)
                if key not in self._plots and key not in self.now.plots:
                    if not self._is_text(cells, "plots", label, MOST_LABEL):
                        continue
                    self._plots[key] = PlotAct(label, cells.at("plots"), cells.place)
                plot = self._plots.get(key)
                if plot is None:
                    row = self.now.plots[key]
                    plot = PlotAct(
                        row.name, cells.at("plots"), cells.place, row.id, before=row.values
                    )
                    self._plots[key] = plot
                self._hold(plot, person)

    def _people_of(self, cells: Cells, column: str) -> list[PersonAct]:
        text = cells.texts.get(column, "")
        names = [part.strip() for part in _split_people(text)]
        found = [self._person(cells, column, name) for name in names if name]
        return [person for person in found if person is not None]

    def _person(self, cells: Cells, column: str, name: str) -> PersonAct | None:
        key = plain(name)
        if key in self._names:
            return self._names[key]
        if not self._is_text(cells, column, name, MOST_NAME) or not key:
            return None
        present = self.now.members.get(key)
        if present is None:
            like = self._like(key)
            if like:
                choices: list[tuple[str, Words]] = [
                    (other, say("the same as %(name)s", name=self._called(other))) for other in like
                ]
                choices.append((NEW, say("somebody else")))
                chosen = self.found.ask("person", name, cells.at(column), tuple(choices))
                if not chosen:
                    return None
                if chosen != NEW:
                    person = self._known(chosen, cells, column)
                    self._names[key] = person
                    return person
        elif not present.values["is_active"]:
            self._wrong(
                cells,
                column,
                say("%(name)s was let go. Take them back first.", name=quoted(present.name)),
            )
            return None
        person = PersonAct(" ".join(name.split()), cells.at(column), cells.place)
        if present is not None:
            person.id, person.name, person.before = present.id, present.name, present.values
        self._people[key] = self._names[key] = person
        return person

    def _known(self, key: str, cells: Cells, column: str) -> PersonAct:
        person = self._people.get(key)
        if person is None:
            row = self.now.members[key]
            person = PersonAct(row.name, cells.at(column), cells.place, row.id, before=row.values)
            self._people[key] = self._names[key] = person
        return person

    def _called(self, key: str) -> str:
        return self._people[key].name if key in self._people else self.now.members[key].name

    def _like(self, key: str) -> list[str]:
        """People known already, here or in the table, whose names are spelt nearly so."""
        others = [k for k, row in self.now.members.items() if row.values["is_active"]]
        others += [k for k in self._people if k not in self.now.members]
        near = process.extract(
            key, others, scorer=fuzz.ratio, score_cutoff=LIKE_ONE_PERSON, limit=4
        )
        return [other for other, _score, _place in near]

    def _hold(self, plot: PlotAct, person: PersonAct) -> None:
        pair = (id(plot), id(person))
        if pair in self._holders:
            return
        self._holders.add(pair)
        if (
            plot.id is not None
            and person.id is not None
            and (plot.id, person.id) in self.now.holders
        ):
            return
        self.found.acts.holders.append((plot, person))

    # --- at the end ---------------------------------------------------------------------------

    def _settle(self) -> None:
        """What the plots and people that were named come to, once all tables are read."""
        for plot in self._plots.values():
            sides = [plot.values.get(n, plot.before.get(n)) for n in ("length_cm", "width_cm")]
            bed = plot.values.get("bed_width_cm")
            if (
                bed is not None
                and None not in sides
                and bed > max(s for s in sides if s is not None)
            ):
                self.found.wrong(
                    *plot.place,
                    None,
                    say("%(plot)s: a bed cannot be wider than the plot.", plot=plot.label),
                )
            told = {k: v for k, v in plot.values.items() if plot.before.get(k) != v}
            if plot.id is None:
                self.found.did(*plot.place, PLOT, MADE, plot.label)
                self.found.acts.plots.append(plot)
                continue
            plot.values = told
            self._tell_at(plot.place, PLOT, plot.label, plot.before, told)
            if told:
                self.found.acts.plots.append(plot)
        held = {id(person) for _plot, person in self.found.acts.holders}
        for person in self._people.values():
            told = {k: v for k, v in person.values.items() if person.before.get(k) != v}
            if person.id is None:
                self.found.did(*person.place, PERSON, MADE, person.name)
                self.found.acts.people.append(person)
                continue
            person.values = told
            extra = (Difference("plots", "", "+"),) if id(person) in held and not told else ()
            self._tell_at(person.place, PERSON, person.name, person.before, told, extra)
            if told:
                self.found.acts.people.append(person)

    # --- small things -------------------------------------------------------------------------

    def _said(self, text: str) -> str:
        """A published word in the reader's language."""
        if text not in self._words:
            self._words[text] = str(said(text))
        return self._words[text]

    def _tell(
        self,
        cells: Cells,
        what: str,
        title: str,
        before: Mapping[str, Any],
        told: Mapping[str, Any],
    ) -> None:
        self._tell_at((cells.table, cells.row), what, title, before, told)

    def _tell_at(
        self,
        place: tuple[int, int],
        what: str,
        title: str,
        before: Mapping[str, Any],
        told: Mapping[str, Any],
        extra: tuple[Difference, ...] = (),
    ) -> None:
        differences = extra + tuple(
            Difference(name, self._shown(name, before.get(name)), self._shown(name, value))
            for name, value in told.items()
        )
        self.found.did(*place, what, CHANGED if differences else LEFT, title, differences)

    def _shown(self, name: str, value: Any) -> Words:
        if value is None:
            return ""
        if name == "stage_id":
            return self.now.stages[value].name
        if isinstance(value, bool):
            return say("yes") if value else say("no")
        if isinstance(value, float):
            return f"{value:g} cm" if name.endswith("_cm") else f"{value:g} m"
        return str(value)

    def _read(self, cells: Cells, column: str, read: Callable[[str], Any], instead: Any) -> Any:
        try:
            return read(cells.texts.get(column, ""))
        except BadAmount as bad:
            self._wrong(cells, column, bad.message)
            return instead

    def _word(self, cells: Cells, column: str, known: Mapping[str, str]) -> str:
        text = plain(cells.texts[column])
        found = known.get(text) or known.get(text.partition(":")[0])
        if found is None:
            names = ", ".join(dict.fromkeys(known.values()))
            self._wrong(cells, column, say("Enter one of: %(choices)s.", choices=names))
            return ""
        return found

    def _is_text(self, cells: Cells, column: str, text: str, most: int) -> bool:
        if len(text) > most:
            self._wrong(
                cells,
                column,
                say(
                    "Use at most %(maximum)s characters; this has %(text)s.",
                    maximum=most,
                    text=len(text),
                ),
            )
            return False
        if not text.replace("\n", " ").replace("\t", " ").isprintable() or (
            "\n" in text and most <= MOST_NAME
        ):
            self._wrong(
                cells, column, say("Holds a character that cannot be printed, or a second line.")
            )
            return False
        return True

    def _wrong(self, cells: Cells, column: str, message: Words) -> None:
        self.found.wrong(cells.table, cells.row, cells.columns.get(column), message)

    def _problems(self) -> int:
        return len(self.found.problems) + self.found.more_problems


def _split_people(text: str) -> list[str]:
    return re.split(r"\s*[,;/&+\n]\s*|\s+(?:and|y|e)\s+", text)
