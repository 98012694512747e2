"""Campaigns where only some drops have a record of the load: lowest points carry the curve on where records end.

A curve beyond its records is a formula drawn on, and formulas that agree where there are records part beyond. So the
energy equations of all drops are fitted along (`fit_batch`), and where they cannot be, nothing is rated.
"""

from collections.abc import Sequence

import numpy as np

from cordlab.batch.anchor import Evidence, SetUp
from cordlab.batch.fit import BatchFit, fit_batch
from cordlab.batch.lowest_points import Energies
from cordlab.batch.peaks import mean_cord, wave_excess
from cordlab.batch.wave_removal import INTERIM, WaveFit
from cordlab.records.reduce import Drop

FURTHER = 1.15  # times the recorded stretch, that other drops may reach on the same curve: softer cords of a mass do


def energies(recorded: Sequence[Drop], evidence: Evidence, *, rig: SetUp, waves: WaveFit | None) -> Energies | None:
    """Energy equations of the drops of `evidence`; None where all have a record or nothing shows how drops scatter.

    recorded : fit drops with their waves taken off; what waves do to lowest points is then taken off the equations too
    """
    if set(evidence.drop) <= {drop.name for drop in recorded}:
        return None

    def of(part: np.ndarray | float) -> Energies:
        return Energies.of(
            evidence.drop, evidence.cord, evidence.lowest_point, evidence.u_lowest_point, waves=part,
            mass=evidence.mass, slack_length=evidence.slack_length, cord_mass=evidence.cord_mass, **rig.values(),
        )  # fmt: skip

    found = of(0.0)
    if np.isnan(found.sd):
        return None
    if waves is None or not (waves.seen and waves.measured):
        return found
    curve = fit_batch(recorded, candidates=INTERIM, energies=found).chosen.curve
    masses = np.unique(evidence.mass)
    stiffer = wave_excess(
        curve, mass=masses, viscosity=waves.viscosity.value, batch=mean_cord(evidence), inputs=rig.values()
    ).stiffness
    return of(np.interp(evidence.mass, masses, stiffer))


def unheld(fit: BatchFit, evidence: Evidence) -> str:
    """Why the curve says nothing of drops far beyond the records; "" where there are none, or they are in the fit."""
    recorded, reached = float(fit.samples.stretch_ratio.max()), float(evidence.stretch_ratio.max())
    if fit.samples.energies is not None or reached - 1 <= FURTHER * (recorded - 1):
        return ""
    return (
        f"records reach a stretch ratio of {recorded:.2f}, drops without one {reached:.2f}, and lowest points cannot "
        "carry the curve there: record a heavier drop, or drop several cords with the same masses, some recorded"
    )
