"""The curve behind records that carry a stretch wave.

A wave goes from the bottom of a cord, where stretch is read, to its top, where load is: pairs swing about the curve.
So each mass is simulated with waves, reduced like a record, and what is beyond the curve is taken off the measured
pairs; the curve is fitted again until it stays, and at last each drop is simulated on its own cord.
"""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field, replace

import numpy as np

from cordlab.batch.drop_table import Evidence, Keywords, Place, drop_inputs, mean_cord
from cordlab.batch.fit import fit_batch
from cordlab.batch.viscosity import Viscosity, measured_viscosity
from cordlab.curves.fit import CurveFit
from cordlab.curves.models import Curve
from cordlab.mechanics.fall import DropSetup, fall_time
from cordlab.mechanics.trace import trace_waves
from cordlab.records.events import find_release
from cordlab.records.motion import find_motion, folded_fall
from cordlab.records.prepare import simulated
from cordlab.records.reduce import Drop, branches, sample_at
from cordlab.units import Measured, Progress, unwatched

INTERIM = ("mooney-rivlin", "yeoh", "ogden-1")  # smooth curves to simulate with; the batch's model is chosen afterwards
STEADY = 0.003  # greatest change of the curve's force from round to round, from stretch ratio 1.1 up [share]
MOST_ROUNDS = 5
BEYOND = 1.25  # length of a simulated record over the time to the lowest point of the measured one
QUIET = 1.0  # of a simulated record before the release [s]
TOGETHER = 200  # drops simulated in one go at last: more take memory, and are no faster
SEEN = 0.5  # share of the expected wave that records must show for the wave to be taken out


@dataclass(frozen=True)
class Swell:
    """What a wave adds to the pairs of one drop, simulated."""

    mass: float
    along: np.ndarray  # (stretch ratio − 1) over its greatest value, rising
    force: np.ndarray  # the wave's share of the force there [N]
    arrival: float  # of the jump at the load cell, from the end of slack [s]

    def at(self, drop: Drop) -> np.ndarray:
        """The wave's share of the force of each pair of a drop of this mass [N]."""
        return np.interp(_along(drop), self.along, self.force)

    def off(self, drop: Drop) -> Drop:
        return replace(drop, force=drop.force - self.at(drop))


@dataclass(frozen=True)
class WaveFit:
    """Drops without their waves, and what came out on the way."""

    drops: tuple[Drop, ...]  # as recorded, `force` corrected where records show waves; those of worn cords as they are
    viscosity: Viscosity
    share: float  # of the wave that a cord of this mass should show, how much the records do: 1 all of it, 0 none
    u_share: float
    swells: tuple[Swell, ...] = field(repr=False)  # on the batch's mean cord, one a mass of the fit drops
    rounds: int = 0  # how often the curve was fitted again
    change: float = np.nan  # of its force in the last one [share]
    trouble: str = ""  # why the records could not be compared with waves

    @property
    def seen(self) -> bool:
        """Whether loads are those of a cord with waves: the records show them, or there is no record to show any."""
        return not self.share <= SEEN

    @property
    def measured(self) -> bool:
        """Whether records were compared with waves, so that the curve is the cord's without them."""
        return bool(np.isfinite(self.share))

    @property
    def notes(self) -> tuple[str, ...]:
        if not self.measured:
            why = self.trouble or "no record of the load"
            return (f"{why}: g and loads are with stretch waves, viscosity {self.viscosity}",)
        share = f"{abs(round(100 * self.share)):d} %"
        if not self.seen:
            return (
                f"the records show {share} of the stretch wave that a cord of this mass should carry: nothing was "
                "taken off the curve, and loads and g are the uniform cord's, raised where peaks were higher; "
                "check the load cell, its filter and the cord mass",
            )
        greatest = max(float(np.abs(swell.force).max()) for swell in self.swells)
        notes = [
            f"the records show {share} of the stretch wave expected: up to {greatest:.0f} N were taken off the "
            f"measured pairs in {self.rounds} rounds; viscosity {self.viscosity}"
        ]
        if self.change > STEADY:
            notes.append(f"the curve still moved by {100 * self.change:.1f} % in the last round of taking waves off")
        return tuple(notes)

    @property
    def arrivals(self) -> list[dict[str, float]]:
        """A row a mass: hung [kg], the greatest wave taken off [N], and when it comes to the cell, in mean and as
        simulated [s]."""
        rows = []
        for swell in self.swells:
            arrivals = [
                _arrival(drop.time, drop.load, drop.at("slack_end"), drop.at("lowest"))
                for drop in self.drops
                if drop.mass == swell.mass and drop.use == "fit"
            ]
            row = {"mass_hung": swell.mass, "greatest_taken_off": float(np.abs(swell.force).max())}
            rows.append(row | {"arrival": float(np.mean(arrivals)), "expected_arrival": swell.arrival})
        return rows

    def to_dict(self) -> dict[str, object]:
        numbers = {name: getattr(self, name) for name in ("seen", "share", "u_share", "rounds", "change")}
        viscosity = asdict(self.viscosity)
        return numbers | {"viscosity": viscosity, "records": self.arrivals}


def take_out_waves(
    drops: Sequence[Drop],
    evidence: Evidence,
    *,
    rig: Place,
    viscosity: Viscosity | None = None,
    hidden: str = "",
    progress: Progress = unwatched,
) -> WaveFit | None:
    """Take the stretch wave off the pairs of `drops`, those of use "fit" leading; None where the cord has no mass.

    A wave that records do not show is not taken off; without `viscosity` it is measured from the peaks of the evidence.
    hidden : why loads do not tell the viscosity: then what they ask for is taken off them, and no more is said of it
    """
    fitted = [drop for drop in drops if drop.use == "fit"]
    batch, inputs = mean_cord(evidence), drop_inputs(rig)
    if not batch["cord_mass"]:
        return None
    as_recorded = WaveFit(tuple(drops), viscosity or Viscosity.unknown(), np.nan, np.nan, ())
    if not fitted:
        return as_recorded

    def viscosity_by(curve: Curve) -> Viscosity:
        return viscosity or measured_viscosity(curve, evidence, rig=rig, batch=batch)

    try:
        fit, waves = _rounds(drops, fitted, viscosity_by, batch | inputs)
        if not waves.seen:
            return waves
        eta = viscosity_by(fit.curve)
        new = [drop for drop in drops if drop.use != "wear"]
        clear: dict[str, Drop] = {}
        for first in progress(range(0, len(new), TOGETHER), desc="stretch waves", unit=f"{TOGETHER} drops"):
            part = new[first : first + TOGETHER]
            cords = {name: np.array([getattr(drop, name) for drop in part]) for name in ("slack_length", "cord_mass")}
            curves = fit.curve.scaled(np.array([fit.scales.get(drop.cord, 1.0) for drop in part]))
            swells = _swells(curves, part, eta.value, batch | inputs | cords)
            clear |= {drop.name: swell.off(drop) for drop, swell in zip(part, swells, strict=True)}
    except ValueError as error:  # of the simulation: a curve that locks up, a drop that never turns
        why = f"the records could not be compared with drops simulated with waves ({error})"
        return replace(as_recorded, trouble=why)
    return replace(waves, viscosity=eta.judged(hidden), drops=tuple(clear.get(drop.name, drop) for drop in drops))


def _rounds(
    drops: Sequence[Drop], fitted: list[Drop], viscosity_by: Callable[[Curve], Viscosity], setup: Keywords
) -> tuple[CurveFit, WaveFit]:
    """Fit, simulate a drop of each mass on the curve, take its wave off, fit again; until the curve stays."""
    fit, change = fit_batch(fitted, candidates=INTERIM).chosen, np.inf
    of_mass = sorted({drop.mass: drop for drop in fitted}.items())
    grid = np.linspace(1.1, max(float(drop.stretch_ratio.max()) for drop in fitted), 50)
    for rounds in range(1, MOST_ROUNDS + 1):
        eta = viscosity_by(fit.curve)
        likes = [drop for _, drop in of_mass]
        swells = {swell.mass: swell for swell in _swells(fit.curve, likes, eta.value, setup)}
        share, u_share = _shown(fit.curve, fitted, swells)
        waves = WaveFit(tuple(drops), eta, share, u_share, tuple(swells.values()), rounds)
        if not waves.seen:
            return fit, replace(waves, swells=(), rounds=0)
        names = INTERIM if rounds == 1 else (fit.model.name,)
        last, fit = fit, fit_batch([swells[drop.mass].off(drop) for drop in fitted], candidates=names).chosen
        change = float(np.max(np.abs(fit.curve.force(grid) / last.curve.force(grid) - 1)))
        if change < STEADY:
            break
    return fit, replace(waves, change=change)


def _along(drop: Drop) -> np.ndarray:
    return (drop.stretch_ratio - 1) / (drop.lowest_point / drop.slack_length - 1)


def _swells(curve: Curve, likes: Sequence[Drop], viscosity: float, setup: Keywords) -> list[Swell]:
    """Drops simulated with waves in one go, each reduced as its record was; curve and setup one for all or one each."""
    n = len(likes)
    inputs = setup | {"mass": np.array([like.mass for like in likes])}
    times = [_sampled(like) for like in likes]
    traces = trace_waves(DropSetup(**inputs), curve, np.asarray(viscosity), times)
    setups = DropSetup(**inputs | {"compliance": 0.0}).broadcast((n,))  # a reduction knows of none
    ends = np.broadcast_to(fall_time(setups, setups.slack_length), n)
    scales, swells = np.broadcast_to(curve.scale, n), []
    for k, (like, trace) in enumerate(zip(likes, traces, strict=True)):
        load = trace.tie_load if like.load_cell_at == "top" else trace.lower_load
        distance = trace.position if like.residual_velocity is None else None
        one = setups.take(np.array(k))
        record = simulated(trace.time - trace.time[0], load, distance, like.filter)
        release_and_end = {"release": Measured(-trace.time[0]), "slack_end": Measured(ends[k] - trace.time[0])}
        release = find_release(folded_fall(one, like.load_cell_at), record, release_and_end)
        motion = find_motion(record, release)
        (ratio, force), _ = branches(record, release, motion)
        wave = force - replace(curve, scale=scales[k]).force(ratio)
        along = (ratio - 1) / (motion.lowest.height / float(one.slack_length) - 1)
        arrival = _arrival(record.time, record.load, release.slack_end, motion.lowest.at)
        swells.append(Swell(like.mass, along, wave, arrival))
    return swells


def _sampled(like: Drop) -> np.ndarray:
    """Times of a simulated record, from the release; as often as the measured one [s]."""
    rate = 1 / (like.time[1] - like.time[0])
    down = float(like.time[like.lowest] - like.time[like.release])
    return np.arange(-round(QUIET * rate), round(BEYOND * down * rate) + 1) / rate


def _arrival(time: np.ndarray, load: np.ndarray, slack_end: float, lowest: float) -> float:
    """When the load at the cell rises fastest between the end of slack and the lowest point, from the former [s]."""
    rise = np.diff(load[sample_at(time, slack_end) : sample_at(time, lowest) + 1])
    return float((np.argmax(rise) + 0.5) * (time[1] - time[0]))


def _shown(curve: Curve, drops: Sequence[Drop], swells: dict[float, Swell]) -> tuple[float, float]:
    """Share of the expected wave in what the curve leaves over, and its standard error over the masses."""
    shares: dict[float, list[float]] = {}
    for drop in drops:
        shape, wave = curve.force(drop.stretch_ratio), swells[drop.mass].at(drop)
        scale = (shape @ drop.force) / (shape @ shape)
        wave = wave - shape * (shape @ wave) / (shape @ shape)  # what a stiffer cord would explain shows no wave
        shares.setdefault(drop.mass, []).append(float(wave @ (drop.force - scale * shape) / (wave @ wave)))
    means = [np.mean(of_mass) for of_mass in shares.values()]
    error = np.std(means, ddof=1) / np.sqrt(len(means)) if len(means) > 1 else np.inf
    return float(np.mean(means)), float(error)
