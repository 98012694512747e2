"""The mean force of a curve from one stretch ratio to another, Δw/Δλ, which keeps energy over a step of time."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from cordlab.curves.models import Curve, MooneyRivlin, Polynomial, Yeoh
from cordlab.mechanics.setup import Array

STILL = 1e-7  # change of λ below which the force itself is the secant, to `STILL` of the slope


class Chord(NamedTuple):
    """Mean force Δw/Δλ and its derivative by the new stretch ratio, each of shape (elements, n) [N]."""

    force: Array
    slope: Array


class Secant:
    """Chords of any curve from its energy and force; beyond `limit`, where a draw is given up, it is a straight line.

    `quadratic` : the last correction of a stretch ratio with which Newton's method may end on a smooth curve; what
    is left is its square
    """

    quadratic = 1e-4

    def __init__(self, curve: Curve, limit: Array, elements: int) -> None:
        self.curve, self.limit = curve, limit
        self.energy = np.zeros((elements, limit.size))

    def chord(self, old: Array, new: Array, slack: bool) -> Chord:
        """From stretch ratio `old`, that of the last `go_on`, to `new`; `slack` where some are below 1."""
        energy, force = self._at(new)
        change = new - old
        still = np.abs(change) < STILL
        over = np.where(still, 1.0, change)
        mean = np.where(still, force, (energy - self.energy) / over)
        return Chord(mean, np.maximum((force - mean) / over, 0.0))

    def go_on(self, ratio: Array) -> None:
        """The next chords start from these stretch ratios."""
        self.energy = self._at(ratio)[0]

    def _at(self, ratio: Array) -> tuple[Array, Array]:
        """Energy and force."""
        inside = np.minimum(ratio, self.limit)
        energy, force, beyond = self.curve.energy(inside), self.curve.force(inside), ratio - inside
        if beyond.any():
            slope = np.where(beyond > 0, self.curve.slope(inside), 0.0)
            energy, force = energy + (force + slope * beyond / 2) * beyond, force + slope * beyond
        return energy, force


class MooneyRivlinSecant(Secant):
    """Chords in closed form, free of cancellation: with s = λ + λ', p = 1/(λλ')

        Δw/Δλ = c1 (s − 2p) + c2 (2 − s p²)

    and by λ', which occurs in s and in p alone, c1 (1 + 2p/λ') + c2 p² (2s/λ' − 1).
    """

    quadratic = 3e-4

    def __init__(self, curve: Curve, limit: Array, elements: int) -> None:
        self.curve, self.limit = curve, limit
        self.c1, self.c2 = (curve.scale * np.asarray(curve.parameters[name], dtype=float) for name in ("c1", "c2"))
        self.inverse = np.ones((elements, limit.size))
        self._sum, self._product, self._part, self._new, self._mean, self._slope = np.empty((6, elements, limit.size))

    def chord(self, old: Array, new: Array, slack: bool) -> Chord:
        s, p, part, r, mean, slope = self._sum, self._product, self._part, self._new, self._mean, self._slope
        taut, start = (np.maximum(new, 1.0), np.maximum(old, 1.0)) if slack else (new, old)
        np.divide(1.0, taut, out=r)
        np.add(start, taut, out=s)
        np.multiply(self.inverse, r, out=p)
        np.multiply(p, self.c2, out=part)
        np.multiply(part, p, out=mean)
        np.subtract(self.c1, mean, out=slope)  # c1 − c2 p²
        np.multiply(s, slope, out=mean)
        np.multiply(part, s, out=part)
        np.add(part, self.c1, out=part)
        np.multiply(part, r, out=part)
        np.multiply(part, p, out=part)
        np.add(part, part, out=part)
        np.add(slope, part, out=slope)
        np.multiply(p, 2 * self.c1, out=part)
        np.subtract(mean, part, out=mean)
        np.add(mean, 2 * self.c2, out=mean)
        return self._partly_slack(old, new, start, taut) if slack else Chord(mean, slope)

    def _partly_slack(self, old: Array, new: Array, start: Array, taut: Array) -> Chord:
        """Where one end of the chord is below λ = 1, or both: no energy down there."""
        change, mean, slope = new - old, self._mean, self._slope
        touched = (old < 1) | (new < 1)
        still = np.abs(change) < STILL
        over = np.where(still, 1.0, change)
        np.copyto(mean, np.where(still, 0.0, mean * (taut - start) / over), where=touched)
        np.copyto(slope, np.where(still, 0.0, (self.curve.force(taut) - mean) / over), where=touched)
        return Chord(mean, np.maximum(slope, 0.0))

    def go_on(self, ratio: Array) -> None:
        np.divide(1.0, ratio, out=self.inverse)
        np.minimum(self.inverse, 1.0, out=self.inverse)


class YeohSecant(MooneyRivlinSecant):
    """Chords in closed form: with i = I₁ − 3 at the two ends, s = i + i', the chord of I₁ is λ + λ' − 2/(λλ') and

    Δw/Δλ = ΔI₁/Δλ (c1 + c2 s + c3 (s² − i i'))
    """

    def __init__(self, curve: Curve, limit: Array, elements: int) -> None:
        self.curve, self.limit = curve, limit
        self.c = [curve.scale * np.asarray(curve.parameters[name], dtype=float) for name in ("c1", "c2", "c3")]
        self.inverse, self.invariant = np.ones((elements, limit.size)), np.zeros((elements, limit.size))

    def chord(self, old: Array, new: Array, slack: bool) -> Chord:
        c1, c2, c3 = self.c
        taut, start = (np.maximum(new, 1.0), np.maximum(old, 1.0)) if slack else (new, old)
        r = 1 / taut
        p = 2 * self.inverse
        p *= r
        i = taut * taut + 2 * r
        i -= 3
        s = i + self.invariant
        rise = start + taut
        rise -= p
        outer = s * c3
        slope = outer + i * c3  # by i': c2 + c3 (s + i')
        slope += c2
        outer += c2
        outer *= s
        i *= self.invariant
        i *= c3
        outer -= i
        outer += c1
        slope *= 2 * (taut - r * r)
        slope *= rise
        p *= r
        p += 1
        p *= outer
        slope += p
        rise *= outer
        self._mean, self._slope = rise, slope
        return self._partly_slack(old, new, start, taut) if slack else Chord(rise, np.maximum(slope, 0.0, out=slope))

    def go_on(self, ratio: Array) -> None:
        super().go_on(ratio)
        taut = np.maximum(ratio, 1.0)
        self.invariant = taut * taut + 2 * self.inverse - 3


class PolynomialSecant(MooneyRivlinSecant):
    """Chords in closed form: of xⁿ, x = λ − 1, the mean is hₙ/(n + 1), hₙ = x' hₙ₋₁ + xⁿ being Σ xᵏ x'ⁿ⁻ᵏ."""

    def __init__(self, curve: Curve, limit: Array, elements: int) -> None:
        self.curve, self.limit = curve, limit
        values = curve.model.values(curve.parameters)
        self.p = [curve.scale * value / (n + 1) for n, value in enumerate(values, start=1)]

    def chord(self, old: Array, new: Array, slack: bool) -> Chord:
        taut, start = (np.maximum(new, 1.0), np.maximum(old, 1.0)) if slack else (new, old)
        x, after = start - 1, taut - 1
        power, term, rate = x, x + after, np.ones_like(x)
        mean, slope = self.p[0] * term, self.p[0] * rate
        for p in self.p[1:]:
            power = power * x
            rate = term + after * rate
            term = after * term + power
            mean += p * term
            slope += p * rate
        self._mean, self._slope = mean, slope
        return self._partly_slack(old, new, start, taut) if slack else Chord(mean, np.maximum(slope, 0.0, out=slope))

    def go_on(self, ratio: Array) -> None:
        """The next chords start from these stretch ratios: nothing of them is kept."""


_CLOSED: dict[type, type[Secant]] = {MooneyRivlin: MooneyRivlinSecant, Yeoh: YeohSecant, Polynomial: PolynomialSecant}


def secant_of(curve: Curve, limit: Array, elements: int) -> Secant:
    """The chords of a curve: in closed form where the model has one here."""
    return _CLOSED.get(type(curve.model), Secant)(curve, limit, elements)
