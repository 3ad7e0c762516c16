"""Materials: counted or measured lots, what comes in, what is taken, cut and counted."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import date, datetime

from flask_sqlalchemy.session import Session
from sqlalchemy import select
from sqlalchemy.orm import joinedload, scoped_session

from gardenapp.errors import FieldRefused, NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.covers import LENDING, Cover
from gardenapp.models.people import Member
from gardenapp.models.plots import Plot
from gardenapp.models.store import SORTS, UNITS, CoverPart, LedgerEntry, Lot
from gardenapp.reference import Caution
from gardenapp.services import change_log
from gardenapp.services.store import ledger
from gardenapp.services.store.acts import write_down
from gardenapp.services.store.covers import natural
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.lending import LoanLine, list_loans
from gardenapp.services.store.subjects import (
    ONE,
    Subject,
    check_handle,
    check_own,
    check_place,
    check_quantity,
    in_the_log,
    material,
    may_borrow,
    may_handle,
    may_own,
)
from gardenapp.services.store.things import (
    CAUTIONS_OF,
    MARK_WORDS,
    ORIGIN_WORDS,
    RESIN_WORDS,
    WOOD_WORDS,
    HistoryLine,
    bed_refusal,
    cautions_for,
    check_safety,
    history,
)
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, later

USUAL_KERF_MM = 3.0  # a full circular-saw blade; see the table of materials


@dataclass(frozen=True)
class LotEntry:
    """A material as its form gives it; the quantity comes with the first entry of its ledger."""

    name: str
    sort: str = "other"
    unit: str = "piece"
    width_cm: float | None = None
    thickness_um: float | None = None
    length_mm: float | None = None
    section: str = ""
    resin: str = ""
    mark: str = ""
    wood: str = ""
    is_for_beds: bool = True
    owner_id: int | None = None
    lending: str = "garden"
    origin: str = ""
    cost_hundredths: int | None = None
    acquired_on: date | None = None
    note: str = ""


@dataclass(frozen=True)
class Preset:
    """A common size that the form offers."""

    key: str
    label: str
    lot: LotEntry


# Pallet sizes are those of ISO 6780; the rest are sizes that shops and bins commonly give.
PRESETS: tuple[Preset, ...] = (
    Preset(
        "salad-box",
        later("Salad boxes"),
        LotEntry(later("Salad boxes"), "box", resin="1", origin="rescued"),
    ),
    Preset(
        "film-2m-100",
        later("Film, 2 m wide, 0.1 mm"),
        LotEntry(later("Film 2 m × 0.1 mm"), "film", "m", 200.0, 100.0, resin="4"),
    ),
    Preset(
        "film-4m-150",
        later("Film, 4 m wide, 0.15 mm"),
        LotEntry(later("Film 4 m × 0.15 mm"), "film", "m", 400.0, 150.0, resin="4"),
    ),
    Preset(
        "fleece-150",
        later("Fleece, 1.5 m wide"),
        LotEntry(later("Fleece 1.5 m"), "fleece", "m", 150.0, resin="5"),
    ),
    Preset(
        "pallet-1200x800",
        later("Pallet 1200 × 800"),
        LotEntry(later("Pallets 1200 × 800"), "pallet", section="1200 × 800 mm", wood="untreated"),
    ),
    Preset(
        "pallet-1200x1000",
        later("Pallet 1200 × 1000"),
        LotEntry(
            later("Pallets 1200 × 1000"),
            "pallet",
            section="1200 × 1000 mm",
            wood="untreated",
        ),
    ),
    Preset(
        "pallet-1219x1016",
        later("Pallet 48 × 40 in"),
        LotEntry(later("Pallets 48 × 40 in"), "pallet", section="1219 × 1016 mm", wood="untreated"),
    ),
    Preset(
        "timber-38x38-2400",
        later("Timber 38 × 38, 2.4 m"),
        LotEntry(later("Timber 38 × 38"), "timber", length_mm=2_400, section="38 × 38 mm"),
    ),
    Preset(
        "timber-19x38-2400",
        later("Batten 19 × 38, 2.4 m"),
        LotEntry(later("Batten 19 × 38"), "timber", length_mm=2_400, section="19 × 38 mm"),
    ),
    Preset("string", later("String"), LotEntry(later("String"), "string", "m")),
    Preset("ballast", later("Soil-filled bags"), LotEntry(later("Soil-filled bags"), "ballast")),
    Preset(
        "leaves",
        later("Dead leaves"),
        LotEntry(later("Dead leaves"), "leaves", "l", origin="rescued"),
    ),
)


@dataclass(frozen=True)
class LotPage:
    """A material with its history and what this member may do to it."""

    id: int
    code: str
    entry: LotEntry
    owner: str
    place_id: int | None
    place: str
    condition: str
    on_hand_milli: int
    lent_milli: int
    out_milli: int
    photo: str | None
    history: tuple[HistoryLine, ...]
    loans: tuple[LoanLine, ...]
    cautions: tuple[Caution, ...]
    may_handle: bool
    may_own: bool
    may_borrow: bool

    @property
    def subject(self) -> Subject:
        return material(self.id)

    @property
    def may_lend(self) -> bool:
        """To anybody, not only to oneself."""
        return self.may_own


def check_lot(entry: LotEntry) -> None:
    """Raises FieldRefused for what cannot be, and for what may not go near food beds."""
    allowed = (
        ("sort", entry.sort, SORTS),
        ("unit", entry.unit, UNITS),
        ("resin", entry.resin, RESIN_WORDS),
        ("mark", entry.mark, MARK_WORDS),
        ("wood", entry.wood, WOOD_WORDS),
        ("origin", entry.origin, ORIGIN_WORDS),
        ("lending", entry.lending, LENDING),
    )
    for field, value, choices in allowed:
        if value not in choices:
            raise FieldRefused(field, _("Choose one of the list."))
    if not entry.name:
        raise FieldRefused("name", _("Enter what it is."))
    if entry.sort == "pallet" and not entry.mark:
        raise FieldRefused(
            "mark", _("Look for the stamp on the pallet’s blocks, or say that there is none.")
        )
    if entry.length_mm is not None and entry.unit != "piece":
        raise FieldRefused(
            "length_mm",
            _("Lengths are counted in pieces. Add each length as a material of its own."),
        )
    if entry.lending == "own plots" and entry.owner_id is None:
        raise FieldRefused("lending", _("What the garden owns is there for the whole garden."))
    if entry.is_for_beds:
        refusal = bed_refusal(sort=entry.sort, mark=entry.mark, wood=entry.wood)
        if refusal is not None:
            raise FieldRefused(
                refusal.field,
                _(
                    "%(refusal)s Untick “may go near food beds” to keep it for other use.",
                    refusal=refusal,
                ),
            )


def add_lot(
    *,
    entry: LotEntry,
    quantity_milli: int,
    place_id: int | None,
    member: Member,
    now: datetime,
    form_key: str = "",
) -> int:
    """Write down a material and how much of it came; gives its id. The same form once.

    Members add what is theirs or the garden's; coordinators also what is others'.
    Raises NotAllowed, FieldRefused.
    """
    check_lot(entry)
    check_quantity(quantity_milli, entry.unit)
    with write_transaction() as session:
        if form_key:
            before = session.scalar(select(Lot.id).where(Lot.form_key == form_key))
            if before is not None:
                return before
        if not member.is_coordinator and entry.owner_id not in {None, member.id}:
            raise NotAllowed(_("Only a coordinator can say that something is somebody else’s."))
        if entry.owner_id is not None and session.get(Member, entry.owner_id) is None:
            raise FieldRefused("owner_id", _("Choose a member from the list."))
        check_place(place_id)
        return insert_lot(
            session,
            entry=entry,
            quantity_milli=quantity_milli,
            place_id=place_id,
            member_id=member.id,
            now=now,
            form_key=form_key,
        )


def insert_lot(
    session: scoped_session[Session],
    *,
    entry: LotEntry,
    quantity_milli: int,
    place_id: int | None,
    member_id: int | None,
    now: datetime,
    form_key: str = "",
) -> int:
    """The rows of a new material, inside the caller's transaction and after its checks."""
    lot = Lot(form_key=form_key or None, **_columns(entry))
    session.add(lot)
    session.flush()
    happening = Happening("acquired", quantity_milli=quantity_milli, place_id=place_id)
    ledger.write(lot, happening, at=now, member_id=member_id)
    change_log.record(action="material added", subject=in_the_log(lot), at=now, member_id=member_id)
    return lot.id


def change_lot(*, lot_id: int, entry: LotEntry, member: Member, now: datetime) -> None:
    """Change what is known of a material; how much there is stays with its ledger.

    Raises NotFound, NotAllowed, FieldRefused.
    """
    check_lot(entry)
    with write_transaction() as session:
        lot = ledger.lock_lot(lot_id)
        check_handle(lot, member)
        if entry.owner_id != lot.owner_id and not member.is_coordinator:
            raise NotAllowed(_("Only a coordinator can say whose it is."))
        if entry.unit != lot.unit:
            raise FieldRefused("unit", _("Its history is in the old unit. Add a new material."))
        detail = check_safety(lot, _columns(entry), member=member)
        for name, value in _columns(entry).items():
            setattr(lot, name, value)
        session.flush()
        change_log.record(
            action="material changed",
            subject=in_the_log(lot),
            detail=detail,
            at=now,
            member_id=member.id,
        )


def _columns(entry: LotEntry) -> dict[str, object]:
    return {field.name: getattr(entry, field.name) for field in fields(LotEntry)}


def entry_of(lot: Lot) -> LotEntry:
    """A material's row as its form has it."""
    return LotEntry(**{field.name: getattr(lot, field.name) for field in fields(LotEntry)})


def get_lot(*, lot_id: int, member: Member, today: date) -> LotPage:
    """A material, its history and what may be done to it. Raises NotFound."""
    lot = db.session.scalar(
        select(Lot).where(Lot.id == lot_id).options(joinedload(Lot.owner), joinedload(Lot.place))
    )
    if lot is None:
        raise NotFound(_("We can’t find that material."))
    keys = CAUTIONS_OF.get(lot.sort, ())
    if lot.mark in {"MB", "SF", "none"} or lot.wood in {"treated", "painted", "unknown"}:
        keys = (*keys, "treated_wood")
    subject = material(lot_id)
    return LotPage(
        id=lot.id,
        code=lot.code,
        entry=entry_of(lot),
        owner=lot.owner.name if lot.owner else "",
        place_id=lot.place_id,
        place=lot.place.label if lot.place else "",
        condition=lot.condition,
        on_hand_milli=lot.on_hand_milli,
        lent_milli=lot.lent_milli,
        out_milli=lot.out_milli,
        photo=lot.photo,
        history=history(subject, member),
        loans=tuple(
            loan for loan in list_loans(member=member, today=today) if loan.subject == subject
        ),
        cautions=cautions_for(tuple(dict.fromkeys(keys))),
        may_handle=may_handle(lot, member),
        may_own=may_own(lot, member),
        may_borrow=may_borrow(lot, member),
    )


def cut_lengths(
    *,
    lot_id: int,
    lengths: int,
    piece_mm: float,
    each: int,
    kerf_mm: float,
    keep_offcut: bool,
    member: Member,
    now: datetime,
    form_key: str = "",
) -> tuple[int, int | None]:
    """Cut `lengths` pieces of timber into `each` pieces of `piece_mm`, saw cuts counted.

    What is left of each length is an offcut, kept as a lot of its own length or thrown away.
    Gives the ids of the lots of pieces and of offcuts.

    Raises NotFound, NotAllowed, FieldRefused, Impossible.
    """
    with write_transaction():
        lot = ledger.lock_lot(lot_id)
        check_handle(lot, member)
        if lot.length_mm is None:
            raise Refused(_("This material has no length to cut from."))
        left_mm = lot.length_mm - each * piece_mm - kerf_mm * each
        if -kerf_mm <= left_mm < 0:
            left_mm = 0.0  # the last piece ends where the length ends: no cut is needed there
        if each < 1 or left_mm < 0:
            raise FieldRefused(
                "each",
                _(
                    "%(each)s pieces and their saw cuts do not fit in %(length_mm)s mm.",
                    each=each,
                    length_mm=f"{lot.length_mm:g}",
                ),
            )
        done = _pieces_of(form_key)
        if done is not None:
            return done
        cut = write_down(
            lot,
            Happening("cut", quantity_milli=lengths * ONE, note=f"into {each} × {piece_mm:g} mm"),
            member,
            now,
            form_key,
        )
        pieces = _lot_like(lot, replace(entry_of(lot), length_mm=piece_mm))
        _made(pieces, lengths * each * ONE, cut.id, lot, member, now)
        offcuts = None
        if keep_offcut and left_mm >= 1:
            offcuts = _lot_like(lot, replace(entry_of(lot), length_mm=round(left_mm, 1)))
            _made(offcuts, lengths * ONE, cut.id, lot, member, now)
        return pieces.id, offcuts.id if offcuts is not None else None


def cut_from_roll(
    *,
    lot_id: int,
    piece_m: float,
    pieces: int,
    member: Member,
    now: datetime,
    form_key: str = "",
) -> int:
    """Cut `pieces` of `piece_m` from a roll measured in metres; gives the lot of pieces.

    The pieces are a lot counted in pieces, with the roll's width and thickness; what is left
    stays on the roll. Raises NotFound, NotAllowed, FieldRefused, Impossible.
    """
    with write_transaction():
        lot = ledger.lock_lot(lot_id)
        check_handle(lot, member)
        if lot.unit != "m":
            raise Refused(_("Only what is measured in metres is cut from a roll."))
        done = _pieces_of(form_key)
        if done is not None:
            return done[0]
        quantity = round(piece_m * ONE) * pieces
        check_quantity(quantity, "m", field="pieces")
        note = f"{pieces} × {piece_m:g} m"
        cut = write_down(
            lot, Happening("cut", quantity_milli=quantity, note=note), member, now, form_key
        )
        entry = replace(
            entry_of(lot),
            name=f"{lot.name[:60]}, pieces",
            unit="piece",
            length_mm=round(piece_m * 1_000, 1),
        )
        made = _lot_like(lot, entry)
        _made(made, pieces * ONE, cut.id, lot, member, now)
        return made.id


def _pieces_of(form_key: str) -> tuple[int, int | None] | None:
    """The lots that this very request made before, if it did."""
    if not form_key:
        return None
    cut_id = db.session.scalar(select(LedgerEntry.id).where(LedgerEntry.form_key == form_key))
    if cut_id is None:
        return None
    made = db.session.scalars(
        select(LedgerEntry.lot_id)
        .where(LedgerEntry.caused_by_id == cut_id)
        .order_by(LedgerEntry.id)
    ).all()
    return made[0] or 0, made[1] if len(made) > 1 else None


def _lot_like(lot: Lot, entry: LotEntry) -> Lot:
    """The lot that pieces of this make go to: one that is there, or a new one."""
    same = db.session.scalar(
        select(Lot.id)
        .where(
            Lot.id != lot.id,
            Lot.name == entry.name,
            Lot.sort == entry.sort,
            Lot.unit == entry.unit,
            Lot.section == entry.section,
            Lot.length_mm == entry.length_mm,
            Lot.width_cm.is_(None) if entry.width_cm is None else Lot.width_cm == entry.width_cm,
            Lot.mark == entry.mark,
            Lot.wood == entry.wood,
            Lot.is_for_beds == entry.is_for_beds,
            Lot.owner_id.is_(None) if entry.owner_id is None else Lot.owner_id == entry.owner_id,
            Lot.lending == entry.lending,
        )
        .order_by(Lot.id)
        .limit(1)
    )
    if same is not None:
        return ledger.lock_lot(same)
    made = Lot(**_columns(replace(entry, cost_hundredths=None, origin="made")))
    db.session.add(made)
    db.session.flush()
    return made


def _made(
    made: Lot, quantity_milli: int, cause_id: int, like: Lot, member: Member, now: datetime
) -> None:
    ledger.write(
        made,
        Happening(
            "made", quantity_milli=quantity_milli, place_id=like.place_id, note=f"from {like.name}"
        ),
        at=now,
        member_id=member.id,
        caused_by_id=cause_id,
    )


def put_in(
    *,
    cover_id: int,
    lot_id: int,
    quantity_milli: int,
    member: Member,
    now: datetime,
    form_key: str = "",
) -> None:
    """Say that a thing is made of so much of a lot: it is taken from there.

    Raises NotFound, NotAllowed, FieldRefused where the lot may not go near beds, Impossible.
    """
    with write_transaction() as session:
        if ledger.is_done(form_key):
            return
        cover: Cover = ledger.lock_cover(cover_id)
        lot = ledger.lock_lot(lot_id)
        check_own(cover, member)
        check_handle(lot, member)
        if cover.status == "retired":
            raise Refused(_("It has left the garden."))
        if not lot.is_for_beds:
            raise FieldRefused(
                "lot_id", _("%(name)s is not for use near food beds.", name=lot.name)
            )
        check_quantity(quantity_milli, lot.unit)
        happening = Happening("cut", quantity_milli=quantity_milli, note=f"for {cover.label}")
        entry = write_down(lot, happening, member, now, form_key)
        session.add(
            CoverPart(
                cover_id=cover_id,
                lot_id=lot_id,
                entry_id=entry.id,
                quantity_milli=quantity_milli,
            )
        )
        session.flush()


def plot_choices() -> tuple[tuple[int, str], ...]:
    """The plots that something can be used on."""
    rows = db.session.scalars(select(Plot))
    return tuple((plot.id, plot.label) for plot in sorted(rows, key=lambda p: natural(p.label)))


def check_may_handle(*, lot_id: int, member: Member) -> None:
    """Raises NotFound, and NotAllowed where it belongs to somebody else."""
    lot = db.session.get(Lot, lot_id)
    if lot is None:
        raise NotFound(_("We can’t find that material."))
    check_handle(lot, member)


def list_lots(*, member: Member) -> tuple[tuple[int, str, str, int], ...]:
    """Materials that there are some of and that this member may take: id, name, unit, milli."""
    rows = db.session.scalars(select(Lot).where(Lot.on_hand_milli > 0).order_by(Lot.name, Lot.id))
    return tuple(
        (lot.id, lot.name, lot.unit, lot.on_hand_milli) for lot in rows if may_handle(lot, member)
    )
