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
from typing import TYPE_CHECKING, Any

import numpy as np

from cordlab.batch.drop_table import Evidence, SetUp, mean_cord
from cordlab.batch.fit import BatchFit, FitError, fit_batch
from cordlab.batch.viscosity import wave_excess
from cordlab.batch.wave_removal import INTERIM, WaveFit
from cordlab.curves.fit import CurveFit, Solution, aicc, along, as_fit, minimise
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
    aicc: Mapping[str, float]
    notes: Mapping[str, str]

    def shapes(self, n: int, *, seed: int, progress: Progress = unwatched) -> tuple[Curve, ...]:
        """None: the doubt about the shape is in the lines of ln s over mass, which the limits draw."""
        return ()

    def summary(self) -> str:
        tried = [f"  {name}: AICc {x:.2f}  {self.notes.get(name, '')}".rstrip() for name, x in self.aicc.items()]
        return "\n".join([self.chosen.summary(), "from lowest points alone:", *tried])

    def to_dict(self) -> dict:
        """For results.json."""
        names = dict.fromkeys((*self.aicc, *self.notes))
        table = [
            {"model": name, "aicc": self.aicc.get(name), "check_rms": None, "note": self.notes.get(name, "")}
            for name in names
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
    def of(cls, drop: Sequence[str], cord: Sequence[Hashable], lowest, u_lowest, *, waves=0.0, **inputs) -> "Energies":
        """With the scatter that the drops show: what is left of ln s when each cord and each mass has a level of its
        own, which an error of the curve's shape cannot touch; never less than reading lowest points adds. A trial curve
        through the lowest points says how far a metre is in ln s.

        lowest, u_lowest : (n,) [m];  waves : (n,) or 0;  inputs : of `predict_drop`, one number or (n,)
        """
        lowest = np.asarray(lowest, dtype=float)
        found = cls(tuple(drop), tuple(cord), lowest, _setup(lowest, inputs), np.broadcast_to(waves, lowest.shape))
        trial = found._trial()
        model, values = trial.model, np.array(trial.model.values(trial.parameters))[:, None]
        here = found.logs(model, values)[:, 0]
        higher = replace(found, lowest=lowest - np.minimum(u_lowest, 0.1 * (lowest - found.setup.slack_length)))
        reading = float(np.sqrt(np.mean((higher.logs(model, values)[:, 0] - here) ** 2)))
        rest, _, dof = without_levels(here, found.place, found.setup.mass)
        sd = max(reading, float(np.sqrt(rest @ rest / dof))) if dof > 0 else np.nan
        return replace(found, sd=sd)

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
        keywords = {name: getattr(self.setup, name)[:, None] for name in self.setup.__dataclass_fields__}
        try:
            scale = scale_for_lowest_point(Curve(model, parameters), self.lowest[:, None], **keywords)
        except ValueError:
            if (self.lowest <= self.setup.slack_length).any():
                raise
            return np.full((len(self.lowest), values.shape[1]), np.inf)  # a curve without load
        return np.log(scale) - self.waves[:, None]

    def off(self, model: Model, values: np.ndarray) -> np.ndarray:
        """ln s less the mean of the drop's cord, over `sd`: what no drop asks for where the shape is right."""
        logs, member = self.logs(model, values), self.place == np.arange(len(self.names))[:, None]
        with np.errstate(invalid="ignore"):  # locked up: inf − inf
            return (logs - (member / member.sum(axis=1, keepdims=True) @ logs)[self.place]) / self.sd

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


def _setup(lowest: np.ndarray, inputs: Mapping[str, Any]) -> DropSetup:
    values = {name: np.asarray(value, float) for name, value in inputs.items()}
    return DropSetup(
        **{name: np.broadcast_to(value, lowest.shape) for name, value in vars(DropSetup(**values)).items()}
    )


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
    lowest = np.asarray(lowest_point, dtype=float)
    setup = _setup(lowest, inputs)
    drops = Energies(("",) * len(lowest), tuple(cords), lowest, setup, np.zeros_like(lowest))
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
    names, place, n, size, reach = drops.names, drops.place, len(drops.lowest), len(model.parameters), drops.reach
    unknowns = size + len(names) - 1
    if len(np.unique(np.round(reach, 2))) < size or n < unknowns:
        raise FitError(f"{n} lowest points of {len(names)} cords for {unknowns} unknowns; drop other masses")
    counts = np.bincount(place)

    def levels(logs: np.ndarray) -> np.ndarray:
        """Of each cord, by least squares with mean 0.  (cords, draws)"""
        means = (place == np.arange(len(names))[:, None]) @ logs / counts[:, None]
        return means - means.sum(axis=0) / (1 / counts).sum() / counts[:, None]

    def residuals(values: np.ndarray) -> np.ndarray:
        logs = drops.logs(model, values)
        with np.errstate(invalid="ignore"):  # locked up: inf − inf
            return logs - levels(logs)[place]

    try:
        result, values = minimise(model, residuals, drops.start(model))
    except ValueError as error:
        raise FitError(str(error)) from error
    off = residuals(values[:, None])[:, 0]
    solved = Solution(
        model=model,
        result=result,
        values=values,
        scales=np.exp(levels(drops.logs(model, values[:, None]))[:, 0]),
        residuals=off,
        rss=float(off @ off),
        growth=along(differences(lambda v: drops.logs(model, v), values), np.full(n, -1.0)),
    )
    curve = Curve(model, model.by_name(solved.values.tolist()))
    most = float(reach.max())
    if (rises := curve.rises_to(most)) < most:
        raise FitError(f"the force stops rising at stretch ratio {rises:.2f}, and drops went to {most:.2f}")
    logs = drops.logs(model, values[:, None])[:, 0]
    log_scales = GroupLines.of(logs, group=drops.cord, unknowns_before=size - 1)
    criterion = aicc(solved.rss, n, unknowns + 1)
    scales = dict(zip(names, solved.scales.tolist(), strict=True))
    fit = as_fit(
        solved, dof=n - unknowns, aicc=criterion, scales=scales, log_scales=log_scales, by_drop=True, reach=most
    )
    return replace(fit, residual_sd=0.0)


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
