"""Do curve and limits hold where only light drops have a record? `python -m tests.coverage mixed [campaigns]`.

Invented campaigns of `tests/test_mixed.py`: a cord that stiffens towards its lock-up, five masses, records of the two
lightest (to stretch ratio 2.4 of 3.2), lowest points of all. The model is chosen as in an analysis. Counted: the 95 %
confidence band against the true mean curve, and the 95 % limits for the next drop of another cord, lowest point and
load, against 2,000 true drops of each campaign.
"""

from types import SimpleNamespace

import numpy as np

from cordlab.batch.drop_table import Evidence
from cordlab.batch.fit import fit_batch
from cordlab.limits.anchoring import drop_stiffness
from cordlab.limits.forecast import forecast_drop
from cordlab.mechanics.predict import predict_drop
from cordlab.units import Measured
from tests.batch.test_mixed import DROP_SD, READ, RIG, TRUTH, ladder

CORD_SD, AT, MASSES, LEVEL = 0.02, np.array([2.0, 2.6, 3.1]), np.array([52.0, 84.0, 100.0]), 0.95
MODELS = ("mooney-rivlin", "yeoh", "ogden-2", "gent", "arruda-boyce")
SITE = SimpleNamespace(
    tie_height=Measured(48.0), release_depth=Measured(0.4), drag_area=Measured(0.3), air_density=Measured(1.2),
    compliance=Measured(0.0), load_cell_at="top", reach_below_attachment=Measured(2.2), gear_mass=Measured(0.0),
    centre_of_mass_fall=Measured(0.0),
    temperature=None,
)  # fmt: skip


def one(rng: np.random.Generator, cords: int) -> tuple[str, np.ndarray, np.ndarray]:
    """The model chosen; whether the band holds the curve at `AT`; the share of true drops within the limits:
    (2, masses), of lowest point and load at the tie point.
    """
    drops, energies = ladder(rng, cords=cords)
    fit = fit_batch(drops, candidates=MODELS, energies=energies)
    band = fit.chosen.confidence_band(AT, LEVEL)
    n = len(energies.drop)
    evidence = Evidence(
        list(energies.drop), list(energies.cord), energies.setup.mass, np.zeros(n), energies.lowest, np.full(n, READ),
        np.full(n, 10.0), np.full(n, 14.0), np.full(n, np.nan), np.zeros(n), np.zeros(n), np.full(n, 15.0),
    )  # fmt: skip
    stiffness = drop_stiffness(
        fit.chosen.curve, evidence, rig=SITE, shapes=[refits.curve for refits in fit.refits(200, seed=1)]
    )
    forecast = forecast_drop(stiffness, site=SITE, masses=MASSES, probability=LEVEL, draws=5000, seed=1)
    scale = np.exp(rng.normal(0, CORD_SD, (1, 2000)) + rng.normal(0, DROP_SD, (1, 2000)))
    true = predict_drop(TRUTH.scaled(scale), mass=MASSES[:, None], **RIG)
    within = [
        (value <= forecast.limit(name)[:, None]).mean(axis=1)
        for name, value in (("lowest_point", true.lowest_point), ("peak_load", true.tie_load))
    ]
    force = TRUTH.force(AT)
    return fit.chosen.model.name, (band.lower <= force) & (force <= band.upper), np.array(within)


def main(campaigns: int = 200) -> None:
    rng = np.random.default_rng(7)
    for cords in (4, 6):
        names, held, within = zip(*(one(rng, cords) for _ in range(campaigns)), strict=True)
        print(f"{campaigns} invented campaigns of {cords} cords, 2 of 5 masses recorded; chosen: ", end="")
        print(", ".join(f"{name} {names.count(name)}" for name in dict.fromkeys(names)))
        error = np.sqrt(LEVEL * (1 - LEVEL) / campaigns)
        shares = "  ".join(f"{share:.3f}" for share in np.mean(held, axis=0))
        print(f"  95 % confidence of the mean at stretch ratio {AT}: {shares}  (binomial standard error {error:.3f})")
        for name, mean, sd in zip(
            ("lowest point", "load"), np.mean(within, axis=0), np.std(within, axis=0, ddof=1), strict=True
        ):
            each = "  ".join(f"{m:.3f} ± {s:.3f}" for m, s in zip(mean, sd / np.sqrt(campaigns), strict=True))
            print(f"  95 % limit of the next drop's {name}, another cord, at {MASSES} kg: {each}", flush=True)
