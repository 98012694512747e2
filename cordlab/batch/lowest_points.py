"""A curve from lowest points: alone where there are no records, beside the records where only some drops have one.

A cord that comes to rest at a measured lowest point has taken up what the fall gave it. With drag, rig and release
depth in it that equation is not linear in the curve, but it is in the stiffness scale: `scale_for_lowest_point` says
how much stiffer than a trial curve the cord was. The curve is right where no drop asks for a scale other than its
cord's, so the logarithms of the scales are the residuals of the fit, one a drop: relative errors of stiffness.

Where some drops have records, `fit_batch` fits those and the energy equations of all drops together: each drop weighs
once, by how much drops of one cord scatter in ln s, and the level of each cord is its own, so that the equations tell
of the shape alone, up to the stretch that only lowest points reach.
"""

from collections.abc import Collection, Hashable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from cordlab.batch.bootstrap import Refits
from cordlab.batch.drop_table import Evidence, Place, drop_inputs, mean_cord
from cordlab.batch.fit import BatchFit, FitError, fit_batch
from cordlab.batch.viscosity import UNKNOWN, Viscosity, wave_excess
from cordlab.batch.wave_removal import INTERIM, WaveFit
from cordlab.curves.fit import CurveFit, as_fit
from cordlab.curves.least_squares import Solution, aicc, along, minimise
from cordlab.curves.models import Curve, Model, differences
from cordlab.curves.models import model as named
from cordlab.mechanics.fall import DropSetup, fall_energy
from cordlab.mechanics.predict import scale_for_lowest_point
from cordlab.records.reduce import Drop
from cordlab.statistics.components import without_levels
from cordlab.statistics.groups import GroupLines
from cordlab.units import Progress, unwatched

if TYPE_CHECKING:
    import lmfit

FURTHER = 1.15  # times the recorded stretch, that other drops may reach on the same curve: softer cords of a mass do

MODELS = ("linear", "mooney-rivlin", "ogden-1", "yeoh", "gent", "arruda-boyce")
"""Models tried on lowest points: a few parameters are all that a few numbers can carry."""

STRAIGHT = "linear"  # no rubber over the stretch of a jump: drawn beside other models only where it fits best
NOT_RULED_OUT = 10.0  # n ln of residual squares over the least, above which a model has no support (Burnham & Anderson)


@dataclass(frozen=True)
class LowestFit:
    """A curve from lowest points.

    chosen     : the curve, its scales and bands. No force was measured, so residual_sd is 0 N and the drops' scatter is
        in `log_scales`; `residuals` are the logarithms of the drops' scales less their cords'  [1]
    aicc       : of every model tried, +inf where it cannot be used
    notes      : model → why it cannot be used
    equals     : the models that do equally well beside a bend over the masses, the chosen one first
    without_waves : whether the part of stretch waves was taken off
    """

    chosen: CurveFit
    aicc: dict[str, float]
    notes: dict[str, str]
    equals: tuple[CurveFit, ...]
    without_waves: bool = False

    def refits(self, n: int, *, seed: int, progress: Progress = unwatched) -> tuple[Refits, ...]:
        """A curve of each model that does equally well; how sure its shape is shows in the lines of ln s over mass."""
        if len(self.equals) < 2:
            return ()
        refits = []
        for fit in self.equals:
            parameters = {name: np.array([value]) for name, value in fit.curve.parameters.items()}
            refits.append(Refits(fit.model, parameters, np.ones(1, bool), np.array([fit.residuals @ fit.residuals])))
        return tuple(refits)

    def summary(self) -> str:
        tried = [f"  {name}: AICc {x:.2f}  {self.notes.get(name, '')}".rstrip() for name, x in self.aicc.items()]
        return "\n".join([self.chosen.summary(), "from lowest points alone:", *tried])

    def to_dict(self) -> dict:
        """For results.json."""
        table = [
            {"model": name, "aicc": self.aicc.get(name), "check_rms": None, "note": self.notes.get(name, "")}
            for name in self.aicc | self.notes
        ]
        return self.chosen.to_dict() | {
            "equals": [fit.model.name for fit in self.equals],
            "held_back": "nothing",
            "candidates": table,
        }


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
        drops, fits = _energies(drop, cord, lowest, waves, inputs), []
        for name in ("mooney-rivlin", "yeoh", "gent"):
            with suppress(FitError):
                fits.append(_fit(named(name), drops))
        trial = Curve("mooney-rivlin", drops._plain_rubber())  # near enough to say how steep the curve is
        if fits:
            trial = min(fits, key=lambda fit: float(fit.residuals @ fit.residuals)).curve
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
    waves: ArrayLike = 0.0,
    without: Collection[str] = (),
    **inputs,
) -> LowestFit:
    """The curve with which every drop comes to its lowest point, each cord with its own scale.

    lowest_point : (n,) below the tie point  [m];  inputs : as in `predict_drop`, one number or (n,)
    cords        : (n,) name of the cord of each drop
    model        : one of the registry, or "auto": the least AICc among `MODELS`
    waves        : (n,) or 0, ln of the stiffness that stretch waves seem to add, taken off
    without      : models that are not tried
    Raises FitError where no model can be used, with the reason for each.
    """
    drops = _energies([""] * len(cords), cords, lowest_point, waves, inputs)
    fits, notes = {}, {}
    for name in MODELS if model == "auto" else (model,):
        if name in without:
            notes[name] = "with stretch waves some drop would not turn"
            continue
        try:
            fits[name] = _fit(named(name), drops)
        except FitError as trouble:
            notes[name] = str(trouble)
    sure = [name for name, fit in fits.items() if not fit.no_band] or list(fits)
    if not sure:
        raise FitError("no curve from these lowest points: " + "; ".join(f"{k}: {v}" for k, v in notes.items()))
    notes |= {name: fit.no_band for name, fit in fits.items() if fit.no_band}
    best = min(sure, key=lambda name: (fits[name].aicc, len(fits[name].parameters)))
    equals = _equally_good({name: fits[name] for name in sure}, fits[best], drops)
    return LowestFit(fits[best], {name: fit.aicc for name, fit in fits.items()}, notes, equals, bool(np.any(waves)))


def _equally_good(fits: Mapping[str, CurveFit], chosen: CurveFit, drops: Energies) -> tuple[CurveFit, ...]:
    """The chosen model and those that fit no worse than it, where each cord has a line and all have a bend over mass.

    The bend takes up what the shapes of two models differ by at the masses, not what they differ by elsewhere.
    """
    misfit = {}
    for name, fit in fits.items():
        logs = drops.logs(fit.model, np.array(fit.model.values(fit.curve.parameters))[:, None])[:, 0]
        lines = GroupLines.bent(logs, x=np.asarray(drops.setup.mass), group=drops.cord)
        misfit[name] = float(lines.within * lines.dof_within)
    if len(drops.names) < 2 or not np.isfinite(list(misfit.values())).all():
        return (chosen,)
    bound = min(misfit.values()) * np.exp(NOT_RULED_OUT / len(drops.lowest))
    others = [fit for name, fit in fits.items() if misfit[name] <= bound and name not in (chosen.model.name, STRAIGHT)]
    return (chosen, *others)


def fit_without_records(evidence: Evidence, *, rig: Place, model: str, viscosity: Viscosity | None) -> LowestFit:
    """The curve behind the lowest points of drops without a record, the part of stretch waves in them taken off.

    viscosity : with which waves are computed, by the curve through the lowest points as they are; None: no waves
    """
    columns = {"cords": evidence.cord, "model": model, **evidence.setup(rig)}
    fit = fit_lowest_points(evidence.lowest_point, **columns)
    if viscosity is None:
        return fit
    refused: list[str] = []
    added = _added_by_waves(fit.chosen.curve, evidence, rig, viscosity)
    with suppress(FitError):  # no model is left: the curve then holds what waves do to lowest points
        while np.isfinite(added).all():
            clear = fit_lowest_points(evidence.lowest_point, waves=added, without=refused, **columns)
            little = replace(viscosity, value=max(viscosity.value - viscosity.u, 0.0), how="given")
            if np.isfinite(_added_by_waves(clear.chosen.curve, evidence, rig, little)).all():
                return clear
            refused.append(clear.chosen.model.name)  # a wave goes further than the drops, and there it does not turn
    return fit


def _added_by_waves(curve: Curve, evidence: Evidence, rig: Place, viscosity: Viscosity) -> np.ndarray:
    """ln of the stiffness that waves seem to add to each drop; in the middle of `UNKNOWN` where nothing is known."""
    masses, eta = np.unique(evidence.mass), viscosity.value
    if viscosity.how == "unknown":
        eta = float(np.mean(UNKNOWN))
    batch, inputs = mean_cord(evidence), drop_inputs(rig)
    stiffer = wave_excess(curve, mass=masses, viscosity=eta, batch=batch, inputs=inputs).stiffness
    return np.interp(evidence.mass, masses, stiffer)


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
    return Energies.of(*columns, waves=_added_by_waves(curve, evidence, rig, waves.viscosity), **inputs)


def unheld(fit: BatchFit, evidence: Evidence) -> str:
    """Why the curve says nothing of drops far beyond the records; "" where there are none, or they are in the fit."""
    recorded, reached = float(fit.samples.stretch_ratio.max()), float(evidence.stretch_ratio.max())
    if fit.samples.energies is not None or reached - 1 <= FURTHER * (recorded - 1):
        return ""
    return (
        f"records reach a stretch ratio of {recorded:.2f}, drops without one {reached:.2f}, and lowest points cannot "
        "carry the curve there: record a heavier drop, or drop several cords with the same masses, some recorded"
    )
