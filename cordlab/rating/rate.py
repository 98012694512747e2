"""The rated mass range: each criterion's limit at each rider mass, inside what was tested, and every reason against it.

A criterion is met where its limit meets it, not the estimate: guarded acceptance (JCGM 106 8.3.2), the guard band being
the distance from estimate to limit. The next drop is to break none of them with the probability asked for, all together
from the same draws; each by itself where that is asked, for tolerance limits, and for strength.

Leaving out what does not fit is the easiest way to a wide range: whatever was settled by hand is shown both ways.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import ceil, floor, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from cordlab.batch.drop_table import ONE_RETEST, Evidence
from cordlab.campaign.campaign import Campaign, CampaignError
from cordlab.campaign.decisions import CAUSES, LEAVE_OUT, LEFT_OUT, SETTLE, Decisions
from cordlab.limits.anchoring import DropStiffness
from cordlab.limits.forecast import Forecast
from cordlab.limits.tested import counts_not_shown, not_shown, rateable_parts, rider_not_known
from cordlab.limits.validation import HeldBack, Validation, validate
from cordlab.quantities import QUANTITIES, REBOUND
from cordlab.rating.criteria import ANY, Judgement, interpolated, judge
from cordlab.records.reduce import Drop
from cordlab.statistics.groups import EvidenceError
from cordlab.statistics.limits import met_again, tolerance_factor
from cordlab.statistics.propagation import decide
from cordlab.units import Measured, fixed, mass_range, notebook_html, plain

if TYPE_CHECKING:
    from cordlab.campaign.settings import Criteria, Decision, Site

FAR = 0.95  # chance of being rated again from which on ranges are no luck; our choice
NODE_SPACING = 8.0  # draws are made at masses no further apart; limits are smooth between them; our choice [kg]

ALONE = (
    "decision rule: guarded acceptance (JCGM 106:2012, 8.3.2), a criterion is met where its limit meets it, "
    "each criterion by itself and not all jointly"
)
TOGETHER = (
    "decision rule: guarded acceptance (JCGM 106:2012, 8.3.2), all criteria together: the next drop breaks any of them "
    "with at most {:.3g} %, from the same draws; strength by itself, its limit meets it"
)


@dataclass(frozen=True, kw_only=True)
class Rating:
    """Which rider masses the cords may carry at the site, and why not others.

    A criterion is met where its limit meets it, not the estimate (guarded acceptance, JCGM 106:2012, 8.3.2), all of
    them together unless `rule` says else.

    Parameters
    ----------
    rated, lightest, heaviest : bool, float or None
        whether there is a range, and its ends, rider masses [kg]; None without one
    governed_by : dict
        {"light": ..., "heavy": ...}: the criterion that ends the range there, or the tested range; None without one
    limit, probability, confidence : str, float, float
        which limit the criteria are held against
    n_cords, dof : int, float or None
        cords that were dropped; degrees of freedom of the stiffness at the heavy end
    reasons : tuple of str
        every reason why nothing, or not more, is rated
    predictions : tuple of dict
        a row for each rider mass, in SI, as in `results.json`; None where nothing is known
    promise, rule, conditions, hangs_on : str
        what the limits promise; how a criterion is decided; for which jump counts and temperatures the range holds, and
        the few numbers of site and criteria that the answer hangs on, "" where nobody has said it
    rated_again : float or None
        chance that this campaign, made again with other cords of the batch, would have a range; None without one

    Examples
    --------
    >>> from cordlab import Rating
    >>> rating = Rating(limit="prediction", probability=0.99, confidence=0.95, n_cords=1, reasons=("only 1 cord",),
    ...                 promise="no limit", rule="guarded acceptance")
    >>> print(rating.summary())
    NOT RATED
      only 1 cord
    """

    rated: bool = False
    lightest: float | None = None
    heaviest: float | None = None
    governed_by: dict[str, str | None] = field(default_factory=lambda: {"light": None, "heavy": None})
    limit: str
    probability: float
    confidence: float
    n_cords: int
    dof: float | None = None
    reasons: tuple[str, ...]
    predictions: tuple[dict[str, Any], ...] = ()
    promise: str
    rule: str = ALONE
    conditions: str = ""
    rated_again: float | None = None
    hangs_on: str = ""

    @property
    def ends(self) -> tuple[float, float] | None:
        """Lightest and heaviest rider mass [kg]; None where nothing is rated."""
        if self.lightest is None or self.heaviest is None:
            return None
        return self.lightest, self.heaviest

    @property
    def headline(self) -> str:
        """The whole promise in one line, range, jump counts and temperatures, or that there is none."""
        if self.ends is None:
            return "NOT RATED"
        held = f", {self.conditions}" if self.conditions else ""
        return f"rated for rider masses of {mass_range(*self.ends)}{held}"

    @property
    def nearness(self) -> str:
        """How near the campaign is to having no range, and what that does to its promise (`tests/coverage/rated.py`):
        of all campaigns no more than asked go wrong, rated or not; "" without a range."""
        if self.rated_again is None:
            return ""
        risk = f"{100 * (1 - (self.confidence if self.limit == 'tolerance' else self.probability)):.3g} %"
        again = f"made again with other cords, the campaign would be rated in {100 * self.rated_again:.0f} of 100"
        if self.rated_again >= FAR:
            return f"far from having no range: {again}, and the {risk} stands"
        return (
            f"near to having no range: {again}, as far as it can tell; the {risk} is over all campaigns, and over "
            "those that are rated it is 1.3, 1.8, 2.9 times as much where 70, 50, 30 of 100 are"
        )

    def summary(self) -> str:
        """The answer in a few lines, for people."""
        lines = [self.headline]
        if self.rated:
            lines.append(f"  light end: {self.governed_by['light']};  heavy end: {self.governed_by['heavy']}")
            lines += [f"  {self.promise}", f"  {self.rule}", *([f"  {self.nearness}"] if self.nearness else [])]
        lines += [f"  {reason}" for reason in self.reasons]
        return "\n".join([*lines, f"  it hangs on: {self.hangs_on}"] if self.hangs_on else lines)

    def table(self) -> pd.DataFrame:
        """Estimates, limits and standard uncertainties by rider mass; nan where nothing is known."""
        heads, shown = dict[str, str](), self.predictions[:1]
        for name, quantity in QUANTITIES.items():
            if quantity.asked_only and not any(name in row for row in shown):
                continue
            unit = f"[{quantity.unit or 1}]"
            heads[name], heads[f"{name}_limit"] = quantity.head, f"{quantity.word} limit {unit}"
            heads[f"u_{name}"] = f"u({quantity.word}) {unit}"
        rows = pd.DataFrame(list(self.predictions), columns=["mass", *heads, "rated", "reason"])
        frame = rows.set_index("mass").rename_axis("rider mass [kg]").astype(dict.fromkeys(heads, float))
        return frame.rename(columns=heads)

    def _repr_html_(self) -> str:
        """The answer and, at each end of the range, the limits that are held against the criteria."""
        if self.ends is None:
            return notebook_html(self.summary())
        frame = self.table()
        near = [int(np.argmin(np.abs(frame.index.to_numpy() - end))) for end in self.ends]
        return notebook_html(self.summary(), frame.iloc[near].filter(like=" limit ["))

    def to_dict(self) -> dict[str, object]:
        """What `results.json` holds under `rating`; the predictions stand beside it."""
        answer = {name: value for name, value in vars(self).items() if name != "predictions"}
        return answer | {"reasons": list(self.reasons), "nearness": self.nearness}

    def narrowed(self, ends: tuple[float, float], governed_by: dict[str, str | None], reason: str) -> "Rating":
        """The same limits, with a range between these ends, and why no mass outside is rated."""
        low, high = ends
        rows = [
            row | {"rated": False, "reason": reason}
            if row["rated"] and not low - 1e-3 <= row["mass"] <= high + 1e-3  # to which ends are rounded
            else row
            for row in self.predictions
        ]
        return replace(self, lightest=low, heaviest=high, governed_by=governed_by, predictions=tuple(rows))

    def refused(self, reason: str) -> "Rating":
        """The same limits, with nothing rated for one more reason."""
        return replace(
            self,
            rated=False,
            lightest=None,
            heaviest=None,
            dof=None,
            rated_again=None,
            governed_by={"light": None, "heavy": None},
            reasons=(*self.reasons, reason),
            predictions=tuple(row | {"rated": False, "reason": row["reason"] or reason} for row in self.predictions),
        )


def in_both(rating: Rating, other: Rating) -> Rating:
    """The masses rated in both: without cords that were left out for what they are, and with them (`other`)."""
    cords = "the cords that were left out for what they are"
    if rating.ends is None:
        return rating
    if other.ends is None:
        return rating.refused(f"with {cords}: {'; '.join(other.reasons)}")
    with_them, without = mass_range(*other.ends), mass_range(*rating.ends)
    low, high = max(rating.ends[0], other.ends[0]), min(rating.ends[1], other.ends[1])
    if low > high:
        no_mass = f"no mass is rated both with and without {cords}"
        return rating.refused(f"{no_mass}: {with_them} with them, {without} without")
    by_light = (rating if low == rating.lightest else other).governed_by["light"]
    by_heavy = (rating if high == rating.heaviest else other).governed_by["heavy"]
    both = rating.narrowed((low, high), {"light": by_light, "heavy": by_heavy}, f"not rated with {cords}")
    note = (
        f"cords left out for what they are belong to the batch: rated are the masses that hold with them ({with_them}) "
        f"and without them ({without})"
    )
    return replace(both, reasons=(*rating.reasons, note))


def not_rated(reasons: Sequence[str], *, decision: "Decision", n_cords: int) -> Rating:
    """The answer where there is not even a forecast."""
    return Rating(
        limit=decision.limit,
        probability=decision.probability,
        confidence=decision.confidence,
        n_cords=n_cords,
        reasons=tuple(reasons),
        promise="no limit: the drops cannot carry one",
    )


def rating_masses(stiffness: DropStiffness, site: "Site") -> np.ndarray:
    """Rider masses at which to draw: tested masses less the gear, and between them every `NODE_SPACING` at most."""
    tested = np.unique(stiffness.drops.mass) - site.gear_mass.value
    tested = tested[tested > 0]
    nodes = [tested[:1]]
    for low, high in pairwise(tested):
        nodes.append(np.linspace(low, high, ceil((high - low) / NODE_SPACING - 1e-9) + 1)[1:])
    return np.concatenate(nodes) if tested.size else tested


def rate(
    forecast: Forecast,
    *,
    criteria: "Criteria",
    breaking_load: Measured | None = None,
    validation: Validation | None = None,
    jumps: float | None = None,
    reasons: Sequence[str] = (),
) -> Rating:
    """The rated range from a forecast at `rating_masses`.

    criteria : a campaign's `[criteria]`; breaking_load : the lot's lowest break, and the lower of it and the
    design breaking load counts
    jumps : at which the cords are to be used, where that is asked; reasons : others to rate nothing
    """
    stiffness = forecast.stiffness
    against = [*reasons, *rider_not_known(forecast.site), *counts_not_shown(stiffness.drops, jumps)]
    against += not_shown(stiffness.drops, stiffness.trend, forecast.site.temperature)
    if np.ptp(forecast.masses) == 0:
        against.append("only one mass was dropped: there is no tested range to rate")
    parts, apart = rateable_parts(stiffness.drops.mass, stiffness.checked)
    against += [] if parts else apart
    if parts and stiffness.bend_unseen:
        against.append("no cord shows how stiffness bends over the masses: drop 2 cords with 3 masses each")
    if validation is not None and validation.failed:
        against.append(f"validation failed: {validation.summary()}")
    judgement, missing = judge(forecast, criteria=criteria, breaking_load=breaking_load)
    against += missing
    if REBOUND in judgement.bounds and forecast.recorded is not None and jumps is not None:
        counts = forecast.recorded.jumps[np.isfinite(forecast.recorded.energy_returned)]
        if np.abs(counts - jumps).min() > ONE_RETEST:
            shown = f"cords with {counts.min():g} to {counts.max():g} jumps"
            against.append(f"asked for {jumps:g} jumps, but records show the energy returned of {shown} alone")
    notes, design = [*against, *apart], criteria.design_breaking_load
    if design is not None and breaking_load is not None and breaking_load.value < design.value:
        notes.append(
            f"a cord of the lot broke at {breaking_load.value / 1000:.2f} kN, below the design breaking load of "
            f"{design.value / 1000:.2f} kN: strength factors are those of the lowest break; ask the maker"
        )
    rating = Rating(
        limit=forecast.limit_kind,
        probability=forecast.probability,
        confidence=forecast.confidence,
        n_cords=forecast.n_cords,
        reasons=tuple(dict.fromkeys(notes)),
        predictions=tuple(_rows(judgement, against)),
        promise=forecast.label,
        rule=TOGETHER.format(100 * (1 - forecast.probability)) if forecast.jointly else ALONE,
    )
    return rating if against else _with_range(rating, judgement)


def _with_range(rating: Rating, judgement: Judgement) -> Rating:
    """The longest run of masses that meet every criterion, and what ends it on either side."""
    met, runs = judgement.runs()
    if not runs:
        failed = ", ".join(sorted(set(met.columns[~met.all()]) - {ANY})) or ANY
        return replace(rating, reasons=(f"no tested mass meets every criterion: {failed}", *rating.reasons))
    grid, longest = met.index.to_numpy(), max(runs, key=len)
    first, last = longest[[0, -1]]
    light = judgement.ended_by(grid[first - 1]) if first > 0 else "lightest tested mass"
    heavy = judgement.ended_by(grid[last + 1]) if last < grid.size - 1 else "heaviest tested mass"
    notes = list(rating.reasons)
    if others := [mass_range(*grid[run[[0, -1]]]) for run in runs if run is not longest]:
        notes.append(f"{' and '.join(others)} meets the criteria too, but not in one range with these: not rated")
    ends = float(fixed(grid[first], 3, "upper")), float(fixed(grid[last], 3, "lower"))
    why = "meets every criterion, but outside the one rated range"
    rating = rating.narrowed(ends, {"light": light, "heavy": heavy}, why)
    risks = [row["violation"] for row in rating.predictions if row["rated"]]
    forecast = judgement.forecast
    dof = float(np.interp(grid[last], forecast.masses, np.minimum(forecast.level.families[0].effective_dof[0], 1e9)))
    again = _rated_again(forecast, risks, dof)
    return replace(rating, rated=True, dof=dof, rated_again=again, reasons=tuple(notes))


def _rated_again(forecast: Forecast, violations: Sequence[dict[str, float]], dof: float) -> float:
    """Chance that another sample of cords would have a range, from how seldom a drop breaks a criterion at the best
    mass; as though all that is not known came from the cords."""
    # the greatest share is that of any criterion, where they are judged together
    risks = [max(share for word, share in shares.items() if forecast.jointly or word != ANY) for shares in violations]
    least = max(min(risks, default=1 - forecast.probability), 0.5 / forecast.spare.shape[-1])
    factor = stdtrit(dof, forecast.probability)
    if forecast.content is not None:
        factor = tolerance_factor(dof + 1, forecast.probability, forecast.confidence) / sqrt(1 + 1 / (dof + 1))
    return float(met_again(-stdtrit(dof, least), dof=dof, factor=factor))


def re_rate(
    forecast: Forecast,
    *,
    tie_height: float | None = None,
    reach: float | None = None,
    probability: float | None = None,
    **judged: Any,
) -> Rating:
    """`rate` with another site height [m], body reach [m], probability or criteria, from the draws that are there:
    lowest points and loads do not depend on them. judged : criteria and the rest, as in `rate`."""
    if probability is not None and probability != forecast.probability:
        if forecast.content is not None:
            raise ValueError("a tolerance limit for another share needs a new forecast; prediction limits do not")
        forecast = replace(forecast, probability=probability)
    site, more_room = forecast.site, 0.0
    if tie_height is not None:
        more_room += tie_height - site.tie_height.value
    if reach is not None:
        more_room -= reach - site.reach_below_attachment.value

    def moved(values: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        return values | {"clearance": values["clearance"] + more_room}

    content = None if forecast.content is None else moved(forecast.content)
    draws, estimates = moved(forecast.draws), moved(forecast.estimates)
    return rate(replace(forecast, draws=draws, estimates=estimates, content=content), **judged)


def _rows(judgement: Judgement, against: Sequence[str]) -> list[dict[str, Any]]:
    """A dict a rider mass: tested masses with and without the gear, and whole kilograms between; outside the tested
    range no number, only the reason."""
    forecast = judgement.forecast
    tested, gear = forecast.stiffness.drops.mass, float(forecast.site.gear_mass.value)
    low, high = max(tested.min() - gear, 1.0), tested.max()
    masses = np.concatenate([tested - gear, np.arange(ceil(low), floor(high) + 1.0), tested])
    masses = masses[masses >= low - 1e-9]
    # as they are: rounded, a mass in pounds would lie outside those that were tested
    masses = masses[np.unique(np.round(masses, 6), return_index=True)[1]]
    lightest, heaviest = forecast.masses.min(), forecast.masses.max()
    at = np.clip(masses, lightest, heaviest)
    names = [name for name, row in QUANTITIES.items() if name in forecast.draws or not row.asked_only]
    columns = {name: judgement.estimate(name, at) for name in names}
    columns |= {f"{name}_limit": judgement.limit(name, at) for name in names}
    columns |= {f"u_{name}": interpolated(forecast.masses, forecast.u.get(name), at) for name in names}
    met, by_estimate, violation = judgement.met(at), judgement.met_by_estimate(at), judgement.violation(at)
    rows = []
    for k, (mass, waves) in enumerate(zip(masses.tolist(), forecast.by_waves(masses), strict=True)):
        numbers: dict[str, Any] = dict.fromkeys(columns)
        risks: dict[str, float] = {}
        decisions: dict[str, str] = {}
        if lightest - 1e-9 <= mass <= heaviest + 1e-9:
            numbers = {name: plain(values[k]) for name, values in columns.items()}
            failed = [word for word, meets in met.items() if not meets[k]]
            alone = [word for word in failed if word != ANY] or failed
            reasons = [judgement.reason(word, mass) for word in alone] + list(against)
            risks = {word: float(shares[k]) for word, shares in violation.items()}
            for word in [word for word in by_estimate if word in met]:
                meets = bool(met[word][k]), bool(by_estimate[word][k])
                decisions[word] = decide(*meets, risks.get(word, 0.0), risk=1 - forecast.probability)
        else:
            beyond = f"above the heaviest tested mass of {high:g} kg"
            if mass + gear <= high:
                beyond = f"below the lightest tested mass of {tested.min():g} kg"
            reasons = [f"outside the tested range: {mass + gear:g} kg hung is {beyond}"]
        row = {"mass": mass, **numbers, "violation": risks, "decision": decisions, "rated": not reasons}
        rows.append(row | {"reason": "; ".join(reasons) or None, "waves": waves})
    return rows


@dataclass(frozen=True)
class ByHand:
    """Choices made by hand and what they change.

    rating, without : the answer with them, and without; the second None where the campaign is refused without them,
        and refused says why
    held_back : drops left out that are no worn cord's, against the limits that the other drops give
    """

    decisions: Decisions
    rating: Rating
    without: Rating | None
    refused: tuple[str, ...]
    held_back: tuple[HeldBack, ...]

    @property
    def widens(self) -> bool:
        """Whether the choices rate riders that would not be rated without them."""
        with_choices, without = self.rating.ends, self.without.ends if self.without else None
        if with_choices is None or without is None:
            return with_choices is not None
        return with_choices[0] < without[0] or with_choices[1] > without[1]

    @property
    def cautions(self) -> tuple[str, ...]:
        cautions = [f"{choice}; reason: {reason}" for choice, reason in self.choices]
        outside = [row for row in self.held_back if not row.inside]
        if outside:
            rows = ", ".join(f"{r.drop} {r.measured:.2f} m ({r.lower:.2f} to {r.upper:.2f} m)" for r in outside)
            cautions.append(
                f"{len(outside)} of {len(self.held_back)} drops left out came to lie outside the limits that the other "
                f"drops give for the lowest point: {rows}. The limits do not hold for cords like these."
            )
        cautions.append(f"{_range(self.rating)}; without the choices by hand {self.range_without}.")
        if self.widens:
            cautions.append(
                "the choices rate riders that are not rated without them; whoever signs answers for their reasons."
            )
        return tuple(f"By hand: {caution}" for caution in cautions)

    @property
    def choices(self) -> tuple[tuple[str, str], ...]:
        """Each choice in words, and its reason with who decided."""
        choices = []
        for choice in self.decisions:
            if choice.kind == LEAVE_OUT:
                name = f"drop {choice.drop}" if choice.cord is None else f"cord {choice.cord} and all its drops"
                words = f"{name} left out of curve and limits, for {CAUSES[choice.cause]}"
            elif choice.kind == SETTLE:
                words = f"finding '{choice.finding}'" + (f" of drop {choice.drop}" if choice.drop else "") + " settled"
            else:
                events = ", ".join(f"{name.replace('_', ' ')} {at.value:.3f} s" for name, at in choice.events.items())
                words = f"drop {choice.drop} marked: {events}"
            choices.append((words, choice.reason + (f" (decided by {choice.by})" if choice.by else "")))
        return tuple(choices)

    @property
    def range_without(self) -> str:
        return _range(self.without) if self.without else "refused: " + "; ".join(self.refused)

    def to_dict(self) -> dict[str, object]:
        return self.decisions.to_dict() | {
            "told": [{"choice": choice, "reason": reason} for choice, reason in self.choices],
            "without": self.without and self.without.to_dict(),
            "range_without": self.range_without,
            "widens": self.widens,
            "held_back": [row.to_dict() for row in self.held_back],
        }


def with_and_without(
    campaign: Campaign,
    drops: Sequence[Drop],
    stiffness: DropStiffness | None,
    rating: Rating,
    *,
    rate_again: Callable[[Campaign], Rating],
) -> ByHand | None:
    """The choices of a campaign, with both answers and the drops left out predicted; None where nothing was chosen.
    stiffness : of the drops that count, None where they carry no limit; rate_again : rates it without choices."""
    if not campaign.by_hand:
        return None
    without: Rating | None = None
    refused: tuple[str, ...] = ()
    held_back: tuple[HeldBack, ...] = ()
    try:
        without = rate_again(campaign.as_noted())
    except CampaignError as error:
        refused = error.problems
    left_out = Evidence.of_campaign(campaign, drops, use=(LEFT_OUT,))
    not_worn = {entry.drop for entry in campaign.drops if entry.noted_use != "wear"}
    left_out = left_out.take(np.array([name in not_worn for name in left_out.drop], bool))
    if stiffness is not None and len(left_out):
        with suppress(EvidenceError):  # too few cords for a limit: the rating's reasons say so
            held_back = validate(stiffness, left_out, probability=campaign.decision.probability).rows
    return ByHand(campaign.by_hand, rating, without, refused, held_back)


def _range(rating: Rating) -> str:
    return rating.headline if rating.rated else "not rated: " + "; ".join(rating.reasons)
