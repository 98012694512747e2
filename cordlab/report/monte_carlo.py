"""How sure the drawn numbers of results.json are: the Monte Carlo standard error of each column of numbers, which
whoever compares allows for where seed, version or kind of machine are others."""

import re
from math import exp, hypot, inf, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from cordlab.analysis import SHAPES
from cordlab.limits.budget import MODEL, SHAPE, Budget
from cordlab.limits.forecast import Forecast
from cordlab.quantities import QUANTITIES
from cordlab.rating.criteria import ANY, MASS_STEP, judge
from cordlab.rating.lot import Lot
from cordlab.rating.rate import Rating
from cordlab.statistics.propagation import numerical_tolerance
from cordlab.wear.service_life import Service

if TYPE_CHECKING:
    from cordlab.analysis import Analysis
    from cordlab.campaign.campaign import Campaign

REACH = 4 * sqrt(2)
"""Two numbers drawn alike part by less than this many standard errors: of some thousand, fewer than one goes beyond."""

ENDS = {"lightest": "light", "heaviest": "heavy"}
RELATIVE = 3 / sqrt(2 * SHAPES)
"""Standard error of the standard deviation of bootstrap shapes over itself: three times a normal law's, for tails."""
Errors = dict[str, float | None]
"""Path → standard error of the numbers there and below, None where judgements may turn; `[]` is every row."""


def allowance(errors: Errors, path: str) -> tuple[float | None, bool]:
    """The standard error that is stated for a path, the nearest one; and whether a judgement there may turn."""
    ends = [len(path), *(match.start() for match in re.finditer(r"[.\[]", path))]
    parents = [path[:end] for end in sorted(ends, reverse=True)]
    keys = [key for parent in parents for key in (parent, re.sub(r"\[[^\]]*\]", "[]", parent))]
    stated = [errors[key] for key in dict.fromkeys(keys) if key in errors]
    return next((error for error in stated if error is not None), None), None in stated


class DrawnLimits:
    """Limits of a forecast that are held against criteria; `errors` has the greatest standard error of each."""

    def __init__(self, forecast: Forecast, campaign: "Campaign") -> None:
        self.judgement, _ = judge(forecast, criteria=campaign.criteria, breaking_load=campaign.lowest_break)
        self.forecast, self.masses = self.judgement.forecast, forecast.masses
        self.errors = {name: _greatest(self.forecast.limit_error(name)) for name in self.forecast.draws}

    def near(self, mass: float) -> list[str]:
        """Quantities whose limit at this mass may lie on the other side of its criterion with other draws."""
        off = {name: self.judgement.limit(name, np.array([mass]))[0] - bound for name, bound in self.bounds.items()}
        return [name for name in off if abs(off[name]) <= REACH * self.errors[name]]

    @property
    def bounds(self) -> dict[str, float]:
        return self.judgement.bounds

    def share_error(self, quantity: str, share: float) -> float:
        """Standard error of a share of draws beyond a criterion: it is counted, and between masses from the limit."""
        count = self.forecast.draws[quantity].shape[-1]
        z = float(ndtri(np.clip(share, 1e-9, 1 - 1e-9)))
        density = exp(-z * z / 2) / sqrt(2 * pi)
        steps = abs(z / ndtri(self.forecast.probability))  # from estimate to criterion, each as long as to the limit
        moved = _greatest(self.errors[quantity] / self.forecast.u[quantity])
        return sqrt(max(share * (1 - share), 1 / count) / count) + density * steps * moved

    def around(self, mass: float) -> np.ndarray:
        """A mass between two others, by which a slope is taken [kg]."""
        return np.clip([mass - 1, mass, mass + 1], self.masses[0], self.masses[-1])

    def end(self, mass: float | None) -> float:
        """Standard error of an end of a range [kg]: of the limit that sets it, or of the risk of all criteria together,
        and of rounding; 0 where tests set it."""
        if mass is None or np.isnan(mass) or self.masses.size < 2:
            return 0.0
        around = self.around(mass)
        rows = [(self.judgement.limit(name, around), bound, self.errors[name]) for name, bound in self.bounds.items()]
        if self.forecast.jointly:
            risks = self.judgement.violation(around)[ANY]
            error = max(self.share_error(name, risks[1]) for name in self.errors if name in self.bounds)
            rows.append((risks, 1 - self.forecast.probability, error))
        met = []  # distance and standard error of the mass at which each just meets its bound
        for values, bound, error in rows:
            if slope := abs(values[2] - values[0]) / (around[2] - around[0]):
                met.append((abs(values[1] - bound) / slope, error / slope))
        distance, error = min(met, default=(inf, 0.0))
        by_tests = mass in (self.masses[0], self.masses[-1])
        return 0.0 if by_tests and distance > REACH * error else error + MASS_STEP / sqrt(12)


def _greatest(values: np.ndarray) -> float:
    return float(np.max(values, initial=0.0, where=np.isfinite(values)))


def standard_errors(analysis: "Analysis") -> Errors:
    """Monte Carlo standard errors by path, as `allowance` reads them. What is not drawn is not in it."""
    campaign, service, rating = analysis.campaign, analysis.service, analysis.rating
    forecast = service.to(service.jumps) if service and service.jumps is not None else None
    forecast = forecast or analysis.forecast
    if forecast is None:
        return {}
    limits = DrawnLimits(forecast, campaign)
    ends = {name: limits.end(getattr(rating, name)) for name in ENDS}
    errors = _of_predictions(rating, limits, ends) | _of_rating(rating, limits, ends)
    # shares of a hundred, of some thousand draws
    errors |= {f"cautions[{k}]": 1.5 for k, text in enumerate(analysis.cautions) if text == analysis.on_average}
    if analysis.lot is not None:
        errors |= _of_lot(analysis.lot, rating, errors)
    if plan := analysis.range_plan:
        planned = {"lightest": plan.lightest, "heaviest": plan.heaviest, "best": plan.best or ()}
        errors |= {f"range_plan.{name}": max(map(limits.end, of), default=0.0) for name, of in planned.items()}
    for budget in analysis.budget.values():
        for path, error in _of_budget(budget, analysis.forecast or forecast).items():
            errors[path] = None if error is None else max(error, errors.get(path) or 0.0)
    if service is not None:
        errors |= _of_wear(service, limits, ends["heaviest"], campaign)
    return {path: error for path, error in errors.items() if error is None or 0 < error < inf}


def _of_predictions(rating: Rating, limits: DrawnLimits, ends: dict[str, float]) -> Errors:
    """Limits, standard uncertainties and risks, and the masses at which judgements may turn."""
    errors: Errors = {f"predictions[].{name}_limit": error for name, error in limits.errors.items()}
    errors |= {f"predictions[].u_{name}": _greatest(limits.forecast.u_error(name)) for name in limits.errors}
    errors["predictions[].reason"] = max(limits.errors[name] for name in limits.bounds)
    for row in rating.predictions:
        if row["clearance"] is None:
            continue
        mass, path = row["mass"], f"predictions[{row['mass']:g}]"
        at_an_end = (error and abs(mass - getattr(rating, name)) <= REACH * error for name, error in ends.items())
        if limits.near(mass) or any(at_an_end):
            errors[path] = None
        shares = row["violation"]
        words = {QUANTITIES[name].word: name for name in limits.bounds if QUANTITIES[name].word in shares}
        words[ANY] = words[max(words, key=shares.get)]
        for word, name in words.items():
            share, column = shares[word], f"predictions[].violation.{word}"
            error = limits.share_error(name, share)
            errors[column] = max(error, errors.get(column) or 0.0)
            if abs(share - limits.forecast.probability) <= REACH * error:
                errors[f"{path}.decision.{word}"] = None
    return errors


def _of_rating(rating: Rating, limits: DrawnLimits, ends: dict[str, float]) -> Errors:
    """Ends of the range, and of the one without what was chosen by hand, which lies near it."""
    errors: Errors = dict.fromkeys(("by_hand.range_without", "cautions"), max(ends.values()))
    for part in ("rating", "by_hand.without"):  # by a share of draws known to a tenth of itself
        errors |= {f"{part}.rated_again": 0.01, f"{part}.nearness": 1.0}
    for name, error in ends.items():
        mass = getattr(rating, name)
        if not error or mass is None:
            continue
        for part in ("rating", "by_hand.without"):
            errors |= {f"{part}.{name}": error, f"{part}.dof": (rating.dof or 0.0) * error / mass}
        if len(limits.near(mass)) > 1 or np.abs(limits.masses[[0, -1]] - mass).min() <= REACH * error:
            errors[f"rating.governed_by.{ENDS[name]}"] = None
    return errors


def _of_lot(lot: Lot, rating: Rating, errors: Errors) -> Errors:
    """Of the greatest load limit in the range: it may be that of another mass, where that may turn."""
    greatest, factor = lot.greatest_load_limit, lot.strength_factor
    if greatest is None or factor is None:
        return {}
    loads = [row["peak_load_limit"] for row in rating.predictions if f"predictions[{row['mass']:g}]" in errors]
    changes = [abs(load - greatest) for load in loads if load is not None]
    relative = max(errors["predictions[].peak_load_limit"] or 0.0, *changes, 0.0) / greatest
    of_lot: Errors = {"lot.greatest_load_limit": greatest * relative}
    of_lot |= dict.fromkeys(("lot.strength_factor", "lot.reasons"), factor * relative)
    near = abs(factor - lot.criteria.least_strength_factor) <= REACH * factor * relative
    return of_lot | ({"lot": None} if near else {})


def _of_budget(budget: Budget, forecast: Forecast) -> Errors:
    """Of the budget of one quantity: its bootstrap shapes and the limit beside it are drawn."""
    by_shape = {share.input: share for share in budget.shares if share.input in (SHAPE, MODEL)}
    least = by_shape[SHAPE].u if SHAPE in by_shape else 0.0  # no model's curve is known better than its shapes
    relative = {name: RELATIVE * max(share.u, least) / share.u for name, share in by_shape.items()}
    total = 2 * sum(by_shape[name].share * error for name, error in relative.items())  # of the variance
    at = int(np.argmin(np.abs(forecast.masses - budget.mass)))
    drawn = float(forecast.prediction_limit_error(budget.quantity)[at])
    linear = abs(budget.linear_limit - budget.estimate) * total / 2
    path, both = f"uncertainty[{budget.quantity}]", hypot(drawn, linear)
    errors: Errors = {f"{path}.u": budget.u * total / 2, f"{path}.dof": 2 * budget.dof * total}
    errors |= {f"{path}.linear_limit": linear, f"{path}.drawn_limit": drawn, f"{path}.word": both}
    apart = abs(budget.linear_limit - budget.drawn_limit)
    if abs(apart - numerical_tolerance(budget.u, 1)) <= REACH * both:
        errors[path] = None
    uneven = 0.0  # of the slope that turns a gain into kilograms
    if forecast.masses.size > 1:
        slope = abs(float(np.gradient(forecast.limit(budget.quantity), forecast.masses)[at]))
        uneven = drawn / (sqrt(2) * float(np.diff(forecast.masses).min()) * slope) if slope else 0.0
    changes = [(share, 2 * relative.get(share.input, total / 2)) for share in budget.shares]
    return errors | {
        "budget[].share": max(share.share * change for share, change in changes),
        "budget[].gain": max(abs(share.gain) * change for share, change in changes),
        "budget[].gain_mass": max(abs(share.gain_mass or 0.0) * (change + uneven) for share, change in changes),
        "budget[].u": max(share.u * relative.get(share.input, 0.0) for share in budget.shares),
    }


def _of_wear(service: Service, limits: DrawnLimits, end: float, campaign: "Campaign") -> Errors:
    """Of the range to each count, and of the retests, which are looked at where the heavy `end` lies [kg]."""
    ranges = [(DrawnLimits(service.forecasts[row["jumps"]], campaign), row) for row in service.by_count]
    errors: Errors = {}
    for name in ENDS:
        errors[f"wear.range_by_count[].{name}"] = max((drawn.end(row[name]) for drawn, row in ranges), default=0.0)
    wear, mass = service.wear, service.rating.heaviest or float(limits.masses[-1])
    around = limits.around(mass)
    lower = limits.judgement.limit("clearance", around)
    moved = float(abs(lower[2] - lower[0]) / (around[2] - around[0])) * end if end else 0.0
    room, relative = limits.errors["clearance"] + moved, end / mass
    errors |= {"wear.quantity": relative, "wear.room": room, "wear.least": room}
    errors |= {"wear.tested": moved, "wear.forecast": moved}
    values = {"slopes": max(map(abs, wear.to_dict()["slopes"].values()), default=0.0), "slope": wear.slope}
    values |= {"se_slope": wear.se_slope, "curvature_p": wear.curvature_p}
    # a change of stretch is in proportion to the mass
    errors |= {f"wear.{name}": abs(value or 0.0) * relative for name, value in values.items()}
    if wear.slope:
        errors |= dict.fromkeys(("wear.next_retest", "wear.crossing_forecast"), room / abs(wear.slope))
    return errors
