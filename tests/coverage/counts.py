"""What a campaign shows of jump counts, in designs that show little: `python -m tests.coverage counts [number]`.

Whole campaigns without records (`tests/lowest_worlds.py`, model and viscosity given), cords that lose 6 % of their
stiffness in 500 jumps.
Printed: how many are rated, and the true chance that the least clearance is broken at the heavy end, at the count that
the rating holds to; 0.01 is promised on average.
"""

from collections.abc import Iterable

import numpy as np

from tests.coverage._engine import RATED, analysed, heads, rated, row
from tests.lowest_worlds import TOLD, Cords, Row, violated

MASSES = (36.0, 52.0, 68.0, 84.0, 100.0)
PER_JUMP = -1.2e-4
Plan = list[Row]


def ladder(cords: Iterable[int], jumps: int = 0, temperature: float = 15.0, use: str = "fit") -> Plan:
    """Every mass on every cord, light to heavy, from a count on."""
    return [Row(cord, mass, jumps + k, temperature, use) for cord in cords for k, mass in enumerate(MASSES)]


def retested(temperature: float) -> Plan:
    """New cords, and two of them at 250 and 500 jumps."""
    return ladder(range(6)) + [row for jumps in (250, 500) for row in ladder(range(2), jumps, temperature, "wear")]


DESIGNS: dict[str, tuple[Plan, tuple[str, ...]]] = {
    "sound: retests at 250 and 500, 500 asked": (retested(15.0), ("jumps = 500",)),
    "sound: the same, no count asked for": (retested(15.0), ()),
    "sound: new cords alone, no count asked for": (ladder(range(6)), ()),
    "new cords alone, 500 asked": (ladder(range(6)), ("jumps = 500",)),
    "one used cord among the fit drops, 500 asked": (
        ladder([0, 1, 2, 3, 4]) + ladder([5], 500),
        ("jumps = 500",),
    ),
    "used cords (0, 100, … 500) among the fit drops": (
        [row for cord in range(6) for row in ladder([cord], 100 * cord)],
        (),
    ),
    "retests 12 K colder, 500 asked": (retested(3.0), ("jumps = 500",)),
    "retests 4 K colder, 500 asked": (retested(11.0), ("jumps = 500",)),
    "at most 400 allowed, 500 asked": (retested(15.0), ("jumps = 500", "greatest_jumps = 400")),
}


def changes(keys: tuple[str, ...]) -> list[tuple[str, str]]:
    """Keys of [decision], and of [criteria], as changes of campaign.toml."""
    places = {"jumps": "seed = 1", "greatest_jumps": "least_strength_factor = 4"}
    return [*TOLD, *((places[key.partition(" ")[0]], f"{places[key.partition(' ')[0]]}\n{key}") for key in keys)]


def outcome(plan: Plan, keys: tuple[str, ...], seed: int) -> tuple[str, float | None]:
    """The count that a campaign is rated for, or why it is not, and the true chance at its heavy end."""
    world, rng = Cords(per_jump=PER_JUMP), np.random.default_rng([seed, 19])
    rating = analysed(plan, world, rng, *changes(keys)).rating
    if rating.heaviest is None:
        return rating.reasons[0], None
    count = rating.headline.partition("for up to ")[2].partition(" ")[0]
    used = [row.temperature for row in plan if row.use == "fit"]
    return f"to {count}", violated(world, rating.heaviest, jumps=int(count), temperatures=(min(used), max(used)))


def main(campaigns: int = 40) -> None:
    heads("design", "for jumps, or why not", *RATED)
    for name, (plan, keys) in DESIGNS.items():
        found = [outcome(plan, keys, seed) for seed in range(campaigns)]
        chances = [chance for _, chance in found if chance is not None]
        counts = "; ".join(sorted({said for said, _ in found}))
        row(name, counts, *rated(chances, campaigns))
