"""Visitors whose requests do not see each other's leavings.

The factories' app context is open during a test. A request that finds one open uses it, and
with it the signed-in member and the garden that the request before had looked up. Each request
here gets an app context of its own, as in a real server.
"""

from __future__ import annotations

from typing import Any

from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from tests.pages import Pages


class LoneClient(FlaskClient):
    """A client whose every request has its own app context."""

    def open(self, *args: Any, **kwargs: Any) -> TestResponse:
        with self.application.app_context():
            return super().open(*args, **kwargs)


class Phone(Pages):
    """A phone with its own cookies, which checks every page it gets."""

    def __post_init__(self) -> None:
        self.client = LoneClient(self.app, self.app.response_class)

    def _token(self) -> str:
        with self.app.app_context():
            return super()._token()

    def cookie(self) -> str:
        """The session cookie as somebody could have copied it."""
        found = self.client.get_cookie("garden")
        return found.value if found is not None else ""

    def plant(self, cookie: str) -> None:
        """Use somebody's copied cookie."""
        self.client.set_cookie("garden", cookie)
