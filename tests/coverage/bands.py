"""How often the three bands of a batch fit hold the truth, on invented batches of known truth.

Each batch: cords with their own true stiffness (lognormal), each drop with its own, correlated noise within a drop. The
confidence band is held against the true mean curve, the prediction bands against the noisy force of one new drop: of
another cord drawn from the batch, and of the first tested cord. A 95 % band should hold its value 95 times in 100.
`python -m tests.coverage bands [batches]`.
"""

import numpy as np
from scipy.stats import binom

from cordlab.batch.fit import fit_batch
from tests.invented_drops import TRUE, invented_drops

AT = np.array([1.6, 2.8, 3.9])
LEVEL = 0.95
CASES = {  # name: what differs from 6 cords of 5 drops, cord sd 2 %, drop sd 0.4 %
    "6 cords x 5 drops": {},
    "4 cords x 3 drops": {"cords": 4, "reach": (2.2, 3.1, 4.0)},
    "drops scatter more than cords": {"cords": 5, "reach": (2.2, 3.1, 4.0), "cord_sd": 0.01, "drop_sd": 0.02},
    "one drop a cord": {"cords": 6, "reach": (4.0,)},
    "noise, much correlated": {"noise": 12.0, "correlation": 0.85},
    "2 cords x 3 drops": {"cords": 2, "reach": (2.2, 3.1, 4.0)},
}
BANDS = ("confidence of the mean", "next drop, another cord", "next drop, this cord")


def held(rng: np.random.Generator, **case) -> np.ndarray:
    """For one invented batch: (bands, stretch ratios) of whether each band holds its value."""
    options = {"cord_sd": 0.02, "drop_sd": 0.004, "noise": 3.0, "cords": 6} | case
    # one cord more than is fitted: the other cord of the batch; one drop more of each: the next drop
    options["reach"] = (*options.get("reach", (2.2, 2.6, 3.1, 3.5, 4.0)), 4.0)
    made = invented_drops(rng, **(options | {"cords": options["cords"] + 1}))
    per_cord = len(options["reach"])
    tested = [drop for k, drop in enumerate(made[:-per_cord]) if k % per_cord < per_cord - 1]
    fit = fit_batch(tested, model="mooney-rivlin", candidates=["mooney-rivlin"]).chosen
    next_of_first, of_another = made[per_cord - 1], made[-1]
    bins = np.searchsorted(of_another.stretch_ratio, AT)
    x = of_another.stretch_ratio[bins]
    asked = (
        (fit.confidence_band(x, LEVEL), TRUE.force(x)),
        (fit.prediction_band(x, LEVEL), of_another.force[bins]),
        (fit.prediction_band(x, LEVEL, this_cord=next_of_first.cord), next_of_first.force[bins]),
    )
    return np.array([(band.lower <= value) & (value <= band.upper) for band, value in asked])


def study(batches: int, *, seed: int, **case) -> np.ndarray:
    """Share of batches in which each band holds its value: (bands, stretch ratios)."""
    rng = np.random.default_rng(seed)
    return np.mean([held(rng, **case) for _ in range(batches)], axis=0)


def main(batches: int = 1000) -> None:
    error = np.sqrt(LEVEL * (1 - LEVEL) / batches)
    print(f"{batches} invented batches a case, {LEVEL:.0%} bands, binomial standard error {error:.3f}")
    print(f"at stretch ratios {', '.join(map(str, AT))}")
    lowest = 1.0
    for k, (name, case) in enumerate(CASES.items()):
        shares = study(batches, seed=100 + k, **case)
        lowest = min(lowest, float(shares.min()))
        for band, row in zip(BANDS, shares, strict=True):
            print(f"{name:30s} {band:24s} " + "  ".join(f"{share:.3f}" for share in row), flush=True)
    looks = len(CASES) * shares.size
    luck = binom.ppf(0.05 / looks, batches, LEVEL) / batches
    said = "which luck allows" if lowest >= luck else "which is NOT luck"
    print(f"lowest of {looks}: {lowest:.3f}, {said}; where all hold, one below {luck:.3f} comes once in 20 studies")
