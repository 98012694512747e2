"""A curve from lowest points: alone where there are no records, beside the records where only some drops have one.

A cord that comes to rest at a measured lowest point has taken up what the fall gave it. With drag, rig and release
depth in it that equation is not linear in the curve, but it is in the stiffness scale: `scale_for_lowest_point` says
how much stiffer than a trial curve the cord was. The curve is right where no drop asks for a scale other than its
cord's, so the logarithms of the scales are the residuals of the fit, one a drop: relative errors of stiffness.

Where some drops have records, `fit_batch` fits those and the energy equations of all drops together: each drop weighs
once, by how much drops of one cord scatter in ln s, and the level of each cord is its own, so that the equations tell
of the shape alone, up to the stretch that only lowest points reach.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from cordlab.batch.bootstrap import Refits
from cordlab.batch.drop_table import Evidence, Place, drop_inputs, mean_cord
from cordlab.batch.fit import BatchFit, FitError, fit_batch
from cordlab.batch.viscosity import wave_excess
from cordlab.batch.wave_removal import INTERIM, WaveFit
from cordlab.curves.fit import CurveFit, as_fit
from cordlab.curves.least_squares import Solution, aicc, along, minimise
from cordlab.curves.models import Curve, Model, differences
from cordlab.curves.models import model as named
from cordlab.mechanics.predict import scale_for_lowest_point
from cordlab.mechanics.setup import DropSetup, fall_energy
from cordlab.records.reduce import Drop
from cordlab.statistics.components import without_levels
from cordlab.statistics.groups import GroupLines
from cordlab.units import Progress, unwatched

if TYPE_CHECKING:
    import lmfit

FURTHER = 1.15  # times the recorded stretch, that other drops may reach on the same curve: softer cords of a mass do

MODELS = ("linear", "mooney-rivlin", "ogden-1", "yeoh", "gent", "arruda-boyce")
"""Models tried on lowest points: a few parameters are all that a few numbers can carry."""


@dataclass(frozen=True)
class LowestFit:
    """A curve from lowest points.

    chosen     : the curve, its scales and bands. No force was measured, so residual_sd is 0 N and the drops' scatter is
        in `log_scales`; `residuals` are the logarithms of the drops' scales less their cords'  [1]
    aicc       : of every model tried, +inf where it cannot be used
    notes      : model → why it cannot be used
    """

    chosen: CurveFit
    aicc: dict[str, float]
    notes: dict[str, str]

    def refits(self, n: int, *, seed: int, progress: Progress = unwatched) -> tuple[Refits, ...]:
        """None: how sure the shape is shows in the lines of ln s over mass, which the limits draw."""
        return ()

    def summary(self) -> str:
        tried = [f"  {name}: AICc {x:.2f}  {self.notes.get(name, '')}".rstrip() for name, x in self.aicc.items()]
        return "\n".join([self.chosen.summary(), "from lowest points alone:", *tried])

    def to_dict(self) -> dict:
        """For results.json."""
        table = [
            {"model": name, "aicc": self.aicc.get(name), "check_rms": None, "note": self.notes.get(name, "")}
            for name in self.aicc | self.notes
        ]
        return self.chosen.to_dict() | {"equals": [self.chosen.model.name], "held_back": "nothing", "candidates": table}


@dataclass(frozen=True)
class Energies:
    """The energy equations of drops, (n,): ln of the scale that a curve would need to come to each lowest point.

    drop, cord : names;  lowest : measured, below the tie point [m];  setup : of each drop
    waves : ln of the stiffness that stretch waves seem to add, taken off
    sd : of ln s between drops of one cord; nan where no shape of the curve can be told from their scatter
    """

    drop: tuple[str, ...]
    cord: tuple[Hashable, ...]
    lowest: np.ndarray
    setup: DropSetup
    waves: np.ndarray
    sd: float = np.nan

    @classmethod
    def of(
        cls, drop: Sequence[str], cord: Sequence[Hashable], lowest, u_lowest, *, waves: ArrayLike = 0.0, **inputs
    ) -> "Energies":
        """With the scatter that the drops show: what is left of ln s when each cord and each mass has a level of its
        own, which an error of the curve's shape cannot touch; never less than reading lowest points adds. A trial curve
        through the lowest points says how far a metre is in ln s.

        lowest, u_lowest : (n,) [m];  waves : (n,) or 0;  inputs : of `predict_drop`, one number or (n,)
        """
        drops = _energies(drop, cord, lowest, waves, inputs)
        trial = drops._trial()
        model, values = trial.model, np.array(trial.model.values(trial.parameters))[:, None]
        logs = drops.logs(model, values)[:, 0]
        read_higher = np.minimum(u_lowest, 0.1 * (drops.lowest - drops.setup.slack_length))
        higher = replace(drops, lowest=drops.lowest - read_higher)
        reading = float(np.sqrt(np.mean((higher.logs(model, values)[:, 0] - logs) ** 2)))
        rest = without_levels(logs, drops.place, drops.setup.mass)
        scatter = rest.residuals @ rest.residuals
        sd = max(reading, float(np.sqrt(scatter / rest.dof))) if rest.dof > 0 else np.nan
        return replace(drops, sd=sd)

    @property
    def names(self) -> list[Hashable]:
        return list(dict.fromkeys(self.cord))

    @property
    def place(self) -> np.ndarray:
        """(n,) number of the cord of each drop."""
        return np.array([self.names.index(cord) for cord in self.cord])

    @property
    def reach(self) -> np.ndarray:
        return self.lowest / self.setup.slack_length

    @property
    def dof(self) -> int:
        """Equations that are left when each cord has a level."""
        return len(self.lowest) - len(self.names)

    def logs(self, model: Model, values: np.ndarray) -> np.ndarray:
        """ln s that each drop asks for, values (parameters, draws) → (n, draws); inf where it locks up before."""
        parameters = model.by_name(values)
        if (model.lock_up(parameters) <= self.reach.max()).any():
            return np.full((len(self.lowest), values.shape[1]), np.inf)
        keywords = {name: value[:, None] for name, value in vars(self.setup).items()}
        try:
            scale = scale_for_lowest_point(Curve(model, parameters), self.lowest[:, None], **keywords)
        except ValueError:
            if (self.lowest <= self.setup.slack_length).any():
                raise
            return np.full((len(self.lowest), values.shape[1]), np.inf)  # a curve without load
        return np.log(scale) - self.waves[:, None]

    def cord_means(self, logs: np.ndarray) -> np.ndarray:
        """Mean of each cord's drops.  (n, draws) → (cords, draws)"""
        member = self.place == np.arange(len(self.names))[:, None]
        return member @ logs / member.sum(axis=1, keepdims=True)

    def off(self, model: Model, values: np.ndarray) -> np.ndarray:
        """ln s less the mean of the drop's cord, over `sd`: what no drop asks for where the shape is right."""
        logs = self.logs(model, values)
        with np.errstate(invalid="ignore"):  # locked up: inf − inf
            return (logs - self.cord_means(logs)[self.place]) / self.sd

    def start(self, model: Model) -> "lmfit.Parameters":
        """Start values through a Mooney–Rivlin curve from the energy balance, up to the greatest stretch."""
        grid = np.linspace(1.02, float(self.reach.max()), 60)
        return model.to_lmfit().guess(named("mooney-rivlin").force(grid, self._plain_rubber()), x=grid)

    def _trial(self) -> Curve:
        """A curve near enough to say how steep it is: how far a metre is in ln s."""
        fits = []
        for name in ("mooney-rivlin", "yeoh", "gent"):
            try:
                fits.append(_fit(named(name), self))
            except FitError:
                continue
        if not fits:
            return Curve("mooney-rivlin", self._plain_rubber())
        return min(fits, key=lambda fit: float(fit.residuals @ fit.residuals)).curve

    def _plain_rubber(self) -> dict[str, float]:
        """Parameters of a Mooney–Rivlin curve, drag in the stretch left out."""
        from scipy.optimize import nnls

        length, first = self.setup.slack_length, named("mooney-rivlin")
        stretch = (self.reach - 1) * length
        taken = (fall_energy(self.setup, length) + self.setup.hung_weight * stretch) / length
        columns = np.array([first.energy(self.reach, {"c1": c1, "c2": 1 - c1}) for c1 in (1.0, 0.0)])
        (c1, c2), _ = nnls((columns / taken).T, np.ones(len(self.reach)))
        return {"c1": float(c1), "c2": float(c2)}


def _energies(
    drop: Sequence[str], cord: Sequence[Hashable], lowest: ArrayLike, waves: ArrayLike, inputs: Mapping[str, ArrayLike]
) -> Energies:
    """Without the scatter of the drops; every input (n,)."""
    lowest = np.asarray(lowest, dtype=float)
    values = DropSetup(**{name: np.asarray(value, float) for name, value in inputs.items()})
    setup = DropSetup(**{name: np.broadcast_to(value, lowest.shape) for name, value in vars(values).items()})
    return Energies(tuple(drop), tuple(cord), lowest, setup, np.broadcast_to(waves, lowest.shape))


def fit_lowest_points(
    lowest_point,
    *,
    cords: Sequence[Hashable],
    model: str = "auto",
    **inputs,
) -> LowestFit:
    """The curve with which every drop comes to its lowest point, each cord with its own scale.

    lowest_point : (n,) below the tie point  [m];  inputs : as in `predict_drop`, one number or (n,)
    cords        : (n,) name of the cord of each drop
    model        : one of the registry, or "auto": the least AICc among `MODELS`
    Raises FitError where no model can be used, with the reason for each.
    """
    drops = _energies([""] * len(cords), cords, lowest_point, 0.0, inputs)
    fits, notes = {}, {}
    for name in MODELS if model == "auto" else (model,):
        try:
            fits[name] = _fit(named(name), drops)
        except FitError as trouble:
            notes[name] = str(trouble)
    sure = [name for name, fit in fits.items() if not fit.no_band] or list(fits)
    if not sure:
        raise FitError("no curve from these lowest points: " + "; ".join(f"{k}: {v}" for k, v in notes.items()))
    notes |= {name: fit.no_band for name, fit in fits.items() if fit.no_band}
    best = min(sure, key=lambda name: (fits[name].aicc, len(fits[name].parameters)))
    return LowestFit(fits[best], {name: fit.aicc for name, fit in fits.items()}, notes)


def _fit(model: Model, drops: Energies) -> CurveFit:
    names, place, n, size = drops.names, drops.place, len(drops.lowest), len(model.parameters)
    unknowns = size + len(names) - 1
    if len(np.unique(np.round(drops.reach, 2))) < size or n < unknowns:
        raise FitError(f"{n} lowest points of {len(names)} cords for {unknowns} unknowns; drop other masses")
    counts = np.bincount(place)[:, None]

    def levels(logs: np.ndarray) -> np.ndarray:
        """Of each cord, by least squares with mean 0.  (cords, draws)"""
        means = drops.cord_means(logs)
        return means - means.sum(axis=0) / (1 / counts).sum() / counts

    def residuals(values: np.ndarray) -> np.ndarray:
        logs = drops.logs(model, values)
        with np.errstate(invalid="ignore"):  # locked up: inf − inf
            return logs - levels(logs)[place]

    try:
        result, values = minimise(model, residuals, drops.start(model))
    except ValueError as error:
        raise FitError(str(error)) from error
    logs = drops.logs(model, values[:, None])
    rest = (logs - levels(logs)[place])[:, 0]
    solved = Solution(
        model=model,
        result=result,
        values=values,
        scales=np.exp(levels(logs)[:, 0]),
        residuals=rest,
        rss=float(rest @ rest),
        growth=along(differences(lambda v: drops.logs(model, v), values), np.full(n, -1.0)),
    )
    most = float(drops.reach.max())
    if (rises := Curve(model, model.by_name(values.tolist())).rises_to(most)) < most:
        raise FitError(f"the force stops rising at stretch ratio {rises:.2f}, and drops went to {most:.2f}")
    fit = as_fit(
        solved,
        dof=n - unknowns,
        aicc=aicc(solved.rss, n, unknowns + 1),
        scales=dict(zip(names, solved.scales.tolist(), strict=True)),
        log_scales=GroupLines.of(logs[:, 0], group=drops.cord, unknowns_before=size - 1),
        by_drop=True,
        reach=most,
    )
    return replace(fit, residual_sd=0.0)


def energies(recorded: Sequence[Drop], evidence: Evidence, *, rig: Place, waves: WaveFit | None) -> Energies | None:
    """Energy equations of the drops of `evidence`; None where all have a record or nothing shows how drops scatter.

    recorded : fit drops with their waves taken off; what waves do to lowest points is then taken off the equations too
    """
    if set(evidence.drop) <= {drop.name for drop in recorded}:
        return None

    inputs = evidence.setup(rig)
    columns = evidence.drop, evidence.cord, evidence.lowest_point, evidence.u_lowest_point
    uniform = Energies.of(*columns, **inputs)
    if np.isnan(uniform.sd):
        return None
    if waves is None or not (waves.seen and waves.measured):
        return uniform
    curve = fit_batch(recorded, candidates=INTERIM, energies=uniform).chosen.curve
    masses = np.unique(evidence.mass)
    stiffer = wave_excess(
        curve, mass=masses, viscosity=waves.viscosity.value, batch=mean_cord(evidence), inputs=drop_inputs(rig)
    ).stiffness
    return Energies.of(*columns, waves=np.interp(evidence.mass, masses, stiffer), **inputs)


def unheld(fit: BatchFit, evidence: Evidence) -> str:
    """Why the curve says nothing of drops far beyond the records; "" where there are none, or they are in the fit."""
    recorded, reached = float(fit.samples.stretch_ratio.max()), float(evidence.stretch_ratio.max())
    if fit.samples.energies is not None or reached - 1 <= FURTHER * (recorded - 1):
        return ""
    return (
        f"records reach a stretch ratio of {recorded:.2f}, drops without one {reached:.2f}, and lowest points cannot "
        "carry the curve there: record a heavier drop, or drop several cords with the same masses, some recorded"
    )
