"""Between the tested masses, without records: `python -m tests.coverage bend [campaigns] [rows by number]`.

Cords of a truth with stretch waves (`tests/lowest_worlds.py`, a chain of lumps of its own), dropped on a ladder of
masses, lowest points alone. At each hung mass: the share of next drops that stay above the 0.99 limit of the lowest
point, mean over the campaigns that are rated there, with its standard error; how far the estimate lies off; and how
many of these sound campaigns are rated there, and at all. The site is all but exact, so that masses and cords make the
limits. Curve, waves, findings and validation are those of the whole chain; the limits are drawn at the masses that are
looked at alone, `DRAWS` a campaign with another seed each (0.001 of content in one campaign, less in their mean).
"""

from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr

from cordlab import Analysis, read_campaign
from cordlab.batch.findings import against_rating
from cordlab.limits.forecast import forecast_drop
from cordlab.limits.validation import validate
from cordlab.rating.rate import rate
from tests.invented import mooney_rivlin
from tests.lowest_worlds import Cords, Row, write

LADDERS = ((36, 52, 68, 84, 100), (36, 52, 84, 100), (36, 68, 100), (36, 100))
AT = np.array([44.0, 52.0, 60.0, 68.0, 76.0, 84.0, 92.0])  # hung [kg]
GEAR, CORDS, NOMINAL, ASKED, DRAWS = 3.0, 6, 0.99, 0.985, 8192
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


ROWS = tuple(product((mooney_rivlin, soft_start), (0.005, 0.02), LADDERS))


def one_campaign(world: Cords, masses: tuple[int, ...], seed: int) -> tuple[np.ndarray, ...]:
    """At each of `AT`: content of the limit, estimate less truth [m], and whether it is rated; nan without a limit."""
    rng = np.random.default_rng([seed, len(masses), round(1000 * world.cord_sd)])
    plan = [Row(cord, mass, k, 15.0) for cord in range(CORDS) for k, mass in enumerate(masses)]
    content, off, rated = np.full((3, AT.size), np.nan)
    with TemporaryDirectory() as scratch:
        analysis = Analysis(read_campaign(write(Path(scratch, "campaign"), plan, world, rng, *EXACT)))
        stiffness, campaign = analysis.stiffness, analysis.campaign
        if stiffness is None:
            return content, off, np.zeros(AT.size)
        waves = analysis.loads.site if analysis.loads else None
        forecast = forecast_drop(
            stiffness, site=campaign.site, masses=AT - GEAR, probability=NOMINAL, waves=waves, draws=DRAWS, seed=seed
        )
        rating = rate(
            forecast,
            criteria=campaign.criteria,
            breaking_load=campaign.lowest_break,
            validation=validate(stiffness, probability=NOMINAL),
            reasons=against_rating(analysis.findings),
        )
    rows = {row["mass"]: row for row in rating.predictions}
    sd = np.hypot(world.cord_sd, world.drop_sd)
    for k, mass in enumerate(AT):
        limit = forecast.limit("lowest_point")[k]
        softest = brentq(lambda log, mass=mass, limit=limit: world.site(mass, log) - limit, -0.15, 0.15)
        content[k] = ndtr(-softest / sd)
        off[k] = forecast.estimate("lowest_point")[k] - world.site(mass, 0.0)
        rated[k] = rows[mass - GEAR]["rated"]
    return content, off, rated


def main(campaigns: int = 40, *numbers: int) -> None:
    np.set_printoptions(precision=4, suppress=True, linewidth=140)
    print(f"nominal {NOMINAL}, asked at each mass {ASKED} or not rated; {campaigns} campaigns of {CORDS} cords a row")
    for number in numbers or range(len(ROWS)):
        curve, cord_sd, masses = ROWS[number]
        world = Cords(curve=curve, cord_sd=cord_sd, per_kelvin=0.0, viscosity=6.0)
        content, off, rated = np.array([one_campaign(world, masses, k) for k in range(campaigns)]).swapaxes(0, 1)
        rated_there, share = rated.sum(axis=0), np.mean(rated.any(axis=1))
        error = np.sqrt(share * (1 - share) / campaigns)
        print(f"{number}: {curve.__name__}, cords {cord_sd:.1%}, {masses}: rated {share:.2f} ± {error:.2f}")
        print("  hung [kg]                ", AT)
        print("  rated there              ", rated_there / campaigns)
        if rated_there.any():
            held = np.ma.masked_where(rated == 0, content)
            print("  content where rated      ", held.mean(axis=0).filled(np.nan))
            print("  ± standard error         ", (held.std(axis=0) / np.sqrt(held.count(axis=0))).filled(np.nan))
        print("  content, rated or not    ", np.nanmean(content, axis=0))
        print("  estimate less truth [m]  ", np.nanmean(off, axis=0), flush=True)
