"""In how many campaigns a prediction limit holds its share: `python -m tests.coverage assured [campaigns]`.

Told by each campaign from its own draws, and found: in how many the true share of next drops beyond the limit is at
most 1 %. Cords of an invented batch are dropped with five masses; clearance at the heaviest and g at the lightest.
The site's tie height is off by its stated uncertainty, the same for all next drops of a campaign; every other input of
the site is drawn with each drop. Beside it what an exact limit of normal values alone would do.
"""

import numpy as np
from scipy.stats import nct, norm, t

from cordlab.limits.forecast import forecast_drop
from tests.coverage._engine import RIDERS, campaign, heads, mean, row, share, site, true_next
from tests.lowest_worlds import LAWS, Cords


def exact(n: int) -> float:
    """Of samples of n normal values, those whose 99 % prediction limit has no more than 1 % of all beyond it."""
    return float(nct.cdf(t.ppf(0.99, n - 1) * np.sqrt(n + 1), n - 1, norm.ppf(0.99) * np.sqrt(n)))


def main(campaigns: int = 300) -> None:
    ends, fixed = RIDERS[[0, -1]], LAWS | {"tie_height": (LAWS["tie_height"][0], 0.0)}
    heads("cords", "sd", "clearance, heaviest: told", "found", "g, lightest: told", "found", "normal values alone")
    for cord_sd in (0.005, 0.01, 0.02):
        cords = Cords(cord_sd=cord_sd, per_kelvin=0.0)
        truth = true_next(cords, ends, np.random.default_rng(1), 100_000, fixed)
        room, g = np.sort(truth["clearance"][1]), np.sort(truth["g"][0])
        for n_cords in (4, 6, 10):
            told, held, rng = [], [], np.random.default_rng([n_cords, 7])
            for seed in range(campaigns):
                stiffness = campaign(cords, n_cords, rng)
                forecast = forecast_drop(stiffness, site=site(), masses=ends, seed=seed, draws=8_192)
                limit = forecast.limit("clearance")[1] - rng.normal(0.0, LAWS["tie_height"][1])
                above = 1 - np.searchsorted(g, forecast.limit("g")[0]) / g.size
                held.append((np.searchsorted(room, limit) / room.size <= 0.01, above <= 0.01))
                assured = forecast.assurance([0, 1])
                told.append((assured["clearance"][1], assured["g"][0]))
            (by_room, by_g), (in_room, in_g) = np.transpose(told), np.transpose(held)
            cells = mean(by_room), share(in_room), mean(by_g), share(in_g), f"{exact(n_cords):.3f}"
            row(n_cords, f"{cord_sd:.1%}", *cells)
