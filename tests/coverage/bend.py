"""Between the tested masses, without records: `python -m tests.coverage bend [campaigns]`.

Cords of a truth with stretch waves (`tests/lowest_worlds.py`, a chain of lumps of its own), dropped on a ladder of
masses, lowest points alone. At each hung mass: the share of next drops that stay above the 0.99 limit of the lowest
point, mean over the campaigns that are rated there, with its standard error; how far the estimate lies off; and how
many campaigns are rated there, and at all. The site is all but exact, so that masses and cords make the limits.
"""

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from cordlab import Analysis, read_campaign
from tests.invented import mooney_rivlin
from tests.lowest_worlds import Cords, Row, write

LADDERS = ((36, 52, 68, 84, 100), (36, 52, 84, 100), (36, 68, 100), (36, 100))
AT = np.array([44.0, 52.0, 60.0, 68.0, 76.0, 84.0, 92.0])  # hung [kg]
GEAR, CORDS, NOMINAL, ASKED = 3.0, 6, 0.99, 0.985
EXACT = (
    ('tie_height = "43.0(1) m"', 'tie_height = "120.00(1) m"'),
    ('drag_area = "0.5(1) m^2"', 'drag_area = "0.500(5) m^2"'),
    ('release_depth = "0.0(2) m"', 'release_depth = "0.00(1) m"'),
    ('gear_mass = "3.0(3) kg"', 'gear_mass = "3.00(2) kg"'),
    ("greatest_g = 4.0", "greatest_g = 9.0"),
    ("least_strength_factor = 4", "least_strength_factor = 1"),
    ("greatest_stretch_ratio = 4.6\n", ""),
)


def soft_start(ratio):
    """Steep first, then nearly straight: none of the curves that are fitted."""
    strain = ratio - 1
    return 620.0 * (1 - np.exp(-strain / 0.4) + 0.5 * strain + 0.02 * strain**3)


def one_campaign(world: Cords, masses: tuple[int, ...], seed: int) -> tuple[np.ndarray, ...]:
    """At each of `AT`: content of the limit, estimate less truth [m], and whether it is rated; nan without a limit."""
    rng = np.random.default_rng([seed, len(masses), round(1000 * world.cord_sd)])
    plan = [Row(cord, mass, k, 15.0) for cord in range(CORDS) for k, mass in enumerate(masses)]
    with TemporaryDirectory() as scratch:
        folder = write(Path(scratch, "campaign"), plan, world, rng, *EXACT)
        predictions = Analysis(read_campaign(folder)).rating.predictions
    rows = {row["mass"]: row for row in predictions}
    content, off, rated = np.full((3, AT.size), np.nan)
    for k, mass in enumerate(AT):
        row = rows.get(mass - GEAR)
        if row is None or row["lowest_point_limit"] is None:
            continue
        next_drops = np.random.default_rng(7)
        logs = world.log_scale(world.draw(next_drops, 20_000), mass, 0, 15.0, next_drops)
        content[k] = np.mean(world.site(mass, logs) <= row["lowest_point_limit"])
        off[k] = row["lowest_point"] - world.site(mass, 0.0)
        rated[k] = row["rated"]
    return content, off, np.nan_to_num(rated)


def main(campaigns: int = 40) -> None:
    np.set_printoptions(precision=3, suppress=True, linewidth=140)
    print(f"nominal {NOMINAL}, asked at each mass {ASKED} or not rated; {campaigns} campaigns of {CORDS} cords a row")
    for curve in (mooney_rivlin, soft_start):
        for cord_sd in (0.005, 0.02):
            world = Cords(curve=curve, cord_sd=cord_sd, per_kelvin=0.0, viscosity=6.0)
            for masses in LADDERS:
                content, off, rated = np.array([one_campaign(world, masses, k) for k in range(campaigns)]).swapaxes(
                    0, 1
                )
                number = rated.sum(axis=0)
                held = np.where(rated > 0, content, np.nan)
                print(f"{curve.__name__}, cords {cord_sd:.1%}, {masses}: rated {np.mean(rated.any(axis=1)):.2f}")
                print("  hung [kg]                ", AT)
                print("  rated there              ", number / campaigns)
                with np.errstate(invalid="ignore", divide="ignore"):
                    mean = np.nansum(held, axis=0) / number
                    error = np.sqrt(np.nansum((held - mean) ** 2, axis=0)) / number
                print("  content where rated      ", mean)
                print("  ± standard error         ", error)
                print("  estimate less truth [m]  ", off.mean(axis=0), flush=True)
