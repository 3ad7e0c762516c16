"""How what a plan keeps as names and codes is said in the reader's language."""

from __future__ import annotations

from gardenapp.science.night.plan_records import UNNAMED_SHELTER, TreatmentName
from gardenapp.words import _, said


def treatment_words(name: TreatmentName) -> str:
    """A way to look after plants: `Film frame with Loose straw under it`, `carry to the porch`.

    Names of kinds and places are looked up each by itself; members' own stay as they are.
    """
    if name.place == UNNAMED_SHELTER:
        return _("carry to the shelter")
    if not name.covers:
        return _("carry to %(place)s", place=said(name.place))
    words = str(said(name.covers[0]))
    for under in name.covers[1:]:
        words = _("%(cover)s with %(under)s under it", cover=words, under=said(under))
    return words
