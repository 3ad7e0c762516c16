"""The public weather services that cover the garden's place, and using one of them in one press.

Only services that ask for no key. Addresses and terms are from memory, as their documentation had
them; what comes back is judged by what is in it (`readers.registry`).
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlsplit

import requests

from gardenapp.models.people import Garden
from gardenapp.services.clockwork import get_garden
from gardenapp.services.fetching import FetchFailed, fetch_forecast_bytes
from gardenapp.services.night import forecasts
from gardenapp.services.night.forecasts import Imported
from gardenapp.words import _, later

_ALTITUDE = "&altitude={altitude}"
# A rectangle: south, north, west, east. [degrees]
Box = tuple[float, float, float, float]
# Wide of the borders: where the service does not go, it says so itself.
UNITED_STATES: tuple[Box, ...] = (
    (24.4, 49.5, -125.0, -66.9),
    (51.0, 71.6, -180.0, -129.9),
    (18.8, 22.4, -160.4, -154.7),
    (17.6, 18.7, -67.4, -64.5),
    (13.2, 13.8, 144.5, 145.1),
)


@dataclass(frozen=True)
class WeatherService:
    """A public service.

    address : with {latitude}, {longitude} and {altitude} in it. then : names, in the answer's
    `properties`, the address to fetch instead, where it takes two steps. covers : empty for the
    whole world.
    """

    key: str
    name: str
    address: str
    about: str
    terms: str
    then: str = ""
    covers: tuple[Box, ...] = ()

    def reaches(self, latitude: float, longitude: float) -> bool:
        """Whether it covers a place. [degrees]"""
        return not self.covers or any(
            south <= latitude <= north and west <= longitude <= east
            for south, north, west, east in self.covers
        )

    def address_of(self, garden: Garden) -> str:
        """Its address for the garden's place, with four decimals at most.

        Where nobody has said the garden's height the service uses its own.
        """
        is_known = garden.elevation_m is not None
        address = self.address if is_known else self.address.replace(_ALTITUDE, "")
        return address.format(
            latitude=f"{garden.latitude:.4f}".rstrip("0").rstrip("."),
            longitude=f"{garden.longitude:.4f}".rstrip("0").rstrip("."),
            altitude=round(garden.height_m),
        )


SERVICES = (
    WeatherService(
        "nws",
        "US National Weather Service",
        "https://api.weather.gov/points/{latitude},{longitude}",
        later("The national service of the United States: hours, and each night’s low."),
        later("Public domain. It asks for a contact."),
        then="forecastGridData",
        covers=UNITED_STATES,
    ),
    WeatherService(
        "metno",
        "MET Norway",
        "https://api.met.no/weatherapi/locationforecast/2.0/complete"
        "?lat={latitude}&lon={longitude}&altitude={altitude}",
        later(
            "The Norwegian national service, for the whole world: hours for two days and a half."
        ),
        later("CC BY 4.0. It asks for a contact."),
    ),
    WeatherService(
        "open_model",
        "Open-Meteo",
        "https://api.open-meteo.com/v1/forecast?latitude={latitude}&longitude={longitude}"
        "&hourly=temperature_2m,dew_point_2m,relative_humidity_2m,cloud_cover,wind_speed_10m,"
        "wind_gusts_10m&wind_speed_unit=ms&timezone=GMT&forecast_days=10",
        later("National services’ models for the whole world: hours for ten days."),
        later("CC BY 4.0; free for what is not commercial."),
    ),
)


def services_here(services: Collection[WeatherService] = SERVICES) -> tuple[WeatherService, ...]:
    """Those that cover the garden's place, the nearest to home first."""
    garden = get_garden()
    return tuple(s for s in services if s.reaches(garden.latitude, garden.longitude))


def use(
    service: WeatherService,
    *,
    member_id: int,
    now: datetime,
    allowed_private_hosts: frozenset[str] = frozenset(),
    session: requests.Session | None = None,
) -> Imported | None:
    """Ask a service for the garden's forecast and keep asking it from now on.

    Its address is kept once it has been found, so that a service that is down just now is asked
    again by the timetable. None where it has nothing new.

    Raises FetchFailed, UnreadableFile.
    """
    garden = get_garden()
    url, contact = service.address_of(garden), garden.contact
    session = session or requests.Session()
    if service.then:
        found = fetch_forecast_bytes(
            url,
            session=session,
            etag=None,
            last_modified=None,
            contact=contact,
            allowed_private_hosts=allowed_private_hosts,
        )
        url = _next_address(found.data or b"", service, url)
    known = forecasts.get_address()
    if known is None or known.url != url:
        forecasts.set_address(url=url, member_id=member_id, now=now)
    return forecasts.fetch(
        member_id=member_id,
        now=now,
        allowed_private_hosts=allowed_private_hosts,
        session=session,
    )


def _next_address(data: bytes, service: WeatherService, url: str) -> str:
    """Where a place's own forecast is, as the service's first answer says; on the same host."""
    try:
        link = json.loads(data)["properties"][service.then]
        here, there = urlsplit(url), urlsplit(link)
        is_its_own = (there.scheme, there.netloc) == (here.scheme, here.netloc)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        is_its_own, link = False, ""
    if not is_its_own or len(link) > 500:
        raise FetchFailed(
            _("%(name)s did not say where the forecast for this place is.", name=service.name)
        )
    return str(link)
