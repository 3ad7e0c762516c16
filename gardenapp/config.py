"""Settings, read once from the environment when the app is made.

Every setting has a safe default. An unknown `GARDEN_…` name is refused, so that a typing
slip does not leave a garden open.
"""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from ipaddress import IPv4Network, IPv6Network, ip_network
from pathlib import Path
from typing import Any

from gardenapp.errors import GardenError
from gardenapp.folders import usual_instance

Network = IPv4Network | IPv6Network

MAX_UPLOAD_BYTES = 4_000_000
# Two loggers' files of a year at a reading a minute; allowed to members on that one page only.
MAX_LOGGER_UPLOAD_BYTES = 64_000_000
SESSION_DAYS = 270
MIN_SECRET_LENGTH = 32

KNOWN_SETTINGS = frozenset(
    {
        "GARDEN_INSTANCE",
        "GARDEN_SECRET_KEY",
        "GARDEN_HTTPS",
        "GARDEN_PROXY",
        "GARDEN_PROXY_HOPS",
        "GARDEN_PREFIX",
        "GARDEN_HOSTS",
        "GARDEN_FETCH_ALLOWED_HOSTS",
        "GARDEN_SCHEDULER",
        "GARDEN_PLANS_APART",
        "GARDEN_OFFLINE_COPY",
        "GARDEN_BACKUP_DAYS",
    }
)


class BadSetting(GardenError):
    """A setting that would make the app unsafe or that it does not know."""


@dataclass(frozen=True)
class Settings:
    """What the environment says, checked."""

    instance: Path
    database_url: str
    secret_key: str
    is_https: bool
    proxy_hops: int
    hosts: tuple[str, ...]
    fetch_allowed_hosts: frozenset[str]
    # `gardenapp serve` fetches and sends by itself, unless cron does it.
    has_scheduler: bool = True
    # Better plans are looked for in a process of their own, while the first one is used.
    plans_apart: bool = True
    # Over HTTPS phones may keep the last board; "no" also takes kept copies away again.
    has_offline_copy: bool = True
    # How long a daily copy of the database is kept; 0 makes none.
    backup_days: int = 14
    # From where a proxy speaks for visitors; asked only where `proxy_hops` is not 0.
    proxies: tuple[Network, ...] = ()
    # The path that the pages stand under; empty or beginning with a slash.
    prefix: str = ""

    def flask_config(self) -> dict[str, Any]:
        """The Flask settings that follow from these."""
        # Values are left out of database errors: they would carry names into the log.
        engine_options: dict[str, Any] = {"pool_timeout": 15, "hide_parameters": True}
        if self.database_url.startswith("sqlite"):
            engine_options["connect_args"] = {"timeout": 10, "check_same_thread": False}
        else:
            engine_options["pool_pre_ping"] = True
        config: dict[str, Any] = {
            "SECRET_KEY": self.secret_key,
            "SQLALCHEMY_DATABASE_URI": self.database_url,
            "SQLALCHEMY_ENGINE_OPTIONS": engine_options,
            "MAX_CONTENT_LENGTH": MAX_UPLOAD_BYTES,
            "MAX_FORM_MEMORY_SIZE": 500_000,
            "MAX_FORM_PARTS": 1_000,
            "PERMANENT_SESSION_LIFETIME": timedelta(days=SESSION_DAYS),
            "SESSION_COOKIE_NAME": "__Host-garden" if self.is_https else "garden",
            "SESSION_COOKIE_SECURE": self.is_https,
            "SESSION_COOKIE_HTTPONLY": True,
            "SESSION_COOKIE_SAMESITE": "Lax",
            "SESSION_COOKIE_PATH": "/",
            # It lasts a season from signing in; signing it anew for every page costs more
            # than the page.
            "SESSION_REFRESH_EACH_REQUEST": False,
            # The token lives as long as the session: an hour's limit loses typed text.
            "WTF_CSRF_TIME_LIMIT": None,
            "FETCH_ALLOWED_HOSTS": self.fetch_allowed_hosts,
            "IS_HTTPS": self.is_https,
            "HAS_SCHEDULER": self.has_scheduler,
            "PLANS_APART": self.plans_apart,
            "HAS_OFFLINE_COPY": self.is_https and self.has_offline_copy,
            "BACKUP_DAYS": self.backup_days,
        }
        if self.hosts:
            config["TRUSTED_HOSTS"] = list(self.hosts)
        return config


def read_settings(environ: Mapping[str, str] | None = None) -> Settings:
    """Read and check the settings; raises BadSetting with one sentence."""
    env = os.environ if environ is None else environ
    unknown = sorted(k for k in env if k.startswith("GARDEN_") and k not in KNOWN_SETTINGS)
    if unknown:
        raise BadSetting(
            f"Unknown setting {unknown[0]}; known are {', '.join(sorted(KNOWN_SETTINGS))}."
        )
    instance = Path(env.get("GARDEN_INSTANCE") or usual_instance()).resolve()
    # For its owner alone: it holds names, password hashes and keys.
    instance.mkdir(mode=0o700, parents=True, exist_ok=True)
    database_url = env.get("DATABASE_URL") or f"sqlite:///{instance / 'garden.sqlite'}"
    database_url = with_driver(database_url)
    secret = env.get("GARDEN_SECRET_KEY") or _stored_secret(instance)
    if len(secret) < MIN_SECRET_LENGTH or len(set(secret)) < 10:
        raise BadSetting(
            f"GARDEN_SECRET_KEY must be at least {MIN_SECRET_LENGTH} characters and not repeat one "
            "pattern; leave it unset and the app makes and keeps its own."
        )
    hops, proxies = _proxies(env)
    return Settings(
        instance=instance,
        database_url=database_url,
        secret_key=secret,
        is_https=_yes_no(env, "GARDEN_HTTPS"),
        proxy_hops=hops,
        proxies=proxies,
        prefix=_prefix(env),
        hosts=tuple(h.strip() for h in env.get("GARDEN_HOSTS", "").split(",") if h.strip()),
        fetch_allowed_hosts=frozenset(
            h.strip().lower()
            for h in env.get("GARDEN_FETCH_ALLOWED_HOSTS", "").split(",")
            if h.strip()
        ),
        has_scheduler=_yes_no(env, "GARDEN_SCHEDULER", default=True),
        plans_apart=_yes_no(env, "GARDEN_PLANS_APART", default=True),
        has_offline_copy=_yes_no(env, "GARDEN_OFFLINE_COPY", default=True),
        backup_days=_whole_number(env, "GARDEN_BACKUP_DAYS", maximum=3_650, default="14"),
    )


def _proxies(env: Mapping[str, str]) -> tuple[int, tuple[Network, ...]]:
    """How many proxies stand in front, and from which addresses the nearest of them speaks."""
    hops = _whole_number(env, "GARDEN_PROXY_HOPS", maximum=5)
    named = [word for word in re.split(r"[\s,]+", env.get("GARDEN_PROXY", "").strip()) if word]
    try:
        networks = tuple(ip_network(word) for word in named)
    except ValueError:
        raise BadSetting(
            "GARDEN_PROXY must be the proxy's addresses, such as 127.0.0.1 or 10.0.0.0/24, with "
            "commas between; a name is not enough."
        ) from None
    if any(network.prefixlen == 0 for network in networks):
        raise BadSetting("GARDEN_PROXY must not be every address: then any visitor is believed.")
    if networks and not hops:
        hops = 1
    return hops, networks or tuple(map(ip_network, ("127.0.0.0/8", "::1/128")))


def _prefix(env: Mapping[str, str]) -> str:
    prefix = env.get("GARDEN_PREFIX", "").strip().rstrip("/")
    if prefix and re.fullmatch(r"(/[A-Za-z0-9._~-]+)+", prefix, re.ASCII) is None:
        raise BadSetting(
            f"GARDEN_PREFIX must be a path of letters and digits, such as /garden, not {prefix!r}."
        )
    return prefix


def with_driver(database_url: str) -> str:
    """The address with the driver in it that is installed; without, another would be meant."""
    for plain in ("postgres://", "postgresql://"):
        if database_url.startswith(plain):
            return "postgresql+psycopg://" + database_url.removeprefix(plain)
    return database_url


def _stored_secret(instance: Path) -> str:
    """The signing key kept beside the database, made at the first run for the owner alone."""
    path = instance / "secret_key"
    if not path.exists():
        # Written whole under another name and then linked: two workers starting at once
        # must agree on one key, and neither may read half of it.
        draft = instance / f".secret_key.{os.getpid()}"
        handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, stat.S_IRUSR | stat.S_IWUSR)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(secrets.token_urlsafe(48))
        with contextlib.suppress(FileExistsError):
            os.link(draft, path)
        draft.unlink()
    try:
        return path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise BadSetting(
            f"The file {path.name} beside the database cannot be read; put back its copy, or "
            "delete it: then a new key is made and everybody signs in again."
        ) from error


def _yes_no(env: Mapping[str, str], name: str, *, default: bool = False) -> bool:
    value = env.get(name, "").strip().lower()
    if not value:
        return default
    if value in {"0", "no", "off", "false"}:
        return False
    if value in {"1", "yes", "on", "true"}:
        return True
    raise BadSetting(f"{name} must be yes or no, not {value!r}.")


def _whole_number(env: Mapping[str, str], name: str, *, maximum: int, default: str = "0") -> int:
    value = env.get(name, "").strip() or default
    if not value.isdecimal() or int(value) > maximum:
        raise BadSetting(f"{name} must be a whole number from 0 to {maximum}, not {value!r}.")
    return int(value)
