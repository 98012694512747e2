"""A finished analysis for tests of figures, report and bundle. Every number of it is invented: no chain was run."""

from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import numpy as np

from cordlab.analysis import Analysis
from cordlab.batch.cords import batch_report
from cordlab.batch.findings import Finding
from cordlab.batch.fit import fit_batch
from cordlab.batch.load_lag import LoadLag
from cordlab.campaign.campaign import Campaign, read_campaign
from cordlab.cautions import CAUTIONS
from cordlab.curves.models import Curve
from cordlab.limits.budget import Budget, Share
from cordlab.limits.validation import HeldBack, MeanOff, Validation
from cordlab.quantities import QUANTITIES
from cordlab.rating.lot import Lot
from cordlab.rating.range_plan import RangePlan
from cordlab.rating.rate import Rating, not_rated
from cordlab.records.calibration import calibrate_campaign
from cordlab.records.reduce import Drop
from cordlab.wear.service_life import CordStatus, Service
from cordlab.wear.wear import Wear
from tests.small_campaign import write_small_campaign

CURVE = Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})
CORDS = ("A1", "A2", "A3", "A4", "A5", "A6")


def invented_drop(name: str, cord: str, mass: float, *, scale: float = 1.0, use: str = "fit") -> Drop:
    """What reduction would give, from a curve that is known: a sine for the motion, no real drop."""
    rng = np.random.default_rng([round(mass), CORDS.index(cord)])
    reach = 1 + mass / 33.5
    time = np.arange(0, 6, 0.005)
    swing = np.where(time < 1, 0.0, (1 - np.cos(np.pi * (time - 1) / 3)) / 2)
    position = 10 * reach * swing
    load = CURVE.force(np.maximum(position / 10, 1)) + np.where(position < 10, 60.0, 130.0)
    stretch_ratio = np.linspace(1.02, reach, 40)
    return Drop(
        name=name, cord=cord, use=use, mass=mass, slack_length=10.0, cord_mass=14.0, jumps=5, temperature=18.5,
        load_cell_at="top", filter="cfc60", time=time, load=load + rng.normal(0, 1, time.size), position=position,
        speed=np.gradient(position, time), release=200, slack_end=int(np.argmax(position >= 10)),
        peak=int(np.argmax(load)) - 30, lowest=int(np.argmax(position)), lowest_point=float(position.max()),
        u_lowest_point=0.05, peak_load=float(load.max()), u_peak_load=8.0, stretch_ratio=stretch_ratio,
        force=scale * CURVE.force(stretch_ratio) + rng.normal(0, 4, 40), unloading_ratio=stretch_ratio[::-1],
        unloading_force=0.8 * CURVE.force(stretch_ratio)[::-1], energy_returned=0.86,
        u_energy_returned=0.004, zero=0.0, residual_velocity=None,
        implied_mass=None, time_scale=1.0, u_time_scale=0.0, rest_seen=None, slack_seen=None,
        lowest_by_load=None, notes=(),
    )  # fmt: skip


def invented_predictions() -> tuple[dict, ...]:
    rows = []
    for mass in np.arange(33.0, 98.0):
        row = {
            "mass": float(mass), "lowest_point": 12.0 + 0.272 * mass, "lowest_point_limit": 12.1 + 0.286 * mass,
            "clearance": 28.8 - 0.272 * mass, "clearance_limit": 28.4 - 0.284 * mass,
            "g": 1.72 + 44 / (mass + 3), "g_limit": 1.80 + 47.5 / (mass + 3),
            "peak_load": 750 + 16.6 * mass, "peak_load_limit": 790 + 17.3 * mass,
        }  # fmt: skip
        row |= {"strength_factor": 14100 / row["peak_load"], "strength_factor_limit": 14100 / row["peak_load_limit"]}
        row |= {"stretch_ratio": row["lowest_point"] / 10, "stretch_ratio_limit": row["lowest_point_limit"] / 10}
        row |= {f"u_{name}": abs(row[f"{name}_limit"] - row[name]) / 2.5 for name in QUANTITIES if name in row}
        met = {"clearance": row["clearance_limit"] >= 4, "g": row["g_limit"] <= 2.8}
        why = [f"{name} limit fails its criterion" for name, holds in met.items() if not holds]
        risk = {
            "clearance": 1 / (1 + np.exp(4 * row["clearance_limit"] - 12)),
            "g": 1 / (1 + np.exp(40 * (2.8 - row["g"]))),
        }
        row |= {"violation": risk, "decision": {}, "rated": not why, "reason": "; ".join(why) or None}
        times = {"time_g": 2.3, "time_peak_load": 2.7, "time_lowest_point": 2.0 + mass / 50}
        rows.append(row | {"waves": {"lowest_point": -0.4321, "g": 1.0 + 4 / mass, "peak_load": 0.98} | times})
    return tuple(rows)


RATED = Rating(
    rated=True,
    lightest=45.0,
    heaviest=85.0,
    governed_by={"light": "g", "heavy": "clearance"},
    limit="prediction",
    probability=0.99,
    confidence=0.95,
    n_cords=6,
    dof=5.4,
    reasons=(),
    predictions=invented_predictions(),
    promise="99 % prediction limit for the next drop of another cord of the batch, from 6 cords",
)


def with_steps(analysis: Analysis, *, campaign: Campaign | None = None, **steps: Any) -> Analysis:
    """A copy of an analysis in which these steps are done, with these results."""
    copy = Analysis(campaign or analysis.campaign, analysis.progress)
    vars(copy).update(
        {name: result for name, result in vars(analysis).items() if name not in ("campaign", "progress")} | steps
    )
    return copy


@cache
def specimen() -> Analysis:
    """An invented analysis that is rated, with every part that an analysis can have."""
    folder = Path(mkdtemp(prefix="specimen-"))
    text = write_small_campaign(folder) / "campaign.toml"
    text.write_text(text.read_text().replace("greatest_g = 3.5", "greatest_g = 2.8"))
    campaign = read_campaign(folder)
    rng = np.random.default_rng(3)
    scales = dict(zip(CORDS, np.exp(rng.normal(0, 0.02, 6)), strict=True))
    drops = [
        invented_drop(f"{cord}-{mass}", cord, float(mass), scale=scales[cord], use="check" if mass == 68 else "fit")
        for cord in CORDS
        for mass in (36, 52, 68, 84, 100)
    ]
    shares = (
        Share("cord to cord (length and mass too)", 0.51, 0.74, 5.0, 0.31, 1.1),
        Share("drop to drop", 0.21, 0.125, 24.0, 0.05, 0.2),
        Share("site drag area", 0.19, 0.1, np.inf, 0.04, 0.15),
        Share("site tie height", 0.1, 0.028, np.inf, 0.01, 0.04),
        Share("shape of the curve", 0.05, 0.007, np.inf, 0.0, 0.0),
    )
    budgets = {
        "clearance": Budget("clearance", 85.0, 5.68, 0.6, 6.9, 4.2, 4.26, shares),
        "g": Budget("g", 45.0, 2.63, 0.06, 7.0, 2.8, 2.79, shares[:2]),
    }
    rows = tuple(
        HeldBack(f"{cord}-68", cord, 68.0, 30.5 + off, 30.55, 29.9, 31.2, "this cord", g=2.6, g_lower=2.5, g_upper=2.7)
        for cord, off in zip(CORDS, (-0.2, 0.1, 0.3, -0.1, 0.0, 0.9), strict=True)
    )
    counts = np.tile([5, 100, 200, 350, 500], 6)
    worn = 8.6 - 0.0045 * counts + np.repeat(rng.normal(0, 0.25, 6), 5) + rng.normal(0, 0.05, 30)
    temperature = {"temperature [degC]": np.full(30, 18.0)}
    how = {"quantity": "clearance at 85 kg", "conditions": temperature}
    wear = Wear(np.repeat(CORDS, 5), counts, worn, probability=0.99, least=4.0, **how)
    return with_steps(
        Analysis(campaign),
        calibrations=calibrate_campaign(campaign),
        drops=tuple(drops),
        load_lag=LoadLag(0.003, 0.008, False),
        fit=fit_batch(
            [drop for drop in drops if drop.use == "fit"],
            candidates=("mooney-rivlin", "linear", "yeoh"),
            check=[drop for drop in drops if drop.use == "check"],
        ),
        waves=None,
        loads=None,
        stiffness=None,
        forecast=None,
        rating=RATED,
        validation=Validation(rows, 0.98, False, (MeanOff(68.0, 6, 0.12, 0.31),)),
        batch=batch_report(
            {
                "stiffness scale": {cord: scales[cord] * rng.normal(1, 0.005, 4) for cord in CORDS},
                "slack length [m]": {cord: [10 + 0.03 * k] for k, cord in enumerate(CORDS)},
            }
        ),
        range_plan=RangePlan(
            np.arange(2, 21), 44.0 + 6 / np.arange(2, 21), 87.0 - 12 / np.arange(2, 21), 6, (43.5, 88.0)
        ),
        lot=Lot(campaign.breaks, criteria=campaign.criteria, greatest_load_limit=2270.0),
        service=Service(RATED, None, ({"jumps": 500, "lightest": 45.0, "heaviest": 85.0},), wear),
        in_service=(CordStatus("A7", 120, 480, 380, False, (), ("no inspection is noted since 2026-04-01",)),),
        pulls=None,
        by_hand=None,
        budget=budgets,
        findings=(Finding("scale", "softer than its other drops by 2 %", "drop A2-100", "look at its record"),),
        cautions=CAUTIONS,
    )  # fmt: skip


def refused(reason: str = "only 1 cord was dropped: nothing says what another cord of the batch does") -> Analysis:
    """The same, not rated."""
    whole = specimen()
    rating = not_rated([reason], decision=whole.campaign.decision, n_cords=1)
    return with_steps(whole, rating=rating, budget={}, service=None, lot=None, validation=None)
