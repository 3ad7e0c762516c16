"""A crop is found by any of its names."""

from __future__ import annotations

import pytest

from gardenapp.reference import load_crop_names, load_stages
from gardenapp.reference.crop_finding import crops_called, fold, names_of_crops, near_spellings


@pytest.mark.parametrize(
    ("typed", "crop"),
    [
        ("courgette", "squash and courgette"), ("zucchini", "squash and courgette"),
        ("eggplant", "aubergine"), ("arugula", "rocket"), ("rutabaga", "swede"),
        ("beet", "beetroot"), ("cilantro", "coriander"), ("fava", "broad bean"),
        ("lamb's lettuce", "corn salad"), ("Mâche", "corn salad"), ("scallion", "spring onion"),
        ("corn", "sweetcorn"), ("geranium", "pelargonium"), ("berenjena", "aubergine"),
        ("ajo", "garlic"), ("puerro", "leek"), ("Papa", "potato"), ("haba", "broad bean"),
        ("patata", "potato"), ("frijol", "French bean"), ("judía verde", "French bean"),
        ("ejote", "French bean"), ("camote", "sweet potato"), ("batata", "sweet potato"),
        ("betabel", "beetroot"), ("remolacha", "beetroot"), ("durazno", "peach"),
        ("melocotón", "peach"), ("jitomate", "tomato"), ("escarola", "endive"),
        ("menta piperita", "peppermint"), ("cedrón", "lemon verbena"),
        ("brussel sprouts", "Brussels sprouts"), ("kohlrabbi", "kohlrabi"),
        ("brocolli", "broccoli"), ("califlower", "cauliflower"), ("tomatoe", "tomato"),
    ],
)  # fmt: skip
def test_british_american_and_spanish_names_and_slips_lead_to_the_crop(
    typed: str, crop: str
) -> None:
    assert crops_called(typed)[0] == crop


def test_what_nobody_grows_leads_nowhere() -> None:
    assert crops_called("") == crops_called("   ") == crops_called("xyzzyx") == ()
    assert near_spellings("xyzzyx", names_of_crops()) == ()


def test_every_crop_has_a_spanish_name_and_every_name_a_crop() -> None:
    crops = {stage.crop for stage in load_stages()}
    spanish = {name.crop for name in load_crop_names() if name.language == "es"}

    assert spanish == crops
    assert {name.crop for name in load_crop_names()} <= crops
    assert all(name.name == name.name.strip() != "" for name in load_crop_names())
    assert fold("Jalapeño’s") == "jalapeno's"
