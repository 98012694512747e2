"""Does the lower tolerance limit of a few breaks hold? `python -m tests.coverage strength [lots]`.

Breaks drawn by numpy from a Weibull or a normal law, whose weakest 1 % is known in closed form. Held: the limit that
0.99 of the lot is to reach with confidence 0.95 lies at or below it. Stays: where decisions go by tolerance limits, the
share of these sound lots whose limit exceeds a greatest load of a fifth of the mean break.
"""

import numpy as np
from scipy.special import ndtri

from cordlab.campaign.campaign import BreakEntry
from cordlab.rating.lot import Lot
from tests.coverage._engine import heads, row, share

MEAN = 15_000.0


def main(lots: int = 2000) -> None:
    print(f"held, of {lots} lots each; 0.95 promised")
    heads("breaks", "their law", "normal alone", "Weibull alone", "lower of both", "stays rated")
    for law, spread in (("Weibull", 10.0), ("Weibull", 30.0), ("normal", 0.04), ("normal", 0.1)):
        for n in (3, 4, 5, 6):
            rng, held = np.random.default_rng([n, int(100 * spread)]), []
            for _ in range(lots):
                if law == "Weibull":
                    loads, true = MEAN * rng.weibull(spread, n), MEAN * (-np.log(0.99)) ** (1 / spread)
                else:
                    loads, true = rng.normal(MEAN, spread * MEAN, n), MEAN * (1 + spread * ndtri(0.01))
                lot = Lot(tuple(BreakEntry(f"B{k}", x, "", True) for k, x in enumerate(sorted(loads))), None, None)
                lower = lot.lower_limit[0]
                held.append(
                    (lot.limits["normal"] <= true, lot.limits["Weibull"] <= true, lower <= true, lower > MEAN / 5)
                )
            what = f"shape {spread:g}" if law == "Weibull" else f"sd {spread:.0%}"
            row(n, f"{law}, {what}", *map(share, zip(*held, strict=True)))
