"""Least squares of a curve with one scale a group, and AICc.

The solver is scipy's (trust region with bounds; MINPACK without) on closed-form Jacobians, then Gauss–Newton steps by
QR to the last digits. The covariance is that of the last Jacobian; where there is none, the reason is given instead.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from cordlab.curves.models import Model

_LEAST_SCALE = 1e-9  # of a group, where a curve that is tried pulls the wrong way
_APART = 1e-6  # singular value, of columns of length 1, below which parameters are one and the same to the data


def aicc(rss: float, n: float, parameters: int) -> float:
    """Akaike's criterion with the small-sample correction, constants dropped; `parameters` count the residual variance.

    n log(rss/n) + 2K + 2K(K+1)/(n−K−1), Burnham & Anderson 2002, section 2.4; +inf where n is not above K + 1.
    """
    if n <= parameters + 1:
        return np.inf
    deviance = n * np.log(rss / n) if rss > 0 else -np.inf
    return deviance + 2 * parameters + 2 * parameters * (parameters + 1) / (n - parameters - 1)


@dataclass(frozen=True)
class Solved:
    """What the solver leaves: parameters, scales (geometric mean 1), weighted residual sum of squares.

    root   : (parameters, parameters); the parameters' covariance is s² root rootᵀ. None where there is none
    beside : residuals of the equations beside the values, if there are any; not in `rss`
    """

    model: Model
    values: np.ndarray
    scales: np.ndarray
    residuals: np.ndarray
    rss: float
    growth: np.ndarray
    root: np.ndarray | None
    trouble: str
    beside: np.ndarray = field(default_factory=lambda: np.empty(0))

    @property
    def unknowns(self) -> int:
        """Parameters, and scales but one."""
        return len(self.values) + len(self.scales) - 1


def solve(
    model: Model,
    x: np.ndarray,
    y: np.ndarray,
    *,
    weights: np.ndarray,
    groups: np.ndarray | None = None,
    shares: np.ndarray | None = None,
    start: Mapping[str, float] | None = None,
    beside: Callable[[np.ndarray], np.ndarray] | None = None,
) -> Solved:
    """Least squares of y = scale[group] · F(x), the geometric mean of the scales, weighted by `shares`, being 1.

    beside : other equations for the parameters, (parameters, draws) → residuals (equations, draws), of the variance of
        a value of weight 1

    The scales are eliminated (variable projection, Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413, from memory):
    at any parameters they are those of least squares in each group, brought to mean 1, so that time and memory grow
    with the values alone, however many groups there are. Without `beside` that is the joint least squares; with it the
    scales leave out what the other equations say of the level, which tells on them only where groups differ in size.
    """
    root, count = np.sqrt(weights), 1 if groups is None else int(groups.max()) + 1
    groups = np.zeros(len(x), dtype=int) if groups is None else groups
    shares = np.ones(count) if shares is None else shares

    def summed(values):
        return np.bincount(groups, values, count)

    def logs(force):
        # a curve that is tried may be infinite: that step is refused
        with np.errstate(over="ignore", invalid="ignore"):
            own = np.log(np.maximum(summed(weights * force * y) / summed(weights * force**2), _LEAST_SCALE))
        return own - own @ shares / shares.sum()

    def parts(unknown):
        p = model.by_name(unknown)
        force = model.force(x, p)
        return p, force, np.exp(logs(force))[groups] if count > 1 else 1.0

    def residual(unknown):
        _, force, scale = parts(unknown)
        with np.errstate(invalid="ignore"):
            own = root * (scale * force - y)
        return own if beside is None else np.append(own, beside(unknown[:, None])[:, 0])

    def with_others(rows, unknown):
        return rows.T if beside is None else np.vstack([rows.T, differences(beside, unknown)])

    def jacobian(unknown):
        p, force, scale = parts(unknown)
        rows = model.jacobian(x, p)
        if count > 1:
            over, under = summed(weights * force * y)[groups], summed(weights * force**2)[groups]
            moved = np.array([summed(weights * (y / over - 2 * force / under) * row) for row in rows])
            moved -= (moved @ shares / shares.sum())[:, None]
            rows = rows + moved[:, groups] * force
        return with_others(root * scale * rows, unknown)

    def without_scales(unknown):
        """What the parameters change that no scales could: rows of the Jacobian off those of the scales."""
        p, force, scale = parts(unknown)
        rows, own = root * scale * model.jacobian(x, p), root * scale * force
        if count > 1:
            square = summed(own**2)
            taken = np.array([summed(own * row) for row in rows])
            taken = (taken - np.outer(taken @ (shares / square) / (shares @ (shares / square)), shares)) / square
            rows = rows - taken[:, groups] * own
        return with_others(rows, unknown)

    first = model.values(start if start is not None else model.start(x, y))
    unknown, inverse, trouble = minimise(model, residual, jacobian, np.asarray(first), known_by=without_scales)
    at_end, others = np.split(residual(unknown), [len(x)])
    p, force, _ = parts(unknown)
    return Solved(
        model=model,
        values=unknown,
        scales=np.exp(logs(force)) if count > 1 else np.ones(1),
        residuals=-at_end / root,
        rss=float(at_end @ at_end),
        growth=along((root * model.jacobian(x, p)).T, root * force),
        root=inverse,
        trouble=trouble,
        beside=others,
    )


def minimise(
    model: Model, residual: Callable, jacobian: Callable, begin: np.ndarray, *, known_by: Callable | None = None
) -> tuple[np.ndarray, np.ndarray | None, str]:
    """Least squares within the model's bounds, unknowns after its parameters being free.

    Gives the unknowns, the inverse of R of the last Jacobian = QR or None, and why there is none ("" where there is).
    known_by : the Jacobian that the last one is taken from, where it is not that of the search
    """
    from scipy.optimize import least_squares

    others = np.full((2, len(begin) - len(model.parameters)), [[-np.inf], [np.inf]])
    lower, upper = np.hstack([model.bounds, others])
    free = bool(np.isinf([lower, upper]).all())
    width = np.where(np.isfinite(upper - lower), upper - lower, 1.0)
    found = least_squares(
        residual,
        np.clip(begin, lower + 1e-6 * width, upper - 1e-6 * width),  # the trust region wants it off the bounds
        jac=jacobian,
        method="lm" if free else "trf",
        bounds=(lower, upper),
        x_scale="jac",
        ftol=1e-13,
        xtol=1e-13,
        gtol=1e-13,
        max_nfev=2000 if free else 500,  # a bounded fit that takes longer wanders: that is said, not waited for
    )
    unknown = _polished(found.x, residual, jacobian, lower, upper)
    inverse, trouble = _root((known_by or jacobian)(unknown), unknown, model, lower, upper)
    if found.status <= 0:
        trouble = f"the fit did not converge ({found.message}); try a simpler model or give start={{...}}"
    return unknown, inverse, trouble


def differences(function: Callable[[np.ndarray], np.ndarray], values: np.ndarray) -> np.ndarray:
    """Jacobian (equations, parameters) of `function`, (parameters, draws) → (equations, draws), in one call."""
    step, size = 1e-4 * np.maximum(np.abs(values), 1e-6), len(values)
    both = function(values[:, None] + np.hstack([np.diag(step), -np.diag(step)]))
    return (both[:, :size] - both[:, size:]) / (2 * step)


def along(jacobian: np.ndarray, change: np.ndarray) -> np.ndarray:
    """The step of the parameters that changes what was fitted by `change`, by least squares."""
    size = np.maximum(np.linalg.norm(jacobian, axis=0), 1e-300)
    return np.linalg.lstsq(jacobian / size, change)[0] / size


def _at_bound(unknown, jacobian, lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
    """Unknowns that might as well be at a bound: going there changes the fit by less than 1e-7 of its own size."""
    effect = np.linalg.norm(jacobian, axis=0)
    room = np.minimum(unknown - lower, upper - unknown)
    held = np.isfinite(room)
    return held & (np.where(held, room, 0.0) * effect <= 1e-7 * np.abs(unknown * effect).max())


def _polished(unknown, residual, jacobian, lower, upper) -> np.ndarray:
    """Gauss–Newton by QR on the unknowns off their bounds, for as long as its steps get shorter.

    The sum of squares stands still, to rounding, while the last half of the digits is found; it may not grow by more.
    """
    free = ~_at_bound(unknown, jacobian(unknown), lower, upper)
    limit, shortest = float(np.sum(residual(unknown) ** 2)) * (1 + 1e-12), np.inf
    for _ in range(50):
        columns = jacobian(unknown)[:, free]
        size = np.linalg.norm(columns, axis=0)
        if not size.all():
            break
        q, r = np.linalg.qr(columns / size)
        if np.abs(np.diag(r)).min(initial=1.0) < _APART:
            break
        step = np.linalg.solve(r, -q.T @ residual(unknown))
        trial = unknown.copy()
        trial[free] += step / size
        trial = np.clip(trial, lower, upper)
        length = float(np.linalg.norm(step))
        if not (length < shortest and np.sum(residual(trial) ** 2) <= limit):
            break
        unknown, shortest = trial, length
    return unknown


def levelled(values: np.ndarray, *groupings: Sequence | np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    """What is left of `values`, (n,) or (n, columns), when each group of each grouping (n,) has a level of its own.

    By least squares; then the share of each value that is free of the levels (1 less its leverage), and the degrees of
    freedom left.
    """
    members = [np.asarray(grouping)[:, None] == np.unique(grouping) for grouping in groupings]
    span, singular, _ = np.linalg.svd(np.hstack(members).astype(float), full_matrices=False)
    span = span[:, singular > 1e-9 * singular[0]]
    return values - span @ (span.T @ values), 1 - (span**2).sum(axis=1), len(span) - span.shape[1]


def unlike(values: np.ndarray, *groupings: Sequence | np.ndarray) -> tuple[int, float, float, float] | None:
    """The value (n,) furthest from what its groups make it, by the externally studentized residual.

    Cook & Weisberg 1982, section 2.2.2: which, its distance from what the others say of it, that in standard
    deviations, and the chance that scatter alone puts any of them so far off (Bonferroni's bound). None below 3 degrees
    of freedom.
    """
    from scipy.special import stdtr

    left, free, dof = levelled(values, *groupings)
    if dof < 3:
        return None
    known = np.flatnonzero(free > 1e-6)  # not what has a level for itself
    left, free = left[known], free[known]
    others = np.maximum((left @ left + 1e-12 - left**2 / free) / (dof - 1), 1e-12)
    t = np.abs(left) / np.sqrt(others * free)
    worst = int(np.argmax(t))
    chance = 2 * stdtr(dof - 1, -t[worst]) * t.size
    return int(known[worst]), float(left[worst] / free[worst]), float(t[worst]), float(chance)


def _root(jacobian, unknown, model: Model, lower, upper) -> tuple[np.ndarray | None, str]:
    """Inverse of R, or None and why there is no covariance."""
    names = [p.name for p in model.parameters]
    bound = np.flatnonzero(_at_bound(unknown, jacobian, lower, upper))
    if len(bound):
        held = ", ".join(f"{names[k]} = {unknown[k]:.4g}" for k in bound)
        return None, f"{held} at its bound: there is no standard error there; try a simpler model"
    size = np.linalg.norm(jacobian, axis=0)
    if not size.all():
        idle = ", ".join(name for name, s in zip(names, size, strict=False) if s == 0)
        return None, f"the data do not depend on {idle}; try a simpler model"
    _, singular, rows = np.linalg.svd(jacobian / size, full_matrices=False)
    if len(singular) < len(size) or singular[-1] < _APART:
        mixed = [name for name, share in zip(names, rows[-1], strict=False) if abs(share) > 0.1]
        return None, f"the data cannot tell {', '.join(mixed) or 'the parameters'} apart; try a simpler model"
    return np.linalg.inv(np.linalg.qr(jacobian / size, mode="r")) / size[:, None], ""
