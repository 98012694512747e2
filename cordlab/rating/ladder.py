"""The ladder of test masses: may the next, heavier mass be dropped on this rig, from the drops so far?

Bayesian, because one drop says nothing of scatter and two masses little of shape. Stated before any drop (all marked as
assumed):

- the shape is a Mooney–Rivlin curve with any ratio c2/(c1 + c2) between 0 and 1, each as likely: from the neo-Hookean
  curve to one that hardly stiffens at all. A curve that stiffens beyond it stops the mass higher, which is the safe
  side;
- scatter of ln stiffness from drop to drop between 0.3 and 4 %, from cord to cord between 0.5 and 8 %, each logarithm
  as likely;
- the level of stiffness is not assumed at all: the first drop gives it. Before it, only a maker's curve can, within
  15 %.

Every drop then weighs these against each other by the likelihood of its measured lowest point. The limit is the
posterior predictive quantile of the next drop's lowest point, so with many drops the data decide and with one the
assumptions do.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product
from math import inf
from typing import Any

import numpy as np

from cordlab.batch.anchor import Evidence, SetUp, Shapes, log_excess, log_scales
from cordlab.batch.peaks import mean_cord
from cordlab.campaign.campaign import Campaign, MakersCurve
from cordlab.curves.fit import fit_curve
from cordlab.curves.models import Curve
from cordlab.mechanics.predict import predict_drop
from cordlab.mechanics.setup import GRAVITY
from cordlab.records.calibration import calibrate_channel
from cordlab.records.reduce import reduce_entry
from cordlab.statistics.propagation import quantile

RATIOS = np.linspace(0.0, 1.0, 21)
DROP_SCATTER = np.geomspace(0.003, 0.04, 7)
CORD_SCATTER = np.geomspace(0.005, 0.08, 7)
MAKERS_MODELS = ("mooney-rivlin", "yeoh", "polynomial", "linear")
MAKERS_CURVE_SCATTER = 0.15  # of ln stiffness: how far a maker's curve may be off, assumed
UNSEEN_EXCESS = 1.2  # peak load over the even cord's where no record shows it: stretch waves, assumed
FURTHEST_STEP = 1.5  # no mass is proposed above this many times the heaviest that was dropped
DRAWS = 8_000

ASSUMED = (
    "assumed: a Mooney–Rivlin shape of any ratio c2/(c1 + c2) from 0 to 1; scatter of ln stiffness 0.3–4 % from drop "
    "to drop and 0.5–8 % from cord to cord, before the drops are seen"
)


@dataclass(frozen=True)
class Step:
    """One rung of the plan: limits for the next drop at `mass` hung [kg], SI, and whether it may be dropped now."""

    mass: float
    lowest_point: float
    lowest_point_limit: float
    clearance_limit: float
    load_limit: float
    allowed: bool
    reason: str

    def to_dict(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


@dataclass(frozen=True)
class Rung:
    """The answer for the next drop.

    answer : "drop" or "do not drop"; mass : asked for, or proposed where none was [kg hung]; proposed : the heaviest
        mass that may be dropped now, None if none heavier than so far; lowest_point_limit, clearance [m] and load_limit
        [N] for `mass`;
    plan : a step a planned mass, light to heavy, as seen from here
    """

    answer: str
    mass: float
    proposed: float | None
    lowest_point_limit: float
    clearance: float
    load_limit: float
    reasons: tuple[str, ...]
    plan: tuple[Step, ...]
    probability: float

    @property
    def allowed(self) -> bool:
        return self.answer == "drop"

    def summary(self) -> str:
        head = (
            f"{self.answer.upper()} {self.mass:g} kg: {100 * self.probability:g} % limit of the lowest point "
            f"{self.lowest_point_limit:.2f} m, clearance {self.clearance:.2f} m, peak load {self.load_limit:.0f} N"
        )
        lines = [f"  {reason}" for reason in self.reasons]
        if not self.allowed and self.proposed is not None:
            lines.append(f"  {self.proposed:g} kg may be dropped")
        plan = [
            f"  {step.mass:6.1f} kg  lowest {step.lowest_point:6.2f} m, limit {step.lowest_point_limit:6.2f} m  "
            f"{step.reason}"
            for step in self.plan
        ]
        return "\n".join([head, *lines, *(["plan, as seen from here:", *plan] if plan else [])])

    def to_dict(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "plan"} | {
            "plan": [step.to_dict() for step in self.plan]
        }


@dataclass(frozen=True)
class Belief:
    """Draws of what the drops so far leave possible: shape and level of the next drop's curve.  (n_draws,)"""

    curve: Curve
    batch: dict[str, Any]
    inputs: dict[str, Any]
    ends_at: float = inf  # stretch ratio up to which the curve is known

    def predict(self, mass: float) -> tuple[np.ndarray, np.ndarray]:
        """Lowest point [m] and peak load at the tie point [N] of the next drop of `mass`."""
        drop = predict_drop(self.curve, mass=mass, **self.batch, **self.inputs)
        return np.asarray(drop.lowest_point), np.asarray(drop.tie_load)


def next_mass(
    drops: Evidence | Campaign | None,
    *,
    rig: Any = None,
    least_clearance: float | None = None,
    planned: Sequence[float] = (),
    mass: float | None = None,
    cord: str | None = None,
    stack_height: float | None = None,
    greatest_load: float | None = None,
    makers_curve: Curve | MakersCurve | None = None,
    slack_length: float | None = None,
    cord_mass: float | None = None,
    probability: float = 0.99,
    seed: int = 0,
) -> Rung:
    """Whether the next mass may be dropped on this rig.

    drops : those made so far on this rig, or a campaign that holds them (its `fit` and `check` drops); None before the
        first. A campaign gives rig, plan and limits of the day too, as far as they are not given here.
    planned : masses still to come [kg hung]. mass : the one asked for; by default the lightest planned one above the
        heaviest dropped, or the heaviest that may be dropped. cord : the next drop is of this tested cord; None: of any
        cord of the batch.
    stack_height : of the weights below the cord's end [m]. least_clearance [m], greatest_load [N] at the tie point: the
        test day's.
    makers_curve, slack_length, cord_mass : needed before the first drop, assumed, and not used after it.

    Raises ValueError where there is neither a drop nor a maker's curve.
    """
    if isinstance(drops, Campaign):
        given: dict[str, Any] = {
            "rig": rig, "least_clearance": least_clearance, "planned": planned, "stack_height": stack_height,
            "greatest_load": greatest_load, "makers_curve": makers_curve, "slack_length": slack_length,
            "cord_mass": cord_mass,
        }  # fmt: skip
        day = _test_day(drops) | {name: value for name, value in given.items() if value is not None and value != ()}
        return next_mass(day.pop("drops"), mass=mass, cord=cord, probability=probability, seed=seed, **day)
    if rig is None or least_clearance is None:
        raise ValueError(
            "the rig and the least clearance of the test day are needed: give rig=... and least_clearance=..."
        )
    rng, under = np.random.default_rng(seed), stack_height or 0.0
    dropped = 0.0 if drops is None or not len(drops) else float(drops.mass.max())
    coming = sorted({float(m) for m in planned if m > dropped})
    if drops is not None and dropped:
        belief = _after(drops, rig, cord, rng)
        reasons, excess = [_so_far(drops), ASSUMED], _excess(drops, rig)
        if makers_curve is not None:
            reasons.append("the maker's curve is not used any more: the drops say what this cord does")
    elif makers_curve is not None and slack_length is not None and cord_mass is not None:
        batch = {"slack_length": slack_length, "cord_mass": cord_mass, "gravity": GRAVITY}
        belief, reasons = _before(makers_curve, batch, rig, rng)
        excess = UNSEEN_EXCESS
    else:
        raise ValueError(
            "no drop so far: a first mass needs the maker's curve (maker_curve.csv), the slack length and the cord "
            "mass, all assumed"
        )
    reasons += _wide_steps([*([dropped] if dropped else []), *coming])
    if excess == UNSEEN_EXCESS:
        reasons.append(
            f"no record of the load: peaks taken as {UNSEEN_EXCESS:g} times the evenly strained cord's, assumed"
        )

    def step(at: float) -> Step:
        lowest, load = belief.predict(at)
        limit = float(quantile(lowest, probability, "upper"))
        load_limit = float(quantile(load, probability, "upper")) * excess
        clearance = rig.tie_height.value - 2 * rig.tie_height.u - limit - under
        why = _why_not(clearance, least_clearance, load_limit, greatest_load)
        if dropped and at > FURTHEST_STEP * dropped:
            why.append(f"{at:g} kg is more than {FURTHEST_STEP:g} times the {dropped:g} kg dropped so far")
        if not dropped and coming and at > coming[0]:
            why.append(f"nothing has been dropped yet: {coming[0]:g} kg comes first")
        if limit > belief.ends_at * belief.batch["slack_length"]:
            why.append(f"stretches beyond a ratio of {belief.ends_at:.3g}, where the maker's curve ends")
        estimate = float(quantile(lowest, 0.5, "upper"))
        return Step(at, estimate, limit, clearance, load_limit, not why, "; ".join(why) or "may be dropped")

    proposed = _heaviest(step, dropped, coming)
    wanted = mass if mass is not None else (coming[0] if coming else proposed)
    if wanted is None:
        wanted = dropped
        reasons.append("no mass above the heaviest dropped so far may be dropped")
    asked = step(float(wanted))
    if wanted <= dropped and mass is None:
        asked = replace(asked, allowed=False)
    return Rung(
        answer="drop" if asked.allowed else "do not drop",
        mass=float(wanted),
        proposed=proposed,
        lowest_point_limit=asked.lowest_point_limit,
        clearance=asked.clearance_limit,
        load_limit=asked.load_limit,
        reasons=(asked.reason, *reasons),
        plan=tuple(step(m) for m in coming),
        probability=probability,
    )


def _test_day(campaign: Campaign) -> dict[str, Any]:
    """What a campaign says of its test day, by the names of `next_mass`; of its cords the longest, which comes lowest.

    Every drop made counts, left out by hand or not (it may be the one that came lowest), with its record's peak and,
    where it was not measured on its own, the record's lowest point; cords jumped since are no guide to the ladder of
    new ones.
    """
    campaign = replace(campaign.as_noted(), by_hand=campaign.by_hand)
    evidence, plan = None, campaign.plan
    entries = [entry for entry in campaign.drops if entry.use in ("fit", "check")]
    if entries:
        degree = campaign.decision.calibration_degree
        calibrations = {
            channel: calibrate_channel(table, degree=degree) for channel, table in campaign.calibration.items()
        }
        reduced = [reduce_entry(campaign, entry, calibrations) for entry in entries if entry.record]
        evidence = Evidence.of_campaign(campaign, reduced, use=("fit", "check"))
    longest = max(campaign.cords, key=lambda cord: cord.slack_length.value)
    own = None if plan is None else plan.least_clearance
    return {
        "drops": evidence,
        "rig": campaign.rig,
        "least_clearance": campaign.criteria.least_clearance if own is None else own,
        "planned": plan.masses if plan else (),
        "stack_height": plan.stack_height if plan else None,
        "greatest_load": plan.greatest_load if plan else None,
        "makers_curve": campaign.makers_curve,
        "slack_length": longest.slack_length.value + 2 * longest.slack_length.u,
        "cord_mass": longest.mass.value,
    }


def _before(
    makers: Curve | MakersCurve, batch: dict[str, Any], rig: Any, rng: np.random.Generator
) -> tuple[Belief, list[str]]:
    """What the maker's curve lets expect of the first drop, and in words how little that is."""
    curve, end, told = (makers, inf, "") if isinstance(makers, Curve) else _through(makers)
    curve = replace(curve, scale=np.asarray(curve.scale) * np.exp(rng.normal(0.0, MAKERS_CURVE_SCATTER, DRAWS)))
    reasons = [
        f"no drop yet: the maker's curve is assumed, standard deviation {100 * MAKERS_CURVE_SCATTER:g} %{told}",
        "caution: nothing of this cord was measured; begin with the lightest mass, and ask again after each drop",
    ]
    return Belief(curve, batch, SetUp.of(rig).values(), end), reasons


def _through(points: MakersCurve) -> tuple[Curve, float, str]:
    """A rising curve near the maker's points, of the models the nearest; the stretch ratio where they end; in words."""
    x, y = points.stretch_ratio, points.force
    end, fits = float(x[-1]), []
    for name in MAKERS_MODELS:
        try:
            fits.append(fit_curve(x, y, model=name))
        except ValueError:  # too few points for this one
            continue
    rising = [fit for fit in fits if np.all(fit.curve.rising(1.0, end))]
    if not rising:
        raise ValueError("maker_curve.csv: no curve that rises goes near its points; look for a slip in it")
    best = min(rising, key=lambda fit: fit.residual_sd)
    off = f"{best.residual_sd:.2g} N"
    return best.curve, end, f"; {best.model} goes through its points within {off}, to a stretch ratio of {end:.3g}"


def _wide_steps(masses: Sequence[float]) -> list[str]:
    return [
        f"from {light:g} to {heavy:g} kg is a step of more than {FURTHEST_STEP:g} times: plan a mass between"
        for light, heavy in pairwise(masses)
        if heavy > FURTHEST_STEP * light
    ]


def _why_not(clearance: float, least: float, load: float, greatest: float | None) -> list[str]:
    why = []
    if not clearance >= least:
        why.append(f"clearance limit {clearance:.2f} m is below the test day's {least:g} m")
    if greatest is not None and not load <= greatest:
        why.append(f"peak load limit {load:.0f} N is above the test day's {greatest:g} N")
    return why


def _heaviest(step: Any, dropped: float, coming: Sequence[float]) -> float | None:
    """Heaviest whole kilogram above `dropped`, up to the heaviest planned, that may be dropped."""
    low = int(np.floor(dropped)) + 1
    high = int(np.ceil(max(coming))) if coming else int(FURTHEST_STEP * dropped)
    if high < low or not step(float(low)).allowed:
        return None
    while low < high:  # limits grow with the mass: halve
        middle = (low + high + 1) // 2
        low, high = (middle, high) if step(float(middle)).allowed else (low, middle - 1)
    return float(low)


def _so_far(evidence: Evidence) -> str:
    cords, masses = len(set(evidence.cord)), len(set(evidence.mass))
    return (
        f"from {len(evidence)} drop{'s' * (len(evidence) > 1)} of {cords} cord{'s' * (cords > 1)} at {masses} "
        f"mass{'es' * (masses > 1)} up to {evidence.mass.max():g} kg"
    )


def _after(evidence: Evidence, rig: Any, cord: str | None, rng: np.random.Generator) -> Belief:
    """Posterior draws of shape and level, on a grid of the assumptions; Gaussian given a grid point.

    A `cord` that was not dropped yet is any cord of the batch.
    """
    batch, inputs = mean_cord(evidence), SetUp.of(rig).values()
    shapes = Shapes.of(Curve("mooney-rivlin", {"c1": 1.0 - RATIOS, "c2": RATIOS}))
    y = log_scales(shapes, evidence, batch, **inputs)
    step = 1e-3 * evidence.lowest_point
    moved = replace(evidence, lowest_point=evidence.lowest_point + step)
    slope = (log_scales(shapes, moved, batch, **inputs) - y) / step
    reading = (slope * evidence.u_lowest_point) ** 2
    cords = np.array(evidence.cord)
    same_cord, ahead = (cords[:, None] == cords).astype(float), (cords == cord).astype(float)
    found, ones = [], np.ones(len(evidence))
    for r, sd_drop, sd_cord in product(range(RATIOS.size), DROP_SCATTER, CORD_SCATTER):
        cover = np.diag(sd_drop**2 + reading[r]) + sd_cord**2 * same_cord
        whitened = np.linalg.inv(cover)
        precision = ones @ whitened @ ones
        level = ones @ whitened @ y[r] / precision
        residual = y[r] - level
        log_likelihood = -0.5 * (residual @ whitened @ residual + np.linalg.slogdet(cover)[1] + np.log(precision))
        log_likelihood += np.log(np.abs(slope[r])).sum()  # what was measured is the lowest point, not ln s
        link = sd_cord**2 * ahead
        pull = whitened @ link
        mean = level + pull @ residual
        var = sd_cord**2 + sd_drop**2 - link @ pull + (1.0 - ones @ pull) ** 2 / precision
        found.append((log_likelihood, mean, np.sqrt(var), r))
    weights, means, sds, which = np.array(found).T
    chance = np.exp(weights - weights.max())
    pick = rng.choice(weights.size, DRAWS, p=chance / chance.sum())
    log_scale = means[pick] + sds[pick] * rng.standard_normal(DRAWS)
    return Belief(shapes.take(which[pick].astype(int), np.exp(log_scale)), batch, inputs)


def _excess(evidence: Evidence, rig: Any) -> float:
    """Greatest measured peak over the even cord's of that drop, at least 1; the assumed one without any record."""
    recorded = evidence.take(np.isfinite(evidence.peak_load))
    if not len(recorded):
        return UNSEEN_EXCESS
    batch: dict[str, Any] = {"slack_length": recorded.slack_length, "cord_mass": recorded.cord_mass, "gravity": GRAVITY}
    inputs = SetUp.of(rig).values()
    shape = Shapes.of(Curve("mooney-rivlin", {"c1": 0.8, "c2": 0.2}))
    y = log_scales(shape, recorded, batch, **inputs)
    return max(1.0, float(np.exp(log_excess(shape, recorded, y, batch, None, **inputs).max())))
