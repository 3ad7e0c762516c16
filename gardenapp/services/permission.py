"""Who may, where it is the same in every room."""

from __future__ import annotations

from gardenapp.errors import NotAllowed
from gardenapp.models.people import Member
from gardenapp.words import _


def coordinator_only(member: Member) -> None:
    """Raises NotAllowed for anybody else."""
    if not member.is_coordinator:
        raise NotAllowed(_("Only a coordinator can do this."))
