"""The motion of one drop in time, through its bounces: for drawing beside a record, for rebound and slack phases."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicHermiteSpline

from cordlab.curves.models import Curve
from cordlab.mechanics.fall import Array, DropSetup, fall_speed, fall_time, spread_out
from cordlab.mechanics.uniform import broadcast_draws, take_draws
from cordlab.mechanics.waves import Motion, check_waves, motions
from cordlab.units import plain

if TYPE_CHECKING:
    import pandas as pd

TOLERANCE = 1e-10


class _Samples(NamedTuple):
    """The sampled columns of a `Trace`, for a part of the motion."""

    time: Array
    position: Array
    speed: Array
    tie_load: Array
    lower_load: Array
    stretch_ratio: Array


@dataclass(frozen=True)
class Trace:
    """A drop in time, one value a sample; time 0 is the release.

    Attributes
    ----------
    time : [s]
    position : of the cord's lower end, below the undisturbed tie point  [m]
    speed : downwards  [m/s]
    tie_load, lower_load : tension at the tie point and at the cord's lower end  [N]
    stretch_ratio : of the whole cord, 1 while it is slack
    turns : (n, 2)
        Time and position of every lowest and highest point, lowest first.
    slack_phases : (n, 2)
        Start and end of every time that the cord is slack after the first stretch; an end of inf was not seen  [s].
    mechanics : "uniform" or "waves"
        "uniform": kinetic energy goes on when the slack ends, and the speed steps from M to M + m/3. "waves": the
        speed goes on, and a wave runs up the cord. There is no unloading branch with waves: it is drawn from the one
        turn of the whole cord at its lowest point, while waves turn every part of the cord again and again, and no
        record says by how much each of these small loops loses. A cord that returns less energy than its viscosity
        takes rebounds lower than such a trace, so take rebound and slack phases from "uniform" with `unloading`.

    Examples
    --------
    >>> import cordlab
    >>> curve = cordlab.Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})
    >>> trace = cordlab.trace_drop(curve, mass=68.0, slack_length=10.0, cord_mass=14.0, duration=4.0, rate=1.0)
    >>> trace.table().round(2).iloc[:, :3]
       time [s]  position [m]  speed [m/s]
    0       0.0          0.00         0.00
    1       1.0          4.94         9.96
    2       2.0         18.84        15.09
    3       3.0         29.86         5.29
    4       4.0         27.98        -8.79
    """

    time: Array
    position: Array
    speed: Array
    tie_load: Array
    lower_load: Array
    stretch_ratio: Array
    turns: Array
    slack_phases: Array
    mechanics: str

    def summary(self) -> str:
        """For people: the lowest point, the rebound, the loads, and when the cord is slack again."""
        parts = [f"{self.mechanics}: not yet at the lowest point"]
        if len(self.turns):
            (at, lowest), tops = self.turns[0], self.turns[1::2]
            parts = [f"{self.mechanics}: lowest point {lowest:.2f} m, {at:.2f} s after the release"]
            if len(tops):
                cause = "viscosity alone" if self.mechanics == "waves" else "the way back"
                rise = f"{lowest - tops[0, 1]:.2f} m up (energy lost by {cause})"
                parts.append(f"first rebound to {tops[0, 1]:.2f} m, {rise}")
        for end, load in (("tie point", self.tie_load), ("lower end", self.lower_load)):
            parts.append(f"greatest load at the {end} {load.max():.0f} N at {self.time[np.argmax(load)]:.2f} s")
        phases = [f"{a:.2f} to {b:.2f} s" if np.isfinite(b) else f"from {a:.2f} s" for a, b in self.slack_phases]
        parts.append(f"slack again {', '.join(phases)}" if phases else "never slack again")
        return "; ".join(parts)

    def table(self) -> pd.DataFrame:
        """One row a sample, with units in the heads."""
        import pandas as pd

        heads = ("time [s]", "position [m]", "speed [m/s]", "tie load [N]", "lower load [N]", "stretch ratio [1]")
        columns = (getattr(self, name) for name in _Samples._fields)
        return pd.DataFrame(dict(zip(heads, columns, strict=True)))

    def to_dict(self) -> dict[str, Any]:
        """Lists in SI; the end of a slack phase that was not seen is None."""
        return plain(vars(self))


def trace_drop(
    curve: Curve,
    *,
    mechanics: str = "uniform",
    viscosity: float = 0.0,
    unloading: float = 0.0,
    duration: float = 10.0,
    quiet: float = 0.0,
    rate: float = 1000.0,
    **setup: float,
) -> Trace:
    """Motion and loads of one drop in time. Above the slack length the cord hangs in a fold again.

    Parameters
    ----------
    curve : Curve
    mechanics : "uniform" or "waves"
    viscosity : of the cord, with mechanics="waves", which lets it lose energy by that alone  [N·s]
        Its rebound says nothing of a cord that loses more on the way back.
    unloading : b of the force on the way back, with mechanics="uniform"; see `unloading_for`
        That force is F(λ) [1 − b (1 − (λ−1)/(λmax−1))], λmax being the stretch ratio at which it turned.
    duration, quiet : how long after the release, and before it  [s]
    rate : samples a second  [Hz]
    **setup
        `mass`, `slack_length` and what else of the drop `predict_drop` takes, numbers. What a rider brings steps the
        speed up when the slack ends.

    Returns
    -------
    Trace

    Raises
    ------
    ValueError
        For arrays, for what `predict_drop` refuses, for a release beyond the slack length, and where the cord locks up
        before the mass turns.

    Examples
    --------
    >>> import cordlab
    >>> curve = cordlab.Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})
    >>> trace = cordlab.trace_drop(curve, mass=68.0, slack_length=10.0, cord_mass=14.0, duration=4.0)
    >>> print(trace.summary().split(";")[0])
    uniform: lowest point 30.84 m, 3.37 s after the release
    """
    drop = DropSetup(**setup)
    if any(np.size(value) > 1 for value in (*vars(drop).values(), *curve.parameters.values(), curve.scale)):
        raise ValueError("trace_drop shows one drop: give numbers, not arrays of draws")
    if not drop.released_slack:
        raise ValueError(f"release_depth: {drop.release_depth:g} m is beyond the slack length {drop.slack_length:g} m")
    if not 0 <= unloading <= 1:
        raise ValueError(f"unloading: {unloading:g} is not between 0 and 1")
    time = np.arange(-round(quiet * rate), round(duration * rate) + 1) / rate
    if mechanics == "waves":
        if unloading:
            raise ValueError("unloading: with mechanics='waves' the cord loses energy by its viscosity alone")
        return trace_waves(drop, curve, np.asarray(float(viscosity)), [time])[0]
    if mechanics != "uniform":
        raise ValueError(f"mechanics: {mechanics!r} is not one of 'uniform', 'waves'")
    motion = _Uniform(drop, curve, unloading)
    whole = _joined(_before(drop, time[time < 0]), *motion.run(time[time >= 0]))
    turns, slack = np.reshape(motion.turns, (-1, 2)), np.reshape(motion.slack_phases, (-1, 2))
    return Trace(*whole, turns, slack, mechanics)


def unloading_for(curve: Curve, stretch_ratio: float, energy_returned: float) -> float:
    """b of `trace_drop` with which a cord gives back a share of the energy of its stretch.

    Parameters
    ----------
    curve : Curve
    stretch_ratio : at which the mass turned
    energy_returned : share of the energy that the cord gives back on the way up

    Raises
    ------
    ValueError
        Where no b from 0 to 1 does: the force on the way back would be below 0.

    Examples
    --------
    >>> import cordlab
    >>> curve = cordlab.Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})
    >>> print(f"{cordlab.unloading_for(curve, 3.0, 0.8):.3f}")
    0.538
    """
    nodes, weights = np.polynomial.legendre.leggauss(40)
    share, force = (nodes + 1) / 2, curve.force(1 + (stretch_ratio - 1) * (nodes + 1) / 2)
    unloading = float((1 - energy_returned) * (weights @ force) / (weights @ (force * (1 - share))))
    if not 0 <= unloading <= 1:
        raise ValueError(f"energy_returned: {energy_returned:g} needs b = {unloading:.2f}, which is not from 0 to 1")
    return unloading


def _before(setup: DropSetup, time: Array) -> _Samples:
    """Held at the release point: half of the folded cord hangs on either side."""
    still, depth, hanging = np.zeros(time.size), setup.release_depth, setup.cord_mass * setup.gravity / 2
    share = depth / setup.slack_length
    return _Samples(time, still + depth, still, still + hanging * (1 + share), still + hanging * (1 - share), still + 1)


class _Uniform:
    """The uniformly strained cord and the folded one in turn, by scipy's DOP853 from event to event."""

    def __init__(self, setup: DropSetup, curve: Curve, unloading: float) -> None:
        self.setup, self.curve, self.unloading = setup, curve, unloading
        self.M, self.m, self.L = float(setup.mass), float(setup.cord_mass), float(setup.slack_length)
        self.g, self.c, self.C = float(setup.gravity), float(setup.drag), float(setup.compliance)
        self.reached, self.back = np.inf, False
        self.turns: list[tuple[float, float]] = []
        self.slack_phases: list[tuple[float, float]] = []

    def cord_stretch(self, stretch: Array) -> Array:
        """The cord's own part of a stretch of cord and rig together [m]."""
        x = np.maximum(stretch, 0.0)
        for _ in range(20 if self.C else 0):
            ratio = 1 + x / self.L
            off = x + self.C * self.branch(ratio) - np.maximum(stretch, 0.0)
            x = np.maximum(x - off / (1 + self.C * self.curve.slope(ratio) / self.L), 0.0)
        return x

    def branch(self, ratio: Array) -> Array:
        """Force on the branch that is being run through [N]."""
        lost = self.unloading * (1 - (ratio - 1) / (self.reached - 1)) if self.back else 0.0
        return self.curve.force(ratio) * (1 - lost)

    def folded(self, _: float, state: Sequence) -> tuple[Any, Any]:
        y, v = state
        inertia = self.M + self.m * (self.L - y) / (2 * self.L)
        return v, self.g + (self.m / (4 * self.L) * v * v - self.c * v * abs(v)) / inertia

    def stretched(self, _: float, state: Sequence) -> tuple[float, float]:
        y, v = state
        pull = float(self.branch(1 + self.cord_stretch(y - self.L) / self.L)) + self.c * v * abs(v)
        return v, ((self.M + self.m / 2) * self.g - pull) / (self.M + self.m / 3)

    def piece(self, folded: bool, time: Array, y: Array, v: Array) -> _Samples:
        if folded:
            fold = self.m * v * v / (4 * self.L)
            a = np.asarray(self.folded(0.0, (y, v))[1])
            falling = self.m * (self.L - y) / (2 * self.L)
            tie, lower = (self.m - falling) * self.g + fold, falling * (self.g - a) + fold
            return _Samples(time, y, v, tie, lower, np.ones_like(y))
        ratio = 1 + self.cord_stretch(y - self.L) / self.L
        force = self.branch(ratio)
        up = (force + self.c * v * np.abs(v) - (self.M + self.m / 2) * self.g) / (self.M + self.m / 3)
        tie, lower = force + self.m * (self.g / 2 + up / 6), force - self.m * (self.g / 2 + up / 3)
        return _Samples(time, y, v, tie, lower, ratio)

    def run(self, time: Array) -> list[_Samples]:
        pieces: list[_Samples] = []
        folded, at, state = True, 0.0, np.array([float(self.setup.release_depth), 0.0])
        inertia = {True: self.M, False: self.M + self.m / 3}  # folded; stretched
        while at < time[-1]:
            law: Callable = self.folded if folded else self.stretched
            turned, tight = _event(lambda _, s: s[1], 0), _event(lambda _, s: s[0] - self.L, 1 if folded else -1)
            # a turn ends the piece: there the force changes branch
            turned.direction = -1.0 if state[1] > 0 or at == 0 else 1.0
            run = solve_ivp(
                law, (at, time[-1]), state, method="DOP853", events=[turned, tight], dense_output=True,
                rtol=TOLERANCE, atol=TOLERANCE,
            )  # fmt: skip
            inside = (time >= at) & ((time < run.t[-1]) | (run.t[-1] >= time[-1]))
            y, v = run.sol(time[inside]) if inside.any() else np.empty((2, 0))
            pieces.append(self.piece(folded, time[inside], y, v))
            at, state = run.t[-1], run.y[:, -1].copy()
            if not np.isfinite(state).all() or run.status < 0:
                raise ValueError("the cord locks up before the mass turns: it has no lowest point")
            if run.t_events[1].size:
                brought = 0.0 if self.turns else float(self.setup.rider_energy)  # once, in the first fall
                speed = np.sqrt((inertia[folded] * state[1] ** 2 + 2 * brought) / inertia[not folded])
                state = np.array([self.L, speed if folded else -speed])
                self._slack(at, begins=not folded)
                folded, self.back = not folded, False
            elif run.t_events[0].size:
                self.turns.append((at, float(state[0])))
                lowest = turned.direction < 0
                if lowest and not folded:
                    self.reached = 1 + float(self.cord_stretch(state[0] - self.L)) / self.L
                self.back = lowest and not folded
                state[1] = -1e-12 if lowest else 1e-12  # on the way that the branch now holds for
        return pieces

    def _slack(self, at: float, *, begins: bool) -> None:
        if begins:
            self.slack_phases.append((at, np.inf))
        elif self.slack_phases:
            self.slack_phases[-1] = (self.slack_phases[-1][0], at)


def trace_waves(setup: DropSetup, curve: Curve, viscosity: Array, times: Sequence[Array]) -> list[Trace]:
    """Traces with stretch waves of n drops, all chains in one go, at the sample `times` of each.

    Set-up, curve parameters and viscosity [N·s] of shape () or (n,). Raises ValueError as `trace_drop` does.
    """
    n = len(times)
    check_waves(setup, viscosity)
    setup, curve = setup.broadcast((n,)), broadcast_draws(curve, (n,))
    until = np.array([time[-1] for time in times])
    chains = motions(setup, curve, spread_out(viscosity, (n,)), until)
    return [
        _with_waves(setup.take(np.array(k)), take_draws(curve, np.array(k)), chain, time)
        for k, (chain, time) in enumerate(zip(chains, times, strict=True))
    ]


def _with_waves(setup: DropSetup, curve: Curve, chain: Motion, time: Array) -> Trace:
    """The folded fall, then the chain."""
    begin, slack_length = float(chain.time[0]), float(setup.slack_length)
    before, after = time[(time >= 0) & (time < begin)], time[time >= begin]
    fall = _fall(setup)
    falling = _Uniform(setup, curve, 0.0).piece(True, before, fall(before), fall(before, 1))
    place = CubicHermiteSpline(chain.time, chain.position, chain.speed)
    ratio = np.maximum((place(after) - np.interp(after, chain.time, chain.tie_point)) / slack_length, 1.0)
    middle = (chain.time[1:] + chain.time[:-1]) / 2
    tie, lower = (np.interp(after, middle, load) for load in (chain.tie_load, chain.lower_load))
    turns, slack = _events(chain, slack_length)
    swinging = _Samples(after, place(after), place(after, 1), tie, lower, ratio)
    return Trace(*_joined(_before(setup, time[time < 0]), falling, swinging), turns, slack, "waves")


def _fall(setup: DropSetup) -> CubicHermiteSpline:
    """Depth over the time from release to the end of slack, at whose points depths, times and speeds are exact."""
    depth = setup.release_depth + (setup.slack_length - setup.release_depth) * np.linspace(0.0, 1.0, 65) ** 2
    time = np.append(0.0, fall_time(setup, depth[1:]))  # the quadrature would divide 0 by 0 at the release
    return CubicHermiteSpline(time, depth, fall_speed(setup, depth))


def _events(chain: Motion, slack_length: float) -> tuple[Array, Array]:
    """Turns and slack phases of a chain, as `Trace` has them."""
    t, y, v, stretch = chain.time, chain.position, chain.speed, chain.position - chain.tie_point - slack_length
    k = np.flatnonzero(v[:-1] * v[1:] < 0)
    share, step = v[k] / (v[k] - v[k + 1]), t[k + 1] - t[k]
    turns = np.column_stack([t[k] + share * step, y[k] + share * v[k] * step / 2])
    k = np.flatnonzero((stretch[1:-1] > 0) != (stretch[2:] > 0)) + 1
    at = t[k] - stretch[k] * (t[k + 1] - t[k]) / (stretch[k + 1] - stretch[k])
    return turns, np.append(at, [np.inf] * (len(at) % 2)).reshape(-1, 2)


def _joined(*pieces: _Samples) -> _Samples:
    return _Samples(*(np.concatenate(part) for part in zip(*pieces, strict=True)))


def _event(function: Callable, direction: float) -> Any:
    function.terminal, function.direction = True, direction  # type: ignore[attr-defined]
    return function
