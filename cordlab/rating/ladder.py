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

from bisect import bisect_left
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from functools import partial
from itertools import pairwise, product
from math import ceil, inf
from typing import Any

import numpy as np
import pandas as pd

from cordlab.batch.drop_table import Evidence, Shapes, drop_inputs, log_excess, log_scales, mean_cord
from cordlab.campaign.campaign import Campaign, MakersCurve
from cordlab.campaign.settings import Rig
from cordlab.curves.fit import fit_curve
from cordlab.curves.models import Curve
from cordlab.mechanics.predict import predict_drop
from cordlab.mechanics.setup import GRAVITY
from cordlab.records.calibration import calibrate_campaign
from cordlab.records.reduce import reduce_all
from cordlab.statistics.propagation import quantile
from cordlab.units import notebook_html

# The assumptions; all are our choice.
RATIOS = np.linspace(0.0, 1.0, 21)
DROP_SCATTER = np.geomspace(0.003, 0.04, 7)
CORD_SCATTER = np.geomspace(0.005, 0.08, 7)
MAKERS_MODELS = ("mooney-rivlin", "yeoh", "polynomial", "linear")
MAKERS_CURVE_SCATTER = 0.15  # of ln stiffness: how far a maker's curve may be off
UNSEEN_PEAK_FACTOR = 1.2  # peak load over the uniformly strained cord's where no record shows it: stretch waves
FURTHEST_STEP = 1.5  # no mass is proposed above this many times the heaviest that was dropped
DRAWS = 8_000

ASSUMED = (
    "assumed: a Mooney–Rivlin shape of any ratio c2/(c1 + c2) from 0 to 1; scatter of ln stiffness 0.3–4 % from drop "
    "to drop and 0.5–8 % from cord to cord, before the drops are seen"
)


@dataclass(frozen=True)
class DropDay:
    """A test day: the rig, what its drops must keep, and the drops made so far.

    Parameters
    ----------
    rig : Rig
        a campaign's `[rig]`
    least_clearance : float
        of the lowest weight above the surface [m]
    drops : Evidence, optional
        made so far on this rig; None before the first
    planned : sequence of float
        masses still to come, hung below the cord's end [kg]
    stack_height : float
        of the weights below the cord's end [m]
    greatest_load : float, optional
        at the tie point of the rig [N]
    makers_curve : Curve or MakersCurve, optional
        needed before the first drop, assumed, and not used after it; so are the next two
    slack_length, cord_mass : float, optional
        [m], [kg]
    """

    rig: Rig
    least_clearance: float
    drops: Evidence | None = None
    planned: Sequence[float] = ()
    stack_height: float = 0.0
    greatest_load: float | None = None
    makers_curve: Curve | MakersCurve | None = None
    slack_length: float | None = None
    cord_mass: float | None = None

    @classmethod
    def of(cls, campaign: Campaign) -> "DropDay":
        """The test day of a campaign; of its cords the longest, which comes lowest.

        Every drop made counts, left out by hand or not (it may be the one that came lowest), with its record's peak
        and, where it was not measured on its own, the record's lowest point; cords jumped since are no guide to the
        ladder of new ones. Raises CampaignError, naming every calibration or record that is refused.
        """
        campaign = replace(campaign.as_noted(), by_hand=campaign.by_hand)
        drops, plan, uses = None, campaign.plan, ("fit", "check")
        if any(entry.use in uses for entry in campaign.drops):
            reduced = reduce_all(campaign, calibrate_campaign(campaign), uses=uses)
            drops = Evidence.of_campaign(campaign, reduced, use=uses)
        longest = max(campaign.cords, key=lambda cord: cord.slack_length.value)
        least_clearance = campaign.criteria.least_clearance
        if plan is not None and plan.least_clearance is not None:
            least_clearance = plan.least_clearance
        return cls(
            campaign.rig,
            least_clearance,
            drops,
            planned=plan.masses if plan else (),
            stack_height=plan.stack_height if plan else 0.0,
            greatest_load=plan.greatest_load if plan else None,
            makers_curve=campaign.makers_curve,
            slack_length=longest.slack_length.value + 2 * longest.slack_length.u,
            cord_mass=longest.mass.value,
        )

    @property
    def heaviest(self) -> float:
        """The heaviest mass dropped so far [kg]; 0 before the first drop."""
        return 0.0 if self.drops is None or not len(self.drops) else float(self.drops.mass.max())

    @property
    def to_come(self) -> list[float]:
        """Planned masses above the heaviest dropped so far, light to heavy [kg]."""
        return sorted({float(mass) for mass in self.planned if mass > self.heaviest})


@dataclass(frozen=True)
class PlannedMass:
    """Limits for the next drop at `mass` hung [kg], SI, and whether it may be dropped now."""

    mass: float
    lowest_point: float
    lowest_point_limit: float
    clearance_limit: float
    load_limit: float
    allowed: bool
    reason: str


@dataclass(frozen=True)
class Rung:
    """The answer for the next drop.

    answer : "drop" or "do not drop"
    mass : asked for, or proposed where none was [kg hung]; the limits are for it
    proposed : the heaviest that may be dropped now, None if none heavier than so far
    plan : a row a planned mass, light to heavy, as seen from here
    """

    answer: str
    mass: float
    proposed: float | None
    lowest_point_limit: float
    clearance: float
    load_limit: float
    reasons: tuple[str, ...]
    plan: tuple[PlannedMass, ...]
    probability: float

    @property
    def allowed(self) -> bool:
        return self.answer == "drop"

    def summary(self) -> str:
        lines = ["plan, as seen from here:"] if self.plan else []
        for row in self.plan:
            depths = f"lowest {row.lowest_point:6.2f} m, limit {row.lowest_point_limit:6.2f} m"
            lines.append(f"  {row.mass:6.1f} kg  {depths}  {row.reason}")
        return "\n".join([self._answer, *lines])

    @property
    def _answer(self) -> str:
        head = (
            f"{self.answer.upper()} {self.mass:g} kg: {100 * self.probability:g} % limit of the lowest point "
            f"{self.lowest_point_limit:.2f} m, clearance {self.clearance:.2f} m, peak load {self.load_limit:.0f} N"
        )
        lines = [head, *(f"  {reason}" for reason in self.reasons)]
        if not self.allowed and self.proposed is not None:
            lines.append(f"  {self.proposed:g} kg may be dropped")
        return "\n".join(lines)

    def table(self) -> pd.DataFrame:
        """The plan, a row a mass."""
        heads = ["mass [kg]", "lowest point [m]", "lowest point limit [m]", "clearance limit [m]"]
        heads += ["peak load limit [N]", "may be dropped", "reason"]
        return pd.DataFrame([tuple(asdict(row).values()) for row in self.plan], columns=heads).set_index("mass [kg]")

    def _repr_html_(self) -> str:
        return notebook_html(self._answer, *([self.table()] if self.plan else []))

    def to_dict(self) -> dict[str, object]:
        return asdict(self)


@dataclass(frozen=True)
class NextDrop:
    """Draws of what the drops so far leave possible: shape and level of the next drop's curve.  (n_draws,)

    inputs : keywords of `predict_drop`
    peak_factor : peak load over that of the uniformly strained cord
    reasons : what this rests on, in words
    ends_at : stretch ratio up to which the curve is known
    """

    curve: Curve
    inputs: dict[str, Any]
    peak_factor: float
    reasons: list[str]
    ends_at: float = inf

    def limits(self, day: DropDay, probability: float, mass: float) -> PlannedMass:
        """Limits at one mass, and every reason against it."""
        drop = predict_drop(self.curve, mass=mass, **self.inputs)
        limit = float(quantile(np.asarray(drop.lowest_point), probability, "upper"))
        load_limit = float(quantile(np.asarray(drop.tie_load) * self.peak_factor, probability, "upper"))
        clearance = day.rig.tie_height.value - 2 * day.rig.tie_height.u - limit - day.stack_height
        dropped, to_come, against = day.heaviest, day.to_come, []
        if not clearance >= day.least_clearance:
            against.append(f"clearance limit {clearance:.2f} m is below the test day's {day.least_clearance:g} m")
        if day.greatest_load is not None and not load_limit <= day.greatest_load:
            against.append(f"peak load limit {load_limit:.0f} N is above the test day's {day.greatest_load:g} N")
        if dropped and mass > FURTHEST_STEP * dropped:
            against.append(f"{mass:g} kg is more than {FURTHEST_STEP:g} times the {dropped:g} kg dropped so far")
        if not dropped and to_come and mass > to_come[0]:
            against.append(f"nothing has been dropped yet: {to_come[0]:g} kg comes first")
        if limit > self.ends_at * self.inputs["slack_length"]:
            against.append(f"stretches beyond a ratio of {self.ends_at:.3g}, where the maker's curve ends")
        estimate = float(quantile(np.asarray(drop.lowest_point), 0.5, "upper"))
        reason = "; ".join(against) or "may be dropped"
        return PlannedMass(mass, estimate, limit, clearance, load_limit, not against, reason)


def next_mass(
    day: DropDay | Campaign,
    *,
    mass: float | None = None,
    cord: str | None = None,
    probability: float = 0.99,
    seed: int = 0,
) -> Rung:
    """Whether the next, heavier mass may be dropped on this rig, from the drops so far.

    Parameters
    ----------
    day : DropDay or Campaign
        the test day, or a campaign that holds it (its `fit` and `check` drops, and its `[plan]`)
    mass : float, optional
        the one asked for, hung [kg]; by default the lightest planned one above the heaviest dropped, or the heaviest
        that may be dropped
    cord : str, optional
        the next drop is of this tested cord; by default of any cord of the batch
    probability : float
        that the next drop stays within its limit
    seed : int
        of the random draws

    Returns
    -------
    Rung
        the answer, its reasons, and the plan as seen from here

    Raises
    ------
    ValueError
        where there is neither a drop nor a maker's curve
    CampaignError
        with every calibration or record of the campaign that is refused

    Examples
    --------
    >>> import cordlab
    >>> campaign = cordlab.read_campaign("data-demo/first-batch")
    >>> day = cordlab.DropDay(campaign.rig, 3.0, makers_curve=cordlab.Curve("linear", {"stiffness": 900.0}),
    ...                       planned=[36, 52], slack_length=10.0, cord_mass=14.0)
    >>> rung = cordlab.next_mass(day)
    >>> rung.mass, rung.allowed
    (36.0, True)
    """
    day = DropDay.of(day) if isinstance(day, Campaign) else day
    rng = np.random.default_rng(seed)
    dropped, to_come = day.heaviest, day.to_come
    next_drop = _after(day, day.drops, cord, rng) if day.drops else _before(day, rng)
    reasons = list(next_drop.reasons)
    for light, heavy in pairwise([dropped or inf, *to_come]):
        if heavy > FURTHEST_STEP * light:
            step = f"from {light:g} to {heavy:g} kg is a step of more than {FURTHEST_STEP:g} times"
            reasons.append(f"{step}: plan a mass between")
    if next_drop.peak_factor == UNSEEN_PEAK_FACTOR:
        peaks = f"peaks taken as {UNSEEN_PEAK_FACTOR:g} times the uniformly strained cord's, assumed"
        reasons.append(f"no record of the load: {peaks}")
    limits = partial(next_drop.limits, day, probability)
    proposed = _heaviest_allowed(limits, dropped, to_come)
    wanted = mass
    if wanted is None:
        wanted = to_come[0] if to_come else proposed
    if wanted is None:
        wanted = dropped
        reasons.append("no mass above the heaviest dropped so far may be dropped")
    asked = limits(float(wanted))
    heavier = wanted > dropped or mass is not None
    return Rung(
        answer="drop" if asked.allowed and heavier else "do not drop",
        mass=float(wanted),
        proposed=proposed,
        lowest_point_limit=asked.lowest_point_limit,
        clearance=asked.clearance_limit,
        load_limit=asked.load_limit,
        reasons=(asked.reason, *reasons),
        plan=tuple(limits(planned) for planned in to_come),
        probability=probability,
    )


def _heaviest_allowed(limits: Callable[[float], PlannedMass], dropped: float, to_come: Sequence[float]) -> float | None:
    """Heaviest whole kilogram above `dropped`, up to the heaviest planned, that may be dropped."""
    heaviest = ceil(max(to_come)) if to_come else int(FURTHEST_STEP * dropped)
    masses = range(int(dropped) + 1, heaviest + 1)
    allowed = bisect_left(masses, True, key=lambda mass: not limits(float(mass)).allowed)  # limits grow with the mass
    return float(masses[allowed - 1]) if allowed else None


# --- before the first drop --------------------------------------------------------------------------------------


def _before(day: DropDay, rng: np.random.Generator) -> NextDrop:
    """What the maker's curve lets expect of the first drop, and in words how little that is."""
    curve, end, text = day.makers_curve, inf, ""
    if curve is None or day.slack_length is None or day.cord_mass is None:
        raise ValueError(
            "no drop so far: a first mass needs the maker's curve (maker_curve.csv), the slack length and the cord "
            "mass, all assumed"
        )
    if isinstance(curve, MakersCurve):
        curve, end, text = _through(curve)
    curve = replace(curve, scale=np.asarray(curve.scale) * np.exp(rng.normal(0.0, MAKERS_CURVE_SCATTER, DRAWS)))
    inputs = {"slack_length": day.slack_length, "cord_mass": day.cord_mass, "gravity": GRAVITY}
    reasons = [
        f"no drop yet: the maker's curve is assumed, standard deviation {100 * MAKERS_CURVE_SCATTER:g} %{text}",
        "caution: nothing of this cord was measured; begin with the lightest mass, and ask again after each drop",
    ]
    return NextDrop(curve, inputs | drop_inputs(day.rig), UNSEEN_PEAK_FACTOR, reasons, end)


def _through(points: MakersCurve) -> tuple[Curve, float, str]:
    """A rising curve near the maker's points, of the models the nearest; the stretch ratio where they end; in words."""
    end, fits = float(points.stretch_ratio[-1]), []
    for name in MAKERS_MODELS:
        with suppress(ValueError):  # too few points for this one
            fits.append(fit_curve(points.stretch_ratio, points.force, model=name))
    rising = [fit for fit in fits if np.all(fit.curve.rising(1.0, end))]
    if not rising:
        raise ValueError("maker_curve.csv: no curve that rises goes near its points; look for a slip in it")
    best = min(rising, key=lambda fit: fit.residual_sd)
    near = f"{best.model.name} goes through its points within {best.residual_sd:.2g} N"
    return best.curve, end, f"; {near}, to a stretch ratio of {end:.3g}"


# --- after it ---------------------------------------------------------------------------------------------------


def _after(day: DropDay, drops: Evidence, cord: str | None, rng: np.random.Generator) -> NextDrop:
    """Posterior draws of shape and level, on a grid of the assumptions; Gaussian at each grid point.

    A `cord` that was not dropped yet is any cord of the batch.
    """
    rig = drop_inputs(day.rig)
    batch = mean_cord(drops)
    shapes = Shapes.of(Curve("mooney-rivlin", {"c1": 1.0 - RATIOS, "c2": RATIOS}))
    log_scale = log_scales(shapes, drops, batch, **rig)
    step = 1e-3 * drops.lowest_point
    lower = replace(drops, lowest_point=drops.lowest_point + step)
    slope = (log_scales(shapes, lower, batch, **rig) - log_scale) / step
    reading = (slope * drops.u_lowest_point) ** 2
    cords = np.array(drops.cord)
    same_cord, is_next = (cords[:, None] == cords).astype(float), (cords == cord).astype(float)
    rows, ones = [], np.ones(len(drops))
    for r, sd_drop, sd_cord in product(range(RATIOS.size), DROP_SCATTER, CORD_SCATTER):
        covariance = np.diag(sd_drop**2 + reading[r]) + sd_cord**2 * same_cord
        inverse = np.linalg.inv(covariance)
        precision = ones @ inverse @ ones
        level = ones @ inverse @ log_scale[r] / precision
        residual = log_scale[r] - level
        log_likelihood = -0.5 * (residual @ inverse @ residual + np.linalg.slogdet(covariance)[1] + np.log(precision))
        log_likelihood += np.log(np.abs(slope[r])).sum()  # what was measured is the lowest point, not ln s
        shared = sd_cord**2 * is_next
        gain = inverse @ shared
        variance = sd_cord**2 + sd_drop**2 - shared @ gain + (1.0 - ones @ gain) ** 2 / precision
        rows.append((log_likelihood, level + gain @ residual, np.sqrt(variance), r))
    likelihoods, means, sds, ratio = np.array(rows).T
    weights = np.exp(likelihoods - likelihoods.max())
    pick = rng.choice(weights.size, DRAWS, p=weights / weights.sum())
    drawn = means[pick] + sds[pick] * rng.standard_normal(DRAWS)
    curve = shapes.take(ratio[pick].astype(int), np.exp(drawn))
    reasons = [_so_far(drops), ASSUMED]
    if day.makers_curve is not None:
        reasons.append("the maker's curve is not used any more: the drops say what this cord does")
    return NextDrop(curve, batch | rig, _peak_factor(drops, rig), reasons)


def _so_far(drops: Evidence) -> str:
    cords, masses = len(set(drops.cord)), len(set(drops.mass))
    return (
        f"from {len(drops)} drop{'s' * (len(drops) > 1)} of {cords} cord{'s' * (cords > 1)} at {masses} "
        f"mass{'es' * (masses > 1)} up to {drops.mass.max():g} kg"
    )


def _peak_factor(drops: Evidence, rig: dict[str, Any]) -> float:
    """Greatest measured peak over the uniformly strained cord's, at least 1; the assumed one without any record."""
    recorded = drops.take(np.isfinite(drops.peak_load))
    if not len(recorded):
        return UNSEEN_PEAK_FACTOR
    cord = {"slack_length": recorded.slack_length, "cord_mass": recorded.cord_mass, "gravity": GRAVITY}
    shape = Shapes.of(Curve("mooney-rivlin", {"c1": 0.8, "c2": 0.2}))
    log_scale = log_scales(shape, recorded, cord, **rig)
    return max(1.0, float(np.exp(log_excess(shape, recorded, log_scale, cord, **rig).max())))
