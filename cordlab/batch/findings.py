"""What does not agree: a campaign's drops with one another and with what was noted, and a batch's drops with its fit.

A mistake that one drop hides stands out among others of the same mass, and one that all drops share stands out in
their mean. Nothing is corrected and nothing is left out: a finding says what was seen, where, and what to try.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from math import nan
from typing import NamedTuple

import numpy as np
import pandas as pd

from cordlab.batch.cords import slope_within
from cordlab.batch.fit import BatchFit
from cordlab.campaign.campaign import Campaign, DropEntry
from cordlab.campaign.decisions import Decisions
from cordlab.campaign.settings import release_in_words
from cordlab.records.reduce import Drop
from cordlab.statistics.components import furthest, without_levels

LEVEL = 0.01  # chance of a finding of one kind in a good batch, over all that it looks at together; our choice
UNLIKE_CHANCE = 0.05  # chance over all drops that repeatability alone puts one lowest point so far off; our choice
UNLIKE_SHARE = 0.015  # and how far off it must be, as a share of its depth; our choice
MASS = 0.03  # share by which the masses implied by load and motion may be off; our choice
ALIKE = 0.1  # share by which masses may differ and still be compared; our choice
DATUM = 0.10  # between lowest points noted and those that the distance shows, all drops together; our choice [m]
ALONE = 0.02  # the same from the load alone, as a share of the lowest point; our choice
FEWEST = 3  # drops of which a median is taken; our choice
MUCH_BETTER = (10.0, 0.8)  # AICc less by this, and residuals at most this share: another model; our choice
ALONG = 0.9  # correlation within cords above which two causes are one to the drops; our choice
FEW_CORDS = 4  # below this many a band for another cord is very wide; our choice
FEWEST_DOF = 3  # of a trend that is judged; our choice
TEMPERATURE = (-25.0, 45.0)  # of a cord outdoors; common practice, no source [degC]
TALLEST = 2.5  # tie point of the site above its surface over the greatest lowest point; common practice, no source
STRENGTH = (1.0, 50.0)  # breaking load over the greatest load of a drop; 1 is certain, 50 common practice, no source
APART = 1.0  # release depths of rig and site further apart than this change what a drop is; our choice [m]
SAG = 0.3  # compliance times the greatest load, more than any rig was seen to give way; our choice [m]
COPIED = 3  # equal masses with equal lowest points on two cords: no two cords agree so often; our choice
# Outside these a value is not wrong but rare: section, key, unit, least, greatest, what to try; common practice.
USUAL = (
    ("rig", "air_density", "kg/m^3", 0.7, 1.5, "check the unit; 1.2 at sea level"),
    ("site", "air_density", "kg/m^3", 0.7, 1.5, "check the unit; 1.2 at sea level"),
    ("rig", "drag_area", "m^2", 0.0, 1.0, "check the unit; a dead weight has less"),
    ("site", "reach_below_attachment", "m", 0.8, 3.0, "check the unit; hung by the ankles a body reaches 2 to 2.6 m"),
    ("site", "gear_mass", "kg", 0.0, 15.0, "check the unit; harness and connectors weigh a few kilograms"),
)
BODY_DRAG = 0.8  # Cd·A of a falling body is less; common practice, no source [m²]

STOPS = frozenset(
    {
        "loads",
        "implied mass",
        "datum",
        "swapped records",
        "order of depths",
        "unlike lowest point",
        "unlike peak load",
        "copied cord",
        "release depth",
        "compliance",
        "drag area",
        "gear",
        "stiffer when worn",
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


# --- a campaign and its reduced records -------------------------------------------------------------------------


def campaign_findings(campaign: Campaign, drops: Sequence[Drop]) -> tuple[Finding, ...]:
    """What does not agree in a campaign and its reduced records; empty where nothing is odd."""
    with_depth = [entry for entry in campaign.drops if entry.lowest_point is not None and entry.use != "wear"]
    compared = _compared(campaign, drops)
    return (
        *_masses(drops),
        *_lowest_points(compared),
        *_swapped(compared[~compared["load alone"]]),
        *_order_of_depths(with_depth),
        *_unlike_depth(campaign, with_depth),
        *_jump_counts(campaign),
        *_unusual(campaign),
        *_strength(campaign, drops),
        *_copied_cords(with_depth),
        *_site_and_rig(campaign, drops),
    )


def _compared(campaign: Campaign, drops: Sequence[Drop]) -> pd.DataFrame:
    """Drops whose lowest point is both noted and shown by the record: both, and the uncertainty of their difference."""
    noted = {entry.drop: entry.lowest_point for entry in campaign.drops}
    rows = [
        (drop.name, drop.lowest_point, lowest.value, np.hypot(drop.u_lowest_point, lowest.u), drop.residual_velocity)
        for drop in drops
        if (lowest := noted[drop.name]) is not None
    ]
    table = pd.DataFrame(rows, columns=["drop", "shown", "noted", "u", "residual velocity"])
    return table.assign(**{"off": table["shown"] - table["noted"], "load alone": table["residual velocity"].notna()})


def _masses(drops: Sequence[Drop]) -> Iterator[Finding]:
    """The masses that load and motion imply against those noted: all together, and each against others of its mass."""
    implied = [drop for drop in drops if drop.implied_mass is not None]
    if len(implied) < FEWEST:
        return
    mass = pd.Series([drop.mass for drop in implied])
    off = pd.Series([drop.implied_mass for drop in implied]) / mass - 1
    middle = off.groupby(mass).median().median()
    if abs(middle) > MASS:
        yield Finding(
            "loads",
            f"load and motion imply masses that are {middle:+.1%} off those noted, in the median",
            f"{len(implied)} drops with a distance",
            "check the calibration of the load cell (its table, its unit), the masses and their unit",
        )
    for k, drop in enumerate(implied):
        others = off[(abs(mass / drop.mass - 1) < ALIKE) & (off.index != k)]
        if len(others) > 1 and abs(off[k] - others.median()) > MASS:
            implied_mass = drop.mass * (1 + off[k] - others.median())
            yield Finding(
                "implied mass",
                f"load and motion say {implied_mass:.1f} kg, by what they say in the other drops of about "
                f"{drop.mass:g} kg; {drop.mass:g} kg is noted",
                f"drop {drop.name} (cord {drop.cord})",
                "check its mass, and whose record it is",
                (drop.name,),
            )


def _lowest_points(compared: pd.DataFrame) -> Iterator[Finding]:
    """The records' lowest points against those noted: an offset that all share is a datum, a unit or a calibration."""
    for alone, rows in compared.groupby("load alone"):
        if len(rows) < FEWEST:
            continue
        off, share, u = rows["off"].median(), (rows["off"] / rows["noted"]).median(), rows["u"].median()
        if abs(share) > ALONE if alone else abs(off) > DATUM + 4 * u / np.sqrt(len(rows)):
            yield Finding(
                "datum",
                f"{'the loads' if alone else 'the distances'} show lowest points {off:+.2f} m ({share:+.1%}) from "
                "those noted, in the median",
                f"{len(rows)} drops",
                "check the datum of both (the tie point), their units, the calibrations, and the release depth",
                tuple(rows["drop"]),
            )


def _swapped(compared: pd.DataFrame) -> Iterator[Finding]:
    """Two drops whose records fit each other's lowest point and not the one that is noted for them."""
    odd = compared[compared["off"].abs() > 3 * compared["u"]]
    for one, other in combinations(odd.to_dict("records"), 2):
        crossed = max(abs(one["shown"] - other["noted"]) / one["u"], abs(other["shown"] - one["noted"]) / other["u"])
        if max(abs(one["off"]) / one["u"], abs(other["off"]) / other["u"]) > 4 and crossed < 2.5:
            yield Finding(
                "swapped records",
                f"their records show {one['shown']:.2f} m and {other['shown']:.2f} m, but "
                f"{one['noted']:.2f} m and {other['noted']:.2f} m are noted: as if they were swapped",
                f"drops {one['drop']} and {other['drop']}",
                "check which record belongs to which drop",
                (one["drop"], other["drop"]),
            )


def _order_of_depths(entries: Sequence[DropEntry]) -> Iterator[Finding]:
    """On one cord a heavier mass comes lower."""
    ordered = sorted(entries, key=lambda entry: entry.mass.value)
    for cord in dict.fromkeys(entry.cord for entry in entries):
        for light, heavy in pairwise(entry for entry in ordered if entry.cord == cord):
            if light.lowest_point is None or heavy.lowest_point is None or heavy.mass.value < 1.02 * light.mass.value:
                continue
            low, high = light.lowest_point, heavy.lowest_point
            if high.value < low.value - 2 * np.hypot(low.u, high.u):
                yield Finding(
                    "order of depths",
                    f"{heavy.mass.value:g} kg is noted at {high.value:.2f} m, above the {low.value:.2f} m of "
                    f"{light.mass.value:g} kg",
                    f"drops {light.drop} and {heavy.drop} (cord {cord})",
                    "check both masses, and that lowest points count down from the tie point, not up from the surface",
                    (light.drop, heavy.drop),
                )


def _unlike_depth(campaign: Campaign, entries: Sequence[DropEntry]) -> Iterator[Finding]:
    """The stretch furthest from what its cord and its mass make it: levels of the stretches' logarithms."""
    depth = np.array([entry.lowest_point.value for entry in entries if entry.lowest_point is not None])
    stretch = depth - [campaign.cord(entry.cord).slack_length.value for entry in entries]
    if not len(stretch) or stretch.min() <= 0:
        return
    cords, masses = [entry.cord for entry in entries], [entry.mass.value for entry in entries]
    worst = furthest(without_levels(np.log(stretch), cords, masses))
    if worst is None:
        return
    entry, off = entries[worst.number], -stretch[worst.number] * np.expm1(-worst.off)
    if worst.chance < UNLIKE_CHANCE and abs(off) > UNLIKE_SHARE * depth[worst.number]:
        yield Finding(
            "unlike depth",
            f"its lowest point is {off:+.2f} m from what its cord and its mass lead one to expect, "
            f"{worst.t:.1f} times the scatter of the others",
            f"drop {entry.drop} (cord {entry.cord}, {entry.mass.value:g} kg)",
            "check its lowest point, its mass and its cord; drop it again",
            (entry.drop,),
        )


def _jump_counts(campaign: Campaign) -> Iterator[Finding]:
    """Counts of a cord rise from drop to drop, its new drops go from light to heavy, and those after wear come last."""
    for cord in campaign.cords:
        of_cord = sorted((entry for entry in campaign.drops if entry.cord == cord.cord), key=lambda entry: entry.jumps)
        for one, other in pairwise(of_cord):
            text = ""
            if one.jumps == other.jumps:
                text = f"both are noted at {one.jumps} jumps, and a drop is a jump"
            elif one.use == "wear" and other.use != "wear":
                text = f"worn at {one.jumps} jumps, but {other.use} at {other.jumps}: new drops come before any wear"
            elif "wear" not in (one.use, other.use) and one.mass.value > other.mass.value:
                masses = f"{one.mass.value:g} kg at {one.jumps} jumps, then {other.mass.value:g} kg at {other.jumps}"
                text = f"{masses}: a test goes from light to heavy"
            if text:
                where = f"drops {one.drop} and {other.drop} (cord {cord.cord})"
                yield Finding("jump counts", text, where, "check the counts", (one.drop, other.drop))


def _unusual(campaign: Campaign) -> Iterator[Finding]:
    """Values that may be true but seldom are: a unit, most often."""
    for section, key, unit, least, greatest, remedy in USUAL:
        value = getattr(getattr(campaign, section), key).value
        if not least <= value <= greatest:
            text = f"{value:g} {unit} is outside the usual {least:g} to {greatest:g}"
            yield Finding("unusual value", text, f"[{section}] {key}", remedy)
    low, high = TEMPERATURE
    odd = [entry for entry in campaign.drops if entry.temperature < low or entry.temperature > high]  # nan is neither
    if odd:
        worst = max(odd, key=lambda entry: abs(entry.temperature))
        yield Finding(
            "unusual value",
            f"{worst.temperature:.4g} °C is outside {low:g} to {high:g} °C; in degrees Fahrenheit it "
            f"would be {(worst.temperature - 32) / 1.8:.1f} °C",
            f"{len(odd)} drops, the furthest {worst.drop}",
            "check the unit of the temperature",
            tuple(entry.drop for entry in odd),
        )
    deepest = max((entry.lowest_point.value for entry in campaign.drops if entry.lowest_point is not None), default=0.0)
    height = campaign.site.tie_height.value
    if deepest and height > TALLEST * deepest:
        yield Finding(
            "unusual value",
            f"{height:g} m is {height / deepest:.1f} times as deep as any drop went ({deepest:.2f} m)",
            "[site] tie_height",
            "check its unit: with so much room clearance rules nothing out",
        )


def _strength(campaign: Campaign, drops: Sequence[Drop]) -> Iterator[Finding]:
    """Breaking loads against the greatest load that a cord of the batch carried and did not break."""
    if not drops:
        return
    greatest = max(drop.peak_load for drop in drops)
    loads = [(f"breaks.csv, cord {entry.cord}", entry.breaking_load) for entry in campaign.breaks]
    if campaign.criteria.design_breaking_load is not None:
        loads.append(("[criteria] design_breaking_load", campaign.criteria.design_breaking_load.value))
    for where, load in loads:
        if not STRENGTH[0] * greatest < load < STRENGTH[1] * greatest:
            yield Finding(
                "strength",
                f"{load:.4g} N is {load / greatest:.3g} times the greatest load in the drops ({greatest:.4g} N)",
                where,
                "check the unit of the breaking load and the calibration of the load cell",
            )


def _copied_cords(entries: Sequence[DropEntry]) -> Iterator[Finding]:
    """Two cords with the same lowest points at the same masses: one cord listed twice."""
    points: dict[str, set[tuple[float, float]]] = {}
    for entry in entries:
        if entry.lowest_point is not None:
            points.setdefault(entry.cord, set()).add((entry.mass.value, entry.lowest_point.value))
    for one, other in combinations(points, 2):
        same = len(points[one] & points[other])
        if same >= COPIED:
            yield Finding(
                "copied cord",
                f"{same} masses came to exactly the same lowest points on both: as if one cord were listed twice",
                f"cords {one} and {other}",
                "check drops.csv against the drop sheets",
            )


def _site_and_rig(campaign: Campaign, drops: Sequence[Drop]) -> Iterator[Finding]:
    """Numbers of site and rig that are likely others, and that the rating hangs on."""
    rig, site = campaign.rig, campaign.site
    if abs(site.release_depth.value - rig.release_depth.value) > APART:
        at_site, at_rig = release_in_words(site.release_depth.value), release_in_words(rig.release_depth.value)
        yield Finding(
            "release depth",
            f"the rider is let go {at_site}, the weights were let go {at_rig}",
            "[site] and [rig] release_depth",
            "check both, and their signs: below the tie point is positive",
        )
    greatest = max((drop.peak_load for drop in drops), default=nan)
    sag = rig.compliance.value * greatest
    if sag > SAG:
        yield Finding(
            "compliance",
            f"the rig is said to give way by {sag:.2f} m at the greatest load, {greatest:.0f} N",
            "[rig] compliance",
            "measure how far the tie point sinks under a known load",
        )
    if site.drag_area.value > BODY_DRAG:
        yield Finding(
            "drag area",
            f"{site.drag_area.value:g} m² is more than a falling body has, {BODY_DRAG:g} m²: it makes every drop look "
            "shorter than it is",
            "[site] drag_area",
            "0.5 m² is usual; leave the drag out rather than guess it high",
        )
    if site.gear_mass.value == 0:
        yield Finding(
            "gear",
            "0 kg is hung with the rider: harness and connectors weigh a few kilograms",
            "[site] gear_mass",
            "weigh harness and connectors",
        )


# --- a batch and its fit ----------------------------------------------------------------------------------------


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
