"""Do the limits hold? Invented labs with known truth: `python -m tests.coverage limits [labs] [processes]`.

Each lab drops 4, 6 or 10 cords from one batch with five masses and reads lowest points and peaks; its curve is off by
what records leave open; its rig's drag area, its masses and its load cell are each off by their stated uncertainty, the
same for all its drops. The next drop is of another cord of the batch at the site, whose inputs are drawn anew. The
truth is known, so the probability that the next drop goes beyond a limit is counted over 40,000 true drops, and
averaged over labs: its binomial error is that of the labs.
"""

import os
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache
from types import SimpleNamespace
from typing import Any

import numpy as np
from scipy.special import ndtri, stdtrit

from cordlab.batch.drop_table import Evidence, Shapes, drop_inputs, log_scales
from cordlab.curves.models import Curve
from cordlab.limits.anchoring import drop_stiffness
from cordlab.limits.forecast import Forecast, forecast_drop
from cordlab.mechanics.fall import GRAVITY
from cordlab.mechanics.predict import predict_drop
from cordlab.rating.ladder import DropDay, next_mass
from cordlab.rating.rate import rate
from cordlab.units import Measured

MASSES = np.array([36.0, 52.0, 68.0, 84.0, 100.0])
ENDS = {"light": 0, "middle": 2, "heavy": 4}
RIG = SimpleNamespace(
    tie_height=Measured(48.0, 0.03), release_depth=Measured(0.0, 0.05), drag_area=Measured(0.10, 0.03),
    air_density=Measured(1.20, 0.02), compliance=Measured(0.0), load_cell_at="bottom",
)  # fmt: skip
SITE = SimpleNamespace(
    tie_height=Measured(43.0, 0.1), surface="water", release_depth=Measured(0.0, 0.1), gear_mass=Measured(0.0),
    centre_of_mass_fall=Measured(0.0),
    reach_below_attachment=Measured(2.2, 0.1), drag_area=Measured(0.4, 0.1), air_density=Measured(1.20, 0.05),
    temperature=None,
)  # fmt: skip
CRITERIA = SimpleNamespace(
    least_clearance=4.0, greatest_g=3.1, least_strength_factor=5.0, greatest_stretch_ratio=None,
    design_breaking_load=Measured(20_000.0),
)  # fmt: skip
CURVE = {"c1": 280.0, "c2": 70.0}
PROBABILITY, CONFIDENCE = 0.99, 0.95


@dataclass(frozen=True)
class Batch:
    """The truth about cords and drops: standard deviations, of ln stiffness where nothing else is said."""

    cord: float = 0.02
    tilt: float = 0.004  # from cord to cord, between the middle mass and either end
    drop: float = 0.004
    length: float = 0.02  # [m]
    mass: float = 0.1  # of the cord [kg]
    peak_cord: float = 0.006
    peak_drop: float = 0.006
    reading: float = 0.05  # of a lowest point [m]
    release: float = 0.05  # of each release [m]

    def cords(self, rng: np.random.Generator, n: int) -> dict[str, np.ndarray]:
        z = rng.standard_normal((5, n))
        names = ("level", "tilt", "length", "mass", "peak")
        scales = (self.cord, self.tilt, self.length, self.mass, self.peak_cord)
        return {name: s * x for name, s, x in zip(names, scales, z, strict=True)}


def above_zero(law: Measured, rng: np.random.Generator, n: int) -> np.ndarray:
    """Normal, what lies below zero drawn again."""
    values = rng.normal(law.value, law.u, n)
    while (values <= 0).any():
        values = np.where(values <= 0, rng.normal(law.value, law.u, n), values)
    return values


def excess(mass: Any) -> Any:
    """What stretch waves add to ln peak load in this invented world."""
    return 0.10 - 0.0008 * (np.asarray(mass) - 36.0)


def true_drops(batch: Batch, cords: dict[str, np.ndarray], mass: Any, rng: np.random.Generator, **inputs: Any) -> Any:
    """Lowest point [m], peak load at the lower end and at the tie point [N] of one drop of each cord."""
    n = cords["level"].size
    y = cords["level"] + cords["tilt"] * (np.asarray(mass) - 68.0) / 32.0 + batch.drop * rng.standard_normal(n)
    inputs["release_depth"] = inputs["release_depth"] + batch.release * rng.standard_normal(n)
    drop = predict_drop(
        Curve("mooney-rivlin", CURVE).scaled(np.exp(y)), mass=mass, slack_length=10.0 + cords["length"],
        cord_mass=14.0 + cords["mass"], **inputs,
    )  # fmt: skip
    raised = np.exp(excess(mass) + cords["peak"] + batch.peak_drop * rng.standard_normal(n))
    return drop.lowest_point, drop.tension * raised, drop.tie_load * raised


@dataclass(frozen=True)
class Truth:
    """Many next drops at the site, sorted, on a grid of masses: how likely any limit is exceeded.  (n_grid, n_drops)"""

    grid: np.ndarray
    lowest: np.ndarray
    clearance: np.ndarray
    g: np.ndarray

    @classmethod
    def of(cls, batch: Batch, rng: np.random.Generator, *, n: int = 40_000, step: float = 4.0) -> "Truth":
        grid, rows = np.arange(36.0, 100.1, step), []
        cords, site = batch.cords(rng, n), SITE
        inputs = {
            "drag_area": above_zero(site.drag_area, rng, n),
            "air_density": site.air_density.draw(rng, n),
            "release_depth": site.release_depth.draw(rng, n),
        }
        free = SITE.tie_height.draw(rng, n) - SITE.reach_below_attachment.draw(rng, n)
        for mass in grid:
            lowest, lower, _ = true_drops(batch, cords, mass, rng, **inputs)
            rows.append((np.sort(lowest), np.sort(free - lowest), np.sort(lower / (mass * GRAVITY))))
        return cls(grid, *(np.array(column) for column in zip(*rows, strict=True)))

    def beyond(self, quantity: str, mass: float, limit: float) -> float:
        """Probability that the next drop at `mass` goes beyond `limit`, between grid masses by interpolation."""
        table = getattr(self, quantity)
        k = min(int(np.searchsorted(self.grid, mass, side="right")) - 1, self.grid.size - 2)
        share = (mass - self.grid[k]) / (self.grid[k + 1] - self.grid[k])
        sample = (1 - share) * table[k] + share * table[k + 1]  # quantile by quantile
        below = np.searchsorted(sample, limit) / sample.size
        return float(below if quantity == "clearance" else 1 - below)


def lab(batch: Batch, n_cords: int, rng: np.random.Generator) -> tuple[Any, dict[str, np.ndarray], SimpleNamespace]:
    """One lab's campaign, stiffness; the true cords that it dropped; the rig as it truly is."""
    cords = batch.cords(rng, n_cords)
    true_rig = SimpleNamespace(
        drag_area=Measured(float(above_zero(RIG.drag_area, rng, 1)[0])),
        air_density=Measured(float(RIG.air_density.draw(rng, 1)[0])),
        release_depth=Measured(float(RIG.release_depth.draw(rng, 1)[0])),
    )
    mass_errors, cell = rng.normal(0.0, 0.05, MASSES.size), float(np.exp(rng.normal(0.0, 0.005)))
    rows = []
    for k, mass in enumerate(MASSES):
        lowest, lower, _ = true_drops(batch, cords, mass + mass_errors[k], rng, **drop_inputs(true_rig))
        lowest = lowest + batch.reading * rng.standard_normal(n_cords)
        for c in range(n_cords):
            rows.append((f"{c}-{mass:g}", f"C{c}", mass, 0.05, lowest[c], batch.reading, c, lower[c] * cell))
    drop, cord, mass, u_mass, low, u_low, which, peak = zip(*rows, strict=True)
    index = np.array(which)
    length = 10.0 + cords["length"] + rng.normal(0.0, 0.03, n_cords)
    weight = 14.0 + cords["mass"] + rng.normal(0.0, 0.1, n_cords)
    evidence = Evidence(
        drop, cord, mass, u_mass, low, u_low, length[index], weight[index], peak, 0.005 * np.array(peak),
        np.zeros(len(drop)), np.full(len(drop), 15.0), "bottom",
    )  # fmt: skip
    spread = np.array([[36.0, -48.0], [-48.0, 100.0]])  # what records of a few drops leave open in c1, c2
    found = rng.multivariate_normal([CURVE["c1"], CURVE["c2"]], spread)
    drawn = rng.multivariate_normal(found, spread, 40)
    curve = Curve("mooney-rivlin", {"c1": found[0], "c2": found[1]})
    shapes = [Curve("mooney-rivlin", {"c1": drawn[:, 0], "c2": drawn[:, 1]})]
    return drop_stiffness(curve, evidence, rig=RIG, shapes=shapes), cords, true_rig


def knowing(cords: dict[str, np.ndarray], batch: Batch, mass: float, rng: np.random.Generator, n: int) -> float:
    """Lowest-point limit of a lab that knows everything but the cords' mean and spread: t on the true cords, all else
    drawn.
    """
    quiet = replace(batch, drop=0.0, release=0.0)
    rig = {"drag_area": 0.1, "air_density": 1.2, "release_depth": 0.0}
    lowest, _, _ = true_drops(quiet, cords, mass, rng, **rig)
    size = lowest.size
    evidence = Evidence(
        [str(c) for c in range(size)], [str(c) for c in range(size)], np.full(size, mass), np.zeros(size), lowest,
        np.zeros(size), np.full(size, 10.0), np.full(size, 14.0), *(np.full(size, np.nan) for _ in range(4)),
    )  # fmt: skip
    curve, nominal = Shapes.of(Curve("mooney-rivlin", CURVE)), {"slack_length": 10.0, "cord_mass": 14.0}
    y = log_scales(curve, evidence, nominal, **rig)[0]
    level = y.mean() + y.std(ddof=1) * np.sqrt(1 + 1 / size) * rng.standard_t(size - 1, n)
    same = {"level": level, "tilt": np.zeros(n), "length": np.zeros(n), "mass": np.zeros(n), "peak": np.zeros(n)}
    inputs = {
        "drag_area": above_zero(SITE.drag_area, rng, n),
        "air_density": SITE.air_density.draw(rng, n),
        "release_depth": SITE.release_depth.draw(rng, n),
    }
    lowest, _, _ = true_drops(batch, same, mass, rng, **inputs)
    return float(np.quantile(lowest, PROBABILITY, method="higher"))


def naive(forecast: Forecast) -> dict[str, np.ndarray]:
    """Lowest-point limits as they are often computed: drops, or samples, taken for independent results, the site for
    exact.
    """
    stiffness = forecast.stiffness
    y, n = stiffness.scales[0][0], len(stiffness.drops)
    samples = 1_000 * n  # a record has thousands of samples
    factors = {
        "naive: confidence band of the mean curve, all samples": ndtri(PROBABILITY) / np.sqrt(samples),
        "naive: all drops pooled, t with drops − 1": stdtrit(n - 1, PROBABILITY) * np.sqrt(1 + 1 / n),
    }
    inputs, k = stiffness.batch | drop_inputs(SITE), list(ENDS.values())
    scales = {name: np.exp(np.full(len(k), np.mean(y) - f * np.std(y, ddof=1))) for name, f in factors.items()}
    curve = stiffness.shapes[0]
    return {
        name: predict_drop(curve.take(np.zeros(len(k), int), s), mass=MASSES[k], **inputs).lowest_point
        for name, s in scales.items()
    }


@dataclass(frozen=True)
class Outcome:
    """What one lab's limits were worth."""

    beyond: dict[str, list[float]]  # way → probability beyond the lowest-point limit at light, middle, heavy
    margin: list[float]  # limit less true median, over that of the knowing lab (nan where not computed)
    g_beyond: list[float]
    ends: tuple[float, float] | None  # probability of violating g at the light end, clearance at the heavy end


def one(batch: Batch, truth: Truth, n_cords: int, seed: int, *, limit: str, draws: int, compare: bool) -> Outcome:
    rng = np.random.default_rng([seed, n_cords])
    stiffness, cords, _ = lab(batch, n_cords, rng)
    forecast = forecast_drop(
        stiffness,
        site=SITE,
        masses=MASSES,
        limit=limit,
        probability=PROBABILITY,
        confidence=CONFIDENCE,
        seed=seed,
        draws=draws,
    )
    limits, g_limits = forecast.limit("lowest_point"), forecast.limit("g")
    at = ENDS.values()
    beyond = {"cordlab": [truth.beyond("lowest", MASSES[k], limits[k]) for k in at]}
    for name, naive_limits in naive(forecast).items():
        beyond[name] = [truth.beyond("lowest", MASSES[k], x) for k, x in zip(at, naive_limits, strict=True)]
    margin = []
    if compare:
        for k in at:
            median = float(np.median(truth.lowest[int(np.searchsorted(truth.grid, MASSES[k]))]))
            margin.append((limits[k] - median, knowing(cords, batch, MASSES[k], rng, 8_000) - median))
    rating = rate(forecast, criteria=CRITERIA)
    ends = None
    if rating.rated:
        ends = (
            truth.beyond("g", rating.lightest, CRITERIA.greatest_g),
            truth.beyond("clearance", rating.heaviest, CRITERIA.least_clearance),
        )
    return Outcome(beyond, margin, [truth.beyond("g", MASSES[k], g_limits[k]) for k in at], ends)


@lru_cache(maxsize=2)
def truth_of(batch: Batch) -> Truth:
    return Truth.of(batch, np.random.default_rng(1))


def _one(task: tuple[Batch, int, int, str, int, bool]) -> Outcome:
    batch, n_cords, seed, limit, draws, compare = task
    return one(batch, truth_of(batch), n_cords, seed, limit=limit, draws=draws, compare=compare)


def study(
    batch: Batch,
    n_cords: int,
    campaigns: int,
    *,
    limit: str = "prediction",
    draws: int,
    compare: int = 100,
    workers: int = 1,
) -> list[Outcome]:
    """`campaigns` invented labs; the first `compare` of them beside a lab that knows all but the spread."""
    tasks = [(batch, n_cords, seed, limit, draws, seed < compare) for seed in range(campaigns)]
    if workers == 1:
        return [_one(task) for task in tasks]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(_one, tasks, chunksize=10))


def mean_and_error(values: Any) -> tuple[float, float]:
    """Mean over labs and its standard error, from the scatter between labs (the binomial one, each lab counting by its
    share).
    """
    x = np.asarray(values, float)
    return float(x.mean()), float(x.std(ddof=1) / np.sqrt(x.size))


def table(outcomes: list[Outcome], n_cords: int, limit: str) -> list[str]:
    lines = []
    for way in outcomes[0].beyond:
        if limit == "tolerance" and way != "cordlab":
            continue
        held = [mean_and_error([1 - o.beyond[way][i] for o in outcomes]) for i in range(3)]
        cells = "  ".join(f"{m:.4f}±{e:.4f}" for m, e in held)
        lines.append(f"{n_cords:3d}  {limit:10s}  lowest point  {cells}  {way}")
    held = [mean_and_error([1 - o.g_beyond[i] for o in outcomes]) for i in range(3)]
    lines.append(f"{n_cords:3d}  {limit:10s}  g             " + "  ".join(f"{m:.4f}±{e:.4f}" for m, e in held))
    beyond = np.array([o.beyond["cordlab"] for o in outcomes])
    bad = [mean_and_error(beyond[:, i] > 1 - PROBABILITY) for i in range(3)]
    lines.append(
        f"{n_cords:3d}  {limit:10s}  labs with more than 1 % beyond: " + "  ".join(f"{m:.3f}±{e:.3f}" for m, e in bad)
    )
    ends = np.array([o.ends for o in outcomes if o.ends is not None])
    for i, end in enumerate(("g at the light end", "clearance at the heavy end")):
        mean, error = mean_and_error(ends[:, i])
        share, share_error = mean_and_error(ends[:, i] > 1 - PROBABILITY)
        lines.append(
            f"{n_cords:3d}  {limit:10s}  violation of {end} of the rated range: {mean:.4f}±{error:.4f} on average; "
            f"above 1 % in {share:.3f}±{share_error:.3f} of {len(ends)} rated labs"
        )
    margins = np.array([o.margin for o in outcomes if o.margin])
    if margins.size and limit == "prediction":
        ratio = margins[:, :, 0].mean(0) / margins[:, :, 1].mean(0)
        lines.append(
            f"{n_cords:3d}  {limit:10s}  margin over that of a lab that knows all but the spread: "
            + "  ".join(f"{r:.2f}" for r in ratio)
        )
    return lines


TRUE_SHAPES = {
    "mooney-rivlin": Curve("mooney-rivlin", CURVE),
    "hardly stiffening": Curve("mooney-rivlin", {"c1": 60.0, "c2": 420.0}),
    "yeoh": Curve("yeoh", {"c1": 330.0, "c2": -6.0, "c3": 0.35}),
    "gent": Curve("gent", {"mu": 640.0, "j": 40.0}),
}


def ladder(shape: str, campaigns: int, *, cord: str | None = "A") -> list[tuple[int, int, int]]:
    """Drops so far, times that the next drop went beyond its 99 % limit, and times in all; one cord climbs the masses.

    cord="A": the next drop is of the cord that climbs; None: of another one.
    """
    rows = []
    for so_far in (1, 2, 3, 4):
        beyond = 0
        for seed in range(campaigns):
            rng = np.random.default_rng([seed, so_far])
            scale = np.exp(rng.normal(0.0, 0.02))
            made = MASSES[: so_far + 1]
            drop_scales = scale * np.exp(rng.normal(0.0, 0.004, made.size))
            if cord is None:
                drop_scales[-1] *= np.exp(rng.normal(0.0, 0.02)) / scale
            inputs = {"slack_length": 10.0, "cord_mass": 14.0, "drag_area": 0.1}
            lowest = predict_drop(TRUE_SHAPES[shape].scaled(drop_scales), mass=made, **inputs).lowest_point
            read = lowest + rng.normal(0.0, 0.05, made.size)
            full = np.full(so_far, np.nan)
            evidence = Evidence(
                [str(k) for k in range(so_far)], ["A"] * so_far, made[:-1], np.full(so_far, 0.05), read[:-1],
                np.full(so_far, 0.05), np.full(so_far, 10.0), np.full(so_far, 14.0), full, full, np.zeros(so_far), full,
            )  # fmt: skip
            day = DropDay(RIG, 2.0, evidence)
            rung = next_mass(day, mass=made[-1], cord=cord, probability=PROBABILITY, seed=seed)
            beyond += bool(lowest[-1] > rung.lowest_point_limit)
        rows.append((so_far, beyond, campaigns))
    return rows


def main(campaigns: int = 1_000, workers: int | None = None) -> None:
    workers = workers or os.cpu_count() or 1
    start = time.perf_counter()
    print(
        f"{campaigns} invented labs at each number of cords; coverage at light, middle, heavy mass; ± a standard error"
    )
    for limit, draws in (("prediction", 4_000), ("tolerance", 2_000)):
        for n_cords in (4, 6, 10):
            found = study(Batch(), n_cords, campaigns, limit=limit, draws=draws, workers=workers)
            print("\n".join(table(found, n_cords, limit)), flush=True)
    print("drops that scatter more than cords (cord 1 %, drop 3 %):")
    rough = Batch(cord=0.01, drop=0.03)
    for n_cords in (4, 6, 10):
        found = study(rough, n_cords, max(campaigns // 4, 2), draws=4_000, compare=0, workers=workers)
        print("\n".join(table(found, n_cords, "prediction")), flush=True)
    print("ladder: next drop beyond its 99 % limit, of so many; after 1, 2, 3, 4 drops of one cord")
    for shape in TRUE_SHAPES:
        for cord in ("A", None):
            rows = ladder(shape, max(campaigns // 10, 2), cord=cord)
            whose = "same cord" if cord else "another cord"
            print(f"  {shape:18s} {whose:13s}" + "  ".join(f"{b}/{n}" for _, b, n in rows), flush=True)
    print(f"{time.perf_counter() - start:.0f} s")
