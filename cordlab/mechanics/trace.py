"""The motion of one drop in time, through its bounces: for drawing beside a record, for rebound and slack phases."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicHermiteSpline

from cordlab.curves.models import Curve
from cordlab.mechanics.fall import Array, DropSetup, fall_to_slack, folded_cord, loads_at_rest
from cordlab.mechanics.uniform import Stretch
from cordlab.mechanics.waves import check_waves, motions
from cordlab.units import plain

if TYPE_CHECKING:
    import pandas as pd

TOLERANCE = 1e-10


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
        speed goes on, and a wave runs up the cord, which loses energy by its viscosity alone. A cord that loses more
        rebounds lower: take rebound and slack phases from "uniform" with `unloading`.

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
        return pd.DataFrame(dict(zip(heads, vars(self).values(), strict=False)))

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
    viscosity : of the cord, with mechanics="waves"  [N·s]
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
    return _uniform(drop, curve, unloading, time)


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


def _at_rest(setup: DropSetup, time: Array) -> Array:
    """The first six columns of a `Trace` while the mass is held: half of the folded cord hangs on either side."""
    still, (tie, lower) = np.zeros(time.size), loads_at_rest(setup)
    return np.array([time, still + setup.release_depth, still, still + tie, still + lower, still + 1])


@dataclass(frozen=True)
class _WayBack(Stretch):
    """The cord on its way back from a stretch `turned` [m], where all of its force is left."""

    unloading: float = 0.0
    turned: float = 1.0

    def force(self, x: Array) -> Array:
        return super().force(x) * (1 - self.unloading * (1 - x / self.turned))


def _state(setup: DropSetup, cord: Stretch | None, y: Array, v: Array) -> tuple[Array, Array, Array, Array]:
    """Acceleration downwards [m/s²], loads at the tie point and the lower end [N], stretch ratio; folded without a
    `cord`."""
    if cord is None:
        return *folded_cord(setup, y, v), np.ones_like(y)
    x = cord.cord_share(np.maximum(y - setup.slack_length, 0.0))
    force, kinetic = cord.force(x), setup.moving_mass * v * np.abs(v) / 2  # drag is against the speed
    lower, tie = cord.loads(force, kinetic)
    down = (setup.hung_weight - force - cord.damping * kinetic) / setup.moving_mass
    return down, tie, lower, cord.ratio(x)


def _event(of_state: Callable, direction: float) -> Callable:
    """An end of a piece of the motion, for `solve_ivp`."""

    def event(_: float, state: Sequence, setup: DropSetup, cord: Stretch | None) -> float:
        return of_state(*state)

    event.terminal, event.direction = True, direction  # type: ignore[attr-defined]
    return event


def _uniform(setup: DropSetup, curve: Curve, unloading: float, time: Array) -> Trace:
    """The folded cord and the uniformly strained one in turn, by scipy's DOP853 from event to event."""
    loading, length = Stretch(setup, curve), float(setup.slack_length)
    cord: Stretch | None = None
    at, state, pieces = 0.0, np.array([float(setup.release_depth), 0.0]), [_at_rest(setup, time[time < 0])]
    turns: list[list[float]] = []
    slack_phases: list[list[float]] = []
    while at < time[-1]:
        folded, down = cord is None, bool(state[1] > 0 or at == 0)
        # a turn ends the piece: there the force changes branch
        turned = _event(lambda _, v: v, -1 if down else 1)
        tight = _event(lambda y, _: y - length, 1 if folded else -1)
        run = solve_ivp(
            lambda _, state, setup, cord: (state[1], _state(setup, cord, *state)[0]), (at, time[-1]), state,
            method="DOP853", events=[turned, tight], dense_output=True, args=(setup, cord),
            rtol=TOLERANCE, atol=TOLERANCE,
        )  # fmt: skip
        inside = (time >= at) & ((time < run.t[-1]) | (run.t[-1] >= time[-1]))
        y, v = run.sol(time[inside]) if inside.any() else np.empty((2, 0))
        pieces.append(np.array([time[inside], y, v, *_state(setup, cord, y, v)[1:]]))
        at, state = run.t[-1], run.y[:, -1].copy()
        if not np.isfinite(state).all() or run.status < 0:
            raise ValueError("the cord locks up before the mass turns: it has no lowest point")
        if run.t_events[1].size:
            brought = 0.0 if turns else setup.rider_energy  # once, in the first fall
            before, after = (setup.mass, setup.moving_mass) if folded else (setup.moving_mass, setup.mass)
            speed = np.sqrt((before * state[1] ** 2 + 2 * brought) / after)
            state = np.array([length, speed if folded else -speed])
            cord = loading if folded else None
            if not folded:
                slack_phases.append([at, np.inf])
            elif slack_phases:
                slack_phases[-1][1] = at
        elif run.t_events[0].size:
            turns.append([at, state[0]])
            if cord is not None:
                reached = float(loading.cord_share(state[0] - length))
                cord = _WayBack(setup, curve, unloading, reached) if down else loading
            state[1] = -1e-12 if down else 1e-12  # on the way that the branch now holds for
    time, y, v, tie, lower, ratio = np.hstack(pieces)
    events = np.reshape(turns, (-1, 2)), np.reshape(slack_phases, (-1, 2))
    return Trace(time, y, v, tie, lower, ratio, *events, mechanics="uniform")


def trace_waves(setup: DropSetup, curve: Curve, viscosity: Array, times: Sequence[Array]) -> list[Trace]:
    """Traces with stretch waves of n drops, all chains in one go, at the sample `times` of each.

    Set-up, curve parameters and viscosity [N·s] of shape () or (n,). Raises ValueError as `trace_drop` does.
    """
    check_waves(setup, viscosity)
    traces = []
    for number, chain in enumerate(motions(setup, curve, viscosity, np.array([time[-1] for time in times]))):
        drop, whole, t, y, v = setup.take(np.array(number)), times[number], chain.time, chain.position, chain.speed
        before, after, length = whole[(whole >= 0) & (whole < t[0])], whole[whole >= t[0]], float(drop.slack_length)
        fall, place = CubicHermiteSpline(*fall_to_slack(drop, 65)), CubicHermiteSpline(t, y, v)
        falling = np.array(
            [before, fall(before), fall(before, 1), *_state(drop, None, fall(before), fall(before, 1))[1:]]
        )
        ratio = np.maximum((place(after) - np.interp(after, t, chain.tie_point)) / length, 1.0)
        loads = (np.interp(after, (t[1:] + t[:-1]) / 2, load) for load in (chain.tie_load, chain.lower_load))
        swinging = np.array([after, place(after), place(after, 1), *loads, ratio])
        k = np.flatnonzero(v[:-1] * v[1:] < 0)
        share, step = v[k] / (v[k] - v[k + 1]), t[k + 1] - t[k]
        turns = np.column_stack([t[k] + share * step, y[k] + share * v[k] * step / 2])
        stretch = y - chain.tie_point - length
        k = np.flatnonzero((stretch[1:-1] > 0) != (stretch[2:] > 0)) + 1
        slack = t[k] - stretch[k] * (t[k + 1] - t[k]) / (stretch[k + 1] - stretch[k])
        phases = np.append(slack, [np.inf] * (len(slack) % 2)).reshape(-1, 2)
        time, y, v, tie, lower, ratio = np.hstack([_at_rest(drop, whole[whole < 0]), falling, swinging])
        traces.append(Trace(time, y, v, tie, lower, ratio, turns, phases, "waves"))
    return traces
