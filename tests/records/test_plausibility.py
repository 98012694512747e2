"""Mistakes of meaning, planted one at a time in invented campaigns: none passes unnoticed, and clean ones pass clean.

The list is in tests/planted.py. Here each is planted in a campaign with distances and a stretch wave, and in one with
the load alone and uniform strain; `python -m tests.coverage faults` plants it in all worlds.
"""

import re
import shutil

import pytest

import cordlab
from tests.planted import FAULTS, UNSEEN, WORLDS, examine, write
from tests.records.test_reduce import CORD, RIG, drop_of, sensed

WITHOUT = ("uniform", "none")


@pytest.fixture(scope="module")
def campaigns(tmp_path_factory):
    """A clean campaign of each world, written when first asked for."""
    root, made = tmp_path_factory.mktemp("clean"), {}

    def campaign(mechanics, sensors):
        if (mechanics, sensors) not in made:
            made[mechanics, sensors] = write(root / f"{mechanics}-{sensors}", mechanics=mechanics, sensors=sensors)
        return made[mechanics, sensors]

    return campaign


@pytest.mark.parametrize("world", [*WORLDS, WITHOUT], ids=" ".join)
def test_a_clean_campaign_raises_no_alarm(world, campaigns):
    assert examine(campaigns(*world)).messages == ()


RECORDED = [("waves", "distance"), ("uniform", "load alone")]
PLANTED = [
    (world, fault) for fault in FAULTS for world in (RECORDED if fault.needs else [WITHOUT]) if fault.applies(world[1])
]


@pytest.mark.parametrize(("world", "fault"), PLANTED, ids=[f"{' '.join(world)}: {f.name}" for world, f in PLANTED])
def test_a_planted_mistake_is_refused_or_said_with_its_numbers(world, fault, campaigns, tmp_path):
    folder = shutil.copytree(campaigns(*world), tmp_path / "campaign")
    fault.plant(folder)
    verdict = examine(folder)
    named = [message for message in verdict.messages if re.search(fault.message, message)]
    assert any(re.search(r"\d", message) for message in named), verdict


@pytest.mark.parametrize("fault", UNSEEN, ids=[fault.name for fault in UNSEEN])
def test_what_cannot_be_found_is_known(fault, campaigns, tmp_path):
    """Each limit that the data dictionary names is one still: a check that gets sharper moves it to the other list."""
    mechanics = {"distance": "waves"}.get(fault.needs, "uniform")
    folder = shutil.copytree(campaigns(mechanics, fault.needs or "none"), tmp_path / "campaign")
    fault.plant(folder)
    assert examine(folder).messages == ()


def test_findings_stand_in_the_analysis(tmp_path):
    decision = {"probability": 0.95, "model": "mooney-rivlin"}
    folder = write(tmp_path / "campaign", sensors="none", retests=(), decision=decision, criteria={"greatest_g": 3.5})
    next(fault for fault in FAULTS if "°F" in fault.name).plant(folder)
    (finding,) = cordlab.analyse(cordlab.read_campaign(folder)).to_dict()["findings"]
    assert (finding["kind"], finding["stops"]) == ("unusual temperature", True)


@pytest.mark.parametrize("cell", ["top", "bottom"])
def test_the_cord_mass_in_the_load_is_the_true_one(cell):
    """An invented cord of 14 kg, noted as 30.9 kg (14 kg in pounds): the load of the fall says 14."""
    drop = cordlab.reduce_drop(
        *sensed(drop_of(cell=cell)), mass=68.0, **(CORD | {"cord_mass": 30.9}), **RIG, load_cell_at=cell
    )
    (note,) = [note for note in drop.notes if "load is that of a cord" in note]
    assert float(re.search(r"cord of ([\d.]+) kg", note)[1]) == pytest.approx(14.0, abs=1.0)
