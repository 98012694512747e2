"""Invented campaigns for fleets: cheap to analyse, some rated and some not, some that cannot be read."""

from pathlib import Path

import cordlab

CHEAP = {
    "cords": 4,
    "masses": (56.0, 64.0, 72.0),
    "retests": (),
    "records": False,
    "decision": {"probability": 0.8, "model": "linear"},
    "site": {"tie_height": "60 m"},
    "criteria": {"greatest_g": 6, "least_strength_factor": 3},
}


def write_fleet(place: Path, count: int) -> list[Path]:
    """`count` campaigns: each fifth has one cord (not rated), each tenth from the fourth on is damaged (fails)."""
    folders = [place / f"campaign-{k:03d}" for k in range(count)]
    for k, folder in enumerate(folders):
        numbers = CHEAP | ({"cords": 1} if k % 5 == 2 else {})
        cordlab.invent(folder, seed=k, truth=place / f"truth-{k:03d}.json", **numbers)
        if k % 10 == 3:
            (folder / "cords.csv").unlink()
    return folders


def expected(k: int) -> str:
    return "failed" if k % 10 == 3 else "not rated" if k % 5 == 2 else "rated"
