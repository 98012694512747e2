"""Independent witnesses of a campaign's drops, compared by medians: load, distance, clock, masses and a tape.

Of one drop they are known to a few per cent; the median of many is known much better, so an error that all drops share
stands out. Nothing is corrected: where witnesses disagree nothing is rated, and the finding names the sensor whose
error alone explains best what all of them say.
"""

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np
import pandas as pd

from cordlab.batch.findings import Finding
from cordlab.campaign.campaign import Campaign
from cordlab.mechanics.fall import GRAVITY
from cordlab.records.plausibility import end_of_slack_off
from cordlab.records.prepare import DRIFT
from cordlab.records.reduce import Drop

DATUM = 0.10  # between lowest points noted and those that the distance shows, all drops together; our choice [m]
IMPLIED = 0.03  # share by which one drop's implied mass may be off the others of its mass; our choice
ALIKE = 0.1  # share by which masses may differ and still be compared; our choice
FEWEST = 3  # drops of which a median is taken; our choice
SHOWN = 0.5  # of the drops that show the end of slack in the load, so that it is a witness; our choice
LEVEL = 1.5  # a median of one mass may be off by so much more than that of all; our choice
WAVE = 0.15  # of the cord's share of the mass: what a stretch wave does to one implied mass; our choice
EXPLAINS = 1.0  # sum of squares, in bounds, by which a suspect may explain less than the best; our choice


class Witness(NamedTuple):
    """A comparison of two things measured: the words for what is off, by which share it may be off in the median with a
    distance and by the load alone (nan: not compared), and what to check.
    """

    text: str
    bound: float
    bound_alone: float
    remedy: str


# The bounds are above what sound campaigns of several cords, rigs and rates show: `python -m tests.coverage stops`.
WITNESSES = {
    "rest": Witness(
        "at rest the distance reads {0:+.1%} of the slack length from the release depth",
        0.010,
        np.nan,
        "check the release depth (below the tie point, above it with a minus sign), and the datum of the distance",
    ),
    "end of slack": Witness(
        "the load shows the end of slack {0:+.1%} from the slack length, by the distance",
        0.010,
        np.nan,
        "check the distance sensor (scale, datum, aim), and the slack lengths",
    ),
    "clock": Witness(
        "the fall takes {0:+.2%} longer than gravity allows",
        0.003,
        0.015,
        "check the logger's clock, the distance sensor, the slack lengths and the release depth",
    ),
    "loads": Witness(
        "load and motion imply masses that are {0:+.1%} off those noted",
        0.015,
        np.nan,
        "check the calibration of the load cell (its table, its unit), the masses, what was hung with them, their unit",
    ),
    "depth by load": Witness(
        "by the load alone the heaviest drops end {0:+.1%} from where the distance shows them",
        0.012,
        np.nan,
        "check the distance sensor near the lowest points, the load cell and the masses",
    ),
    "datum": Witness(
        "the records show lowest points {0:+.1%} from those noted",
        0.0,
        0.02,
        "check the datum of both (the tie point), their units, the calibrations, and the release depth",
    ),
}

# Roughly by how many shares each witness moves where a suspect is off by one, to name it: rows as in `WITNESSES`.
SUSPECTS = pd.DataFrame(
    {
        "the release depth": (-1.0, 0.0, 0.0, 0.0, -0.5, 0.0),
        "the distance sensor": (0.0, 1.0, -0.5, 0.0, -1.0, 1.0),
        "the datum of the distance": (1.0, 1.0, 0.0, 0.0, -0.35, 0.35),
        "the distance sensor near the lowest points": (0.0, 0.0, 0.0, 0.0, -1.0, 1.0),
        "the slack lengths": (0.0, -1.0, 0.0, 0.0, 0.7, 0.0),
        "the load cell": (0.0, 0.0, 0.0, 1.1, -0.95, 0.0),
        "the masses noted": (0.0, 0.0, 0.0, -0.9, 0.6, 0.0),
        "the logger's clock": (0.0, 0.0, 1.0, 0.0, 0.7, 0.0),
        "the lowest points noted": (0.0, 0.0, 0.0, 0.0, 0.0, -1.0),
    },
    index=list(WITNESSES),
)
SUSPECTS_ALONE = pd.DataFrame(  # the motion is the load's, so an error of load or clock moves its lowest points
    {
        "the slack lengths": (-0.5, 0.8),
        "the release depth": (0.9, -0.5),
        "the load cell": (0.0, -0.8),
        "the masses noted": (0.0, 0.75),
        "the logger's clock": (1.0, 0.7),
        "the lowest points noted": (0.0, -1.0),
    },
    index=["clock", "datum"],
)


def witness_findings(campaign: Campaign, drops: Sequence[Drop]) -> Iterator[Finding]:
    """Where the witnesses of all drops, of a mass, or of one drop disagree."""
    if not drops:
        return
    table = compared(campaign, drops)
    for alone, rows in table.groupby("alone"):
        if len(rows) >= FEWEST:
            yield from _disagreeing(rows, bool(alone))
    yield from _implied_masses(table)
    yield from _swapped(table[~table["alone"]])


def compared(campaign: Campaign, drops: Sequence[Drop]) -> pd.DataFrame:
    """A row a record: by which share each witness is off, how far noted and shown lowest points are apart, with u."""
    noted = {entry.drop: entry.lowest_point for entry in campaign.drops}
    release = campaign.rig.release_depth
    u_mass = {entry.drop: entry.mass.u for entry in campaign.drops}
    rows = []
    for drop in drops:
        length, lowest, by_load = campaign.cord(drop.cord).slack_length, noted[drop.name], drop.lowest_by_load
        taken = drop.time[drop.lowest] - drop.time[drop.release]  # a zero drifts from the middle of the rest on
        rows.append(
            {
                "drop": drop.name,
                "cord": drop.cord,
                "mass": drop.mass,
                "alone": drop.implied_mass is None,
                "rest": np.nan if drop.rest_seen is None else (drop.rest_seen - release.value) / length.value,
                "end of slack": end_of_slack_off(drop.slack_seen, drop.slack_length, drop.load_cell_at),
                "clock": drop.time_scale - 1,
                "loads": _share(drop.implied_mass, drop.mass),
                "depth by load": _share(by_load.value if by_load else None, drop.lowest_point),
                "datum": _share(drop.lowest_point, None if lowest is None else lowest.value),
                "u rest": release.u / length.value,
                "u end of slack": length.u / length.value,
                "u clock": drop.u_time_scale,
                "u depth by load": by_load.u / drop.lowest_point if by_load else np.nan,
                "u loads": u_mass[drop.name] / drop.mass + DRIFT * (1 + taken / 2) / (2 * GRAVITY * drop.mass),
                "of the cord": drop.cord_mass / drop.mass,
                "shown": drop.lowest_point,
                "noted": np.nan if lowest is None else lowest.value,
                "u": np.nan if lowest is None else np.hypot(drop.u_lowest_point, lowest.u),
            }
        )
    return pd.DataFrame(rows)


def _share(value: float | None, of: float | None) -> float:
    return np.nan if value is None or of is None else value / of - 1


def _bounds(rows: pd.DataFrame, alone: bool) -> pd.Series:
    """By which share each witness may be off in the median; what is stated to be unknown comes on top."""
    bounds = pd.Series({name: row.bound_alone if alone else row.bound for name, row in WITNESSES.items()})
    for name in ("rest", "end of slack", "clock", "loads", "depth by load"):
        bounds[name] += 2 * rows[f"u {name}"].median()
    if not alone:
        bounds["datum"] = (DATUM + 4 * rows["u"].median() / np.sqrt(len(rows))) / rows["noted"].median()
    return bounds


def _disagreeing(rows: pd.DataFrame, alone: bool) -> Iterator[Finding]:
    """Each witness that is off in the median over all drops or, where that is not, over those of a mass."""
    if rows["end of slack"].count() < SHOWN * len(rows):  # a fold that stretches sways, and a few show that as a step
        rows = rows.assign(**{"end of slack": np.nan})
    bounds, medians = _bounds(rows, alone), rows[list(WITNESSES)].median()
    for name in bounds.index[bounds.notna()]:
        off, where, judged = medians[name], f"{len(rows)} drops", rows
        if not abs(off) > bounds[name]:
            allowed = LEVEL * bounds[name] + WAVE * rows["of the cord"] * (name == "loads")
            levels = rows.assign(allowed=allowed).groupby("mass")
            odd = (levels[name].median() / levels["allowed"].median()).abs()[levels[name].count() >= FEWEST]
            if name in ("datum", "depth by load") or not odd.max() > 1:
                continue
            mass = odd.idxmax()
            judged = rows[rows["mass"] == mass]
            off = judged[name].median()
            where = f"{len(judged)} drops of {mass:g} kg"
        text = f"{WITNESSES[name].text.format(off)}, in the median; {_suspects(medians, bounds, alone)}"
        yield Finding(name, text, where, WITNESSES[name].remedy, tuple(judged["drop"]))


def _suspects(medians: pd.Series, bounds: pd.Series, alone: bool) -> str:
    """The suspects whose error alone explains best what all witnesses say, and by how much each would be off."""
    table = SUSPECTS_ALONE if alone else SUSPECTS
    seen = [name for name in table.index if np.isfinite(medians[name])]
    moves, off = table.loc[seen].div(bounds[seen], axis=0), medians[seen] / bounds[seen]
    sizes = moves.mul(off, axis=0).sum() / (moves**2).sum().replace(0.0, np.nan)
    left = ((moves * sizes).sub(off, axis=0) ** 2).sum()[sizes.notna()].sort_values()
    best = left.index[left <= left.iloc[0] + EXPLAINS][:3]
    return "it speaks against " + ", or ".join(f"{name} (as if {sizes[name]:+.1%} off)" for name in best)


def _implied_masses(table: pd.DataFrame) -> Iterator[Finding]:
    """The mass that load and motion imply, against others of about that mass."""
    for k, row in table[table["loads"].notna()].iterrows():
        others = table["loads"][(abs(table["mass"] / row["mass"] - 1) < ALIKE) & (table.index != k)].dropna()
        off = row["loads"] - others.median()
        if len(others) > 1 and abs(off) > IMPLIED:
            yield Finding(
                "implied mass",
                f"load and motion say {row['mass'] * (1 + off):.1f} kg, by what they say in the other drops of about "
                f"{row['mass']:g} kg; {row['mass']:g} kg is noted",
                f"drop {row['drop']} (cord {row['cord']})",
                "check its mass, and whose record it is",
                (row["drop"],),
            )


def _swapped(table: pd.DataFrame) -> Iterator[Finding]:
    """Two drops whose records fit each other's lowest point and not the one that is noted for them."""
    odd = table[(table["shown"] - table["noted"]).abs() > 3 * table["u"]]
    for one, other in combinations(odd.to_dict("records"), 2):
        off = max(abs(drop["shown"] - drop["noted"]) / drop["u"] for drop in (one, other))
        crossed = max(abs(one["shown"] - other["noted"]) / one["u"], abs(other["shown"] - one["noted"]) / other["u"])
        if off > 4 and crossed < 2.5:
            yield Finding(
                "swapped records",
                f"their records show {one['shown']:.2f} m and {other['shown']:.2f} m, but "
                f"{one['noted']:.2f} m and {other['noted']:.2f} m are noted: as if they were swapped",
                f"drops {one['drop']} and {other['drop']}",
                "check which record belongs to which drop",
                (one["drop"], other["drop"]),
            )
