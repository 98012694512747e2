"""Zeros that drift, coarse readings and clipped peaks: is the peak within 2 u, or the record refused?

`python -m tests.coverage drifting_zero [records a row]`. Drops with and without stretch waves and sensors are those of
`tests/sound_records.py`, which shares no code with cordlab. The true peak is that of the true load through the same
CFC 60. Printed for each row, with and without the distance: records refused, noted, and of those that are not refused
the share with the peak within 2 u and the greatest error over u, and the mean u.
"""

import numpy as np

from cordlab.records.prepare import low_pass
from cordlab.records.reduce import RecordError, reduce_drop
from tests.coverage._engine import heads, row
from tests.sound_records import G, Logger, Trace, TrueDrop, random_drop, random_logger, recorded, trace

DRIFTS = (0.0, 0.5, 2.0, 5.0, 10.0, 20.0)  # N/s
STEPS = (0.0, 1.0, 5.0, 20.0, 50.0)  # N
CLIPS = (1.0, 0.999, 0.995, 0.99, 0.98, 0.95, 0.90)  # of the peak
RESETS = (5.0, 20.0, 100.0)  # N, a zero that is set anew at some time before the slack ends
STILL = {"drift": 0.0, "step": 1e-3}


def true_peak(happened: Trace) -> float:
    """Greatest load through CFC 60, at the steps of the integration [N]."""
    return float(low_pass(happened.load, happened.time[1] - happened.time[0], "cfc60").max())


def drops(number: int) -> list[tuple[TrueDrop, Trace, Logger]]:
    rng = np.random.default_rng(77)
    worlds = [random_drop(rng) for _ in range(number)]
    return [(drop, trace(drop), random_logger(rng)) for drop in worlds]


def judged(drop: TrueDrop, logged: np.ndarray, distance: bool) -> tuple[float, float] | str:
    """Peak and its uncertainty, or why it was refused."""
    time, load, depth = logged.T
    air = {"drag_area": drop.air / 0.6, "air_density": 1.2, "gravity": G}
    cord = {"mass": drop.mass, "slack_length": drop.length, "cord_mass": drop.cord_mass}
    try:
        reduced = reduce_drop(time, load, depth if distance else None, **cord, **air)
    except RecordError as error:
        return str(error)
    return reduced.peak_load, reduced.u_peak_load


def study(name: str, worlds, spoil) -> None:
    """A row of the table, by `spoil(world, rng)` of each record."""
    for distance in (True, False):
        off, u, refused = [], [], []
        for number, world in enumerate(worlds):
            logged = spoil(*world, np.random.default_rng(number))
            peak = judged(world[0], logged, distance)
            if isinstance(peak, str):
                refused.append(peak)
                continue
            off.append((peak[0] - true_peak(world[1])) / peak[1])
            u.append(peak[1])
        within, n = np.abs(off) <= 2, len(worlds)
        worst = max(off, key=abs, default=np.nan)
        share = f"{np.mean(within):.2f} ± {np.std(within) / np.sqrt(max(len(off), 1)):.2f}" if off else "–"
        reasons = [text[:60] for text in refused]
        why = max(reasons, key=reasons.count, default="")
        sensors = "distance" if distance else "load alone"
        row(name, sensors, f"{len(refused)} of {n}", share, f"{worst:+.1f}", f"{np.mean(u):.1f} N" if u else "–", why)


def fall(drop: TrueDrop) -> float:
    """About nine tenths of its time [s]."""
    return 0.9 * np.sqrt(2 * drop.length / G)


def main(number: int = 24) -> None:
    worlds = drops(number)
    heads("record", "sensors", "refused", "peak within 2 u", "greatest error over u", "mean u", "most refused as")

    def logged(drop, happened, logger, rng, **changes):
        return recorded(happened, Logger(**vars(logger) | STILL | changes), rng)

    for drift in DRIFTS:
        for sign in (1.0, -1.0) if drift else (1.0,):
            study(f"drift {sign * drift:+g} N/s", worlds, lambda *w, d=sign * drift: logged(*w, drift=d))
    for step in STEPS:
        study(f"steps of {step:g} N", worlds, lambda *w, s=step: logged(*w, step=s or 1e-3))
        study(f"steps of {step:g} N, drift 2 N/s", worlds, lambda *w, s=step: logged(*w, step=s or 1e-3, drift=2.0))

    def clipped(drop, happened, logger, rng, *, share, late_noise=0.0):
        columns = logged(drop, happened, logger, rng)
        load = columns[:, 1]
        end = logger.zero + share * happened.load.max() if share < 1 else np.inf
        columns[:, 1] = np.minimum(load, end) + rng.normal(0, late_noise, load.size)
        return columns

    for share in CLIPS:
        study(f"clipped at {share:.1%} of the peak", worlds, lambda *w, s=share: clipped(*w, share=s))
    for share in CLIPS:
        study(
            f"clipped at {share:.1%}, noise of 1 N after it",
            worlds,
            lambda *w, s=share: clipped(*w, share=s, late_noise=1.0),
        )

    def reset(drop, happened, logger, rng, *, by, until):
        columns = logged(drop, happened, logger, rng)
        at = rng.uniform(0.1, logger.quiet + until(drop))
        columns[:, 1] += by * rng.choice([-1, 1]) * (columns[:, 0] > at)
        return columns

    for by in RESETS:
        for where, until in (("at rest", lambda drop: -0.1), ("at rest or in the fall", fall)):
            name = f"zero set anew by {by:g} N {where}"
            study(name, worlds, lambda *w, b=by, u=until: reset(*w, by=b, until=u))
