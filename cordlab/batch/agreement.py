"""Whether the drops of a campaign agree with one another, with what was noted of them, and with what can be.

Each record has been held against itself (`meaning`). Here many drops are looked at together: a mistake that one drop
hides stands out beside others of the same mass, and one that all drops share stands out in their mean. Everything is
said as a finding with its numbers; nothing is corrected, and nothing is left out.
"""

from collections.abc import Callable, Iterator, Sequence
from itertools import combinations, pairwise

import numpy as np

from cordlab.batch.findings import Finding
from cordlab.campaign.campaign import Campaign, DropEntry
from cordlab.records.reduce import Drop
from cordlab.statistics.groups import furthest
from cordlab.units import Measured

UNLIKE = (0.05, 0.015)  # chance over all drops that scatter alone puts one so far off; and as a share of its depth
MASS = (0.03, 0.03)  # share: all drops together; one drop from the others of about its mass
ALIKE = 0.1  # share by which masses may differ and still be compared
DATUM = 0.10  # m, between the lowest points noted and those that the distance shows, all drops together
ALONE = 0.02  # the same from the load alone, as a share of the lowest point
FEWEST = 3  # drops of which a median is taken

# Outside these a value is not wrong but rare: common practice, no source. (quantity, unit, from, to, what to look at)
USUAL: tuple[tuple[str, str, float, float, str], ...] = (
    ("rig.air_density", "kg/m^3", 0.7, 1.5, "the unit; 1.2 at sea level"),
    ("site.air_density", "kg/m^3", 0.7, 1.5, "the unit; 1.2 at sea level"),
    ("rig.drag_area", "m^2", 0.0, 1.0, "the unit; a dead weight has less"),
    ("site.drag_area", "m^2", 0.0, 1.5, "the unit; a body has less"),
    ("site.reach_below_attachment", "m", 0.8, 3.0, "the unit; hung by the ankles a body reaches 2 to 2.6 m"),
    ("site.gear_mass", "kg", 0.0, 15.0, "the unit; harness and connectors weigh a few kilograms"),
)
TEMPERATURE = (-25.0, 45.0)  # degC of a cord outdoors
TALLEST = 2.5  # tie point of the site above its surface over the greatest lowest point
STRENGTH = (1.0, 50.0)  # breaking load over the greatest load that a drop put on the cord


def disagreements(campaign: Campaign, drops: Sequence[Drop]) -> tuple[Finding, ...]:
    """What does not agree in a campaign and its reduced records; empty where nothing is odd."""
    noted = [entry for entry in campaign.drops if entry.lowest_point is not None and entry.use != "wear"]
    return (
        *_masses(drops),
        *_lowest_points(campaign, drops),
        *_swapped(campaign, drops),
        *_order_of_depths(noted),
        *_unlike_depth(campaign, noted),
        *_counts(campaign),
        *_unusual(campaign),
        *_strength(campaign, drops),
    )


def _masses(drops: Sequence[Drop]) -> Iterator[Finding]:
    """The masses that load and motion imply against those noted: all together, and each beside others of its mass."""
    seen = [(drop, drop.mass_seen / drop.mass - 1) for drop in drops if drop.mass_seen is not None]
    if len(seen) < FEWEST:
        return
    middle = _median_of_levels(seen, lambda drop: drop.mass)
    if abs(middle) > MASS[0]:
        yield Finding(
            "loads",
            f"load and motion imply masses that are {middle:+.1%} off those noted, in the median",
            f"{len(seen)} drops with a distance",
            "check the calibration of the load cell (its table, its unit), the masses and their unit",
        )
    for drop, off in seen:
        others = [other for one, other in seen if one is not drop and abs(one.mass / drop.mass - 1) < ALIKE]
        if len(others) > 1 and abs(off - np.median(others)) > MASS[1]:
            yield Finding(
                "mass",
                f"load and motion imply a mass that is {off - np.median(others):+.1%} from the other drops of about "
                f"{drop.mass:g} kg",
                f"drop {drop.name} (cord {drop.cord})",
                "check its mass, and whose record it is",
            )


def _median_of_levels(seen: Sequence[tuple[Drop, float]], level: Callable[[Drop], float]) -> float:
    """Median over the levels of the medians within each."""
    levels = sorted({level(drop) for drop, _ in seen})
    return float(np.median([np.median([off for drop, off in seen if level(drop) == one]) for one in levels]))


def _noted(campaign: Campaign, drops: Sequence[Drop], alone: bool) -> list[tuple[Drop, Measured]]:
    """Drops with a noted lowest point, and that; of those with a distance, or of those with the load `alone`."""
    noted = {entry.drop: entry.lowest_point for entry in campaign.drops}
    found = [(drop, noted[drop.name]) for drop in drops if (drop.closure_error is not None) == alone]
    return [(drop, lowest) for drop, lowest in found if lowest is not None]


def _lowest_points(campaign: Campaign, drops: Sequence[Drop]) -> Iterator[Finding]:
    """The records' lowest points against those noted: an offset that all share is a datum, a unit or a calibration."""
    for alone in (False, True):
        pairs = [(drop, drop.lowest_point - noted.value, noted) for drop, noted in _noted(campaign, drops, alone)]
        if len(pairs) < FEWEST:
            continue
        off = float(np.median([off for _, off, _ in pairs]))
        share = float(np.median([off / noted.value for _, off, noted in pairs]))
        u = float(np.median([np.hypot(drop.u_lowest_point, noted.u) for drop, _, noted in pairs]))
        if abs(share) > ALONE if alone else abs(off) > DATUM + 4 * u / np.sqrt(len(pairs)):
            source = "the loads" if alone else "the distances"
            yield Finding(
                "datum",
                f"{source} show lowest points {off:+.2f} m ({share:+.1%}) from those noted, in the median",
                f"{len(pairs)} drops",
                "check the datum of both (the tie point), their units, the calibrations, and the release depth",
            )


def _swapped(campaign: Campaign, drops: Sequence[Drop]) -> Iterator[Finding]:
    """Two drops whose records fit each other's lowest point and not their own."""
    odd = []
    for drop, noted in _noted(campaign, drops, alone=False):
        u = float(np.hypot(drop.u_lowest_point, noted.u))
        apart = abs(drop.lowest_point - noted.value) / u
        if apart > 3:
            odd.append((drop, noted, u, apart))
    for (one, own, u_one, apart), (other, its, u_other, too) in combinations(odd, 2):
        crossed = abs(one.lowest_point - its.value) / u_one, abs(other.lowest_point - own.value) / u_other
        if max(apart, too) > 4 and max(crossed) < 2.5:
            yield Finding(
                "swapped records",
                f"their records show {one.lowest_point:.2f} m and {other.lowest_point:.2f} m, but "
                f"{own.value:.2f} m and {its.value:.2f} m are noted: as if they were swapped",
                f"drops {one.name} and {other.name}",
                "check which record belongs to which drop",
            )


def _order_of_depths(noted: Sequence[DropEntry]) -> Iterator[Finding]:
    """On one cord a heavier mass comes lower."""
    for cord in dict.fromkeys(entry.cord for entry in noted):
        own = sorted((entry for entry in noted if entry.cord == cord), key=lambda entry: entry.mass.value)
        for light, heavy in pairwise(own):
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
                )


def _unlike_depth(campaign: Campaign, noted: Sequence[DropEntry]) -> Iterator[Finding]:
    """The stretch furthest from what its cord and its mass make it: levels of the stretches' logarithms."""
    if not noted:
        return
    depth = np.array([entry.lowest_point.value for entry in noted if entry.lowest_point is not None])
    stretch = depth - [campaign.cord(entry.cord).slack_length.value for entry in noted]
    if stretch.min() <= 0:
        return
    worst = furthest(np.log(stretch), [entry.cord for entry in noted], [entry.mass.value for entry in noted])
    if worst is None:
        return
    entry, off = noted[worst.number], -stretch[worst.number] * np.expm1(-worst.off)
    if worst.chance < UNLIKE[0] and abs(off) > UNLIKE[1] * depth[worst.number]:
        yield Finding(
            "unlike depth",
            f"its lowest point is {off:+.2f} m from what its cord and its mass lead one to expect, "
            f"{worst.t:.1f} times the scatter of the others",
            f"drop {entry.drop} (cord {entry.cord}, {entry.mass.value:g} kg)",
            "check its lowest point, its mass and its cord; drop it again",
        )


def _counts(campaign: Campaign) -> Iterator[Finding]:
    """Counts of a cord rise from drop to drop, its new drops go from light to heavy, and those after wear come last."""
    for cord in campaign.cords:
        own = sorted((entry for entry in campaign.drops if entry.cord == cord.cord), key=lambda entry: entry.jumps)
        for one, other in pairwise(own):
            said = ""
            if one.jumps == other.jumps:
                said = f"both are noted at {one.jumps} jumps, and a drop is a jump"
            elif one.use == "wear" and other.use != "wear":
                said = f"worn at {one.jumps} jumps, but {other.use} at {other.jumps}: new drops come before any wear"
            elif "wear" not in (one.use, other.use) and one.mass.value > other.mass.value:
                masses = f"{one.mass.value:g} kg at {one.jumps} jumps, then {other.mass.value:g} kg at {other.jumps}"
                said = f"{masses}: a test goes from light to heavy"
            if said:
                yield Finding(
                    "jump counts", said, f"drops {one.drop} and {other.drop} (cord {cord.cord})", "check the counts"
                )


def _unusual(campaign: Campaign) -> Iterator[Finding]:
    """Values that may be true but seldom are: a unit, most often."""
    for name, unit, low, high, hint in USUAL:
        section, key = name.split(".")
        value = getattr(getattr(campaign, section), key).value
        if not low <= value <= high:
            yield Finding(
                "unusual value", f"{value:g} {unit} is outside the usual {low:g} to {high:g}", f"[{section}] {key}",
                f"check {hint}",
            )  # fmt: skip
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
        )
    depths = [entry.lowest_point.value for entry in campaign.drops if entry.lowest_point is not None]
    height = campaign.site.tie_height.value
    if depths and height > TALLEST * max(depths):
        yield Finding(
            "unusual value",
            f"{height:g} m is {height / max(depths):.1f} times as deep as any drop went ({max(depths):.2f} m)",
            "[site] tie_height",
            "check its unit: with so much room clearance rules nothing out",
        )


def _strength(campaign: Campaign, drops: Sequence[Drop]) -> Iterator[Finding]:
    """Breaking loads against the greatest load that a cord of the batch carried and did not break."""
    if not drops:
        return
    greatest = max(drop.peak_load for drop in drops)
    given = [(f"breaks.csv, cord {entry.cord}", entry.breaking_load) for entry in campaign.breaks]
    if campaign.criteria.design_breaking_load is not None:
        given.append(("[criteria] design_breaking_load", campaign.criteria.design_breaking_load.value))
    for where, load in given:
        if not STRENGTH[0] * greatest < load < STRENGTH[1] * greatest:
            yield Finding(
                "strength",
                f"{load:.4g} N is {load / greatest:.3g} times the greatest load in the drops ({greatest:.4g} N)",
                where,
                "check the unit of the breaking load and the calibration of the load cell",
            )
