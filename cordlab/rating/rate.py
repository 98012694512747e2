"""The rated mass range: each criterion's limit at each rider mass, inside what was tested, and every reason against it.

A criterion is met where its limit meets it, not the estimate: guarded acceptance (JCGM 106 8.3.2), the guard band being
the distance from estimate to limit. Each criterion is held at the probability by itself, not all of them jointly.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import ceil, floor
from typing import Any

import numpy as np

from cordlab.batch.anchor import Anchors
from cordlab.limits.forecast import Forecast, spread_of
from cordlab.limits.validation import Validation
from cordlab.quantities import QUANTITIES
from cordlab.rating.criteria import Margins, between, margins
from cordlab.statistics.propagation import decide
from cordlab.units import Measured

STEP = 0.1  # rated masses are found on this grid, and lie inside it [kg]
NODE_SPACING = 8.0  # draws are made at masses no further apart; limits are smooth between them [kg]


@dataclass(frozen=True)
class Rating:
    """Which rider masses the cords may carry at the site, and why not others.

    rated : whether there is a range; lightest, heaviest : rider mass [kg], None without one
    governed_by : {"light": ..., "heavy": ...}: the criterion that ends the range there, or the tested range
    limit, probability, confidence : which limit was used; n_cords, dof : what stands behind it (at the heavy end)
    reasons : every reason why nothing, or not more, is rated
    predictions : a dict a mass (`results.json`, rider masses)
    """

    rated: bool
    lightest: float | None
    heaviest: float | None
    governed_by: dict[str, str | None]
    limit: str
    probability: float
    confidence: float
    n_cords: int
    dof: float | None
    reasons: tuple[str, ...]
    predictions: tuple[dict[str, Any], ...]
    promise: str
    rule: str

    def summary(self) -> str:
        """The answer in a few lines, for people."""
        if not self.rated:
            return "NOT RATED\n" + "\n".join(f"  {reason}" for reason in self.reasons)
        lines = [
            f"rated for rider masses of {self.lightest:.1f} to {self.heaviest:.1f} kg",
            f"  light end: {self.governed_by['light']};  heavy end: {self.governed_by['heavy']}",
            f"  {self.promise}",
            f"  {self.rule}",
        ]
        return "\n".join(lines + [f"  {reason}" for reason in self.reasons])

    def to_dict(self) -> dict[str, Any]:
        names = ("rated", "lightest", "heaviest", "governed_by", "limit", "probability", "confidence", "n_cords", "dof")
        plain = {name: getattr(self, name) for name in names}
        return plain | {"reasons": list(self.reasons), "promise": self.promise, "rule": self.rule}


UNRATED: dict[str, Any] = {
    "rated": False, "lightest": None, "heaviest": None, "governed_by": {"light": None, "heavy": None}, "dof": None,
}  # fmt: skip

RULE = (
    "decision rule: guarded acceptance (JCGM 106:2012, 8.3.2), a criterion is met where its limit meets it, "
    "each criterion by itself and not all jointly"
)


def rating_masses(learned: Anchors, site: Any) -> np.ndarray:
    """Rider masses at which to draw: tested masses less the gear, and between them every `NODE_SPACING` at most."""
    tested = np.unique(learned.evidence.mass) - site.gear_mass.value
    tested = tested[tested > 0]
    nodes = [tested[:1]]
    for low, high in pairwise(tested):
        nodes.append(np.linspace(low, high, ceil((high - low) / NODE_SPACING - 1e-9) + 1)[1:])
    return np.concatenate(nodes) if tested.size else tested


def rate(
    forecast: Forecast,
    *,
    criteria: Any,
    breaking_load: Measured | None = None,
    validation: Validation | None = None,
    jumps: float | None = None,
    reasons: Sequence[str] = (),
) -> Rating:
    """The rated range from a forecast at `rating_masses`.

    criteria : a campaign's `[criteria]`. breaking_load : the lot's, where the criteria give no design breaking load.
    jumps : at which the cords are to be used, where that is asked; the site says at which temperatures, where it does.
    reasons : others to rate nothing.
    """
    evidence = forecast.learned.evidence
    against = list(reasons) + _range_reasons(evidence, jumps, forecast.site.temperature)
    if forecast.n_cords < 2:
        against.append("only 1 cord was dropped: nothing says what another cord of the batch does")
    if np.ptp(forecast.masses) == 0:
        against.append("only one mass was dropped: there is no tested range to rate")
    if validation is not None and validation.failed:
        against.append(f"validation failed: {validation.summary()}")
    found, missing = margins(forecast, criteria=criteria, breaking_load=breaking_load)
    against += missing
    grid, ok, why = _judge(found)
    masses = _row_masses(forecast)
    rows = zip(_rows(found, masses, evidence, against), forecast.by_waves(masses), strict=True)
    predictions = tuple(row | {"waves": waves} for row, waves in rows)
    base = Rating(
        **UNRATED,
        limit=forecast.limit_kind,
        probability=forecast.probability,
        confidence=forecast.confidence,
        n_cords=forecast.n_cords,
        reasons=tuple(against),
        predictions=predictions,
        promise=forecast.label,
        rule=RULE,
    )
    if against:
        return base
    if not ok.any():
        failed = ", ".join(sorted(set().union(*why)))
        return replace(base, reasons=(f"no tested mass meets every criterion: {failed}",))
    first, last = longest_run(ok)
    notes = []
    if ok.sum() > last - first + 1:
        notes.append("other masses meet the criteria too, but not in one range with these: they are not rated")
    light = "lightest tested mass" if first == 0 else " and ".join(why[first - 1])
    heavy = "heaviest tested mass" if last == grid.size - 1 else " and ".join(why[last + 1])
    dof = float(np.interp(grid[last], forecast.masses, np.minimum(forecast.dof, 1e9)))
    lightest, heaviest = float(round(grid[first], 3)), float(round(grid[last], 3))
    outside = {"rated": False, "reason": "meets every criterion, but outside the one rated range"}
    inside = tuple(
        row | outside if row["rated"] and not lightest - 1e-9 <= row["mass"] <= heaviest + 1e-9 else row
        for row in predictions
    )
    return replace(
        base,
        rated=True,
        lightest=lightest,
        heaviest=heaviest,
        governed_by={"light": light, "heavy": heavy},
        dof=dof,
        reasons=tuple(notes),
        predictions=inside,
    )


def re_rate(
    forecast: Forecast,
    *,
    tie_height: Measured | None = None,
    reach: Measured | None = None,
    probability: float | None = None,
    **judged: Any,
) -> Rating:
    """`rate` with another site height, body reach, probability or criteria, from the draws that are there: no new drop
    is computed. Lowest points and loads do not depend on height and reach.

    judged : criteria and the rest, as in `rate`
    """
    if probability is not None and probability != forecast.probability:
        if forecast.content is not None:
            raise ValueError("a tolerance limit for another share needs a new forecast; prediction limits do not")
        forecast = replace(forecast, probability=probability)
    site = forecast.site
    new_height, new_reach = tie_height or site.tie_height, reach or site.reach_below_attachment
    by = (new_height.value - site.tie_height.value) - (new_reach.value - site.reach_below_attachment.value)
    same = new_height.u == site.tie_height.u and new_reach.u == site.reach_below_attachment.u
    draws, content = dict(forecast.draws), None if forecast.content is None else dict(forecast.content)
    if same:
        draws["clearance"] = draws["clearance"] + by
        if content is not None:
            content["clearance"] = content["clearance"] + by
    elif content is not None:
        raise ValueError("a tolerance limit with other uncertainties of the site needs a new forecast")
    else:
        rng = np.random.default_rng([forecast.seed, 0])
        n = draws["lowest_point"].shape[-1]
        draws["clearance"] = new_height.draw(rng, n) - draws["lowest_point"] - new_reach.draw(rng, n)
    u = forecast.u if same else forecast.u | {"clearance": spread_of(draws["clearance"])}
    estimates = forecast.estimates | {"clearance": forecast.estimates["clearance"] + by}
    moved = type(site)(**(vars(site) | {"tie_height": new_height, "reach_below_attachment": new_reach}))
    return rate(replace(forecast, site=moved, draws=draws, content=content, u=u, estimates=estimates), **judged)


def not_rated(reasons: Sequence[str], *, decision: Any, n_cords: int) -> Rating:
    """The answer where there is not even a forecast."""
    return Rating(
        **UNRATED, limit=decision.limit, probability=decision.probability, confidence=decision.confidence,
        n_cords=n_cords, reasons=tuple(reasons), predictions=(), promise="no limit: the drops cannot carry one",
        rule=RULE,
    )  # fmt: skip


def _range_reasons(evidence: Any, jumps: float | None, use: tuple[float, float] | None) -> list[str]:
    """Why the use is outside what was tested; `use` is its lowest and highest temperature, None where not given."""
    reasons = []
    low, high = evidence.jumps.min(), evidence.jumps.max()
    if jumps is not None and not low <= jumps <= high:
        reasons.append(f"asked for {jumps:g} jumps, but cords with {low:g} to {high:g} jumps were dropped")
    known = evidence.temperature[np.isfinite(evidence.temperature)]
    if use is not None:
        asked = f"asked for use at {use[0]:g} to {use[1]:g} °C"
        if not known.size:
            reasons.append(f"{asked}, but no drop has its temperature recorded")
        elif use[0] < known.min() or use[1] > known.max():
            reasons.append(f"{asked}, but drops were made at {known.min():g} to {known.max():g} °C")
    return reasons


def _row_masses(forecast: Forecast) -> np.ndarray:
    """Rider masses of the table: tested masses with and without the gear, and whole kilograms between."""
    gear = float(forecast.site.gear_mass.value)
    tested = np.unique(forecast.learned.evidence.mass)
    low, high = max(tested.min() - gear, 1.0), tested.max()
    whole = np.arange(ceil(low), floor(high) + 1, dtype=float)
    every = np.concatenate([whole, tested - gear, tested])
    return np.unique(np.round(every[every >= low - 1e-9], 6))


def _judge(found: Margins) -> tuple[np.ndarray, np.ndarray, list[list[str]]]:
    """On a fine grid of tested masses: the masses, whether each criterion is met, and the names of those not met."""
    low, high = found.masses.min(), found.masses.max()
    inner = np.arange(ceil(low / STEP + 1e-9), floor(high / STEP - 1e-9) + 1) * STEP
    grid = np.unique(np.concatenate([[low], inner, [high]]))
    failed = {name: ~np.asarray(met) for name, met in found.met(grid).items()}
    why = [[name for name, bad in failed.items() if bad[k]] for k in range(grid.size)]
    return grid, np.array([not names for names in why]), why


def longest_run(ok: np.ndarray) -> tuple[int, int]:
    """First and last index of it, the first of equals; some of `ok` (n,) is true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], ok.astype(int), [0]])))
    starts, ends = edges[::2], edges[1::2] - 1
    k = int(np.argmax(ends - starts))
    return int(starts[k]), int(ends[k])


def _rows(found: Margins, masses: np.ndarray, evidence: Any, against: Sequence[str]) -> tuple[dict[str, Any], ...]:
    """The table of predictions: a dict a rider mass; outside the tested range no number, only the reason."""
    low, high = found.masses.min(), found.masses.max()
    inside = masses[(masses >= low - 1e-9) & (masses <= high + 1e-9)]
    columns = {name: found.estimate(name, inside) for name in QUANTITIES}
    columns |= {f"{name}_limit": found.limit(name, inside) for name in QUANTITIES}
    columns |= {f"u_{name}": between(found.masses, found.u.get(name), inside) for name in QUANTITIES}
    met, by_estimate, violation = found.met(inside), found.met(inside, by="estimate"), found.violation(inside)
    rows = {}
    for k, mass in enumerate(inside):
        row: dict[str, Any] = {"mass": float(mass)} | {name: _plain(values[k]) for name, values in columns.items()}
        row["violation"] = {name: float(values[k]) for name, values in violation.items()}
        row["decision"] = {
            name: decide(bool(met[name][k]), bool(by_estimate[name][k]), row["violation"][name], risk=found.risk)
            for name in violation
        }
        reasons = [*(found.say(name, row) for name, values in met.items() if not values[k]), *against]
        rows[float(mass)] = row | {"rated": not reasons, "reason": "; ".join(reasons) or None}
    return tuple(rows.get(float(mass)) or _outside(float(mass), found.gear, evidence) for mass in masses)


def _outside(mass: float, gear: float, evidence: Any) -> dict[str, Any]:
    hung, heaviest = mass + gear, float(evidence.mass.max())
    beyond, end = "above the heaviest", heaviest
    if hung <= heaviest:
        beyond, end = "below the lightest", float(evidence.mass.min())
    row: dict[str, Any] = {"mass": mass}
    for name in QUANTITIES:
        row |= {name: None, f"{name}_limit": None, f"u_{name}": None}
    reason = f"outside the tested range: {hung:g} kg hung is {beyond} tested mass of {end:g} kg"
    return row | {"violation": {}, "decision": {}, "rated": False, "reason": reason}


def _plain(value: float) -> float | None:
    """For JSON: an infinite or undefined number is told as none, and the reason says why."""
    return float(value) if np.isfinite(value) else None
