"""Do limits hold where the site's inputs weigh? `python -m tests.coverage inputs [campaigns]`.

The engine alone, at a site whose drag area is known to a fifth or to two fifths, normal and cut at 0, all else well.
The share of true next drops that keep the 0.99 limit of the clearance, by a normal law cut at 0 and by the gamma law
that was drawn before, which is thin on the low side. Stays rated: the share of campaigns whose limit at the middle mass
meets a least clearance that lies 0.3 m below what 0.99 of the drops truly keep.
"""

from unittest.mock import patch

import numpy as np
from scipy.special import gammaincinv

from cordlab.limits import simulate
from cordlab.limits.forecast import forecast_drop
from tests.coverage._engine import RIDERS, campaign, heads, mean, row, share, site, true_next
from tests.lowest_worlds import LAWS, Cords

PLAIN = simulate.draw_input
AT = RIDERS[[0, 4, 8]]
WELL_KNOWN = {"tie_height": 0.02, "reach_below_attachment": 0.02, "gear_mass": 0.05, "air_density": 0.01}
WELL_KNOWN |= {"release_depth": 0.02}
TO_SPARE = 0.3  # [m]


def by_gamma(quantity, share, *, positive=False):
    """The law of the same mean and sd that cordlab drew from before."""
    if positive and quantity.value > 0 and quantity.u > 0:
        shape = (quantity.value / quantity.u) ** 2
        return gammaincinv(shape, share) * quantity.value / shape
    return PLAIN(quantity, share, positive=positive)


def main(campaigns: int = 300) -> None:
    print(f"content of the 0.99 limit of the clearance, {campaigns} campaigns of 6 cords; ± a standard error over them")
    heads("cords differ by", "drag area [m²]", "its law", *(f"{rider:g} kg" for rider in AT), "stays rated")
    for cord_sd in (0.005, 0.02):
        cords = Cords(cord_sd=cord_sd, per_kelvin=0.0)
        for u_drag in (0.1, 0.2):
            laws = {name: (value, WELL_KNOWN.get(name, u_drag)) for name, (value, _) in LAWS.items()}
            truth = true_next(cords, AT, np.random.default_rng(1), 200_000, laws)["clearance"]
            least = np.quantile(truth[1], 0.01) - TO_SPARE
            limits = {"gamma": [], "normal cut at 0": []}
            for seed in range(campaigns):
                drops = campaign(cords, 6, np.random.default_rng([seed, 10]))
                for law, draw in zip(limits, (by_gamma, PLAIN), strict=True):
                    with patch.object(simulate, "draw_input", draw):
                        forecast = forecast_drop(drops, site=site(laws), masses=AT, seed=seed, draws=4096)
                    limits[law].append(forecast.limit("clearance"))
            ranked = np.sort(truth, axis=1)
            for law, found in limits.items():
                held = [
                    1 - np.searchsorted(of, at) / of.size for of, at in zip(ranked, np.transpose(found), strict=True)
                ]
                stays = share([limit[1] >= least for limit in found])
                row(f"{cord_sd:.1%}", f"0.5 ± {u_drag:g}", law, *map(mean, held), stays)
