"""`gardenapp init`, `db` and `member`: setting a garden up and letting people in."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import click
from flask import current_app
from sqlalchemy import select

from gardenapp.cli import main
from gardenapp.cli.base import (
    addresses,
    bring_catalogue_up_to_date,
    local_time,
    upgrade_if_needed,
    with_app,
)
from gardenapp.errors import GardenError, NotFound, OutOfRange
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.readers.position import Position, read_position
from gardenapp.science import units
from gardenapp.services.garden import people, towns
from gardenapp.services.garden import settings as gardens
from gardenapp.services.garden.passwords import check_new_password
from gardenapp.services.garden.settings import GardenSettings

Answer = TypeVar("Answer")
LONGEST_NAME = 80
LATITUDE = "Latitude in degrees, north is plus"
LONGITUDE = "Longitude in degrees, east is plus"

# --- the database -----------------------------------------------------------------------------


@main.group("db")
def database() -> None:
    """The database."""


@database.command("upgrade")
@with_app
def db_upgrade() -> None:
    """Bring the tables up to date; a copy is kept first."""
    if not upgrade_if_needed():
        click.echo("The tables are up to date.")
    bring_catalogue_up_to_date()


# --- setting up -------------------------------------------------------------------------------


@main.command("init")
@click.option("--name", help="Name of the garden.")
@click.option("--latitude", type=float, help="Degrees north.")
@click.option("--longitude", type=float, help="Degrees east.")
@click.option("--zone", help="Time zone, such as Europe/London.")
@click.option("--elevation", type=float, help="Height above the sea in metres.")
@click.option("--coordinator", help="Name of the first coordinator.")
@click.option("--password-stdin", is_flag=True, help="Read the password from standard input.")
@click.option("--sample-plots", is_flag=True, help="Add four sample plots.")
@with_app
def init(
    name: str | None,
    latitude: float | None,
    longitude: float | None,
    zone: str | None,
    elevation: float | None,
    coordinator: str | None,
    password_stdin: bool,
    sample_plots: bool,
) -> None:
    """Make the tables, the garden, its first coordinator and the plant catalogue.

    What is not given as an option is asked for, and asked again where an answer will not do.
    Running it again changes no garden.
    """
    upgrade_if_needed()
    if gardens.has_garden():
        bring_catalogue_up_to_date()
        click.echo(
            "There is a garden already; only the published catalogue was brought up to date."
        )
        return
    garden = until_good("Name of the garden", read_name, given=name)
    position, zone_there = _place(latitude, longitude)
    settings = GardenSettings(
        name=garden,
        latitude=position.latitude,
        longitude=position.longitude,
        time_zone=until_good("Time zone", gardens.find_zone, given=zone, default=zone_there),
        elevation_m=(
            until_good("Height above the sea in metres", read_height, default="0")
            if elevation is None
            else on_earth(elevation, "Height above the sea in metres")
        ),
    )
    coordinator = until_good("Name of the first coordinator", read_name, given=coordinator)
    names = (coordinator, settings.name)

    def good_password(typed: str) -> str:
        check_new_password(typed, names=names)
        return typed

    gardens.create_garden(
        settings=settings,
        coordinator=coordinator,
        password=(
            sys.stdin.readline().rstrip("\r\n")
            if password_stdin
            else until_good("Password", good_password, hide_input=True, confirmation_prompt=True)
        ),
        with_sample_plots=sample_plots,
        now=datetime.now(UTC),
    )
    gardens.forget_setup_code(Path(current_app.instance_path))
    click.echo(f"{settings.name} is set up. Start it with: gardenapp serve")


def until_good(
    question: str,
    read: Callable[[str], Answer],
    *,
    given: str | None = None,
    default: str | None = None,
    **how: Any,
) -> Answer:
    """What `read` makes of the answer, asked again until it is good; what was good stays.

    An option, and an answer that no person is there to mend, is refused as `read` refuses it.
    """
    if given is not None:
        return read(given)
    while True:
        typed = click.prompt(question, default=default, type=str, **how)
        try:
            return read(typed)
        except GardenError as error:
            refuse_or_tell(error)


def refuse_or_tell(error: GardenError) -> None:
    """Say what is wrong with an answer to whoever can give another; raises `error` otherwise."""
    if not is_terminal():
        raise error
    click.echo(str(error))


def is_terminal() -> bool:
    """Whether a person types the answers, who can be asked again."""
    return sys.stdin.isatty()


def read_name(typed: str) -> str:
    """A name of a garden or a member, spaces folded. Raises OutOfRange."""
    name = " ".join(typed.split())
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise OutOfRange(f"A name has 1 to {LONGEST_NAME} letters, on one line.")
    return name


def read_height(typed: str) -> float:
    """Metres, or feet where they are said. Raises OutOfRange."""
    plain = typed.strip().replace("\N{MINUS SIGN}", "-").replace(",", ".")
    found = re.fullmatch(r"([+-]?\d{1,6}(?:\.\d{1,6})?)\s*(m|ft|feet)?", plain, re.ASCII | re.I)
    if found is None:
        raise OutOfRange("Enter the height in metres, such as 90, or in feet, such as 300 ft.")
    is_feet = (found[2] or "m").lower() != "m"
    height_m = units.ft_to_m(float(found[1])) if is_feet else float(found[1])
    return on_earth(height_m, "Height above the sea in metres")


def on_earth(value: float, question: str) -> float:
    """`value`, where there is such a place at all. [degrees or m] Raises OutOfRange."""
    if not abs(value) <= 9_000:  # refuses NaN too
        raise OutOfRange(f"{question}: {value:g} is not a place on Earth.")
    return value


def _place(latitude: float | None, longitude: float | None) -> tuple[Position, str | None]:
    """Where the garden is, and the time zone that is likely there; None where options say it."""
    if latitude is None and longitude is None:
        return _ask_for_place()
    if latitude is None:
        latitude = until_good(LATITUDE, read_latitude)
    if longitude is None:
        longitude = until_good(LONGITUDE, read_longitude)
    # What is beyond the poles is refused with the settings, in their words.
    position = Position(on_earth(latitude, LATITUDE), on_earth(longitude, LONGITUDE))
    return position, towns.nearest_zone(position)


def _ask_for_place() -> tuple[Position, str]:
    """A town chosen by its number, or a position: both numbers, or one after the other."""
    question = "Town, or position such as 52.31, -1.22"
    found: tuple[towns.Town, ...] = ()
    while True:
        typed = click.prompt(question, default="1" if found else None, type=str).strip()
        try:
            if found and typed.isdecimal():
                if not 1 <= int(typed) <= len(found):
                    raise OutOfRange(f"Enter a number from 1 to {len(found)}, or a town.")
                town = found[int(typed) - 1]
                return Position(town.latitude, town.longitude), town.time_zone
            position = read_position(typed)
            if position is None and _is_one_number(typed):
                position = Position(read_latitude(typed), until_good(LONGITUDE, read_longitude))
            if position is not None:
                return position, towns.nearest_zone(position)
            found = towns.find_towns(typed)
            if not found:
                raise NotFound(
                    "That place is not known. Enter a larger town nearby, or the position as your "
                    "phone's map shows it: 52.31, -1.22"
                )
        except GardenError as error:
            refuse_or_tell(error)
            continue
        for number, town in enumerate(found, 1):
            click.echo(f"  {number}  {town.title} ({town.latitude:.2f}, {town.longitude:.2f})")
        question = "Its number, or another town or position"


def _is_one_number(typed: str) -> bool:
    return read_position(f"{typed}, 0") is not None


def read_latitude(typed: str) -> float:
    """Degrees north, written any way a map writes them. Raises OutOfRange."""
    found = read_position(f"{typed}, 0")
    if found is None:
        raise OutOfRange("Enter degrees north, such as 52.31; south of the equator with a minus.")
    return found.latitude


def read_longitude(typed: str) -> float:
    """Degrees east, written any way a map writes them. Raises OutOfRange."""
    found = read_position(f"0, {typed}")
    if found is None:
        raise OutOfRange("Enter degrees east, such as 13.4; west of Greenwich with a minus.")
    return found.longitude


# --- members ----------------------------------------------------------------------------------


@main.group("member")
def member_group() -> None:
    """Members and their links."""


@member_group.command("add")
@click.argument("name")
@click.option("--coordinator", is_flag=True, help="Somebody who may change everything.")
@click.option("--address", default="", help="Where the pages are, such as http://192.0.2.7:8080")
@with_app
def member_add(name: str, coordinator: bool, address: str) -> None:
    """Add NAME and print the link that lets them in once."""
    if not gardens.has_garden():
        raise NotFound("There is no garden yet. Run: gardenapp init")
    now = datetime.now(UTC)
    cleaned = read_name(name)
    member_id = people.create_member(
        name=cleaned, role="coordinator" if coordinator else "member", by_id=None, now=now
    )
    _print_link(member_id, cleaned, address, now)


@member_group.command("link")
@click.argument("name")
@click.option("--address", default="", help="Where the pages are, such as http://192.0.2.7:8080")
@with_app
def member_link(name: str, address: str) -> None:
    """Print a new link for NAME: for a lost phone, or when no coordinator can get in."""
    member = db.session.scalar(
        select(Member).where(Member.sign_in_name == people.sign_in_name_of(name))
    )
    if member is None:
        raise NotFound(f"There is nobody called {name}.")
    _print_link(member.id, member.name, address, datetime.now(UTC))


def _print_link(member_id: int, name: str, address: str, now: datetime) -> None:
    token = people.make_invite(member_id=member_id, by_id=None, now=now)
    until = people.look_at_invite(token=token, now=now).expires_at
    base = address.rstrip("/") or f"http://{addresses('')[-1]}:8080"
    click.echo(f"Link for {name}, for one phone, until {local_time(until)}:")
    click.echo(f"{base}/join/{token}")
