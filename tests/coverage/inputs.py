"""Do limits hold where the site's inputs weigh? `python -m tests.coverage inputs [campaigns]`.

The engine alone, on campaigns and true drops of `tests/coverage/together.py`, whose drag area is normal and cut at 0.
The share of true next drops that keep the 0.99 limit of the clearance, by a normal law cut at 0 and by the gamma law
that was drawn before, which is thin on the low side.
"""

from unittest.mock import patch

import numpy as np
from scipy.special import gammaincinv

from cordlab.limits import simulate
from tests.coverage.together import MASSES, campaign, mean_and_error, true_next
from tests.lowest_worlds import GEAR, Cords

PLAIN = simulate.draw_input


def by_gamma(quantity, share, *, positive=False):
    """The law of the same mean and sd that cordlab drew from before."""
    if positive and quantity.value > 0 and quantity.u > 0:
        shape = (quantity.value / quantity.u) ** 2
        return gammaincinv(shape, share) * quantity.value / shape
    return PLAIN(quantity, share, positive=positive)


def main(campaigns: int = 300) -> None:
    riders = np.linspace(MASSES[0] - GEAR[0], MASSES[-1] - GEAR[0], 9)
    print(f"content of the 0.99 limit of the clearance, {campaigns} campaigns of 6 cords; ± a standard error over them")
    for cord_sd in (0.005, 0.02):
        cords = Cords(cord_sd=cord_sd, per_kelvin=0.0)
        truth = true_next(cords, riders, np.random.default_rng(1), 20_000)["clearance"]
        for law, draw in (("gamma", by_gamma), ("normal cut at 0", PLAIN)):
            held = []
            for seed in range(campaigns):
                with patch.object(simulate, "draw_input", draw):
                    limit = campaign(cords, 6, np.random.default_rng([seed, 10])).limit("clearance")
                held.append([(truth[k] >= limit[k]).mean() for k in (0, 4, 8)])
            columns = zip(riders[[0, 4, 8]], np.transpose(held), strict=True)
            cells = "; ".join(f"{rider:g} kg {mean_and_error(column)}" for rider, column in columns)
            print(f"  cords {cord_sd:.1%}, {law:15s} {cells}", flush=True)
