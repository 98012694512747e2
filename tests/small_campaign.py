"""A small campaign to corrupt one thing at a time. All of it is invented: the motion is a plain sine, no real drop."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from cordlab.campaign.campaign import CampaignError, read_campaign
from tests import written

CAMPAIGN = """\
title = "A small invented campaign"
batch = "invented"
[rig]
tie_height = "48.00(3) m"
release_depth = "0.0(1) m"
drag_area = "0.10(3) m^2"
air_density = "1.20(2) kg/m^3"
compliance = "0.0 m/N"
load_cell_at = "top"
[site]
tie_height = "43.0(1) m"
surface = "water"
release_depth = "0.0(2) m"
reach_below_attachment = "2.2(1) m"
centre_of_mass_fall = "0 m"
gear_mass = "3.0(3) kg"
drag_area = "0.5(2) m^2"
air_density = "1.2(1) kg/m^3"
[criteria]
least_clearance = "4 m"
greatest_g = 3.5
least_strength_factor = 5
greatest_stretch_ratio = 4.2
[decision]
limit = "prediction"
probability = 0.99
confidence = 0.95
model = "auto"
seed = 20
"""
MASSES = {36: 21.9, 68: 30.6, 100: 39.9}  # mass [kg] → about the lowest point [m] of an invented cord of 10 m
CORDS = ("A1", "A2")


def write_small_campaign(folder: Path) -> Path:
    """Writes an invented campaign of 2 cords and 3 masses with records at 200 Hz into `folder`, and returns it."""
    rng = np.random.default_rng(1)
    files = {
        "breaks.csv": "cord,breaking load [kN],remark,end loops\nB1,14.1,at the loop,yes\nB2,15.2,,no\n",
    }
    for channel, greatest, step, u, slope, scatter, form in (
        ("force", 3001, 500, "1.5", 2500, 5e-4, ".5f"),
        ("distance", 46, 5, "0.005", 5, 2e-3, ".4f"),
    ):
        lines = []
        for run in (1, 2):
            for place in range(0, greatest, step):
                lines.append(f"{run},{place},{u},{place / slope + rng.normal(0, scatter):{form}}")
        files[f"calibration/{channel}.csv"] = written.table(written.CALIBRATION[channel], lines)
    drops = []
    for cord in CORDS:
        for count, (mass, lowest) in enumerate(MASSES.items()):
            name = f"{cord}-{mass}.csv"
            reached = lowest + rng.normal(0, 0.2)
            use = "check" if mass == 68 else "fit"
            drops.append(f"{cord}-{mass},{cord},{mass}.00,0.05,{5 + count},18.5,{use},{reached:.2f},0.05,{name}")
            files[f"records/{name}"] = _record(rng, mass, reached)
    return written.write(folder, CAMPAIGN, (f"{cord},10.00,0.03,14.0,0.2,5" for cord in CORDS), drops, files)


def _record(rng: np.random.Generator, mass: float, lowest: float) -> str:
    time = np.arange(0, 6, 0.005)
    fallen = np.where(time < 1, 0, lowest * (1 - np.cos(np.pi * (time - 1) / 3)) / 2)
    load = mass * 9.8 * np.where(fallen > 10, 3 * (fallen - 10) / (lowest - 10), 0) + 70
    force = load / 2500 + rng.normal(0, 5e-4, time.size)
    distance = fallen / 5 + rng.normal(0, 4e-3, time.size)
    rows = (f"{t:.3f},{f:.5f},{d:.4f}" for t, f, d in zip(time, force, distance, strict=True))
    return written.table(written.RECORD, rows)


def changed(text: str, *changes: tuple[str, str]) -> str:
    """Each change replaces the first place of its first text, which must be there."""
    for old, new in changes:
        assert old in text, f"{old!r} is not there"
        text = text.replace(old, new, 1)
    return text


def edit(folder: Path, name: str, *changes: tuple[str, str]) -> None:
    """The file with its text `changed`."""
    (folder / name).write_bytes(changed((folder / name).read_bytes().decode(), *changes).encode())


def edit_bytes(folder: Path, name: str, change: Callable[[bytes], bytes]) -> None:
    (folder / name).write_bytes(change((folder / name).read_bytes()))


def problems(folder: Path) -> list[str]:
    with pytest.raises(CampaignError) as caught:
        read_campaign(folder)
    assert str(caught.value) == "\n".join(caught.value.problems)
    return list(caught.value.problems)
