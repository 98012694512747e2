"""The ladder of test masses: may the next mass be dropped on this rig and this cord, from the drops so far?

The limits are those of `next_drop`. A last drop outside the limits of the drops before it is to be cleared first.
"""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from itertools import pairwise
from math import ceil, inf, nan

import numpy as np
import pandas as pd

from cordlab.batch.drop_table import ONE_RETEST, Evidence, retests
from cordlab.campaign.campaign import Campaign, MakersCurve, read_jump_log
from cordlab.campaign.decisions import LEFT_OUT
from cordlab.campaign.files import offer
from cordlab.campaign.settings import Rig
from cordlab.curves.models import Curve
from cordlab.limits.tested import FURTHEST_STEP
from cordlab.quantities import bounds
from cordlab.rating.next_drop import ASSUMED, UNSEEN_PEAK, NextDrop, after_drops, before_any_drop
from cordlab.records.calibration import calibrate_campaign
from cordlab.records.campaign_drops import reduce_all
from cordlab.statistics.propagation import quantile
from cordlab.units import nearest, notebook_html, plain

PROBABILITY = 0.99  # that the next drop stays within its limit, where more is not asked for
DRAWS, TAIL = 8_000, 80  # draws, and the least number of them beyond a limit

CAUTIONS = (
    "cordlab decides nothing: a licensed or certified person decides whether the mass is dropped",
    "the local rules and the maker's limits win wherever they are stricter",
    "keep people clear below and beside the drop; cordlab does not check crane, anchors, connectors or release gear",
)

MAY, NO, DONE, UNNAMED = "may be dropped next", "do not drop", "the plan is done", "no mass is planned"
"""The answers."""


@dataclass(frozen=True)
class DropDay:
    """A test day: the rig, what its drops must keep, and the drops made so far.

    Parameters
    ----------
    rig : Rig
        a campaign's `[rig]`
    least_clearance, stack_height, greatest_load : float
        of the lowest weight above the surface; of the weights below the cord's end [m]; at the tie point [N]
    drops : Evidence, optional
        made so far on this rig, of new and of worn cords; None before the first
    planned : sequence of float
        all masses of the plan, hung below the cord's end [kg]
    makers_curve, slack_length, cord_mass : Curve or MakersCurve, float, float; optional
        needed before the first drop, assumed, and not used after it  [m], [kg]
    cords : mapping of str to int
        cord → its jumps by now, of the cords that may be dropped next; empty: another cord of the batch
    unread, settled : collections of str
        drops whose lowest point was not read; those left out by hand: they count, and no longer as a surprise
    decided_probability : float
        of `[decision]`
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
    cords: Mapping[str, int] = field(default_factory=dict)
    unread: Sequence[str] = ()
    settled: frozenset[str] = frozenset()
    decided_probability: float = PROBABILITY

    @classmethod
    def of(cls, campaign: Campaign) -> "DropDay":
        """The test day of a campaign; before the first drop of its cords the longest, which comes lowest.

        Every drop made counts, of worn cords too, left out by hand or not: it may be the one that came lowest. Jumps of
        the jump log count too. Raises CampaignError, naming every calibration or record that is refused.
        """
        settled = frozenset(entry.drop for entry in campaign.drops if entry.use == LEFT_OUT)
        campaign = replace(campaign.as_noted(), by_hand=campaign.by_hand)
        drops, plan = None, campaign.plan
        jumps = {cord.cord: cord.jumps for cord in campaign.cords}
        for row in read_jump_log(campaign.folder):
            if row.cord in jumps:
                jumps[row.cord] += row.jumps
        if campaign.drops:
            reduced = reduce_all(campaign, calibrate_campaign(campaign))
            drops = Evidence.of_campaign(campaign, reduced, use=("fit", "check", "wear"))
        for entry in campaign.drops:
            jumps[entry.cord] = max(jumps[entry.cord], entry.jumps + 1)
        longest = max(campaign.cords, key=lambda cord: cord.slack_length.value)
        asked = bounds(vars(campaign.criteria))
        if plan:  # its own limits come first
            of_plan = {"clearance": plan.least_clearance, "peak_load": plan.greatest_load}
            asked |= {name: bound for name, bound in of_plan.items() if bound is not None}
        return cls(
            campaign.rig,
            asked["clearance"],
            drops,
            planned=plan.masses if plan else (),
            stack_height=plan.stack_height if plan else 0.0,
            greatest_load=asked.get("peak_load"),
            makers_curve=campaign.makers_curve,
            slack_length=longest.slack_length.value + 2 * longest.slack_length.u,
            cord_mass=longest.mass.value,
            cords=jumps,
            unread=campaign.unread,
            settled=settled,
            decided_probability=campaign.decision.probability,
        )

    def first_drop(self, draws: int, seed: int) -> tuple[NextDrop, list[str]]:
        """What may be expected before any drop, and what that rests on."""
        cord = {"slack_length": self.slack_length, "cord_mass": self.cord_mass}
        return before_any_drop(self.makers_curve, self.rig, **cord, draws=draws, seed=seed)

    def concerned(self, cord: str | None) -> dict[str, int]:
        """The cords that are asked for → their jumps by now; "" is another cord of the batch."""
        drops = self.drops
        jumps = pd.Series(drops.jumps).groupby(list(drops.cord)).max() + 1 if drops else pd.Series(dtype=float)
        if self.cords and cord is not None and cord not in self.cords:
            raise ValueError(f"cord '{cord}' is not in cords.csv{offer(nearest(cord, self.cords))}")
        if cord is None:
            return dict(self.cords) or {"": int(jumps.max() if len(jumps) else 0)}
        return {cord: self.cords.get(cord, int(jumps.get(cord, jumps.max() if len(jumps) else 0)))}


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

    answer : one of `MAY`, `NO`, `DONE` and `UNNAMED`
    mass : asked for, or the next of the plan [kg hung]; the limits are for it, nan where nothing is known
    cords : cord that the answer speaks of → its jumps so far
    proposed : the heaviest that may be dropped now, None if none heavier than so far
    to_clear : last drops that came as a surprise, which is to be cleared first
    plan : a row a planned mass, light to heavy, as seen from here
    """

    answer: str
    mass: float
    cords: Mapping[str, int]
    proposed: float | None
    lowest_point_limit: float
    clearance: float
    load_limit: float
    reasons: tuple[str, ...]
    to_clear: tuple[str, ...]
    plan: tuple[PlannedMass, ...]
    probability: float
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def allowed(self) -> bool:
        return self.answer == MAY

    def summary(self) -> str:
        lines = ["plan, as seen from here:"] if self.plan else []
        for row in self.plan:
            depths = f"lowest {row.lowest_point:6.2f} m, limit {row.lowest_point_limit:6.2f} m"
            lines.append(f"  {row.mass:6.1f} kg  {depths}  {row.reason}")
        return "\n".join([self._answer, *lines, *(f"caution: {caution}" for caution in self.cautions)])

    @property
    def _answer(self) -> str:
        who = _in_words(self.cords)
        heads = {
            MAY: f"{self.mass:g} kg may be dropped next on {who}",
            NO: f"do not drop {self.mass:g} kg on {who}",
            DONE: f"the plan is done on {who}: {self.mass:g} kg was its heaviest mass",
            UNNAMED: f"no mass is planned for {who}: name one (--mass), or write a [plan] into campaign.toml",
        }
        lines = [heads[self.answer]]
        if self.answer in (MAY, NO) and np.isfinite(self.lowest_point_limit):
            lowest, clearance = f"{self.lowest_point_limit:.2f} m below the tie point", f"{self.clearance:.2f} m"
            limits = f"lowest point {lowest}, clearance {clearance}, peak load {self.load_limit:.0f} N"
            lines.append(f"  {100 * self.probability:g} % limits of that drop: {limits}")
        lines += [f"  {reason}" for reason in (*self.to_clear, *self.reasons)]
        if self.answer == UNNAMED and self.proposed is not None:
            lines.append(f"  {self.proposed:g} kg is the heaviest that would keep the limits of the test day")
        elif not self.allowed and self.proposed is not None:
            lines.append(f"  {self.proposed:g} kg may be dropped next instead")
        return "\n".join(lines)

    def table(self) -> pd.DataFrame:
        """The plan, a row a mass."""
        heads = ["mass [kg]", "lowest point [m]", "lowest point limit [m]", "clearance limit [m]"]
        heads += ["peak load limit [N]", "may be dropped", "reason"]
        return pd.DataFrame([tuple(asdict(row).values()) for row in self.plan], columns=heads).set_index("mass [kg]")

    def _repr_html_(self) -> str:
        cautions = (f"caution: {caution}" for caution in self.cautions)
        return notebook_html("\n".join([self._answer, *cautions]), *([self.table()] if self.plan else []))

    def to_dict(self) -> dict[str, object]:
        return plain(asdict(self))


def _in_words(cords: Mapping[str, int]) -> str:
    """The cords, those with one count together."""
    by_jumps: dict[int, list[str]] = {}
    for cord, jumps in cords.items():
        by_jumps.setdefault(jumps, []).append(cord or "another cord of the batch")
    counts = [f"{', '.join(names)} ({jumps} jumps so far)" for jumps, names in by_jumps.items()]
    return f"{'any of ' if len(cords) > 1 else ''}{', '.join(counts)}"


@dataclass(frozen=True)
class Climb:
    """How far the cords concerned have climbed, and what may come next.

    heaviest : dropped so far, by the cord that is asked for or else by any, 0 before the first drop [kg]
    to_come : planned masses above what that cord was dropped with, light to heavy; all of them before its first drop
    against : reasons against any drop
    """

    day: DropDay
    nexts: Sequence[NextDrop]
    probability: float
    heaviest: float
    to_come: Sequence[float]
    against: Sequence[str]

    def limits(self, mass: float) -> PlannedMass:
        """The worst limits of the cords concerned at one mass, and every reason against it."""
        day, against, planned = self.day, list(self.against), list(self.day.planned)
        if not self.nexts:
            return PlannedMass(mass, nan, nan, nan, nan, False, "; ".join(against))
        of_cords = [cord.limits(mass, self.probability) for cord in self.nexts]
        estimate, limit, load_limit, beyond = np.max(of_cords, axis=0).tolist()
        clearance = day.rig.tie_height.value - 2 * day.rig.tie_height.u - limit - day.stack_height
        if not clearance >= day.least_clearance:
            against.append(f"clearance limit {clearance:.2f} m is below the test day's {day.least_clearance:g} m")
        if day.greatest_load is not None and not load_limit <= day.greatest_load:
            against.append(f"peak load limit {load_limit:.0f} N is above the test day's {day.greatest_load:g} N")
        if self.heaviest and mass > FURTHEST_STEP * self.heaviest:
            against.append(f"{mass:g} kg is more than {FURTHEST_STEP:g} times the {self.heaviest:g} kg dropped so far")
        if planned and mass > max(planned):
            against.append(f"{mass:g} kg is above the heaviest planned mass, {max(planned):g} kg")
        if planned and len(self.to_come) == len(planned) and mass > self.to_come[0]:
            against.append(f"nothing of the plan has been dropped yet: {self.to_come[0]:g} kg comes first")
        if beyond:
            end = min(cord.ends_at for cord in self.nexts)
            against.append(f"stretches beyond a ratio of {end:.3g}, where the maker's curve ends")
        return PlannedMass(mass, estimate, limit, clearance, load_limit, not against, "; ".join(against) or MAY)


def next_mass(
    day: DropDay | Campaign,
    *,
    mass: float | None = None,
    cord: str | None = None,
    probability: float | None = None,
    seed: int = 0,
) -> Rung:
    """Whether a mass may be dropped next on this rig, from the drops so far.

    Parameters
    ----------
    day : DropDay or Campaign
        the test day, or a campaign that holds it (all its drops, and its `[plan]`)
    mass : float, optional
        the one asked for, hung [kg]; by default the lightest planned one above the heaviest dropped
    cord : str, optional
        the next drop is of this cord; by default of any cord of the campaign, and the worst of them counts
    probability : float, optional
        that the next drop stays within its limit; by default 0.99, or that of `[decision]` where it asks for more
    seed : int
        of the random draws

    Raises
    ------
    ValueError
        where there is neither a drop nor a maker's curve, for a cord that is not known, a mass not above 0
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
    if mass is not None and not 0 < mass < inf:
        raise ValueError(f"a mass of {mass:g} kg cannot be dropped; give one above 0")
    cords = day.concerned(cord)
    if probability is None:
        probability = max(PROBABILITY, day.decided_probability)
    draws = max(DRAWS, ceil(TAIL / (1 - probability)))
    nexts, reasons, unknown = _outlook(day, cords, draws, seed)
    to_clear, settled = _surprises(day, cords, probability, draws, seed)
    dropped = min((expected.dropped for expected in nexts), default=0.0)
    by_itself = nexts[0].by_itself if len(cords) == 1 and nexts else dropped
    heaviest, to_come = by_itself or dropped, sorted({float(m) for m in day.planned if m > by_itself})
    climb = Climb(day, nexts, probability, heaviest, to_come, (*to_clear, *unknown))
    if mass is not None or to_come:
        asked = climb.limits(float(to_come[0] if mass is None else mass))
        answer = MAY if asked.allowed else NO
        failed = [] if asked.allowed or climb.against else [asked.reason]
    else:
        asked, failed = climb.limits(heaviest), []
        answer = DONE if len(day.planned) else UNNAMED
    for light, heavy in pairwise([heaviest or inf, *to_come]):
        if heavy > FURTHEST_STEP * light:
            step = f"from {light:g} to {heavy:g} kg is a step of more than {FURTHEST_STEP:g} times"
            unknown.append(f"{step}: plan a mass between")
    # whole kilograms above what was dropped, up to the heaviest planned; limits grow with the mass
    most = ceil(max(to_come, default=0.0)) if len(day.planned) else int(FURTHEST_STEP * heaviest)
    masses = range(int(heaviest) + 1, most + 1)
    allowed = bisect_left(masses, True, key=lambda kilograms: not climb.limits(float(kilograms)).allowed)
    return Rung(
        answer=answer,
        mass=asked.mass,
        cords=cords,
        proposed=float(masses[allowed - 1]) if allowed else None,
        lowest_point_limit=asked.lowest_point_limit,
        clearance=asked.clearance_limit,
        load_limit=asked.load_limit,
        reasons=(*failed, *unknown, *reasons, *settled, *_remarks(day, cords, probability)),
        to_clear=to_clear,
        plan=tuple(climb.limits(planned) for planned in to_come),
        probability=probability,
    )


def _outlook(
    day: DropDay, cords: Mapping[str, int], draws: int, seed: int
) -> tuple[list[NextDrop], list[str], list[str]]:
    """What may come next of each cord that something is known of, what that rests on, and why nothing is of others."""
    drops = day.drops
    if not drops:
        expected, reasons = day.first_drop(draws, seed)
        return [expected], reasons, []
    known = dict(zip(cords, after_drops(drops, cords, day.rig, draws=draws, seed=seed), strict=True))
    counts = {"drop": len(drops), "cord": len(set(drops.cord)), "mass": len(set(drops.mass))}
    n = {word: f"{count} {word}{('es' if word == 'mass' else 's') * (count > 1)}" for word, count in counts.items()}
    jumps = f"{drops.jumps.min():g} to {drops.jumps.max():g} jumps"
    so_far = f"from {n['drop']} of {n['cord']} at {n['mass']} up to {drops.mass.max():g} kg, made at {jumps}"
    reasons = [so_far, ASSUMED]
    if not drops.has_peak.any():
        reasons.append(UNSEEN_PEAK)
    if day.makers_curve is not None:
        reasons.append("the maker's curve is not used any more: the drops say what this cord does")
    unknown = {cord: cords[cord] for cord, expected in known.items() if expected is None}
    why = f"no cord was dropped within {ONE_RETEST} jumps of that, so nothing says how low it comes now"
    against = [f"{_in_words(unknown)}: {why}; ask for another cord (--cord)"] if unknown else []
    return [expected for expected in known.values() if expected is not None], reasons, against


def _surprises(
    day: DropDay, cords: Mapping[str, int], probability: float, draws: int, seed: int
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Last drops of these cords outside the limits that the drops before them gave: those to be cleared, and those that
    were left out by hand since."""
    drops, rng = day.drops, np.random.default_rng(seed)
    if not drops:
        return (), ()
    rows = pd.Series(drops.jumps).groupby(list(drops.cord)).idxmax()
    last = {cord: int(rows[cord]) for cord in cords if cord in rows}
    before = drops.take(~np.isin(np.arange(len(drops)), list(last.values())))
    expected: list[NextDrop | None] = [None] * len(last)
    if len(before) and last:
        counts = {cord: int(drops.jumps[k]) for cord, k in last.items()}
        expected = after_drops(before, counts, day.rig, draws=draws, seed=seed)
    elif day.makers_curve is not None:
        expected = [day.first_drop(draws, seed)[0]] * len(last)
    to_clear, settled = [], []
    for (cord, k), drop in zip(last.items(), expected, strict=True):
        if drop is None:
            continue
        name, mass, measured = drops.drop[k], float(drops.mass[k]), float(drops.lowest_point[k])
        read = np.sort(drop.drop(mass)[0] + rng.normal(0.0, drops.u_lowest_point[k], draws))
        low, high = quantile(read, 1 - probability, "lower").min(), quantile(read, probability, "upper").max()
        if low <= measured <= high:
            continue
        off, side, limit = (measured - high, "lower", high) if measured > high else (low - measured, "higher", low)
        surprise = (
            f"the last drop of {cord} ({name}, {mass:g} kg) came as a surprise: {measured:.2f} m, {off:.2f} m {side} "
            f"than the {100 * probability:g} % limit of {limit:.2f} m from the drops before it"
        )
        if name in day.settled:
            settled.append(f"{surprise}; left out by hand, and it counts here all the same")
        else:
            to_clear.append(
                f"{surprise}: clear this up before another drop, and leave it out in decisions.csv with its cause"
            )
    return tuple(to_clear), tuple(settled)


def _remarks(day: DropDay, cords: Mapping[str, int], probability: float) -> list[str]:
    """What else to know: drops that were not read, how far cords have worn, and the probability."""
    remarks, drops = [], day.drops
    if day.unread:
        remarks.append(f"lowest point not read, counts as a jump and as nothing else: drop {', '.join(day.unread)}")
    if drops:
        columns = {"retest": retests(drops.jumps), "lowest": drops.lowest_point, "jumps": drops.jumps}
        table = pd.DataFrame(columns | {"cord": drops.cord, "mass": drops.mass}).sort_values("jumps", kind="stable")
        of_cords = table[table["cord"].isin(list(cords))].groupby(["cord", "mass"])[["retest", "lowest"]]
        change = of_cords.last() - of_cords.first()
        deeper = change["lowest"][change["retest"] > 0]
        if deeper.max() > 0:
            (cord, mass), by = deeper.idxmax(), deeper.max()
            worn = f"{cord} came {by:.2f} m lower at {mass:g} kg than in its first drop with it"
            remarks.append(f"worn: {worn}; its level is that of its last retest alone, earlier drops tell the shape")
    ladder, decided = f"{100 * probability:g} %", f"{100 * day.decided_probability:g} %"
    if decided != ladder:
        remarks.append(
            f"{ladder} and not the {decided} of [decision]: a test day is held to {100 * PROBABILITY:g} % at least"
        )
    elif probability != PROBABILITY:
        remarks.append(f"{ladder} as [decision] asks for, in place of the ladder's {100 * PROBABILITY:g} %")
    return remarks
