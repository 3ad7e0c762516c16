"""Writing what a table would do: all of it in one short transaction, and all of it back again.

Everything is worked out before the transaction begins; inside it rows are inserted in bulk, so that
no other writer waits. Where the garden has changed since it was looked at, nothing is written and
it is worked out anew.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Any

from sqlalchemy import delete, exists, insert, or_, select

from gardenapp.errors import FieldRefused, NotFound, Refused
from gardenapp.extensions import Base, db
from gardenapp.messages import Words
from gardenapp.models.covers import Cover, new_code
from gardenapp.models.nights import Claim, CoverUse, DeployedPlants, Deployment, Job, ObservedLow
from gardenapp.models.people import Garden, Invite, Member, PlotHolder
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.plots import Plot, StorePlace
from gardenapp.models.store import CoverPart, LedgerEntry, Lot
from gardenapp.models.tables import TableImport
from gardenapp.models.trials import Logger, Outcome
from gardenapp.services import change_log
from gardenapp.services.garden import blossom
from gardenapp.services.garden.people import sign_in_name_of
from gardenapp.services.permission import coordinator_only
from gardenapp.services.store import ledger
from gardenapp.services.store.tables import Change, keep_lot, keep_thing
from gardenapp.services.tables.findings import Acts, Findings, PersonAct
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, n_

# Of how many things a refusal to take back names the first.
MOST_NAMED = 5
# How many rows one statement carries.
AT_ONCE = 500


class ChangedMeanwhile(Refused):
    """The garden is no longer the one that the table was held against."""


def keep(
    *, import_id: int, findings: Findings, member: Member, on: date, now: datetime
) -> Counter[tuple[str, str]]:
    """Write everything that was found, or nothing; gives what was made and changed.

    Raises NotFound, Refused (kept already), ChangedMeanwhile.
    """
    coordinator_only(member)
    acts = findings.acts
    with write_transaction() as session:
        row = session.get(TableImport, import_id, populate_existing=True, with_for_update=True)
        if row is None or row.member_id != member.id:
            raise NotFound(_("This table is no longer waiting. Paste it again."))
        if row.kept_at is not None:
            raise Refused(_("This table is saved already."))
        if session.scalar(select(Garden.version)) != findings.version:
            raise ChangedMeanwhile(_("The garden has changed meanwhile. Look at the table again."))
        made: dict[str, Any] = {"changed": []}
        made["places"] = _places(acts)
        made["members"] = _people(acts, member, made, now)
        made["plots"] = _plots(acts, made)
        made["holders"] = _holders(acts)
        made["plantings"] = _plantings(acts, made, on)
        _store(acts, made, member, now)
        row.made, row.kept_at, row.sheets = made, now, b""
        change_log.record(
            action="table brought in",
            subject=", ".join(f"{n} {what} {verb}" for (what, verb), n in findings.counts.items())[
                :200
            ],
            at=now,
            member_id=member.id,
        )
    return findings.counts


def _insert(table: type[Base], rows: Sequence[Mapping[str, Any]]) -> list[int]:
    """Rows in bulk; gives their ids in the same order."""
    found: list[int] = []
    for begin in range(0, len(rows), AT_ONCE):
        statement = insert(table).returning(table.id, sort_by_parameter_order=True)  # type: ignore[attr-defined]
        found += db.session.scalars(statement, list(rows[begin : begin + AT_ONCE])).all()
    return found


def _places(acts: Acts) -> list[int]:
    labels = list(acts.places.items())
    ids = _insert(StorePlace, [{"label": label, "note": ""} for _number, label in labels])
    _settle(acts, "place", {number: made for (number, _x), made in zip(labels, ids, strict=True)})
    return ids


def _settle(acts: Acts, column: str, real: Mapping[int, int | None]) -> None:
    """Put the ids of what was made just now in the place of those that stood for it."""
    for changes in (acts.covers, acts.lots):
        for at, change in enumerate(changes):
            if change.values[column] in real:
                values = {**change.values, column: real[change.values[column]]}
                changes[at] = replace(change, values=values)


def _people(acts: Acts, member: Member, made: dict[str, Any], now: datetime) -> list[int]:
    garden = db.session.get(Garden, 1)
    assert garden is not None  # its version was read
    new = [person for person in acts.people if person.id is None]
    ids = _insert(
        Member,
        [
            {
                "name": person.name,
                "role": person.values.get("role", "member"),
                "sign_in_name": sign_in_name_of(person.name),
                "language": person.values.get("language"),
                "temperature_unit": garden.temperature_unit,
                "length_unit": garden.length_unit,
                "created_at": now,
            }
            for person in new
        ],
    )
    for person, number in zip(new, ids, strict=True):
        person.id = number
        change_log.record(action="added a member", subject=person.name, at=now, member_id=member.id)
    _settle(acts, "owner", {number: person.id for number, person in acts.owners.items()})
    for person in acts.people:
        if person.id not in ids and person.values:
            if person.before.get("role") == "coordinator" and person.values.get("role") == "member":
                _keep_one_coordinator(person)
            _change(made, Member, person.id, person.name, person.before, person.values)
    return ids


def _keep_one_coordinator(person: PersonAct) -> None:
    others = select(Member.id).where(
        Member.role == "coordinator", Member.is_active, Member.id != person.id
    )
    if db.session.scalar(select(exists(others))) is False:
        raise Refused(_("%(name)s is the only coordinator and stays one.", name=person.name))


def _plots(acts: Acts, made: dict[str, Any]) -> list[int]:
    new = [plot for plot in acts.plots if plot.id is None]
    ids = _insert(
        Plot,
        [
            {
                "label": plot.label,
                "length_cm": plot.values.get("length_cm"),
                "width_cm": plot.values.get("width_cm"),
                "bed_width_cm": plot.values.get("bed_width_cm"),
                "distance_m": plot.values.get("distance_m", 0.0),
                "note": plot.values.get("note", ""),
            }
            for plot in new
        ],
    )
    for plot, number in zip(new, ids, strict=True):
        plot.id = number
    for plot in acts.plots:
        if plot not in new and plot.values:
            _change(made, Plot, plot.id, plot.label, plot.before, plot.values)
    return ids


def _holders(acts: Acts) -> list[list[int]]:
    pairs = [(plot.id, person.id) for plot, person in acts.holders]
    _insert(PlotHolder, [{"plot_id": plot, "member_id": person} for plot, person in pairs])
    return [[plot, person] for plot, person in pairs if plot is not None and person is not None]


def _plantings(acts: Acts, made: dict[str, Any], on: date) -> list[int]:
    new = [planting for planting in acts.plantings if planting.id is None]
    stages = {
        stage.id: stage
        for stage in db.session.scalars(
            select(CropStage).where(CropStage.id.in_({planting.stage_id for planting in new}))
        )
    }
    seen_on = {
        number: on if blossom.is_moved_by_heat(stage) or stage.hardens == "moved" else None
        for number, stage in stages.items()
    }
    ids = _insert(
        Planting,
        [
            {
                "plot_id": planting.plot.id,
                "stage_id": planting.stage_id,
                "name": planting.name,
                "stage_on": seen_on[planting.stage_id],
                **planting.values,
            }
            for planting in new
        ],
    )
    for planting in acts.plantings:
        if planting.id is not None and planting.values:
            title = f"{planting.plot.label}: {planting.name}".rstrip(": ")
            _change(made, Planting, planting.id, title, planting.before, planting.values)
    return ids


def _store(acts: Acts, made: dict[str, Any], member: Member, now: datetime) -> None:
    try:
        # Labels that are swapped among one another are free only once all have let go.
        for change in acts.covers:
            if change.id is not None:
                cover = ledger.lock_cover(change.id)
                if cover.label != change.values["label"]:
                    cover.label = f"… {cover.code}"
        db.session.flush()
        for change in acts.covers:
            if change.id is not None:
                keep_thing(change, member, now)
        for change in acts.lots:
            if change.id is not None:
                keep_lot(change, member, now)
    except FieldRefused as refused:
        raise Refused(str(refused.message)) from refused
    made["store_changed"] = sum(c.id is not None for c in (*acts.covers, *acts.lots))
    made["covers"] = _new_covers([c for c in acts.covers if c.id is None], member, now)
    made["lots"] = _new_lots([c for c in acts.lots if c.id is None], member, now)


def _new_covers(changes: Sequence[Change], member: Member, now: datetime) -> list[int]:
    """Covers and their first line in the ledger, as `ledger.write` would leave them."""
    ids = _insert(
        Cover,
        [
            {
                "code": change.values["code"] or new_code(),
                "label": change.values["label"],
                "class_id": change.values["kind"],
                "film_area_m2": change.values["film_area_m2"],
                "film_thickness_um": change.values["film_thickness_um"],
                "off_season_job": change.values["off_season_job"],
                "is_usable": change.values["condition"] != "broken",
                "status": "here",
                **_in_common(change),
            }
            for change in changes
        ],
    )
    _first_entries("cover_id", ids, changes, member, now)
    return ids


def _new_lots(changes: Sequence[Change], member: Member, now: datetime) -> list[int]:
    ids = _insert(
        Lot,
        [
            {
                "code": change.values["code"] or new_code(),
                "is_for_beds": change.values["for_beds"],
                "on_hand_milli": change.values["quantity"],
                **{
                    name: change.values[name]
                    for name in (
                        "name",
                        "sort",
                        "unit",
                        "width_cm",
                        "thickness_um",
                        "length_mm",
                        "section",
                    )
                },
                **_in_common(change),
            }
            for change in changes
        ],
    )
    _first_entries("lot_id", ids, changes, member, now)
    return ids


def _in_common(change: Change) -> dict[str, Any]:
    values = change.values
    return {
        "owner_id": values["owner"],
        "place_id": values["place"],
        "cost_hundredths": values["cost"],
        "ledger_number": 1,
        **{
            name: values[name]
            for name in (
                "lending",
                "condition",
                "origin",
                "acquired_on",
                "resin",
                "mark",
                "wood",
                "note",
            )
        },
    }


def _first_entries(
    column: str, ids: Sequence[int], changes: Sequence[Change], member: Member, now: datetime
) -> None:
    _insert(
        LedgerEntry,
        [
            {
                "at": now,
                "member_id": member.id,
                "action": "acquired",
                column: number,
                "number": 1,
                "quantity_milli": change.values.get("quantity"),
                "place_id": change.values["place"],
                "condition": change.values["condition"],
                "note": "",
            }
            for number, change in zip(ids, changes, strict=True)
        ],
    )


def _change(
    made: dict[str, Any],
    table: type[Base],
    number: int | None,
    title: str,
    before: Mapping[str, Any],
    values: Mapping[str, Any],
) -> None:
    """Change a row, and note what it was, so that it can be taken back."""
    row = db.session.get(table, number)
    assert row is not None  # the garden is as it was looked at
    made["changed"].append(
        {
            "table": table.__tablename__,
            "id": number,
            "title": title,
            "before": {name: before.get(name) for name in values},
            "after": dict(values),
        }
    )
    for name, value in values.items():
        setattr(row, name, value)


# --- all of it back ---------------------------------------------------------------------------


def take_back(*, import_id: int, member: Member, now: datetime) -> tuple[Words, ...]:
    """Undo an import as one act; gives what had to be left as it is, in words.

    What was made goes, what was changed is as it was before, where nobody has changed it since.

    Raises NotFound, Refused: something made by it has been used since, and what that is.
    """
    coordinator_only(member)
    with write_transaction() as session:
        row = session.get(TableImport, import_id, populate_existing=True, with_for_update=True)
        if row is None or row.kept_at is None:
            raise NotFound(_("There is no such import."))
        if row.taken_back_at is not None:
            raise Refused(_("That import is taken back already."))
        made = row.made
        in_the_way = _in_the_way(made)
        if in_the_way:
            raise Refused(
                _(
                    "It can’t be taken back: since then used or changed were %(names)s. Change the "
                    "rest on its own pages.",
                    names=", ".join(in_the_way[:MOST_NAMED])
                    + (" …" if len(in_the_way) > MOST_NAMED else ""),
                )
            )
        left = _restore(made)
        if made.get("store_changed"):
            left.append(
                n_(
                    "%(num)s item of the shed that was changed stays as the table has it.",
                    "%(num)s items of the shed that were changed stay as the table has them.",
                    made["store_changed"],
                )
            )
        _remove(made)
        row.taken_back_at = now
        change_log.record(
            action="table taken back", subject=f"import {row.id}", at=now, member_id=member.id
        )
    return tuple(left)


def _some(column: Any, ids: Iterable[int]) -> list[Any]:
    """Conditions that a column is one of `ids`, in pieces a database takes."""
    every = list(ids)
    return [column.in_(every[at : at + AT_ONCE]) for at in range(0, len(every), AT_ONCE)]


def _names(names: Any, *conditions: Any) -> list[str]:
    return [str(name) for where in conditions for name in db.session.scalars(names.where(where))]


def _in_the_way(made: Mapping[str, Any]) -> list[str]:
    """What was made by the import and has been used since, by name."""
    plots, plantings, members = made["plots"], made["plantings"], made["members"]
    found: list[str] = []
    used = select(Planting.name + " " + Plot.label).join(Plot, Plot.id == Planting.plot_id)
    worn = or_(
        exists().where(DeployedPlants.planting_id == Planting.id),
        exists().where(Outcome.planting_id == Planting.id),
    )
    for where in _some(Planting.id, plantings):
        found += db.session.scalars(used.where(where, worn))
    lived = or_(
        exists().where(Deployment.plot_id == Plot.id),
        exists().where(ObservedLow.plot_id == Plot.id),
        exists().where(Logger.plot_id == Plot.id),
        exists().where(LedgerEntry.plot_id == Plot.id),
        exists().where(Claim.job_id == Job.id, Job.plot_id == Plot.id),
    )
    known = set(plantings)
    for where in _some(Plot.id, plots):
        found += db.session.scalars(select(Plot.label).where(where, lived))
        others = (
            select(Planting.id, Plot.label).join(Plot, Plot.id == Planting.plot_id).where(where)
        )
        found += [label for number, label in db.session.execute(others) if number not in known]
    promised = exists().where(
        Claim.job_id == Job.id, Job.plot_id == Planting.plot_id, Claim.released_at.is_(None)
    )
    for where in _some(Planting.id, plantings):
        found += db.session.scalars(used.where(where, promised))
    for where in _some(Cover.id, made["covers"]):
        moved = or_(
            Cover.ledger_number > 1,
            exists().where(CoverUse.cover_id == Cover.id),
            exists().where(CoverPart.cover_id == Cover.id),
        )
        found += db.session.scalars(select(Cover.label).where(where, moved))
    for where in _some(Lot.id, made["lots"]):
        found += db.session.scalars(select(Lot.name).where(where, Lot.ledger_number > 1))
    for where in _some(Member.id, members):
        came = or_(
            Member.password_hash.is_not(None),
            exists().where(Invite.member_id == Member.id, Invite.used_at.is_not(None)),
        )
        found += db.session.scalars(select(Member.name).where(where, came))
        held = select(Plot.label).join(PlotHolder, PlotHolder.plot_id == Plot.id)
        pairs = {tuple(pair) for pair in made["holders"]}
        for plot, person in db.session.execute(
            select(PlotHolder.plot_id, PlotHolder.member_id)
            .join(Member, Member.id == PlotHolder.member_id)
            .where(where)
        ):
            if (plot, person) not in pairs:
                found += db.session.scalars(held.where(Plot.id == plot).limit(1))
        for owner in (Cover, Lot):
            mine = set(made["covers"] if owner is Cover else made["lots"])
            rows = db.session.execute(
                select(owner.id, Member.name).join(Member, Member.id == owner.owner_id).where(where)
            )
            found += [name for number, name in rows if number not in mine]
    return list(dict.fromkeys(name.strip() for name in found))


def _restore(made: Mapping[str, Any]) -> list[Words]:
    """Give what was changed its old values back, where they are still the import's."""
    tables: dict[str, type[Base]] = {
        table.__tablename__: table for table in (Plot, Member, Planting)
    }
    left: list[Words] = []
    for change in made["changed"]:
        row = db.session.get(tables[change["table"]], change["id"], with_for_update=True)
        if row is None:
            continue
        if any(getattr(row, name) != value for name, value in change["after"].items()):
            left.append(_("%(what)s was changed since and stays as it is.", what=change["title"]))
            continue
        for name, value in change["before"].items():
            setattr(row, name, value)
    db.session.flush()
    return left


def _remove(made: Mapping[str, Any]) -> None:
    """Delete what the import made; plans that name it forget it with it."""
    session = db.session
    session.flush()
    for plot, person in made["holders"]:
        session.execute(
            delete(PlotHolder).where(PlotHolder.plot_id == plot, PlotHolder.member_id == person)
        )
    for where in (
        *_some(LedgerEntry.cover_id, made["covers"]),
        *_some(LedgerEntry.lot_id, made["lots"]),
    ):
        session.execute(delete(LedgerEntry).where(where))
    for table, ids in (
        (Cover, made["covers"]),
        (Lot, made["lots"]),
        (Planting, made["plantings"]),
        (Plot, made["plots"]),
        (Member, made["members"]),
    ):
        for where in _some(table.id, ids):
            session.execute(delete(table).where(where))
    for where in _some(StorePlace.id, made["places"]):
        # A place that something else is kept in by now stays.
        in_use = or_(
            exists().where(Cover.place_id == StorePlace.id),
            exists().where(Lot.place_id == StorePlace.id),
            exists().where(LedgerEntry.place_id == StorePlace.id),
        )
        session.execute(delete(StorePlace).where(where, ~in_use))
    session.expire_all()
