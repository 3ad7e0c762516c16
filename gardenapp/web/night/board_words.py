"""The board's words for states, frosts and reasons, in the reader's units."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from gardenapp.messages import marked
from gardenapp.science.night.exposure import FrostType
from gardenapp.science.night.plan_records import PlanHeader, PlantingStory, Reason
from gardenapp.services.night.board_changes import Change, Trouble
from gardenapp.services.night.tonight import UNDO_WITHIN, BoardJob, trouble_words
from gardenapp.services.store.covers import untried_lift_words as untried_lift_words
from gardenapp.web.formats import SPACE, day_clock, length
from gardenapp.web.hardiness_words import bears_text as bears_text
from gardenapp.web.hardiness_words import moved_text as moved_text
from gardenapp.words import _, later, n_, said

# Each state has a word and a shape, so that it is told without colour.
STATES: dict[str, tuple[str, str, str]] = {
    "protect": (later("needs a cover"), "\N{BLACK UP-POINTING TRIANGLE}", "warn"),
    "protected": (later("covered"), "\N{BLACK CIRCLE}", "ok"),
    "short": (later("at risk"), "\N{MULTIPLICATION X}", "bad"),
    "watch": (later("small risk"), "\N{WHITE CIRCLE}", "cold"),
    "safe": (later("safe"), "\N{CHECK MARK}", "ok"),
}

FROSTS: dict[str, str] = {
    FrostType.NONE.value: later("No frost expected at plant height"),
    FrostType.GROUND_FROST.value: later(
        "Ground frost: leaves may freeze though the air stays above zero"
    ),
    FrostType.RADIATION_FROST.value: later(
        "Radiation frost: clear and calm, coldest near the ground"
    ),
    FrostType.WIND_FROST.value: later("Wind frost: freezing air blows through, covers help less"),
    FrostType.AIR_FROST.value: later("Air frost"),
}


def frost_text(header: PlanHeader) -> str:
    """What kind of frost it is, and what is not known that would tell."""
    words = str(FROSTS.get(header.frost, header.frost))
    if header.frost != FrostType.AIR_FROST.value:
        return words
    if header.cloud_fraction is None and header.wind_mps is None:
        return _("Air frost; cloud and wind are not known")
    if header.cloud_fraction is None:
        return _("Air frost; cloud is not known")
    if header.wind_mps is None:
        return _("Air frost; wind is not known")
    return words


def may_undo(job: BoardJob, now: datetime) -> bool:
    """Whether a mark is young enough to have been a slip; later the cover was taken off."""
    return job.on_since is not None and now - job.on_since <= UNDO_WITHIN


def trouble_line(trouble: Trouble) -> str:
    """Why a cover cannot be put on, and since when."""
    words = trouble_words(trouble)
    if trouble.at is None:
        return words
    return _("%(words)s since %(at)s", words=words, at=day_clock(trouble.at))


def change_text(change: Change) -> str:
    """What a plan does not know of."""
    name, plot = said(change.name), change.plot
    return {
        "added": _("Not in this plan: %(name)s on %(plot)s", name=name, plot=plot),
        "ended": _("No longer there: %(name)s on %(plot)s", name=name, plot=plot),
        "changed": _("Changed: %(name)s on %(plot)s", name=name, plot=plot),
        "cover": _("In the store again: %(name)s", name=name),
    }[change.code]


# What first harm costs, and death.
LOSSES: dict[str, str] = {
    "looks": later("burnt leaves"),
    "harvest": later("the harvest"),
    "plant": later("the plants"),
}


def loss_text(story: PlantingStory) -> str:
    """What would be lost: leaves, the harvest, or the plants themselves."""
    is_death = story.death is not None and story.death > story.frost / 2
    return str(said(LOSSES["plant" if is_death else story.harm]))


# From which expected loss on a thing is called so; the figure stands beside the words.
CHANCES: tuple[tuple[float, str], ...] = (
    (0.66, later("likely lost")),
    (0.33, later("as likely lost as not")),
    (0.10, later("likely fine")),
    (0.0, later("very likely fine")),
)


def chance_words(share: float) -> str:
    """An expected loss in words. [0 to 1]"""
    return str(next(words for least, words in CHANCES if share >= least))


MINDS: dict[str, str] = {
    "little": later("would mind a little"),
    "much": later("would mind"),
    "dearly": later("would hurt to lose"),
}

# Why plants are left bare, by the solver's codes; its own English words are for machines.
PLAIN_REASONS: dict[str, str] = {
    "covered": later("covered"),
    "no_cover": later("the garden has no cover for it"),
    "no_better": later("a cover would leave it no better than bare"),
    "wider_than_bed": later("every cover that would fit over it is too big for the plot"),
    "not_lent": later("covers that would fit may only be used on their owner's plots"),
    "all_in_use": later(
        "every cover that would fit is in use on plants worth more or in more danger"
    ),
    "no_shelter_space": later("the shelter is full"),
    "no_room": later("no room left in the plot for another cover that would fit"),
}
SHARE_REASONS: dict[str, str] = {
    "safe": marked("little risk tonight: about %(share)s expected lost uncovered"),
    "little_help": marked(
        "a cover would not help enough tonight: about %(share)s expected lost even covered"
    ),
}


def reason_text(reason: Reason | None) -> str:
    """Why plants are left uncovered, with lengths in the reader's unit."""
    if reason is None:
        return ""
    p, code = reason.values, reason.code
    if code == "too_tall":
        tallest = float(p["tallest_cm"])
        free = (
            _("the tallest takes %(tallest)s", tallest=length(tallest))
            if tallest > 0
            else _("none stands that high")
        )
        return _(
            "no cover is tall enough: needs %(needs_cm)s, %(free)s",
            needs_cm=length(float(p["needs_cm"])),
            free=free,
        )
    if code == "too_wide":
        return _(
            "wider than every cover: needs %(needs_cm)s, the widest takes %(widest_cm)s",
            needs_cm=length(float(p["needs_cm"])),
            widest_cm=length(float(p["widest_cm"])),
        )
    if code == "too_big":
        return _(
            "no cover is both tall and wide enough: needs %(height_cm)s of height and "
            "%(spread_cm)s of width",
            height_cm=length(float(p["height_cm"])),
            spread_cm=length(float(p["spread_cm"])),
        )
    if code == "wider_than_bed" and "bed_cm" in p:
        return _(
            "every cover that would fit over it is too big for the bed: the smallest is "
            "%(cover_cm)s across, the bed %(bed_cm)s",
            cover_cm=length(float(p["cover_cm"])),
            bed_cm=length(float(p["bed_cm"])),
        )
    if code in PLAIN_REASONS:
        return str(PLAIN_REASONS[code])
    if code in SHARE_REASONS:
        return _(SHARE_REASONS[code], share=f"{float(p['lost_percent']):.0f}{SPACE}%")
    if code == "too_windy":
        return _(
            "gust %(gust_mps)s m/s is over the limit of every cover that would fit",
            gust_mps=f"{float(p['gust_mps']):.0f}",
        )
    if code == "no_minutes":
        return _(
            "no helper time left: needs %(needs_min)s min, %(left_min)s min left",
            needs_min=f"{float(p['needs_min']):.0f}",
            left_min=f"{float(p['left_min']):.0f}",
        )
    return ""


def need_text(story: PlantingStory) -> str:
    """What would change it: the cover to find, build or borrow."""
    code = story.reason.code if story.reason else ""
    units = story.reason.units_wanted if story.reason else 0
    words = _size_text(story.reason)
    if code in {"too_tall", "too_wide", "too_big", "no_cover"}:
        return (
            _("Would need: a cover %(words)s.", words=words)
            if words
            else _("Would need: a cover that fits.")
        )
    if code == "all_in_use" and units:
        if not words:
            return n_("Would need: %(num)s more cover.", "Would need: %(num)s more covers.", units)
        return n_(
            "Would need: %(num)s more cover %(size)s.",
            "Would need: %(num)s more covers %(size)s.",
            units,
            size=words,
        )
    if code == "not_lent":
        return _("Would need: the owner’s leave to use theirs tonight.")
    if code == "no_minutes":
        return _("Would need: another pair of hands.")
    if code == "no_shelter_space":
        return _("Would need: more room in the shelter.")
    if code == "too_windy":
        return _("Would need: a heavier cover, or one tied down for that gust.")
    if code in {"little_help", "no_better"}:
        return _(
            "Would need: a warmer cover, two layers, or bringing it in; else harvest what is ready."
        )
    if story.given:
        return _(
            "Covered, and still likely hurt: add a second layer, bring it in, "
            "or harvest what is ready."
        )
    return ""


# Why plants are left, where each of them needs another size or number of minutes.
GROUPS: dict[str, str] = {
    "no_minutes": later("No helper time left: another pair of hands would save"),
    "too_tall": later("No cover is tall enough"),
    "too_wide": later("No cover is wide enough"),
    "too_big": later("No cover is both tall and wide enough"),
    "all_in_use": later(
        "Every cover that would fit is in use on plants worth more or in more danger"
    ),
    "wider_than_bed": later("Every cover that would fit is too big for the bed"),
    "too_windy": later("The gust is over the limit of every cover that would fit"),
    "little_help": later("A cover would not help enough: carry it in, or harvest what is ready"),
}
SIZED = {"too_tall", "too_wide", "too_big", "all_in_use", "no_cover"}


def by_reason(
    stories: Sequence[PlantingStory],
) -> list[tuple[str, list[tuple[PlantingStory, str]]]]:
    """Plantings that stay in danger by why they do, each with the size of cover it would need."""
    found: dict[str, list[tuple[PlantingStory, str]]] = {}
    for story in stories:
        code = story.reason.code if story.reason is not None and story.left else ""
        if code:
            why = str(GROUPS[code]) if code in GROUPS else reason_text(story.reason)
        else:
            why = need_text(story).rstrip(".")
        needs = _size_text(story.reason) if code in SIZED else ""
        found.setdefault(sentence(why), []).append((story, needs))
    return list(found.items())


def sentence(words: str) -> str:
    """Words with a capital in front."""
    return words[:1].upper() + words[1:]


def _size_text(reason: Reason | None) -> str:
    if reason is None:
        return ""
    height, spread = length(reason.needs_height_cm), length(reason.needs_spread_cm)
    if reason.needs_height_cm and reason.needs_spread_cm:
        return _(
            "at least %(height)s high inside and %(spread)s wide inside",
            height=height,
            spread=spread,
        )
    if reason.needs_height_cm:
        return _("at least %(height)s high inside", height=height)
    return _("%(spread)s wide inside", spread=spread) if reason.needs_spread_cm else ""
