"""For how many jumps: the rated range as cords wear, and the count at which the range stated no longer holds.

Retested drops say how far each cord's stiffness has moved since it was new, in ln s. The change of another cord is
drawn from theirs and carried to every quantity at every mass, so that a rating "to 500 jumps" holds for new and for
worn cords: soft cords come lower, stiff ones pull harder, and the worst of all counts up to there is taken.
"""

from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, partial
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from cordlab.batch.drop_table import ONE_RETEST, Evidence, drop_inputs, retests
from cordlab.limits.anchoring import DropStiffness
from cordlab.limits.forecast import Forecast, forecast_drop
from cordlab.limits.tested import known_temperatures
from cordlab.limits.wave_effects import stiffened
from cordlab.mechanics.fall import DropSetup
from cordlab.mechanics.predict import Prediction, predict_drop
from cordlab.quantities import QUANTITIES
from cordlab.rating.criteria import MASS_STEP, interpolated
from cordlab.rating.rate import Rating
from cordlab.statistics.groups import EvidenceError, GroupLines
from cordlab.units import fixed
from cordlab.wear.softening import Softening, tell_apart
from cordlab.wear.wear import RetestedDrops, Wear, assess_wear

WORN = "clearance of worn cords"  # what ends a range where the retests alone do


@dataclass(frozen=True)
class Service:
    """What the retests say.

    rating : holds from new cords to `jumps`
    jumps : count to which it holds, the one asked for or the greatest retested that leaves a range; None: for cords
        as they were first tested
    by_count : a dict a retested count: jumps, lightest, heaviest rider mass of a rating to there, None if nothing is
        rated
    wear : clearance at the heaviest rated mass over the count, with forecast, retirement count and next retest
    softening : softening and permanent lengthening told apart; None where the drops cannot
    forecasts : retested count → forecast for cords from new to there, each quantity where its limit is worst
    """

    rating: Rating
    jumps: int | None
    by_count: tuple[dict[str, Any], ...]
    wear: Wear
    softening: Softening | None = None
    forecasts: dict[int, Forecast] = field(default_factory=dict, repr=False)

    def to(self, jumps: int) -> Forecast | None:
        """The forecast for cords from new to the first retest at `jumps` or beyond; None where there was none."""
        reached = [count for count in self.forecasts if count >= jumps]
        return self.forecasts[min(reached)] if reached else None

    def table(self) -> pd.DataFrame:
        """The range that a rating to each retested count would have."""
        columns = {"lightest rider [kg]": "lightest", "heaviest rider [kg]": "heaviest"}
        data = {head: [row[name] for row in self.by_count] for head, name in columns.items()}
        return pd.DataFrame(data, index=pd.Index([row["jumps"] for row in self.by_count], name="jumps"), dtype=float)

    def to_dict(self) -> dict[str, object]:
        return self.wear.to_dict() | {
            "jumps": self.jumps,
            "range_by_count": [dict(row) for row in self.by_count],
            "softening": self.softening.to_dict() if self.softening else None,
        }


def not_retested(fit: Evidence, worn: Evidence) -> str:
    """Which cords of the fit drops have no drop at the last retest of two cords, in words; "" where all have."""
    if not len(worn):
        return ""
    last = pd.Series(worn.jumps).groupby(list(worn.cord)).max().reindex(sorted(set(fit.cord)))
    reached = last.nlargest(2).iloc[-1]
    gone = last[~(last >= reached - ONE_RETEST)].fillna(0)
    if gone.empty:
        return ""
    cords = ", ".join(f"{cord} ({f'last at {count:g} jumps' if count else 'never'})" for cord, count in gone.items())
    return (
        f"not retested at {reached:g} jumps, as others were: {cords}. Limits of worn cords are those of the others; "
        "where a cord was retired before, they leave out the worst"
    )


def service_life(
    forecast: Forecast,
    worn: Evidence,
    *,
    judge: Callable[[Forecast], Rating],
    least_clearance: float,
    jumps: int | None = None,
    greatest_jumps: int | None = None,
    rest: Mapping[str, float] | None = None,
) -> Service:
    """Carry wear into the rating.

    worn : drops with use `wear`. judge : a forecast → its rating. jumps : count that the rating is to hold to; by
    default the greatest retested that leaves a range.
    greatest_jumps : cap of the maker or the rule. rest : name of a drop → time since its cord's previous one [s].
    """
    drops, log_scale = _stiffness(forecast.stiffness, worn)
    states, forecasts = [forecast], {}
    for count, change in _changes(forecast.stiffness, drops, log_scale).items():
        states.append(aged(forecast, change))
        forecasts[count] = _worst(states)
    ratings = {count: judge(worst) for count, worst in forecasts.items()}
    rating = judge(forecast)
    conditions = {
        "temperature [degC]": drops.temperature,
        "rest [min]": np.array([(rest or {}).get(name, np.nan) / 60 for name in drops.drop]),
    }

    @cache
    def wear_at(mass: float) -> Wear:
        clearance = _clearance_at(forecast, drops, log_scale, mass)
        columns = np.array(drops.cord), drops.jumps.astype(int), clearance
        retested = RetestedDrops(*columns, f"clearance at {fixed(mass, 1, 'lower')} kg", "m", conditions)
        return _with_room(retested, forecast, mass, least_clearance, greatest_jumps)

    def reached(count: int) -> int | None:
        return min((retest for retest in ratings if retest >= count), default=None)

    @cache
    def held(retest: int) -> Rating:
        return _held_by_both(ratings[retest], wear_at, retest)

    if jumps is None:  # the greatest count that leaves a range
        last = {min(retest, greatest_jumps or retest): retest for retest in sorted(ratings, reverse=True)}
        jumps = next((count for count, retest in last.items() if held(retest).rated), None)
    retest = None if jumps is None else reached(jumps)
    if retest is not None:
        rating = ratings[retest] = held(retest)
    elif jumps is not None:
        tested = f"cords were retested to {max(ratings)}" if ratings else "no retest can be judged"
        rating = rating.refused(f"asked to hold to {jumps} jumps, but {tested}")
    covered = max((count for count, other in ratings.items() if _covers(other, rating)), default=None)
    by_count = tuple(
        {"jumps": count, "lightest": other.lightest, "heaviest": other.heaviest} for count, other in ratings.items()
    )
    wear = wear_at(_heavy_end(forecast, rating))
    if wear.retire_at is not None and (covered is None or wear.retire_at > covered):
        to = "at no retested count" if covered is None else f"to {covered} jumps, not beyond"
        reasons = (*wear.reasons, f"the rated range holds {to}")
        wear = replace(wear, retire_at=covered, next_retest=None, reasons=reasons)
    if forecast.cord is not None:
        reasons = (
            f"{forecast.cord} by itself: its rating ends at its own last count, and no cord tells how it goes on",
        )
        wear = replace(wear, retire_at=covered, next_retest=None, reasons=reasons)
    return Service(rating, jumps, by_count, wear, _softening(forecast.stiffness, drops), forecasts)


def _held_by_both(rating: Rating, wear_at: Callable[[float], Wear], count: int) -> Rating:
    """The range up to the heaviest mass at which the retests alone meet their bound to this count, too.

    Two ways lead to the clearance of worn cords: the new cords' limit carried on by the change of each cord, and the
    drops of a retest by themselves. They know different things; what one of them refuses is not rated.
    """

    def unmet(mass: float) -> bool:
        return any(point.jumps <= count and not point.meets for point in wear_at(mass).tested)

    if rating.lightest is None or rating.heaviest is None or not unmet(rating.heaviest):
        return rating
    masses = np.arange(rating.lightest, rating.heaviest, MASS_STEP)
    good = bisect_left(masses, True, key=unmet) - 1  # heavier is lower: once unmet, unmet from there on
    reason = f"clearance by the retests alone fails its bound by {count} jumps"
    if good < 0:
        return rating.refused(f"{reason}, at every mass of the range")
    heaviest = float(round(masses[good], 3))
    return rating.narrowed((rating.lightest, heaviest), rating.governed_by | {"heavy": WORN}, reason)


def _softening(stiffness: DropStiffness, drops: Evidence) -> Softening | None:
    setup = DropSetup(**drops.setup(stiffness.rig))
    try:
        return tell_apart(stiffness.shapes[0].curve, drops.cord, drops.jumps.astype(int), drops.lowest_point, setup)
    except ValueError:  # fewer than two cords at two masses and two counts
        return None


def _changes(stiffness: DropStiffness, drops: Evidence, log_scale: np.ndarray) -> dict[int, pd.Series]:
    """Change of each cord's ln s since it was new, at each retest that at least two cords reached, by cord.

    A cord against itself, by the drops of that retest alone: no line over the count is assumed. Of one cord by itself
    the change of each drop, at each retest with at least two of them.
    """
    retest, cord = retests(drops.jumps.astype(int)), np.array(drops.cord)
    new = drops.jumps <= stiffness.drops.jumps.max()
    changes = {}
    for count in np.unique(retest[~new]):
        worn = (retest == count) & ~new
        both = np.intersect1d(cord[worn], cord[new])
        if len(set(stiffness.drops.cord)) == 1 and worn.sum() >= 2:
            changes[int(count)] = pd.Series(log_scale[worn] - log_scale[new].mean(), cord[worn])
        if both.size >= 2:
            of_cords = [log_scale[worn & (cord == c)].mean() - log_scale[new & (cord == c)].mean() for c in both]
            changes[int(count)] = pd.Series(of_cords, both)
    return changes


def _with_own_values(forecast: Forecast, change: pd.Series) -> Forecast:
    """A tolerance forecast on the worn cords' own values: a new cord's limit and an independent change hold too seldom.

    Each retested cord's drops are moved by its own change, so that its level and its change stay one.
    """
    stiffness = forecast.stiffness
    cords = np.array(stiffness.drops.cord)
    kept = np.isin(cords, change.index)
    worn = stiffness.take(kept)
    moved = change.reindex(cords[kept]).to_numpy()
    worn = replace(worn, scales=tuple(scales + moved for scales in worn.scales))
    names = ("site", "masses", "cord", "waves", "recorded", "together", "seed", "probability", "confidence")
    asked = {name: getattr(forecast, name) for name in names}
    return forecast_drop(worn, limit=forecast.limit_kind, draws=forecast.spare.shape[-1], **asked)


def aged(forecast: Forecast, change: pd.Series) -> Forecast:
    """The forecast with ln s changed as these cords' was; another cord's change by the t law (JCGM 101 6.4.9)."""
    if forecast.content is not None and forecast.cord is None:
        return _with_own_values(forecast, change)
    another = GroupLines.of(change.to_numpy(), group=range(change.size)).another_group()
    mean, u, dof = float(another.mean[0]), float(another.u[0]), another.dof[0]
    drawn = mean + u * stdtrit(dof, forecast.spare[0])
    # from two cords the t law reaches far: the grid holds every draw, up to where no change matters any more
    width = min(max(24 * u + 8e-3, 1.01 * float(np.abs(drawn - mean).max())), 50.0)
    grid = mean + width * np.sinh(np.linspace(-4.0, 4.0, 33)) / np.sinh(4.0)
    level = forecast.level.families[0].mean[0]
    new, worn = _quantities(forecast, level[:, None]), _quantities(forecast, level[:, None] + grid)

    def moved(values: dict[str, np.ndarray], change: np.ndarray | float) -> dict[str, np.ndarray]:
        """Values (n_mass, n_draws) after a change of ln s: loads in proportion, lengths by a difference."""
        after = {}
        for name, x in values.items():
            load = QUANTITIES[name].load
            effect = worn[name] / new[name] if load else worn[name] - new[name]
            step = np.array([np.interp(change, grid, row) for row in effect]).reshape(len(effect), -1)
            after[name] = x * step if load else x + step
        return after

    estimates = {name: x[:, None] for name, x in forecast.estimates.items()}
    middle = {name: x[:, 0] for name, x in moved(estimates, mean).items()}
    content = None if forecast.content is None else moved(forecast.content, drawn)
    return replace(forecast, draws=moved(forecast.draws, drawn), content=content, estimates=middle)


def _worst(states: Sequence[Forecast]) -> Forecast:
    """For cords from the first of these states to the last: each quantity where its limit is worst."""
    draws, estimates, content = {}, {}, {}
    for name in states[0].quantities:
        worst = max(states, key=lambda state: QUANTITIES[name].sign * float(np.mean(state.limit(name))))
        draws[name], estimates[name] = worst.draws[name], worst.estimates[name]
        if worst.content is not None:
            content[name] = worst.content[name]
    return replace(states[0], draws=draws, estimates=estimates, content=content or None)


def _next_drop(forecast: Forecast, hung: np.ndarray, log_scale: np.ndarray) -> Prediction:
    """The next drop at the estimates of the site: masses hung [kg] and ln s beyond what waves explain, (n,)."""
    scale = np.exp(log_scale + stiffened(forecast.waves, hung))
    curve = forecast.stiffness.shapes[0].take(np.zeros(scale.size, int), scale)
    return predict_drop(curve, mass=hung, **forecast.stiffness.batch, **drop_inputs(forecast.site))


def _quantities(forecast: Forecast, log_scale: np.ndarray) -> dict[str, np.ndarray]:
    """Quantities of the next drop at the estimates of the site, ln s (n_mass, n)."""
    masses, shape = np.arange(forecast.masses.size)[:, None], np.zeros(log_scale.shape[1], int)
    return forecast.drop(masses, 0, shape, log_scale, forecast.typical)


def _stiffness(stiffness: DropStiffness, worn: Evidence) -> tuple[Evidence, np.ndarray]:
    """Drops at the masses that were retested, new ones too, and their ln s beyond what waves explain.

    An error of the curve's shape is the same at every count: each mass is levelled by its first drops.
    """
    fit = stiffness.drops.take(np.isin(stiffness.drops.mass, worn.mass))
    if not len(fit):
        raise EvidenceError("no wear drop has the mass of a fit drop: nothing says what the cords did there when new")
    drops = fit.joined(worn)
    log_scale = stiffness.unexplained(drops)
    if stiffness.trend.slope is not None:  # as they would be at the fit drops' own temperature
        at_first = known_temperatures(stiffness.drops)
        warmth = np.clip(known_temperatures(drops), at_first.min(), at_first.max()) - at_first.mean()
        log_scale = log_scale - stiffness.trend.slope * warmth
    new = drops.jumps <= fit.jumps.max()
    level = {mass: log_scale[new & (drops.mass == mass)].mean() for mass in np.unique(drops.mass[new])}
    middle = float(np.mean(list(level.values())))
    return drops, log_scale - np.array([level.get(mass, middle) for mass in drops.mass]) + middle


def _clearance_at(forecast: Forecast, drops: Evidence, log_scale: np.ndarray, mass: float) -> np.ndarray:
    """Clearance [m] at a rider mass [kg], of drops with these ln s."""
    site = forecast.site
    hung = np.full(log_scale.shape, mass + site.gear_mass.value)
    lowest = np.asarray(_next_drop(forecast, hung, log_scale).lowest_point)
    if not np.isfinite(lowest).all():
        odd = ", ".join(drops.drop[k] for k in np.flatnonzero(~np.isfinite(lowest)))
        raise EvidenceError(
            f"drop {odd}: as soft as the cord was there, a rider of {mass:.1f} kg would not turn at the site at all; "
            "check its mass and lowest point, or take the cord out of use"
        )
    return site.tie_height.value - site.reach_below_attachment.value - lowest


def _with_room(
    drops: RetestedDrops, forecast: Forecast, mass: float, least_clearance: float, greatest_jumps: int | None
) -> Wear:
    """Wear by a bound that leaves room for what is unsure apart from the cords and their drops."""
    assess = partial(assess_wear, drops, probability=forecast.probability, greatest_jumps=greatest_jumps)
    wear = assess(least=least_clearance)
    if not wear.points or wear.points[0].lower is None:
        return wear
    limit = float(interpolated(forecast.masses, forecast.limit("clearance"), np.array([mass]))[0])
    room = wear.points[0].lower - limit  # what the whole forecast asks for beyond cords and drops
    if not np.isfinite(room) or room <= 0:
        return wear
    return replace(assess(least=least_clearance + room), room=room)


def reassess(
    service: Service, forecast: Forecast, *, least_clearance: float, probability: float, greatest_jumps: int | None
) -> Wear:
    """The same retests by another least clearance [m], probability or cap: by clearance alone, at the same mass."""
    mass, asked = _heavy_end(forecast, service.rating), replace(forecast, probability=probability)
    return _with_room(service.wear.drops, asked, mass, least_clearance, greatest_jumps)


def _heavy_end(forecast: Forecast, rating: Rating) -> float:
    return float(forecast.masses[-1]) if rating.heaviest is None else rating.heaviest


def _covers(other: Rating, rating: Rating) -> bool:
    if other.ends is None or rating.ends is None:
        return False
    return other.ends[0] <= rating.ends[0] + 1e-9 and other.ends[1] >= rating.ends[1] - 1e-9
