"""How sure the drawn numbers of results.json are: the Monte Carlo standard error of each, by its path.

Another seed draws other numbers, and so may another kind of machine: whoever compares two results allows for that.
A path with no number (None) is a judgement so near its bound that other draws may turn it.
"""

from math import exp, hypot, inf, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from cordlab.analysis import SHAPES
from cordlab.limits.budget import MODEL, SHAPE, Budget
from cordlab.limits.forecast import Forecast, spread_error
from cordlab.quantities import QUANTITIES
from cordlab.rating.criteria import MASS_STEP, judge
from cordlab.rating.lot import Lot
from cordlab.rating.range_plan import RangePlan
from cordlab.rating.rate import Rating
from cordlab.statistics.propagation import numerical_tolerance
from cordlab.wear.service_life import Service

if TYPE_CHECKING:
    from cordlab.analysis import Analysis
    from cordlab.campaign.campaign import Campaign

REACH = 4 * sqrt(2)
"""Two numbers drawn alike part by less than this many standard errors: of some thousand, fewer than one goes beyond."""

ENDS = {"lightest": "light", "heaviest": "heavy"}
Errors = dict[str, float | None]
RELATIVE = 1 / sqrt(2 * SHAPES)  # standard error of a standard deviation of bootstrap shapes, over itself


class DrawnLimits:
    """Limits of a forecast that are held against criteria, and how sure they are.

    errors : quantity → standard error of its limit (n_mass,)
    """

    def __init__(self, forecast: Forecast, campaign: "Campaign") -> None:
        judgement, _ = judge(forecast, criteria=campaign.criteria, breaking_load=campaign.lowest_break)
        self.judgement, self.forecast, self.masses = judgement, judgement.forecast, forecast.masses
        self.errors = {name: self.forecast.limit_error(name) for name in judgement.limits}

    def error(self, quantity: str, mass: float) -> float:
        """Standard error of the limit at a rider mass [kg]."""
        return float(np.interp(mass, self.masses, self.errors[quantity]))

    def near(self, quantity: str, mass: float) -> bool:
        """Whether the limit at this mass may lie on the other side of its criterion with other draws."""
        distance = self.judgement.limit(quantity, np.array([mass]))[0] - self.judgement.bounds[quantity]
        return bool(abs(distance) <= REACH * self.error(quantity, mass))

    def share_error(self, quantity: str, mass: float, share: float) -> float:
        """Standard error of a share of the draws beyond a criterion; between two masses it is counted from the limit,
        so that it moves with it.
        """
        count = self.forecast.draws[quantity].shape[-1]
        counted = sqrt(max(share * (1 - share), 1 / count) / count)
        z = float(ndtri(np.clip(share, 1e-9, 1 - 1e-9)))
        density = exp(-z * z / 2) / sqrt(2 * pi)
        steps = abs(z / ndtri(self.forecast.probability))  # from estimate to criterion, each as long as to the limit
        u = float(np.interp(mass, self.masses, self.forecast.u[quantity]))
        return counted + density * steps * self.error(quantity, mass) / u

    def slope(self, quantity: str, mass: float, ratio: float = 1.0) -> float:
        """How steep a limit is that lies `ratio` times as far from its estimate [unit/kg]."""
        around = np.clip([mass - 1, mass + 1], self.masses[0], self.masses[-1])
        estimates = self.judgement.estimate(quantity, around)
        limits = estimates + ratio * (self.judgement.limit(quantity, around) - estimates)
        return float(abs(np.diff(limits)[0]) / np.diff(around)[0])

    def end(self, mass: float | None) -> float:
        """Standard error of an end of a range [kg]: of the limit that meets its criterion there, over its slope, and of
        rounding to the grid of masses; 0 where there is none, or the tests end the range.
        """
        if mass is None or self.masses.size < 2:
            return 0.0
        ratios = {}
        for quantity, bound in self.judgement.bounds.items():
            estimate = self.judgement.estimate(quantity, np.array([mass]))[0]
            ratio = (bound - estimate) / (self.judgement.limit(quantity, np.array([mass]))[0] - estimate)
            if ratio > 0:
                ratios[quantity] = float(ratio)
        quantity = min(ratios, key=lambda name: ratios[name], default="")
        by_tests = mass in (self.masses[0], self.masses[-1])
        if not quantity or (by_tests and not self.near(quantity, mass)):
            return 0.0
        slope = self.slope(quantity, mass, ratios[quantity])
        return ratios[quantity] * self.error(quantity, mass) / slope + MASS_STEP / sqrt(12) if slope else 0.0


def standard_errors(analysis: "Analysis") -> Errors:
    """Path in results.json → Monte Carlo standard error of the number, or of the numbers in the sentence, there.

    None for a judgement that other draws may turn. What is not drawn is not in it.
    """
    jumps, service = analysis.campaign.decision.jumps, analysis.service
    forecast = service.to(jumps) if jumps is not None and service else None
    forecast = forecast or analysis.forecast
    if forecast is None:
        return {}
    limits = DrawnLimits(forecast, analysis.campaign)
    ends = {name: limits.end(getattr(analysis.rating, name)) for name in ENDS}
    errors = _of_predictions(analysis.rating, limits, ends) | _of_rating(analysis, limits, ends)
    if analysis.lot is not None:
        errors |= _of_lot(analysis.lot, analysis.rating, errors)
    if analysis.range_plan is not None:
        errors |= _of_plan(analysis.range_plan, limits)
    for budget in analysis.budget.values():
        errors |= _of_budget(budget, analysis.forecast or forecast)
    if service is not None:
        errors |= _of_wear(service, limits, ends["heaviest"], analysis.campaign)
    return {path: error for path, error in errors.items() if error is None or 0 < error < inf}


def _of_predictions(rating: Rating, limits: DrawnLimits, ends: dict[str, float]) -> Errors:
    """Limits, standard uncertainties and risks by mass, and the judgements on them."""
    judgement = limits.judgement
    u_errors = {quantity: spread_error(limits.forecast.draws[quantity]) for quantity in limits.errors}
    errors: Errors = {}
    for row in rating.predictions:
        if row["clearance"] is None:
            continue
        mass, path = row["mass"], f"predictions[{row['mass']:g}]"
        for quantity in limits.errors:
            errors[f"{path}.{quantity}_limit"] = limits.error(quantity, mass)
            errors[f"{path}.u_{quantity}"] = float(np.interp(mass, limits.masses, u_errors[quantity]))
        turning = [quantity for quantity in judgement.bounds if limits.near(quantity, mass)]
        for quantity in judgement.bounds:
            word = QUANTITIES[quantity].word
            share = row["violation"][word]
            error = limits.share_error(quantity, mass, share)
            errors[f"{path}.violation.{word}"] = error
            if quantity in turning or abs(share - limits.forecast.probability) <= REACH * error:
                errors[f"{path}.decision.{word}"] = None
        at_an_end = (error and abs(mass - getattr(rating, name)) <= REACH * error for name, error in ends.items())
        if turning or any(at_an_end):
            errors[f"{path}.rated"] = errors[f"{path}.reason"] = None
        else:
            limited = [quantity for quantity in judgement.bounds if row[f"{quantity}_limit"]]
            parts = [limits.error(name, mass) / max(1.0, abs(row[f"{name}_limit"])) for name in limited]
            errors[f"{path}.reason"] = max(parts, default=0.0)
    return errors


def _of_rating(analysis: "Analysis", limits: DrawnLimits, ends: dict[str, float]) -> Errors:
    """Ends of the range, and of the one without what was chosen by hand, which lies near it."""
    rating, by_hand = analysis.rating, analysis.by_hand
    errors: Errors = {}
    for name, error in ends.items():
        mass = getattr(rating, name)
        if not error or mass is None:
            continue
        errors[f"rating.{name}"] = errors[f"by_hand.without.{name}"] = error
        near = [quantity for quantity in limits.judgement.bounds if limits.near(quantity, mass)]
        if len(near) > 1 or np.abs(limits.masses[[0, -1]] - mass).min() <= REACH * error:
            errors[f"rating.governed_by.{ENDS[name]}"] = None
        errors["rating.dof"] = errors["by_hand.without.dof"] = (rating.dof or 0.0) * error / mass
    if by_hand is not None:
        widest = max(ends.values())
        errors["by_hand.range_without"] = widest
        for k, caution in enumerate(analysis.cautions):
            if by_hand.range_without in caution:
                errors[f"cautions[{k}]"] = widest
    return errors


def _of_lot(lot: Lot, rating: Rating, errors: Errors) -> Errors:
    """Of the greatest load limit in the range: it may be that of the next mass, where that may turn."""
    greatest, factor = lot.greatest_load_limit, lot.strength_factor
    if greatest is None or factor is None:
        return {}
    changes = [0.0]
    for row in rating.predictions:
        path, load = f"predictions[{row['mass']:g}]", row["peak_load_limit"]
        if load == greatest:
            changes.append(errors.get(f"{path}.peak_load_limit") or 0.0)
        elif load is not None and f"{path}.rated" in errors:
            changes.append(abs(load - greatest))
    relative = max(changes) / greatest
    near = abs(factor - lot.criteria.least_strength_factor) <= REACH * factor * relative
    return {
        "lot.greatest_load_limit": greatest * relative,
        "lot.strength_factor": factor * relative,
        "lot.reasons[0]": None if near else factor * relative,
        **({"lot.issued": None} if near else {}),
    }


def _of_plan(plan: RangePlan, limits: DrawnLimits) -> Errors:
    """Ends of the ranges to expect of more cords."""
    ends = {"lightest": plan.lightest, "heaviest": plan.heaviest, "best": plan.best or ()}
    return {f"range_plan.{end}[{k}]": limits.end(float(mass)) for end in ends for k, mass in enumerate(ends[end])}


def _of_budget(budget: Budget, forecast: Forecast) -> Errors:
    """Of the budget of one quantity: its bootstrap shapes and the limit beside it are drawn."""
    by_shape = {share.input: share for share in budget.shares if share.input in (SHAPE, MODEL)}
    least = by_shape[SHAPE].u if SHAPE in by_shape else 0.0  # no model's curve is known better than its shapes
    relative = {name: RELATIVE * max(share.u, least) / share.u for name, share in by_shape.items()}
    total = 2 * sum(by_shape[name].share * error for name, error in relative.items())  # of the variance
    at = int(np.argmin(np.abs(forecast.masses - budget.mass)))
    drawn = float(forecast.prediction_limit_error(budget.quantity, forecast.probability)[at])
    linear = abs(budget.linear_limit - budget.estimate) * total / 2
    path = f"uncertainty[{budget.quantity}]"
    errors: Errors = {
        f"{path}.u": budget.u * total / 2,
        f"{path}.dof": 2 * budget.dof * total,
        f"{path}.linear_limit": linear,
        f"{path}.drawn_limit": drawn,
        f"{path}.word": hypot(drawn, linear),
    }
    apart = abs(budget.linear_limit - budget.drawn_limit)
    if abs(apart - numerical_tolerance(budget.u, 1)) <= REACH * hypot(drawn, linear):
        errors |= {f"{path}.agrees": None, f"{path}.word": None}
    slope = (
        abs(float(np.gradient(forecast.limit(budget.quantity), forecast.masses)[at]))
        if forecast.masses.size > 1
        else inf
    )
    spacing = float(np.diff(forecast.masses).min(initial=inf))
    uneven = drawn / (sqrt(2) * spacing * slope) if slope else 0.0
    for share in budget.shares:
        path = f"budget[{budget.quantity}, {share.input}]"
        change = 2 * relative[share.input] if share.input in relative else total
        errors[f"{path}.share"] = share.share * change
        errors[f"{path}.gain"] = abs(share.gain) * change
        errors[f"{path}.gain_mass"] = abs(share.gain_mass or 0.0) * (change + uneven)
        errors[f"{path}.u"] = share.u * relative.get(share.input, 0.0)
    return errors


def _of_wear(service: Service, limits: DrawnLimits, end: float, campaign: "Campaign") -> Errors:
    """Of the range to each count, and of the retests: they are looked at where the heavy end of the range lies, with
    room for what the drawn limit has beyond them. end : standard error of that end [kg]
    """
    errors: Errors = {}
    for row in service.by_count:
        ranges = DrawnLimits(service.forecasts[row["jumps"]], campaign)
        errors |= {f"wear.range_by_count[{row['jumps']}].{name}": ranges.end(row[name]) for name in ENDS}
    wear = service.wear
    mass = service.rating.heaviest or float(limits.masses[-1])
    moved = limits.slope("clearance", mass) * end if end else 0.0
    room = limits.error("clearance", mass) + moved
    errors |= {"wear.quantity": end / mass, "wear.room": room, "wear.least": room}
    slopes = {f"slopes.{name}": slope for name, slope in wear.to_dict()["slopes"].items()}
    slopes |= {"slope": wear.slope, "se_slope": wear.se_slope, "curvature_p": wear.curvature_p}
    for name, value in slopes.items():
        errors[f"wear.{name}"] = abs(value or 0.0) * end / mass  # a change of stretch is in proportion to the mass
    for point in wear.points:
        path = f"wear.{point.kind}[{point.jumps}]"
        names = ("mean", "lower", *(f"this_cord.{name}" for name in point.this_cord))
        errors |= dict.fromkeys([f"{path}.{name}" for name in names], moved)
    if wear.slope:
        names = ("next_retest", *(f"crossing_forecast.{name}" for name in wear.crossing))
        errors |= dict.fromkeys([f"wear.{name}" for name in names], room / abs(wear.slope))
    return errors
