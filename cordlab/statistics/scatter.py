"""Scatter of cords and drops about a line in mass: what the next drop of another cord, or of this cord, may do.

No physics: a value a drop (the log of a stiffness scale, say), its mass and its cord. The unit of replication is the
cord, then the drop. Each cord has its own line in mass where its drops allow it, so cords that differ in the shape of
their curve are covered; the cords are averaged without weights, so unbalanced drops are too.

For a mass x, cord i gives m_i(x), a linear function of its drops with leverage h_i(x). With s_m² the variance of the
m_i over n cords and s_w² the variance of drops about their cords' lines, E s_m² = σ_c²(x) + h̄ σ_w² and

    var(next − mean) = s_m² (1 + 1/n) + s_w² (1 − h̄),

the unweighted-means analysis of Thomas & Hultquist (1978, Ann. Statist. 6, 582) carried from 1/r, r drops a cord, to a
leverage. The two mean squares are scaled χ² (the second exactly, the first exactly in a balanced design), so the next
value is drawn as mean + z √(s_m² (ν₁/χ²₁)(1 + 1/n) + s_w² (ν₂/χ²₂)(1 − h̄)): the t law of JCGM 101 6.4.9 with two
sources of scatter.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from cordlab.statistics.groups import EvidenceError

MIN_DROPS_FOR_OWN_LINE = 3
"""A cord with fewer drops gives no scatter about a line of its own, so the cords then share one slope."""


@dataclass(frozen=True)
class Level:
    """What the cords say at given masses; arrays (..., n_mass), leading axes as in the values.

    mean            : mean over cords
    between         : mean square s_m² of the cords' values, `dof_between` degrees of freedom
    within          : mean square s_w² of drops about their cord's line, `dof_within` degrees of freedom  (...,)
    estimate_between, estimate_within : coefficients of the two mean squares in the variance of the mean  (n_mass,)
    content_between, content_within   : the same in the variance of the next value about the true mean  (n_mass,)
    """

    mean: np.ndarray
    between: np.ndarray
    within: np.ndarray
    dof_between: int
    dof_within: int
    estimate_between: np.ndarray
    estimate_within: np.ndarray
    content_between: np.ndarray
    content_within: np.ndarray

    @property
    def parts(self) -> tuple[np.ndarray, np.ndarray]:
        """Variance of the next value about the estimated mean: from cords, from drops."""
        between = self.between * (self.estimate_between + self.content_between)
        within = self.within[..., None] * np.maximum(self.estimate_within + self.content_within, 0.0)
        return between, within

    @property
    def sd(self) -> np.ndarray:
        return np.sqrt(sum(self.parts))

    @property
    def dof(self) -> np.ndarray:
        """Effective degrees of freedom of `sd` (Welch–Satterthwaite, JCGM 100 G.4.1); inf without any scatter."""
        total = sum(self.parts)
        known = zip(self.parts, (self.dof_between, self.dof_within), strict=True)
        below = sum(part**2 / dof for part, dof in known if dof > 0)
        return np.divide(total**2, below, out=np.full(np.shape(total), np.inf), where=np.asarray(below) > 0)

    def at(self, k: int, sets: np.ndarray) -> "Level":
        """The level at mass number k, of the given sets of values (numbers along the leading axis)."""
        one = slice(k, k + 1)
        coefficients = {
            name: getattr(self, name)[one]
            for name in ("estimate_between", "estimate_within", "content_between", "content_within")
        }
        values = {"mean": self.mean[sets, one], "between": self.between[sets, one], "within": self.within[sets]}
        return replace(self, **values, **coefficients)


@dataclass(frozen=True)
class Pivots:
    """Standard draws behind the next value, common to all masses so that limits are smooth in mass; each (n_draws,)."""

    normal_next: np.ndarray
    normal_mean: np.ndarray
    ratio_between: np.ndarray  # ν₁/χ²(ν₁): by how much the true variance may exceed the mean square
    ratio_within: np.ndarray

    @classmethod
    def draw(cls, rng: np.random.Generator, n: int, level: Level) -> "Pivots":
        def ratio(dof: int) -> np.ndarray:
            return dof / rng.chisquare(dof, n) if dof > 0 else np.ones(n)

        return cls(rng.standard_normal(n), rng.standard_normal(n), ratio(level.dof_between), ratio(level.dof_within))

    def next_value(self, level: Level) -> np.ndarray:
        """Draws (n_draws,) of the next value; `level` at one mass, with mean and mean squares a draw or one for all."""
        between, within = (part[..., 0] for part in level.parts)
        spread = np.sqrt(between * self.ratio_between + within * self.ratio_within)
        return level.mean[..., 0] + self.normal_next * spread

    def mean_and_content(self, level: Level) -> tuple[np.ndarray, np.ndarray]:
        """Draws of the true mean and of the next value's standard deviation about it: what a tolerance limit needs."""
        between, within = level.between[..., 0] * self.ratio_between, level.within * self.ratio_within
        estimate = level.estimate_between * between + np.maximum(level.estimate_within, 0.0) * within
        content = level.content_between * between + np.maximum(level.content_within, 0.0) * within
        return level.mean[..., 0] + self.normal_mean * np.sqrt(estimate), np.sqrt(content)


@dataclass(frozen=True)
class CordLines:
    """Values (..., n_drops) of drops at `mass` (n_drops,) on cords numbered by `cord` (n_drops,), ready for any mass.

    structure: "own lines" (each cord its own slope), "one slope" (common to the cords), "flat" (one mass only),
    or "across cords" (each cord at one mass only: the line runs through the cords).
    """

    values: np.ndarray
    mass: np.ndarray
    cord: np.ndarray
    names: tuple[str, ...]
    structure: str

    @classmethod
    def of(cls, values: Any, *, mass: Any, cord: Sequence[Any]) -> "CordLines":
        y, x = np.asarray(values, float), np.asarray(mass, float)
        names, index = np.unique(np.asarray(cord).astype(str), return_inverse=True)
        if y.shape[-1:] != x.shape or x.ndim != 1 or index.shape != x.shape or not x.size:
            raise ValueError(
                f"one value, mass and cord a drop: got {y.shape[-1:]} values, {x.shape} masses, {index.shape} cords"
            )
        if not (np.all(np.isfinite(y)) and np.all(np.isfinite(x))):
            raise ValueError("a value or a mass of a drop is not a finite number")
        return cls(y, x, index, tuple(str(name) for name in names), _structure(x, index))

    @property
    def n_cords(self) -> int:
        return len(self.names)

    @property
    def dof_within(self) -> int:
        drops, cords = self.mass.size, self.n_cords
        used = {"own lines": 2 * cords, "one slope": cords + 1, "flat": cords, "across cords": cords}
        return drops - used[self.structure]

    @cached_property
    def _parts(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """What drops weigh in each cord's mean and slope, (n_cords, n_drops) both, and its mean mass (n_cords,)."""
        member = self.cord == np.arange(self.n_cords)[:, None]
        level = member / member.sum(1, keepdims=True)
        centre = level @ self.mass
        about = np.where(member, self.mass - centre[:, None], 0.0)
        if self.structure in ("flat", "across cords"):
            slope = np.zeros_like(level)
        elif self.structure == "own lines":
            slope = about / (about**2).sum(1, keepdims=True)
        else:
            slope = np.broadcast_to(about.sum(0) / (about**2).sum(), level.shape)
        return level, slope, centre

    def weights(self, masses: Any, cords: Any = slice(None)) -> np.ndarray:
        """What each drop counts in a cord's value at `masses`: m_i(x) = Σ_d w_id(x) y_d.  (n_mass, n_cords, n_drops)

        cords : numbers of those that are asked for
        """
        x0 = np.atleast_1d(np.asarray(masses, float))
        level, slope, centre = (part[cords] for part in self._parts)
        return level + (x0[:, None] - centre)[..., None] * slope

    def mean_weights(self, masses: Any, cord: str | None = None) -> np.ndarray:
        """What each drop counts in the mean, for another cord or this one, so also its error.  (n_mass, n_drops)"""
        if cord is not None:
            return self.weights(masses, [self.names.index(cord)])[:, 0]
        if self.structure != "across cords":
            return self.weights(masses).mean(1)
        return replace(self, values=np.eye(self.mass.size)).another_cord(masses).mean.T

    def another_cord(self, masses: Any) -> Level:
        """Level for another cord of the batch.

        Raises EvidenceError with fewer than 2 cords (3 where each has one mass only).
        """
        n = self.n_cords
        if n < 2:
            raise EvidenceError(
                "only 1 cord: a limit for another cord needs at least 2; ask for this cord, or test more cords"
            )
        if self.structure == "across cords":
            return self._across_cords(np.atleast_1d(np.asarray(masses, float)))
        w = self.weights(masses)
        cord_values = np.einsum("mcd,...d->...mc", w, self.values)
        mean_weights = w.mean(1)
        own, mean = (w**2).sum((1, 2)) / n, (mean_weights**2).sum(1)
        # E s_m² = σ_c² + σ_w² (mean leverage − n · variance weight of the mean)/(1 − 1/n); for own lines that is the
        # mean leverage
        in_between = (own - mean) * n / (n - 1)
        ones = np.ones(len(w))
        return Level(
            mean=cord_values.mean(-1),
            between=cord_values.var(-1, ddof=1),
            within=self.within,
            dof_between=n - 1,
            dof_within=self.dof_within,
            estimate_between=ones / n,
            estimate_within=mean - in_between / n,
            content_between=ones,
            content_within=1.0 - in_between,
        )

    def this_cord(self, masses: Any, cord: str) -> Level:
        """Level for the next drop of a tested cord: its own mean and the scatter of drops.

        Raises EvidenceError without any.
        """
        if cord not in self.names:
            raise EvidenceError(f"cord {cord!r} has no drop here; cords with drops: {', '.join(self.names)}")
        if self.dof_within < 1:
            raise EvidenceError("no cord was dropped often enough to show scatter from drop to drop: repeat some drops")
        if self.structure == "across cords":
            raise EvidenceError(
                f"cord {cord!r} was dropped at one mass only, as all cords were: nothing says how it does at another"
            )
        w = self.weights(masses, [self.names.index(cord)])[:, 0]
        mean = np.einsum("md,...d->...m", w, self.values)
        zeros = np.zeros(len(w))
        return Level(
            mean=mean,
            between=np.zeros_like(mean),
            within=self.within,
            dof_between=0,
            dof_within=self.dof_within,
            estimate_between=zeros,
            estimate_within=(w**2).sum(1),
            content_between=zeros,
            content_within=np.ones(len(w)),
        )

    @cached_property
    def within(self) -> np.ndarray:
        """Mean square of drops about their cord's line; 0 where no cord shows any.  (...,)"""
        if self.dof_within < 1:
            return np.zeros(self.values.shape[:-1])
        level, slope, centre = self._parts
        means, slopes = self.values @ level.T, self.values @ slope.T
        residuals = self.values - means[..., self.cord] - slopes[..., self.cord] * (self.mass - centre[self.cord])
        return (residuals**2).sum(-1) / self.dof_within

    def _across_cords(self, x0: np.ndarray) -> Level:
        n = self.n_cords
        if n < 3:
            raise EvidenceError(
                "2 cords, each at one mass of its own, show no scatter about a line: drop each cord at two masses"
            )
        w = self.weights([0.0])[0]
        y, x = np.einsum("cd,...d->...c", w, self.values), w @ self.mass
        about = x - x.mean()
        slope = y @ about / (about @ about)
        mean = y.mean(-1)[..., None] + slope[..., None] * (x0 - x.mean())
        residuals = y - y.mean(-1)[..., None] - slope[..., None] * about
        between = np.broadcast_to(((residuals**2).sum(-1) / (n - 2))[..., None], mean.shape)
        ones = np.ones(x0.size)
        return Level(
            mean=mean,
            between=between,
            within=self.within,
            dof_between=n - 2,
            dof_within=self.dof_within,
            estimate_between=1.0 / n + (x0 - x.mean()) ** 2 / (about @ about),
            estimate_within=0.0 * ones,
            content_between=ones,
            content_within=(1.0 - (w**2).sum() / n) * ones,
        )


def _structure(mass: np.ndarray, cord: np.ndarray) -> str:
    low, high = mass.min(), mass.max()
    if low == high:
        return "flat"
    own = [mass[cord == c] for c in np.unique(cord)]
    # a cord whose masses span the tested range has leverage at most 1 in it: its own line is then interpolation
    if all(m.size >= MIN_DROPS_FOR_OWN_LINE and m.min() == low and m.max() == high for m in own):
        return "own lines"
    return "one slope" if any(m.min() < m.max() for m in own) else "across cords"
