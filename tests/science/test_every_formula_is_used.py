"""No formula stands in `science` that nothing asks.

A check against a published figure says something about the app only if the app reckons with the
formula that was checked. So each function, class, constant and method in `gardenapp/science` is
named, straight or through others, by something outside it: a service, a page, a command or
the demo. Tests do not count.

What a planned step will use may wait: `WAITING` names it, with the step and what for. The rule: a
step that uses an entry takes it off the list (the test fails until it does), and a step that
passes without using its entry deletes the formula, its tests and the entry.

What the finder (`tests/science/reached.py`) cannot see: whether the service that names a formula
is itself called, and which of two methods of the same name is meant. It calls nothing unused
that is in use.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest

from tests.science.reached import Sources, stands_for, unreached

ROOT = Path(__file__).resolve().parent.parent.parent
SCIENCE = "gardenapp.science"

# A formula with all that it uses, or a whole module; the step that will use it, and what for.
WAITING = {
    "gardenapp.science.covers.film.mil_to_um": "step 14: film in a pasted table in mil",
    "gardenapp.science.covers.film.oz_yd2_to_gm2": "step 14: fleece in a pasted table in oz/yd²",
    # The whole module, also while a page still asks a part of it.
    "gardenapp.science.covers.heat": (
        "step 16: a heat balance with soil, stored heat, leakage, dew and sky that reproduces "
        "published nights, or goes"
    ),
    "gardenapp.science.covers.lift.unsealed": "step 16: an unsealed cover adds less tonight",
    "gardenapp.science.covers.wind.wind_at_height": (
        "step 16: wind is measured at 10 m and pulls at covers near the ground"
    ),
    "gardenapp.science.humidity.frost_point_c": (
        "step 16: frost seen on cover, film and leaf is held against the reckoned point"
    ),
    "gardenapp.science.humidity.pressure_hpa": "step 17: wet bulb at the garden's height",
    "gardenapp.science.humidity.psychrometric_constant_hpa_per_k": (
        "step 17: water that plants use under film that stands for weeks (FAO-56)"
    ),
    "gardenapp.science.humidity.relative_humidity_percent": (
        "step 17: wet hours under covers, where a forecast gives the dew point only"
    ),
    "gardenapp.science.humidity.wet_bulb_c": "step 17: whether snow or rain falls on a cover",
    "gardenapp.science.night.sun.clear_sky_radiation_mj": "step 17: water used under film (FAO-56)",
    "gardenapp.science.night.sun.daylight_hours": "step 17: water used under film (FAO-56)",
    "gardenapp.science.night.sun.extraterrestrial_radiation_mj": (
        "step 17: water used under film (FAO-56)"
    ),
    "gardenapp.science.night.sun.solar_radiation_mj": (
        "step 17: water used under film, from hours of sunshine (FAO-56)"
    ),
}


def module_name(path: Path) -> str:
    """`gardenapp.science.night.sun` for its file."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def app() -> Sources:
    """Science, all that may ask it, and the names behind dots in templates."""
    paths = [*(ROOT / "gardenapp").rglob("*.py"), ROOT / "seed_demo.py"]
    texts = {module_name(path): path.read_text("utf-8") for path in paths}
    templates = [path for path in (ROOT / "templates").rglob("*") if path.is_file()]
    return Sources(
        package={name: text for name, text in texts.items() if stands_for(SCIENCE, name)},
        roots={name: text for name, text in texts.items() if not stands_for(SCIENCE, name)},
        spoken={
            name
            for path in templates
            for name in re.findall(r"\.([A-Za-z_]\w*)", path.read_text("utf-8"))
        },
    )


def test_each_formula_is_asked_by_the_app_or_waits_for_a_step() -> None:
    found = sorted(unreached(app(), also=WAITING))

    assert found == [], "nothing reaches these: use them, delete them, or name the step that will"


def test_what_waits_is_there_and_is_not_used_yet() -> None:
    found = unreached(app())

    done = [entry for entry in WAITING if not any(stands_for(entry, formula) for formula in found)]

    assert done == [], "these are used by now, or gone: take them off the list"


def test_what_waits_names_its_step_and_what_for() -> None:
    assert [why for why in WAITING.values() if not re.fullmatch(r"step (9|1\d): .{10,}", why)] == []


# The finder can fail


def looked_at(science: str, root: str = "", other: str = "", spoken: str = "") -> set[str]:
    """Names in `s.one` and `s.two` that the module `root` reaches not."""
    sources = Sources({"s.one": science, "s.two": other}, {"app": root}, spoken.split())
    return {name.removeprefix("s.") for name in unreached(sources)}


TWO = "def used():\n    return 1\n\ndef spare():\n    return 2\n"


@pytest.mark.parametrize(
    "root",
    [
        "from s.one import used\nprint(used())",
        "from s.one import used as it\nx = [it]",
        "from s import one\none.used()",
        "from s import one as science\nscience.used()",
        "import s.one\ns.one.used()",
        "import s.one as o\no.used()",
        "def page():\n    from s.one import used\n    return used()",
        "from s.one import used\ndef page(f=used): ...",
        "from s.one import used\ndef page(x: used): ...",
        "from s.one import used\n@used\nclass Page: ...",
        "from s.one import used\nclass Page:\n    def get(self):\n        return lambda: used()",
        "from s.one import used\npage = {n: used(n) for n in range(3)}",
        "if True:\n    from s.one import used\n    used()",
        "try:\n    from s.one import used\nexcept ImportError:\n    pass\nelse:\n    used()",
    ],
)
def test_whoever_names_a_formula_reaches_it_and_no_other(root: str) -> None:
    assert looked_at(TWO, root) == {"one.spare"}


@pytest.mark.parametrize(
    "root",
    [
        "from s.one import used",  # taken in and never named
        "def page(used):\n    return used",
        "used = 3\nprint(used)",
        "def page():\n    used = 3\n    return used",
        "print([used for used in range(3)])",
        "page = lambda used: used",
        "from other import used\nused()",
        "'used'",
        "# used",
    ],
)
def test_a_thing_of_the_same_name_is_not_the_formula(root: str) -> None:
    assert looked_at(TWO, root) == {"one.used", "one.spare"}


def test_a_variable_of_the_same_name_inside_science_is_not_the_formula() -> None:
    science = "def lift():\n    return 1\n\ndef front(lift):\n    return lift + 1\n"

    assert looked_at(science, "from s.one import front\nfront(2)") == {"one.lift"}


def test_what_a_formula_uses_is_reached_with_it_and_what_only_a_spare_one_uses_is_not() -> None:
    science = (
        "from s import two\nfrom s.two import LIMIT as most\n"
        "def front():\n    return _helper() + two.deep(most)\n"
        "def _helper():\n    return 1\n"
        "def spare():\n    return _only_here() + two.FAR\n"
        "def _only_here():\n    return 2\n"
    )
    other = "LIMIT = 3\nFAR = 4\ndef deep(x):\n    return x\n"

    found = looked_at(science, "from s.one import front\nfront()", other)

    assert found == {"one.spare", "one._only_here", "two.FAR"}


def test_two_that_only_name_each_other_are_not_reached() -> None:
    science = "def a():\n    return b()\n\ndef b():\n    return a()\n"

    assert looked_at(science, "import s.one") == {"one.a", "one.b"}


def test_a_name_passed_on_by_another_module_is_followed_home() -> None:
    found = looked_at("from s.two import deep", "from s.one import deep\ndeep()", TWO + "deep = 1")

    assert found == {"two.used", "two.spare"}


def test_what_a_module_does_when_it_is_opened_counts_once_it_is_opened() -> None:
    science = "import s.two\ndef used():\n    return 1\nassert s.two.used()\n"

    assert looked_at(science, "", TWO) == {"one.used", "two.used", "two.spare"}
    assert looked_at(science, "from s.one import used\nused()", TWO) == {"two.spare"}


METHODS = (
    "class Curve:\n"
    "    def __init__(self):\n        self.start()\n"
    "    def start(self): ...\n"
    "    def low(self):\n        return helper()\n"
    "    @property\n    def high(self):\n        return 1\n"
    "def helper(): ...\n"
)


def test_a_method_is_reached_when_its_class_is_and_somebody_asks_for_it() -> None:
    assert looked_at(METHODS, "x.low()\nx.high") == {
        "one.Curve", "one.Curve.start", "one.Curve.low", "one.Curve.high", "one.helper",
    }  # fmt: skip
    assert looked_at(METHODS, "from s.one import Curve\nCurve()") == {
        "one.Curve.low", "one.Curve.high", "one.helper",
    }  # fmt: skip
    root = "from s.one import Curve\nCurve().low()"
    assert looked_at(METHODS, root) == {"one.Curve.high"}
    assert looked_at(METHODS, root, spoken="high") == set()


def test_a_type_that_only_an_annotation_names_is_reached() -> None:
    science = "class Low: ...\n\ndef front(x: list[Low]) -> None: ...\n"

    assert looked_at(science, "from s.one import front\nfront([])") == set()


def test_what_is_defined_under_an_if_is_found() -> None:
    science = "if True:\n    def used(): ...\nelse:\n    def used():\n        return helper()\n"

    assert looked_at(science + "def helper(): ...\n") == {"one.used", "one.helper"}
    assert looked_at(science + "def helper(): ...\n", "from s import one\none.used()") == set()


def test_what_waits_takes_what_it_uses_along_and_nothing_else() -> None:
    science = "def a():\n    return _b()\n\ndef _b(): ...\n\ndef c(): ...\n"
    sources = Sources({"s.one": science, "s.two": TWO}, {})

    assert unreached(sources, also=["s.one.a", "s.two"]) == {"s.one.c"}


def test_a_new_formula_that_nothing_asks_is_found_in_the_app() -> None:
    sun = "gardenapp.science.night.sun"
    package = {**app().package, sun: app().package[sun] + "\ndef shadow_m():\n    return 1.0\n"}

    assert unreached(Sources(package, app().roots, app().spoken), also=WAITING) == {
        f"{sun}.shadow_m"
    }


def test_a_formula_is_found_when_its_only_service_goes() -> None:
    package, spoken = app().package, app().spoken
    reuse = "gardenapp.science.store.reuse"
    roots = {name: text for name, text in app().roots.items() if reuse not in text}
    assert len(roots) < len(app().roots)

    found = unreached(Sources(package, roots, spoken), also=WAITING)

    assert {name for name in found if stands_for(reuse, name)}
