"""`gardenapp init`, `db` and `member`: setting a garden up and letting people in."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

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
from gardenapp.errors import NotFound, OutOfRange
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.services.garden import people
from gardenapp.services.garden import settings as gardens
from gardenapp.services.garden.settings import GardenSettings

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

    What is not given as an option is asked for. Running it again changes no garden.
    """
    upgrade_if_needed()
    if gardens.has_garden():
        bring_catalogue_up_to_date()
        click.echo(
            "There is a garden already; only the published catalogue was brought up to date."
        )
        return
    settings = GardenSettings(
        name=name or click.prompt("Name of the garden"),
        latitude=_ask(latitude, "Latitude in degrees, north is plus"),
        longitude=_ask(longitude, "Longitude in degrees, east is plus"),
        time_zone=gardens.find_zone(zone or click.prompt("Time zone, such as Europe/London")),
        elevation_m=_ask(elevation, "Height above the sea in metres"),
    )
    coordinator = coordinator or click.prompt("Name of the first coordinator")
    if password_stdin:
        password = sys.stdin.readline().rstrip("\r\n")
    else:
        password = click.prompt("Password", hide_input=True, confirmation_prompt=True)
    gardens.create_garden(
        settings=settings,
        coordinator=coordinator,
        password=password,
        with_sample_plots=sample_plots,
        now=datetime.now(UTC),
    )
    gardens.forget_setup_code(Path(current_app.instance_path))
    click.echo(f"{settings.name} is set up. Start it with: gardenapp serve")


def _ask(value: float | None, question: str) -> float:
    if value is None:
        value = click.prompt(question, type=float)
    if not abs(value) <= 9_000:  # refuses NaN too
        raise OutOfRange(f"{question}: {value:g} is not a place on Earth.")
    return value


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
    cleaned = " ".join(name.split())
    if not cleaned or len(cleaned) > 80 or not cleaned.isprintable():
        raise OutOfRange("A name has 1 to 80 letters, on one line.")
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
