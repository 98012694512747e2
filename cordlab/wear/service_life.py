"""For how many jumps: the rated range as cords wear, the count at which it no longer holds, and each cord in service.

Retested drops say how far each cord's stiffness has moved since it was new, in ln s. The change of another cord is
drawn from theirs and carried to every quantity at every mass, so that a rating "to 500 jumps" holds for new and for
worn cords: soft cords come lower, stiff ones pull harder, and the worst of all counts up to there is taken.
"""

from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from functools import cache, partial
from math import inf
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from cordlab.batch.drop_table import ONE_RETEST, Evidence, drop_inputs, retests
from cordlab.campaign.campaign import LOG, Campaign, LogEntry
from cordlab.limits.anchoring import DropStiffness
from cordlab.limits.forecast import Forecast, forecast_drop
from cordlab.limits.tested import known_temperatures
from cordlab.limits.wave_effects import stiffened
from cordlab.mechanics.fall import DropSetup
from cordlab.mechanics.predict import predict_drop
from cordlab.quantities import QUANTITIES
from cordlab.rating.criteria import MASS_STEP, interpolated
from cordlab.rating.rate import Rating
from cordlab.statistics.groups import EvidenceError, GroupLines
from cordlab.units import fixed, mass_range
from cordlab.wear.wear import Softening, Wear, tell_apart

WORN = "clearance of worn cords"  # what ends a range where the retests alone do


@dataclass(frozen=True)
class Service:
    """What the retests say.

    rating : holds from new cords to `jumps`, the count asked for or the greatest retested that leaves a range; None for
        cords as they were first tested
    by_count : a dict a retested count: jumps, lightest, heaviest rider mass of a rating to there, None if none is rated
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
    jumps: int | None,
    greatest_jumps: int | None,
    rest: Mapping[str, float],
) -> Service:
    """Carry wear into the rating.

    worn : drops with use `wear`; judge : a forecast → its rating; greatest_jumps : cap of the maker or the rule
    jumps : count that the rating is to hold to; without, the greatest retested that leaves a range
    rest : name of a drop → time since its cord's previous one [s]
    """
    stiffness, states, forecasts = forecast.stiffness, [forecast], {}
    drops, log_scale = _stiffness(stiffness, worn)
    for count, change in _changes(stiffness, drops, log_scale).items():
        states.append(aged(forecast, change))
        forecasts[count] = _worst(states)
    ratings = {count: judge(worst) for count, worst in forecasts.items()}
    rests = np.array([rest.get(name, np.nan) / 60 for name in drops.drop])
    wear_at = cache(partial(_wear_at, forecast, drops, log_scale, rests, least_clearance, greatest_jumps))

    @cache
    def held(count: int) -> Rating:
        return _held_by_both(ratings[count], wear_at, count)

    if jumps is None:  # the greatest count that leaves a range
        last = {min(retest, greatest_jumps or retest): retest for retest in sorted(ratings, reverse=True)}
        jumps = next((count for count, retest in last.items() if held(retest).rated), None)
    rating, retest = judge(forecast), min((count for count in ratings if count >= (jumps or 0)), default=None)
    if jumps is not None and retest is not None:
        rating = ratings[retest] = held(retest)
    elif jumps is not None:
        tested = f"cords were retested to {max(ratings)}" if ratings else "no retest can be judged"
        rating = rating.refused(f"asked to hold to {jumps} jumps, but {tested}")
    holds_to = []
    for count, other in ratings.items():
        if rating.ends and other.ends and np.all(np.subtract(other.ends, rating.ends) * (1, -1) <= 1e-9):
            holds_to.append(count)
    by_count = tuple(
        {"jumps": count, "lightest": other.lightest, "heaviest": other.heaviest} for count, other in ratings.items()
    )
    softening = None
    with suppress(ValueError):  # fewer than two cords at two masses and two counts
        setup = DropSetup(**drops.setup(stiffness.rig))
        softening = tell_apart(
            stiffness.shapes[0].curve, drops.cord, drops.jumps.astype(int), drops.lowest_point, setup
        )
    wear = replace(wear_at(_heavy_end(forecast, rating)), holds_to=holds_to, only_cord=forecast.cord or "")
    return Service(rating, jumps, by_count, wear, softening, forecasts)


def _held_by_both(rating: Rating, wear_at: Callable[[float], Wear], count: int) -> Rating:
    """The range up to the heaviest mass at which the retests alone meet their bound to this count, too.

    The new cords' limit carried on by the change of each cord, and the drops of a retest by themselves, know different
    things: what one of them refuses is not rated.
    """

    def unmet(mass: float) -> bool:
        return any(point.jumps <= count and not point.meets for point in wear_at(mass).tested)

    if rating.ends is None or not unmet(rating.ends[1]):
        return rating
    masses = np.arange(*rating.ends, MASS_STEP)
    good = bisect_left(masses, True, key=unmet) - 1  # heavier is lower: once unmet, unmet from there on
    reason = f"clearance by the retests alone fails its bound by {count} jumps"
    if good < 0:
        return rating.refused(f"{reason}, at every mass of the range")
    ends = rating.ends[0], float(round(masses[good], 3))
    return rating.narrowed(ends, rating.governed_by | {"heavy": WORN}, reason)


def _changes(stiffness: DropStiffness, drops: Evidence, log_scale: np.ndarray) -> dict[int, pd.Series]:
    """Change of each cord's ln s since it was new, at each retest that at least two cords reached, by cord: by the
    drops of that retest alone, with no line over the count. Of one cord by itself that of each of two drops or more."""
    table = pd.DataFrame({"cord": drops.cord, "retest": retests(drops.jumps.astype(int)), "log_scale": log_scale})
    new, changes = drops.jumps <= stiffness.drops.jumps.max(), {}
    when_new = table[new].groupby("cord")["log_scale"].mean()
    for count, worn in table[~new].groupby("retest"):
        change = (worn.groupby("cord")["log_scale"].mean() - when_new).dropna()
        if len(set(stiffness.drops.cord)) == 1 and len(worn) >= 2:
            change = worn.set_index("cord")["log_scale"] - log_scale[new].mean()
        if len(change) >= 2:
            changes[int(count)] = change
    return changes


def aged(forecast: Forecast, change: pd.Series) -> Forecast:
    """The forecast with ln s changed as these cords' was; another cord's change by the t law (JCGM 101 6.4.9).

    A tolerance forecast goes by the worn cords' own values, each retested cord's drops moved by its own change: a new
    cord's limit and an independent change hold too seldom.
    """
    if forecast.content is not None and forecast.cord is None:
        cords = np.array(forecast.stiffness.drops.cord)
        kept = np.isin(cords, change.index)
        worn, moves = forecast.stiffness.take(kept), change.reindex(cords[kept]).to_numpy()
        worn = replace(worn, scales=tuple(scales + moves for scales in worn.scales))
        names = ("site", "masses", "cord", "waves", "recorded", "together", "seed", "probability", "confidence")
        asked = {name: getattr(forecast, name) for name in names}
        return forecast_drop(worn, limit=forecast.limit_kind, draws=forecast.spare.shape[-1], **asked)
    another = GroupLines.of(change.to_numpy(), group=range(change.size)).another_group()
    mean, u, dof = float(another.mean[0]), float(another.u[0]), another.dof[0]
    drawn = mean + u * stdtrit(dof, forecast.spare[0])
    # from two cords the t law reaches far: the grid holds every draw, up to where no change matters any more
    width = min(max(24 * u + 8e-3, 1.01 * float(np.abs(drawn - mean).max())), 50.0)
    grid = mean + width * np.sinh(np.linspace(-4.0, 4.0, 33)) / np.sinh(4.0)
    level, shape = forecast.level.families[0].mean[0][:, None], np.zeros(grid.size, int)
    new = forecast.drop(0, shape[:1], level, forecast.typical)
    worn_by = forecast.drop(0, shape, level + grid, forecast.typical)

    def moved(values: dict[str, np.ndarray], change: np.ndarray | float) -> dict[str, np.ndarray]:
        """Values (n_mass, n_draws) after a change of ln s: loads in proportion, lengths by a difference."""
        after = {}
        for name, x in values.items():
            load = QUANTITIES[name].load
            effect = worn_by[name] / new[name] if load else worn_by[name] - new[name]
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


def _stiffness(stiffness: DropStiffness, worn: Evidence) -> tuple[Evidence, np.ndarray]:
    """Drops at the masses that were retested, new ones too, and their ln s beyond what waves explain. An error of the
    curve's shape is the same at every count: each mass is levelled by its first drops."""
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
    level = pd.Series(log_scale[new]).groupby(drops.mass[new]).mean()
    return drops, log_scale - pd.Series(drops.mass).map(level).fillna(level.mean()).to_numpy() + level.mean()


def _wear_at(
    forecast: Forecast,
    drops: Evidence,
    log_scale: np.ndarray,
    rests: np.ndarray,
    least_clearance: float,
    greatest_jumps: int | None,
    mass: float,
) -> Wear:
    """Wear by the clearance at a rider mass [kg], of drops with these ln s, some time after their cords' last [min]."""
    site = forecast.site
    hung = np.full(log_scale.shape, mass + site.gear_mass.value)
    scale = np.exp(log_scale + stiffened(forecast.waves, hung))
    curve = forecast.stiffness.shapes[0].take(np.zeros(scale.size, int), scale)
    drop = predict_drop(curve, mass=hung, **forecast.stiffness.batch, **drop_inputs(site))
    lowest = np.asarray(drop.lowest_point)
    if not np.isfinite(lowest).all():
        odd = ", ".join(drops.drop[k] for k in np.flatnonzero(~np.isfinite(lowest)))
        raise EvidenceError(
            f"drop {odd}: as soft as the cord was there, a rider of {mass:.1f} kg would not turn at the site at all; "
            "check its mass and lowest point, or take the cord out of use"
        )
    wear = Wear(
        np.array(drops.cord),
        drops.jumps.astype(int),
        site.tie_height.value - site.reach_below_attachment.value - lowest,
        least=least_clearance,
        probability=forecast.probability,
        quantity=f"clearance at {fixed(mass, 1, 'lower')} kg",
        conditions={"temperature [degC]": drops.temperature, "rest [min]": rests},
        greatest_jumps=greatest_jumps,
    )
    return _with_room(wear, forecast, mass)


def _with_room(wear: Wear, forecast: Forecast, mass: float) -> Wear:
    """Wear by a bound that leaves room for what is unsure apart from the cords and their drops."""
    if not wear.points:
        return wear
    limit = float(interpolated(forecast.masses, forecast.limit("clearance"), np.array([mass]))[0])
    room = wear.points[0].lower - limit  # what the whole forecast asks for beyond cords and drops
    if not np.isfinite(room) or room <= 0:
        return wear
    return replace(wear, least=wear.least + room, room=room)


def reassess(
    service: Service, forecast: Forecast, *, least_clearance: float, probability: float, greatest_jumps: int | None
) -> Wear:
    """The same retests by another least clearance [m], probability or cap: by clearance alone, at the same mass."""
    wear = replace(service.wear, least=least_clearance, probability=probability, greatest_jumps=greatest_jumps)
    wear = replace(wear, room=0.0, holds_to=None, only_cord="")
    return _with_room(wear, replace(forecast, probability=probability), _heavy_end(forecast, service.rating))


def _heavy_end(forecast: Forecast, rating: Rating) -> float:
    return float(forecast.masses[-1]) if rating.heaviest is None else rating.heaviest


@dataclass(frozen=True)
class CordStatus:
    """Where a cord in service stands.

    jumps : so far ; before_retest, before_retirement : jumps left, None where there is no such count
    retired : out of use for good ; reasons : why it may not jump ; cautions : what to look into
    """

    cord: str
    jumps: int
    before_retest: int | None
    before_retirement: int | None
    retired: bool
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def may_jump(self) -> bool:
        return not self.reasons

    def summary(self) -> str:
        left = "" if self.before_retirement is None else f", {self.before_retirement} left before retirement"
        retest, end = "", self.before_retirement
        if self.before_retest is not None and (end is None or self.before_retest <= end):
            retest = f", {self.before_retest} before the next retest"
        remarks = "; ".join((*self.reasons, *self.cautions))
        return f"{self.cord}: {self.jumps} jumps{left}{retest}" + (f": {remarks}" if remarks else "")

    def to_dict(self) -> dict[str, object]:
        return asdict(self) | {"may_jump": self.may_jump}


def jumps_before(campaign: Campaign) -> dict[str, int]:
    """Jumps of each listed cord before it went into service: as cords.csv says, or as the campaign's drops left it."""
    before = {cord.cord: cord.jumps for cord in campaign.cords}
    for drop in campaign.drops:
        before[drop.cord] = max(before[drop.cord], drop.jumps + 1)  # a drop is a jump
    return before


def out_of_use(campaign: Campaign, unlike: Mapping[str, str]) -> dict[str, str]:
    """Cords that may never jump, with the reason: pulled to break, left out by hand, or unlike their batch.
    unlike : cord → the quantity in which it is unlike the others."""
    reasons = {cord: f"unlike its batch ({quantity})" for cord, quantity in unlike.items()}
    for choice in campaign.by_hand.left_out:
        if choice.cord is not None:
            reasons[choice.cord] = f"left out of the campaign by hand: {choice.reason}"
    return reasons | {entry.cord: "pulled to break (breaks.csv)" for entry in campaign.breaks}


def cords_in_service(
    log: Sequence[LogEntry],
    *,
    retire_at: int | None,
    next_retest: int | None = None,
    greatest_jumps: int | None = None,
    before: Mapping[str, int],
    barred: Mapping[str, str] = {},
    rated: tuple[float, float] | None = None,
) -> tuple[CordStatus, ...]:
    """Status of every cord in the log.

    retire_at, next_retest : of the batch (`Wear`) ; greatest_jumps : cap of the maker or the rule, which wins where
    smaller ; before : cord → jumps before the log, 0 with a caution for others ; rated : lightest and heaviest rider
    [kg] ; barred : cord → why it is out of use for good, whatever it counts
    Any damage retires at once, whatever the count. Without a retirement count no cord may jump.
    """
    end = retire_at if retire_at is None or greatest_jumps is None else min(retire_at, greatest_jumps)
    lightest, heaviest = rated or (-inf, inf)
    statuses = []
    for cord in dict.fromkeys(entry.cord for entry in log):
        entries = [entry for entry in log if entry.cord == cord]
        jumps = before.get(cord, 0) + sum(entry.jumps for entry in entries)
        reasons, cautions = [], []
        if cord in barred:
            reasons.append(f"retired: {barred[cord]}")
        elif cord not in before:
            cautions.append(
                "in no table of the campaign, so counted from 0 jumps; list it in cords.csv with the jumps it had, or "
                "check its name"
            )
        damaged = next((entry for entry in entries if entry.damage), None)
        if damaged is not None:
            reasons.append(f"retired: {damaged.damage} ({LOG}, row {damaged.line}, {damaged.day})")
            later = sum(entry.jumps for entry in entries if entry.day > damaged.day)
            if later:
                cautions.append(f"{later} jumps logged after the damage")
        if end is None:
            reasons.append("no retirement count: worn cords of this batch are not rated")
        elif jumps >= end:
            reasons.append(f"retired: {end} jumps reached")
            if jumps > end:
                cautions.append(f"{jumps - end} jumps beyond the retirement count")
        for entry in entries:
            if (entry.lightest or lightest) < lightest or (entry.heaviest or heaviest) > heaviest:
                where = f"({LOG}, row {entry.line})"
                cautions.append(f"a rider outside the rated {mass_range(lightest, heaviest)} {where}")
        retired = damaged is not None or cord in barred or (end is not None and jumps >= end)
        before_retest = None if next_retest is None else max(next_retest - jumps, 0)
        before_retirement = None if end is None else (end - jumps) * (not retired)
        status = cord, jumps, before_retest, before_retirement, retired, tuple(reasons), tuple(cautions)
        statuses.append(CordStatus(*status))
    return tuple(statuses)
