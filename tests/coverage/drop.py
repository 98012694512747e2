"""Lowest points of 1,000 random set-ups against DOP853 at rtol 1e-12, model by model: greatest relative difference."""

import numpy as np

from cordlab.mechanics.predict import predict_drop
from tests.drop_reference import RANGES, lowest_by_dop853, one, random_drops


def main() -> None:
    for seed, name in enumerate(RANGES):
        curve, setup = random_drops(name, 112, seed)
        prediction = predict_drop(curve, **setup)
        worst = 0.0
        for k, lowest in enumerate(prediction.lowest_point):
            expected = lowest_by_dop853(one(curve, k), **{key: value[k] for key, value in setup.items()})
            both = np.isfinite([lowest, expected])
            if both.any():  # one without the other counts as infinitely far apart
                worst = max(worst, abs(lowest / expected - 1))
        print(f"{name:14} {worst:.1e}  {prediction.counts()}")
