"""A curve from lowest points alone, for campaigns without records: each drop gives one energy equation.

A cord that comes to rest at a measured lowest point has taken up what the fall gave it. With drag, rig and release
depth in it that equation is not linear in the curve, but it is in the stiffness scale: `scale_for_lowest_point` says
how much stiffer than a trial curve the cord was. The curve is right where no drop asks for a scale other than its
cord's, so the logarithms of the scales are the residuals of the fit, one a drop: relative errors of stiffness.

Where some drops have records, take the shape from them (`fit_batch`); the limits take the level from all lowest points.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from cordlab.curvefit import CurveFit, Spread, as_fit
from cordlab.curves import Curve, Model
from cordlab.curves import model as named
from cordlab.drop import scale_for_lowest_point
from cordlab.fall import Setup, fall_energy
from cordlab.fit import FitError
from cordlab.squares import Solved, aicc, along, minimise

MODELS = ("linear", "mooney-rivlin", "ogden-1", "yeoh", "gent", "arruda-boyce")
"""Models tried on lowest points: a few parameters are all that a few numbers can carry."""


@dataclass(frozen=True)
class LowestFit:
    """A curve from lowest points.

    chosen     : the curve, its scales and bands. No force was measured, so residual_sd is 0 N and the drops' scatter is
        in `spread`; `residuals` are the logarithms of the drops' scales less their cords'  [1]
    aicc       : of every model tried, +inf where it cannot be used
    notes      : model → why it cannot be used
    """

    chosen: CurveFit
    aicc: Mapping[str, float]
    notes: Mapping[str, str]

    def shapes(self, n: int, *, seed: int) -> tuple[Curve, ...]:
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


def fit_lowest_points(
    lowest_point,
    *,
    mass,
    slack_length,
    cords: Sequence[Hashable],
    model: str = "auto",
    cord_mass=0.0,
    drag_area=0.0,
    air_density=1.2,
    release_depth=0.0,
    compliance=0.0,
    gravity=9.80665,
) -> LowestFit:
    """The curve with which every drop comes to its lowest point, each cord with its own scale.

    lowest_point : (n,) below the tie point  [m]; the other arguments as in `predict_drop`, one number or (n,)
    cords        : (n,) name of the cord of each drop
    model        : one of the registry, or "auto": the least AICc among `MODELS`
    Raises FitError where no model can be used, with the reason for each.
    """
    inputs = {
        "mass": mass,
        "slack_length": slack_length,
        "cord_mass": cord_mass,
        "drag_area": drag_area,
        "air_density": air_density,
        "release_depth": release_depth,
        "compliance": compliance,
        "gravity": gravity,
    }
    lowest = np.asarray(lowest_point, dtype=float)
    setup = Setup(**{name: np.broadcast_to(np.asarray(value, float), lowest.shape) for name, value in inputs.items()})
    fits, notes = {}, {}
    for name in MODELS if model == "auto" else (model,):
        try:
            fits[name] = _fit(named(name), lowest, setup, list(cords))
        except FitError as trouble:
            notes[name] = str(trouble)
    sure = [name for name, fit in fits.items() if not fit.no_band] or list(fits)
    if not sure:
        raise FitError("no curve from these lowest points: " + "; ".join(f"{k}: {v}" for k, v in notes.items()))
    notes |= {name: fit.no_band for name, fit in fits.items() if fit.no_band}
    best = min(sure, key=lambda name: (fits[name].aicc, len(fits[name].parameters)))
    return LowestFit(fits[best], {name: fit.aicc for name, fit in fits.items()}, notes)


def _fit(model: Model, lowest: np.ndarray, setup: Setup, cords: list[Hashable]) -> CurveFit:
    names = list(dict.fromkeys(cords))
    place = np.array([names.index(cord) for cord in cords])
    n, size, reach = len(lowest), len(model.parameters), lowest / setup.slack_length
    unknowns = size + len(names) - 1
    if len(np.unique(np.round(reach, 2))) < size or n < unknowns:
        raise FitError(f"{n} lowest points of {len(names)} cords for {unknowns} unknowns; drop other masses")

    def logs(values: np.ndarray) -> np.ndarray:
        """ln of the scales that the drops ask for, values (parameters, draws) → (n, draws)."""
        parameters = {p.name: row for p, row in zip(model.parameters, values, strict=True)}
        if (model.lock_up(parameters) <= reach.max()).any():
            return np.full((n, values.shape[1]), np.inf)
        keywords = {name: getattr(setup, name)[:, None] for name in setup.__dataclass_fields__}
        return np.log(scale_for_lowest_point(Curve(model, parameters), lowest[:, None], **keywords))

    contrasts = np.vstack([np.eye(len(names) - 1), -np.ones(len(names) - 1)])

    def residual(unknown: np.ndarray) -> np.ndarray:
        return logs(unknown[:size, None])[:, 0] - contrasts[place] @ unknown[size:]

    def jacobian(unknown: np.ndarray) -> np.ndarray:
        step = 1e-4 * np.maximum(np.abs(unknown[:size]), 1e-6)
        both = logs(unknown[:size, None] + np.hstack([np.diag(step), -np.diag(step)]))
        return np.hstack([(both[:, :size] - both[:, size:]) / (2 * step), -contrasts[place]])

    try:
        begin = np.append(model.values(_start(model, reach, setup)), np.zeros(len(names) - 1))
        unknown, inverse, trouble = minimise(model, residual, jacobian, begin)
    except ValueError as error:
        raise FitError(str(error)) from error
    off = residual(unknown)
    solved = Solved(
        model=model,
        values=unknown[:size],
        scales=np.exp(contrasts @ unknown[size:]),
        residuals=off,
        rss=float(off @ off),
        growth=along(jacobian(unknown)[:, :size], np.full(n, -1.0)),
        root=inverse,
        trouble=trouble,
    )
    curve = Curve(model, {p.name: float(v) for p, v in zip(model.parameters, solved.values, strict=True)})
    if not curve.rising(1.0, float(reach.max())):
        raise FitError(f"the force does not rise all the way to stretch ratio {reach.max():.2f}")
    dof = n - unknowns
    own = np.bincount(place)
    spread = Spread(
        cord_sd=float(np.std(np.log(solved.scales), ddof=1)) if len(names) > 1 else np.nan,
        n_cords=len(names),
        drop_sd=float(np.sqrt(solved.rss / dof)) if dof > 0 else np.nan,
        drop_dof=max(dof, 0),
        drops={name: int(k) for name, k in zip(names, own, strict=True)},
    )
    criterion = aicc(solved.rss, n, unknowns + 1)
    scales = dict(zip(names, solved.scales.tolist(), strict=True))
    fit = as_fit(solved, dof=dof, aicc=criterion, scales=scales, spread=spread)
    return replace(fit, residual_sd=0.0)


def _start(model: Model, reach: np.ndarray, setup: Setup) -> dict[str, float]:
    """Start values through a Mooney–Rivlin curve from the energy balance, drag in the stretch left out."""
    from scipy.optimize import nnls

    stretch = (reach - 1) * setup.slack_length
    taken = (fall_energy(setup, setup.slack_length) + setup.hung_weight * stretch) / setup.slack_length
    first = named("mooney-rivlin")
    columns = np.array([first.energy(reach, {"c1": c1, "c2": 1 - c1}) for c1 in (1.0, 0.0)])
    (c1, c2), _ = nnls((columns / taken).T, np.ones(len(reach)))
    grid = np.linspace(1.02, float(reach.max()), 60)
    return model.start(grid, first.force(grid, {"c1": c1, "c2": c2}))
