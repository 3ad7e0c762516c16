"""Getting a forecast in: by hand, from a file, from an address. Every version is kept."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import requests
from sqlalchemy import delete, select
from sqlalchemy.orm import joinedload

from gardenapp.errors import NotFound, OutOfRange
from gardenapp.extensions import db
from gardenapp.messages import Words, from_text, say, to_text
from gardenapp.models.builds import ClimateNight
from gardenapp.models.forecasts import (
    LIVE,
    Forecast,
    ForecastAddress,
    ForecastAnswer,
    ForecastImport,
    PendingUpload,
)
from gardenapp.readers.doubts import Home
from gardenapp.readers.records import (
    ColumnGuess,
    ForecastReading,
    HourForecast,
    NightForecast,
    ReadOptions,
    UnreadableFile,
)
from gardenapp.readers.registry import read_forecast
from gardenapp.readers.stated_zones import name_of, zone_in
from gardenapp.readers.unattended import read_colder
from gardenapp.services import change_log
from gardenapp.services.clockwork import garden_zone, get_garden, tonight
from gardenapp.services.fetching import FetchFailed, fetch_forecast_bytes
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

# Public services issue theirs at least twice a day: what is older has been replaced by now.
STALE_AFTER = timedelta(hours=12)
# A forecast that is said to be good for longer is asked for all the same.
LONGEST_EXPIRY = timedelta(days=1)
# A low this far from what was said before is asked about once more, and so is one this far outside
# the record of the time of year. From memory: forecasts of one night move by a few degrees.
FAR_FROM_LAST_K, FAR_FROM_RECORD_K = 7.0, 6.0
SEASON_DAYS, ENOUGH_NIGHTS = 15, 60
UPLOAD_KEPT_FOR = timedelta(hours=2)


@dataclass(frozen=True)
class Imported:
    """What an import brought in."""

    import_id: int
    nights: tuple[date, ...]
    kind: str
    attribution: str
    notes: tuple[Words, ...]
    doubts: tuple[Words, ...] = ()
    columns: tuple[ColumnGuess, ...] = ()


@dataclass(frozen=True)
class Waiting:
    """An uploaded file, read, and waiting for a person to confirm what was understood."""

    token: str
    filename: str
    reading: ForecastReading


@dataclass(frozen=True)
class ForecastVersion:
    """One line of the list of versions."""

    id: int
    night_of: date
    low_c: float
    came_by: str
    kind: str
    name: str
    entered_at: datetime
    entered_by: str
    issued_at: datetime | None
    is_in_force: bool
    notes: tuple[Words, ...]
    doubts: tuple[Words, ...] = ()


def enter_by_hand(
    *,
    night_of: date,
    low_c: float,
    low_at: datetime | None = None,
    cloud_fraction: float | None = None,
    wind_mps: float | None = None,
    gust_mps: float | None = None,
    dew_point_c: float | None = None,
    member_id: int | None,
    now: datetime,
) -> Imported:
    """Keep a low that somebody typed, with whatever else they knew.

    Raises OutOfRange where a value cannot be meant.
    """
    if not -60 <= low_c <= 60:
        raise OutOfRange(_("The low must be between −60 and 60 °C."))
    if gust_mps is not None and wind_mps is not None and gust_mps < wind_mps:
        raise OutOfRange(_("The gust cannot be weaker than the wind."))
    forecast = Forecast(
        night_of=night_of,
        low_c=low_c,
        low_at=low_at,
        cloud_fraction=cloud_fraction,
        wind_mps=wind_mps,
        gust_mps=gust_mps,
        dew_point_c=dew_point_c,
        hours=[],
    )
    source = ForecastImport(
        came_by="hand", kind="by hand", name="", entered_by_id=member_id, entered_at=now
    )
    return _keep(source, [forecast])


@dataclass(frozen=True)
class Surprise:
    """Why a low may be a slip: `by` is last, record or season; what would have been usual. [°C]"""

    by: str
    coldest_c: float
    mildest_c: float


def surprise(*, night_of: date, low_c: float) -> Surprise | None:
    """What a low is so far from that it may be a slip of the hand; None where it is not.

    Compared with the last forecast of that night; without one, with the garden's record of that
    time of year; without that, with what such a latitude sees (from memory, and wide).
    """
    last = find_forecast(night_of)
    if last is not None:
        usual = Surprise("last", last.low_c - FAR_FROM_LAST_K, last.low_c + FAR_FROM_LAST_K)
    else:
        usual = _of_record(night_of) or _of_season(night_of)
    return None if usual.coldest_c <= low_c <= usual.mildest_c else usual


def _of_record(night_of: date) -> Surprise | None:
    window = {
        (night_of + timedelta(days=days)).strftime("%m-%d")
        for days in range(-SEASON_DAYS, SEASON_DAYS + 1)
    }
    lows = [
        low_c
        for day, low_c in db.session.execute(select(ClimateNight.night_of, ClimateNight.low_c))
        if day.strftime("%m-%d") in window
    ]
    if len(lows) < ENOUGH_NIGHTS:
        return None
    return Surprise("record", min(lows) - FAR_FROM_RECORD_K, max(lows) + FAR_FROM_RECORD_K)


def _of_season(night_of: date) -> Surprise:
    latitude = get_garden().latitude
    is_winter_half = (night_of.month in (10, 11, 12, 1, 2, 3)) == (latitude >= 0)
    coldest_c, mildest_c = (-25.0, 22.0) if is_winter_half else (-8.0, 32.0)
    return Surprise("season", coldest_c - (20.0 if abs(latitude) > 55 else 0.0), mildest_c)


def read_file(
    *, data: bytes, filename: str, now: datetime, options: ReadOptions | None = None
) -> ForecastReading:
    """Read a forecast file for this garden without keeping anything.

    What somebody has said before of a table with the same columns holds where it is not said now.

    Raises UnreadableFile with every line that is wrong, and with what has to be asked.
    """
    wanted = options or ReadOptions()
    try:
        return _read(data, filename, now, wanted)
    except UnreadableFile as error:
        known = _with_earlier_answers(error.columns, wanted) if error.asks else wanted
        if known == wanted:
            raise
    reading = _read(data, filename, now, known)
    note = say("Read as somebody said of such a table before.")
    return replace(reading, notes=(*reading.notes, note))


def read_unasked(*, data: bytes, filename: str, now: datetime) -> ForecastReading:
    """Read a file with nobody there: of each night the colder of all readings that it allows.

    Raises UnreadableFile where no answer would make it readable.
    """

    def read(options: ReadOptions) -> ForecastReading:
        return read_file(data=data, filename=filename, now=now, options=options)

    return read_colder(read, ReadOptions(), time_zone=garden_zone())


def _read(data: bytes, filename: str, now: datetime, options: ReadOptions) -> ForecastReading:
    garden = get_garden()
    return read_forecast(
        data,
        filename=filename,
        time_zone=garden_zone(),
        now=now,
        options=options,
        home=Home(garden.latitude, garden.longitude, garden.elevation_m),
    )


def _signature(columns: Sequence[ColumnGuess]) -> str:
    names = "\n".join(column.header for column in columns)
    return hashlib.sha256(names.encode()).hexdigest()


def _with_earlier_answers(columns: Sequence[ColumnGuess], options: ReadOptions) -> ReadOptions:
    """The options, filled up with what was said of a table with these columns."""
    kept = columns and db.session.scalar(
        select(ForecastAnswer.answers).where(ForecastAnswer.signature == _signature(columns))
    )
    if not kept:
        return options
    zone = kept.get("times_in")
    known = {
        "columns": kept.get("columns"),
        "temperature_unit": kept.get("temperature_unit"),
        "date_order": kept.get("date_order"),
        "daily_low_belongs_to": kept.get("daily_low_belongs_to"),
        "csv_time_zone": zone_in(zone, garden_zone()) if zone else None,
    }
    open_ones = {name for name, value in known.items() if value and not getattr(options, name)}
    return replace(options, **{name: known[name] for name in open_ones})


def _remember_answers(reading: ForecastReading, options: ReadOptions, now: datetime) -> None:
    """Keep what somebody said of a table, by the names of its columns."""
    zone = options.csv_time_zone
    answers = {
        "columns": dict(options.columns or {}),
        "temperature_unit": options.temperature_unit,
        "date_order": options.date_order,
        "daily_low_belongs_to": options.daily_low_belongs_to,
        "times_in": "" if zone is None else name_of(zone),
    }
    answers = {name: value for name, value in answers.items() if value}
    if not reading.columns or not answers:
        return
    signature = _signature(reading.columns)
    with write_transaction(changes_board=False) as session:
        session.execute(delete(ForecastAnswer).where(ForecastAnswer.signature == signature))
        session.add(ForecastAnswer(signature=signature, answers=answers, told_at=now))


def import_file(
    *,
    data: bytes,
    filename: str,
    member_id: int | None,
    now: datetime,
    options: ReadOptions | None = None,
) -> Imported:
    """Read a file and keep its nights from tonight on; all of it or nothing.

    Raises UnreadableFile; then nothing has changed.
    """
    reading = read_file(data=data, filename=filename, now=now, options=options)
    kept = _store(
        _from_tonight(reading, now),
        came_by="file",
        name=filename,
        data=data,
        member_id=member_id,
        now=now,
    )
    if options is not None:
        _remember_answers(reading, options, now)
    return kept


def keep_upload(*, data: bytes, filename: str, member_id: int, now: datetime) -> Waiting:
    """Read an upload and put it aside until its reading is confirmed.

    Raises UnreadableFile. A file that cannot be read for want of an answer (which column, which
    unit) is kept all the same, so that it need not be sent again; see `reread_upload`.
    """
    token = secrets.token_urlsafe(24)
    with write_transaction(changes_board=False) as session:
        session.execute(
            delete(PendingUpload).where(
                (PendingUpload.member_id == member_id)
                | (PendingUpload.made_at < now - UPLOAD_KEPT_FOR)
            )
        )
        session.add(
            PendingUpload(
                member_id=member_id,
                token=token,
                filename=filename[:200],
                data=data,
                made_at=now,
            )
        )
    reading = read_file(data=data, filename=filename, now=now)
    return Waiting(token, filename, reading)


def pending_token(*, member_id: int) -> str:
    """The token of this member's waiting file, or empty."""
    found = db.session.scalar(
        select(PendingUpload.token).where(PendingUpload.member_id == member_id)
    )
    return found or ""


def reread_upload(*, token: str, member_id: int, now: datetime, options: ReadOptions) -> Waiting:
    """Read a waiting file again with a person's answers. Raises NotFound, UnreadableFile."""
    upload = _pending(token, member_id, now)
    reading = read_file(data=upload.data, filename=upload.filename, now=now, options=options)
    return Waiting(token, upload.filename, reading)


def confirm_upload(*, token: str, member_id: int, now: datetime, options: ReadOptions) -> Imported:
    """Take a waiting file in. Raises NotFound, UnreadableFile."""
    upload = _pending(token, member_id, now)
    imported = import_file(
        data=upload.data,
        filename=upload.filename,
        member_id=member_id,
        now=now,
        options=options,
    )
    with write_transaction(changes_board=False) as session:
        session.execute(delete(PendingUpload).where(PendingUpload.token == token))
    return imported


def set_address(*, url: str, member_id: int, now: datetime) -> None:
    """Name the address the forecast is fetched from; empty forgets it."""
    with write_transaction(changes_board=False) as session:
        session.execute(delete(ForecastAddress))
        if url:
            session.add(ForecastAddress(id=1, url=url))
        change_log.record(
            action="forecast address", subject=url or "none", at=now, member_id=member_id
        )


def fetch(
    *,
    member_id: int | None,
    now: datetime,
    allowed_private_hosts: frozenset[str] = frozenset(),
    session: requests.Session | None = None,
) -> Imported | None:
    """Ask the garden's forecast address; None where nothing is new.

    Raises NotFound (no address), FetchFailed, UnreadableFile. What was answered is noted either
    way, so that the coordinator sees why a forecast is old.
    """
    address = db.session.get(ForecastAddress, 1)
    if address is None:
        raise NotFound(_("Enter a forecast address first."))
    if address.expires_at is not None and now < address.expires_at <= now + LONGEST_EXPIRY:
        return None
    contact = get_garden().contact
    url, etag, last_modified = address.url, address.etag, address.last_modified
    try:
        result = fetch_forecast_bytes(
            url,
            session=session or requests.Session(),
            etag=etag or None,
            last_modified=last_modified or None,
            contact=contact,
            allowed_private_hosts=allowed_private_hosts,
        )
        if result.status == "unchanged":
            _note_answer(now, "Nothing new since the last time.", expires_at=result.expires_at)
            return None
        body = result.data or b""
        reading = _from_tonight(read_unasked(data=body, filename=url, now=now), now)
    except (FetchFailed, UnreadableFile) as error:
        _note_answer(now, str(error))
        raise
    imported = _store(
        reading,
        came_by="address",
        name=url,
        data=body,
        member_id=member_id,
        now=now,
    )
    _note_answer(
        now,
        result.warning or "New forecast taken in.",
        etag=result.etag or "",
        last_modified=result.last_modified or "",
        expires_at=result.expires_at,
    )
    return imported


def get_address() -> ForecastAddress | None:
    """The garden's forecast address, if one is named."""
    return db.session.get(ForecastAddress, 1)


def find_forecast(night_of: date, *, is_corrected: bool = True) -> Forecast | None:
    """The forecast in force for a night: the newest that came in.

    is_corrected : False for the newest that no reading of the garden's own has touched.
    """
    newest = (
        select(Forecast)
        .where(Forecast.night_of == night_of)
        .order_by(Forecast.id.desc())
        .limit(1)
        .options(joinedload(Forecast.source))
    )
    if not is_corrected:
        newest = newest.where(Forecast.source.has(ForecastImport.came_by != LIVE))
    return db.session.scalar(newest)


def lows_ahead(evening: date, *, nights: int = 4) -> tuple[tuple[date, float], ...]:
    """The lows in force of the nights after `evening`, as far as they are forecast. [°C]"""
    found = []
    for number in range(1, nights + 1):
        night_of = evening + timedelta(days=number)
        forecast = find_forecast(night_of)
        if forecast is not None:
            found.append((night_of, forecast.low_c))
    return tuple(found)


def list_versions(*, since: date, limit: int = 200) -> list[ForecastVersion]:
    """Every version kept for the nights from `since` on, newest first."""
    from gardenapp.models.people import Member

    rows = db.session.execute(
        select(Forecast, ForecastImport, Member.name)
        .join(ForecastImport, Forecast.import_id == ForecastImport.id)
        .outerjoin(Member, Member.id == ForecastImport.entered_by_id)
        .where(Forecast.night_of >= since)
        .order_by(Forecast.night_of.desc(), Forecast.id.desc())
        .limit(limit)
    ).all()
    seen: set[date] = set()
    versions = []
    for forecast, source, name in rows:
        versions.append(
            ForecastVersion(
                id=forecast.id,
                night_of=forecast.night_of,
                low_c=forecast.low_c,
                came_by=source.came_by,
                kind=source.kind,
                name=source.name,
                entered_at=source.entered_at,
                entered_by=name or "",
                issued_at=source.issued_at,
                is_in_force=forecast.night_of not in seen,
                notes=from_text(forecast.notes),
                doubts=from_text(source.doubts),
            )
        )
        seen.add(forecast.night_of)
    return versions


def hours_of(forecast: Forecast) -> tuple[HourForecast, ...]:
    """The hours kept with a forecast, as records."""
    return tuple(_hour(item) for item in forecast.hours)


def _hour(item: dict[str, Any]) -> HourForecast:
    values = dict(item)
    return HourForecast(at=datetime.fromisoformat(values.pop("at")), **values)


def _hour_as_json(hour: HourForecast) -> dict[str, Any]:
    return {
        "at": hour.at.isoformat(),
        "temp_c": hour.temp_c,
        "dew_point_c": hour.dew_point_c,
        "humidity_percent": hour.humidity_percent,
        "cloud_fraction": hour.cloud_fraction,
        "wind_mps": hour.wind_mps,
        "gust_mps": hour.gust_mps,
        "precipitation_mm": hour.precipitation_mm,
        "snow_cm": hour.snow_cm,
        "sd_k": hour.sd_k,
    }


def _from_tonight(reading: ForecastReading, now: datetime) -> ForecastReading:
    """Only the nights that can still be planned; a file of past nights alone is refused."""
    first = tonight(now)
    ahead = tuple(night for night in reading.nights if night.night_of >= first)
    if not ahead:
        from gardenapp.readers.records import LineError

        newest = reading.nights[-1].night_of
        raise UnreadableFile(
            (
                LineError(
                    None,
                    "",
                    _(
                        "The file’s newest night is that of %(isoformat)s, which is over. Choose a "
                        "forecast that reaches tonight.",
                        isoformat=newest.isoformat(),
                    ),
                ),
            )
        )
    return replace(reading, nights=ahead)


def _store(
    reading: ForecastReading,
    *,
    came_by: str,
    name: str,
    data: bytes,
    member_id: int | None,
    now: datetime,
) -> Imported:
    source = ForecastImport(
        came_by=came_by,
        kind=reading.kind,
        name=name[:200],
        sha256=hashlib.sha256(data).hexdigest() if data else "",
        entered_by_id=member_id,
        entered_at=now,
        issued_at=reading.issued_at,
        attribution=reading.attribution[:200],
        notes=to_text(reading.notes),
        doubts=to_text(reading.doubts),
    )
    kept = _keep(source, [_row(night) for night in reading.nights], called=name)
    return replace(
        kept,
        attribution=reading.attribution,
        notes=(*reading.notes, *_notes_of_tonight(reading, now)),
        doubts=reading.doubts,
        columns=reading.columns,
    )


def _notes_of_tonight(reading: ForecastReading, now: datetime) -> tuple[Words, ...]:
    """What is to be known of the first night that is planned by it."""
    return next((n.notes for n in reading.nights if n.night_of == tonight(now)), ())


def _row(night: NightForecast) -> Forecast:
    return Forecast(
        night_of=night.night_of,
        low_c=night.low_c,
        low_at=night.low_at,
        evening_c=night.evening_c,
        cloud_fraction=night.cloud_fraction,
        wind_mps=night.wind_mps,
        gust_mps=night.gust_mps,
        dew_point_c=night.dew_point_c,
        precipitation_mm=night.precipitation_mm,
        snow_cm=night.snow_cm,
        stated_sd_k=night.sd_k,
        ground_low_c=night.ground_low_c,
        hours=[_hour_as_json(hour) for hour in night.hours],
        notes=to_text(night.notes),
    )


def _keep(source: ForecastImport, forecasts: Sequence[Forecast], *, called: str = "") -> Imported:
    """Write an import with its nights, the first of them first; `called` goes into the log."""
    first = forecasts[0]
    with write_transaction() as session:
        session.add(source)
        session.flush()
        for forecast in forecasts:
            forecast.import_id = source.id
        session.add_all(forecasts)
        change_log.record(
            action=f"forecast by {source.came_by}",
            subject=f"night of {first.night_of.isoformat()}",
            detail=f"low {first.low_c:.1f} °C; {len(forecasts)} nights; {called}"[:500],
            at=source.entered_at,
            member_id=source.entered_by_id,
        )
        import_id = source.id
    return Imported(
        import_id=import_id,
        nights=tuple(forecast.night_of for forecast in forecasts),
        kind=source.kind,
        attribution="",
        notes=(),
    )


def keep_live(corrected: Forecast) -> Imported:
    """Keep a version that the garden's own readings have corrected; it is in force from now on."""
    return _keep(corrected.source, [corrected], called=corrected.source.name)


def _pending(token: str, member_id: int, now: datetime) -> PendingUpload:
    upload = db.session.scalar(
        select(PendingUpload).where(
            PendingUpload.token == token, PendingUpload.member_id == member_id
        )
    )
    if upload is None or upload.made_at < now - UPLOAD_KEPT_FOR:
        raise NotFound(_("We no longer have that file. Choose it again."))
    return upload


def _note_answer(
    now: datetime,
    answer: str,
    *,
    etag: str | None = None,
    last_modified: str | None = None,
    expires_at: datetime | None = None,
) -> None:
    with write_transaction(changes_board=False) as session:
        address = session.get(ForecastAddress, 1)
        if address is None:
            return
        address.asked_at = now
        address.last_answer = answer[:1000]
        address.expires_at = expires_at
        if etag is not None:
            address.etag = etag[:200]
        if last_modified is not None:
            address.last_modified = last_modified[:200]
