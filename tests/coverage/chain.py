"""The chain of `waves` against 400 lumps by scipy's LSODA: `python -m tests.coverage chain [drops]`.

Invented cords of 5 to 25 kg and 8 to 30 m under 30 to 150 kg, drawn at random and their corners, of rubber, Gent,
Ogden and a spline. Printed for each viscosity: the greatest errors of lowest point, g and load at the tie point where
`waves` says that its loads are resolved to 0.3 %, and where the worst is; and how many it does not say so of, with the
greatest error of g among these over what it does say.
"""

import numpy as np

from cordlab.curves.models import Curve
from cordlab.mechanics.fall import DropSetup
from cordlab.mechanics.waves import AGREE, swing
from tests.wave_reference import reference_drop

CURVES = (
    Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0}),
    Curve("gent", {"mu": 600.0, "j": 40.0}),
    Curve("ogden-2", {"mu1": 300.0, "alpha1": 2.0, "mu2": -50.0, "alpha2": -2.0}),
    Curve("spline", {"slope_1": 2000.0, "slope_1_5": 900.0, "slope_2": 650.0, "slope_5": 750.0}),
)
CORNERS = [(30, 5, 8), (30, 14, 10), (30, 25, 8), (100, 14, 10), (150, 25, 30), (150, 5, 8), (60, 25, 30)]


def main(drops: int = 14) -> None:
    rng = np.random.default_rng(1)
    drawn = rng.uniform((30, 5, 8), (150, 25, 30), (max(drops - len(CORNERS), 0), 3))
    setups = [(*map(float, each),) for each in (*CORNERS[:drops], *drawn)]
    for viscosity in (0.0, 0.5, 2.0, 5.0, 20.0):
        rows, flagged = [], []
        for k, (mass, cord_mass, slack_length) in enumerate(setups):
            curve = CURVES[k % len(CURVES)] if k >= len(CORNERS) else CURVES[0]
            setup = DropSetup(mass, slack_length, cord_mass, 0.1)
            drop = swing(setup, curve, np.asarray(viscosity), 1)
            if not np.isfinite(drop.stretch[0]):
                print(f"{viscosity:g} N·s, {curve.model.name}, {mass:.0f} kg on {cord_mass:.0f} kg: no lowest point")
                continue
            lowest, lower, tie = reference_drop(curve, setup, viscosity)
            off = slack_length + drop.stretch[0] - lowest
            apart = float(drop.apart[0])
            if apart > AGREE:
                flagged.append(abs(drop.lower_load[0] / lower - 1) / apart)
                continue
            rows.append((1000 * off, 100 * (drop.lower_load[0] / lower - 1), 100 * (drop.tie_load[0] / tie - 1), k))
        if flagged:
            print(
                f"{viscosity:4g} N·s, {len(flagged)} drops not resolved: g off by {max(flagged):.2f} times what is said"
            )
        if not rows:
            continue
        errors = np.abs(np.array(rows))
        worst = int(np.argmax(errors[:, 1]))
        mass, cord_mass, slack_length = setups[int(errors[worst, 3])]
        where = f"{mass:.0f} kg on {cord_mass:.0f} kg, {slack_length:.0f} m"
        lowest, g, tie = errors[:, :3].max(axis=0)
        print(
            f"{viscosity:4g} N·s, {len(rows)} drops: lowest point within {lowest:.1f} mm, g within {g:.2f} % (median "
            f"{np.median(errors[:, 1]):.2f} %; worst {where}), load at the tie point within {tie:.2f} %",
            flush=True,
        )
