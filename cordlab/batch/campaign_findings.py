"""What does not agree in a campaign: drops with one another, and with what was noted of cords, rig and site."""

from collections.abc import Iterator, Sequence
from itertools import combinations, pairwise
from math import nan

import numpy as np
import pandas as pd

from cordlab.batch.drop_table import ONE_RETEST
from cordlab.batch.findings import ALONG, Finding
from cordlab.batch.witnesses import witness_findings
from cordlab.campaign.campaign import Campaign, DropEntry
from cordlab.campaign.settings import release_in_words
from cordlab.records.reduce import Drop
from cordlab.statistics.components import furthest, without_levels

UNLIKE_CHANCE = 0.05  # chance over all drops that repeatability alone puts one lowest point so far off; our choice
UNLIKE_SHARE = 0.015  # and how far off it must be, as a share of its depth; our choice
TEMPERATURE = (-25.0, 45.0)  # of a cord outdoors; common practice, no source [degC]
TALLEST = 2.5  # tie point of the site above its surface over the greatest lowest point; common practice, no source
STRENGTH = (1.0, 50.0)  # breaking load over the greatest load of a drop; 1 is certain, 50 common practice, no source
APART = 1.0  # release depths of rig and site further apart than this change what a drop is; our choice [m]
BY_THE_ANKLES = 1.8, 1.0  # reach of such a body, and least further fall of its centre of mass; common practice [m]
SAG = 0.3  # compliance times the greatest load, more than any rig was seen to give way; our choice [m]
COPIED = 3  # equal masses with equal lowest points on two cords: no two cords agree so often; our choice
# Outside these a value is not wrong but rare: section, key, unit, least, greatest, what to try; common practice.
USUAL = (
    ("rig", "air_density", "kg/m^3", 0.7, 1.5, "check the unit; 1.2 at sea level"),
    ("site", "air_density", "kg/m^3", 0.7, 1.5, "check the unit; 1.2 at sea level"),
    ("rig", "drag_area", "m^2", 0.0, 1.0, "check the unit; a dead weight has less"),
    ("site", "reach_below_attachment", "m", 0.8, 3.0, "check the unit; hung by the ankles a body reaches 2 to 2.6 m"),
    ("site", "centre_of_mass_fall", "m", 0.0, 3.0, "check the unit; about 2 m by the ankles"),
    ("site", "push_off", "m/s", 0.0, 5.0, "check the unit; a jump of 0.4 m has 2.8 m/s"),
    ("site", "gear_mass", "kg", 0.0, 15.0, "check the unit; harness and connectors weigh a few kilograms"),
)
BODY_DRAG = 0.8  # Cd·A of a falling body is less; common practice, no source [m²]


def campaign_findings(campaign: Campaign, drops: Sequence[Drop]) -> tuple[Finding, ...]:
    """What does not agree in a campaign and its reduced records; empty where nothing is odd."""
    with_depth = [entry for entry in campaign.drops if entry.lowest_point is not None and entry.use != "wear"]
    return (
        *witness_findings(campaign, drops),
        *_order_of_depths(with_depth),
        *_unlike_depth(campaign, with_depth),
        *_jump_counts(campaign),
        *_counts_along_mass(campaign.drops),
        *_unusual(campaign),
        *_strength(campaign, drops),
        *_copied_cords(with_depth),
        *_site_and_rig(campaign, drops),
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


def _counts_along_mass(entries: Sequence[DropEntry]) -> Iterator[Finding]:
    """Counts of the fit drops that rise with the mass by more than one retest: wear and mass cannot be told apart."""
    drops = pd.DataFrame(
        [(entry.cord, entry.jumps, entry.mass.value) for entry in entries if entry.use == "fit"],
        columns=["cord", "jumps", "mass"],
    )
    of_cord = drops.groupby("cord")[["jumps", "mass"]]
    span, along = (of_cord.max() - of_cord.min())["jumps"].max(), (drops[["jumps", "mass"]] - of_cord.transform("mean"))
    if span > ONE_RETEST and along.corr().loc["jumps", "mass"] > ALONG:
        yield Finding(
            "counts along mass",
            f"counts rise with the mass, by up to {span} jumps on a cord: what wear does cannot be told from what the "
            "mass does",
            f"{len(drops)} fit drops",
            "drop the first mass again at the end, noted as 'wear'",
        )


def _unusual(campaign: Campaign) -> Iterator[Finding]:
    """Values that may be true but seldom are: a unit, most often."""
    for section, key, unit, least, greatest, remedy in USUAL:
        measured = getattr(getattr(campaign, section), key)
        if measured is not None and not least <= measured.value <= greatest:
            text = f"{measured.value:g} {unit} is outside the usual {least:g} to {greatest:g}"
            yield Finding("unusual value", text, f"[{section}] {key}", remedy)
    low, high = TEMPERATURE
    odd = [entry for entry in campaign.drops if entry.temperature < low or entry.temperature > high]  # nan is neither
    if odd:
        worst = max(odd, key=lambda entry: abs(entry.temperature))
        yield Finding(
            "unusual temperature",
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
    reach, fall = site.reach_below_attachment.value, site.centre_of_mass_fall
    if reach >= BY_THE_ANKLES[0] and fall is not None and fall.value < BY_THE_ANKLES[1] and (fall.value or fall.u):
        yield Finding(
            "turning over",
            f"a body that reaches {reach:g} m below the cord's end hangs by the ankles, and its centre of mass falls "
            f"about 2 m further than the cord's end; {fall.value:g} m is said",
            "[site] centre_of_mass_fall",
            "check both; 0.3 m is usual in a body harness, in which a body reaches less far down",
        )
    if site.gear_mass.value == 0:
        yield Finding(
            "gear",
            "0 kg is hung with the rider: harness and connectors weigh a few kilograms",
            "[site] gear_mass",
            "weigh harness and connectors",
        )
