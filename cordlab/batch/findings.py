"""Findings: what was seen, where, and what to try; which of them stop a rating; and those of a batch and its fit.

Nothing is corrected and nothing is left out.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd

from cordlab.batch.cords import slope_within
from cordlab.batch.fit import BatchFit
from cordlab.campaign.decisions import Decisions
from cordlab.records.reduce import Drop
from cordlab.statistics.components import furthest, without_levels

LEVEL = 0.01  # chance of a finding of one kind in a good batch, over all that it looks at together; our choice
MUCH_BETTER = (10.0, 0.8)  # AICc less by this, and residuals at most this share: another model; our choice
ALONG = 0.9  # correlation within cords above which two causes are one to the drops; our choice
FEW_CORDS = 4  # below this many a band for another cord is very wide; our choice
FEWEST_DOF = 3  # of a trend that is judged; our choice

STOPS = frozenset(
    {
        "rest",
        "end of slack",
        "clock",
        "loads",
        "slow load cell",
        "depth by load",
        "datum",
        "implied mass",
        "swapped records",
        "order of depths",
        "unlike lowest point",
        "unlike peak load",
        "copied cord",
        "lack of fit",
        "release depth",
        "compliance",
        "drag area",
        "gear",
        "turning over",
        "stiffer when worn",
        "unusual temperature",
        "strength",
    }
)
"""Kinds of findings that speak against the rating: one of them, and nothing is rated until it is settled."""


@dataclass(frozen=True)
class Finding:
    """Something odd. kind : one word or two, for tables; text : what was seen; where : at which drops, cord or key;
    remedy : what to try; drops : the names of the drops that it is about, where it is about some; settled : how it was
    settled by hand, "" where it was not.
    """

    kind: str
    text: str
    where: str
    remedy: str
    drops: tuple[str, ...] = ()
    settled: str = ""

    @property
    def stops(self) -> bool:
        """Whether it keeps the campaign from being rated."""
        return self.kind in STOPS and not self.settled

    def __str__(self) -> str:
        return f"{self.where}: {self.text}; {self.settled or self.remedy}"

    def to_dict(self) -> dict[str, object]:
        told = {"kind": self.kind, "what": self.text, "where": self.where, "try_": self.remedy}
        return told | {"drops": list(self.drops), "stops": self.stops, "settled": self.settled or None}


def settled(findings: Sequence[Finding], decisions: Decisions) -> tuple[Finding, ...]:
    """The findings, those marked that decisions.csv settles: of that kind, and of that drop where it names one."""
    marked = []
    for finding in findings:
        for choice in decisions.settling(finding.kind):
            if choice.drop is None or choice.drop in finding.drops:
                by = f", {choice.by}" if choice.by else ""
                finding = replace(finding, settled=f"settled by hand: {choice.reason}{by}")
        marked.append(finding)
    return tuple(marked)


def against_rating(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Why nothing may be rated: the findings that stop it, and how they are settled."""
    return tuple(
        f"{finding}; or settle it with a reason in decisions.csv (finding '{finding.kind}')"
        for finding in alike(findings)
        if finding.stops
    )


def alike(findings: Iterable[Finding]) -> list[Finding]:
    """The same finding of several drops once, with their names: the same words, whatever their numbers."""
    groups: dict[tuple[str, ...], list[Finding]] = {}
    for finding in findings:
        words = re.sub(r"[-+]?\d[\d.]*", "#", finding.text)
        key = words if finding.drops else f"{finding.where}: {finding.text}"
        groups.setdefault((finding.kind, key, finding.settled), []).append(finding)
    merged = []
    for first, *others in groups.values():
        if others:
            names = tuple(dict.fromkeys(name for one in (first, *others) for name in one.drops))
            where, text = f"{len(names)} drops ({', '.join(names)})", f"{first.where}: {first.text}"
            first = replace(first, where=where, text=f"{1 + len(others)} times, such as {text}", drops=names)
        merged.append(first)
    return merged


def fit_findings(batch: BatchFit, drops: Sequence[Drop]) -> tuple[Finding, ...]:
    """Findings about a batch and the drops that it was fitted to; empty where nothing is odd.

    A drop, a cord or a trend is judged by the drops' scales, one number a drop, never by samples. Raises ValueError
    where `drops` are not those of the fit.
    """
    if tuple(drop.name for drop in drops) != batch.samples.names:
        raise ValueError("the drops are not those of the fit, or not in their order")
    log_scales = np.log([batch.drop_scales[drop.name] for drop in drops])
    return (
        *outlying_drop(log_scales, drops),
        *_unlike_cord(batch),
        *_trends(log_scales, drops),
        *_wrong_model(batch),
        *_too_little(batch),
    )


def outlying_drop(log_scales: np.ndarray, drops: Sequence[Drop]) -> Iterator[Finding]:
    """The drop furthest from its cord's others, where chance puts none so far off."""
    worst = furthest(without_levels(log_scales, [drop.cord for drop in drops]))
    if worst is not None and worst.chance < LEVEL:
        drop, off = drops[worst.number], np.expm1(worst.off)
        yield Finding(
            "outlying drop",
            f"its force is {abs(off):.1%} {_side(off)} that of its cord's other drops",
            f"drop {drop.name} (cord {drop.cord})",
            "look at its record, mass, slack length and temperature; drop it again; leave it out only for a reason",
            (drop.name,),
        )


def _side(off: float) -> str:
    return "above" if off > 0 else "below"


def _unlike_cord(batch: BatchFit) -> Iterator[Finding]:
    """The cord furthest from the others, by Grubbs' test on the logarithms of the scales."""
    cords, scales = list(batch.chosen.scales), list(batch.chosen.scales.values())
    worst = furthest(without_levels(np.log(scales), np.zeros(len(scales))))
    if worst is not None and worst.chance < LEVEL:
        yield Finding(
            "unlike cord",
            f"its stiffness is {np.exp(worst.off):.3f} times that of the others",
            f"cord {cords[worst.number]}",
            "check its number, slack length and history; a cord of another make or another age is not of this batch",
        )


class Cause(NamedTuple):
    """Something that stiffness may change with: the kind of the finding, what to say of a slope, and what to try."""

    kind: str
    text: str
    remedy: str


CAUSES = {  # by its name on a drop
    "jumps": Cause(
        "softening",
        "stiffness changes by {0:+.2%} a jump over these drops",
        "condition the cords with more full stretches before the drops that count",
    ),
    "temperature": Cause(
        "temperature",
        "stiffness changes by {0:+.2%} a degree",
        "drop at one temperature, or rate only for the range tested",
    ),
    "mass": Cause(
        "mass",
        "stiffness changes by {0:+.3%} a kilogram of test mass",
        "the shape of the curve is not right, or a mass or the calibration is off: compare other models",
    ),
}


def _trends(log_scales: np.ndarray, drops: Sequence[Drop]) -> Iterator[Finding]:
    """A slope of stiffness within cords on jumps, temperature or mass, by its t value (three looks, Bonferroni).

    A ladder goes from light to heavy as the count rises: then the finding says that either may be the cause.
    """
    cords = [drop.cord for drop in drops]
    values = {name: np.array([float(getattr(drop, name)) for drop in drops]) for name in CAUSES}
    slopes = {name: slope_within(log_scales, x, cords) for name, x in values.items() if np.isfinite(x).all()}
    trends = {name: slope for name, slope in slopes.items() if slope is not None}
    for name, trend in trends.items():
        if trend.dof < FEWEST_DOF or trend.chance >= LEVEL / len(CAUSES):
            continue
        cause = CAUSES[name]
        along = [other for other, its_trend in trends.items() if other != name and trend.along(its_trend) > ALONG]
        remedy = cause.remedy
        if along:
            remedy += f"; {' and '.join(along)} went along, so it may be that: drop the first mass again at the end"
        where = f"{len(drops)} drops of {len(set(cords))} cords"
        yield Finding(cause.kind, cause.text.format(trend.slope), where, remedy)


def _wrong_model(batch: BatchFit) -> Iterator[Finding]:
    """Residuals that all drops share: another model, or the spline, describes them with far less left over."""
    samples, chosen = batch.samples, batch.chosen
    rivals = [model for model in batch.candidates if model.fit is not None and model.model != chosen.model.name]
    if not rivals:
        return
    best, (margin, share) = min(rivals, key=lambda model: model.aicc), MUCH_BETTER
    if not best.aicc < chosen.aicc - margin or best.fitted.residual_sd > share * chosen.residual_sd:
        return
    edges = np.linspace(1.0, float(samples.stretch_ratio.max()), 9)
    bins = np.clip(np.digitize(samples.stretch_ratio, edges) - 1, 0, 7)
    means = pd.Series(chosen.residuals).groupby(bins).mean()
    worst = int(means.abs().idxmax())
    yield Finding(
        "wrong model",
        f"the drops lie {abs(means[worst]):.3g} N {_side(means[worst])} {chosen.model.name} "
        f"together; {best.model} leaves {best.fitted.residual_sd:.3g} N instead of {chosen.residual_sd:.3g} N",
        f"stretch ratio {edges[worst]:.2f} to {edges[worst + 1]:.2f}",
        f"compare {best.model}, and see where it stops being sensible",
    )


def _too_little(batch: BatchFit) -> Iterator[Finding]:
    """Bands that were refused, and bands from so few cords that they are huge."""
    fit, cords = batch.chosen, len(batch.chosen.scales)
    if fit.no_band:
        reason = fit.no_band.partition("; try")[0]
        remedy = "no band is given: use a model with fewer parameters"
        yield Finding("no band", reason, f"model {fit.model.name}", remedy)
    if 1 < cords < FEW_CORDS:  # of one cord the rating says it
        text = f"{cords} cords: a band for another cord is honest but very wide"
        yield Finding("too few cords", text, "the batch", f"drop at least {FEW_CORDS} cords")
