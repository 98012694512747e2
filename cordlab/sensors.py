"""Invented sensors: what a load cell and a distance laser would have logged, and the pairs that calibrate them.

For invented campaigns only. A sensor answers in a straight line with a zero offset, white noise and, while it is
calibrated, a little hysteresis; its true slope is kept in the campaign's truth file.
"""

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np


@dataclass(frozen=True)
class Sensor:
    """One channel of an invented logger.

    slope, zero : reading per unit of the quantity, and reading at 0
    noise       : standard deviation of one sample  [reading]
    hysteresis  : greatest excess of the way down over the way up, as a share of the calibrated span
    lowest, step: first reference and the spacing of the references  [quantity]
    limit       : the greatest quantity the sensor can read
    """

    channel: str
    unit: str
    reading_unit: str
    slope: float
    zero: float
    noise: float
    hysteresis: float
    lowest: float
    step: float
    limit: float
    u_reference: float
    decimals: int

    def made(self, rng: np.random.Generator) -> "Sensor":
        """This sensor as one instrument happens to be: slope within 0.2 % of the maker's, zero within 0.2 % of it."""
        return replace(self, slope=self.slope * (1 + 0.002 * rng.normal()), zero=self.zero * (1 + 0.002 * rng.normal()))

    def read(self, quantity: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Readings with noise, shape of `quantity` [SI]; raises ValueError beyond what the sensor can read."""
        if np.max(quantity) > self.limit:
            raise ValueError(
                f"the invented {self.channel} reaches {np.max(quantity):.0f} {self.unit}, and the sensor ends at "
                f"{self.limit:g} {self.unit}: choose lighter masses or a stiffer curve"
            )
        return self.zero + self.slope * quantity + rng.normal(0.0, self.noise, np.shape(quantity))

    def calibration_pairs(self, highest: float, rng: np.random.Generator) -> np.ndarray:
        """(n, 4) rows of run, reference, u(reference), reading: two runs up and two down, to beyond `highest`."""
        steps = math.ceil((1.05 * highest - self.lowest) / self.step)
        up = self.lowest + self.step * np.arange(steps + 1)
        span = up[-1] - up[0]
        lag = self.hysteresis * span * 4 * (up - up[0]) * (up[-1] - up) / span**2
        runs = []
        for run in (1, 2, 3, 4):
            falling = run % 2 == 0
            applied = up + (lag if falling else 0.0) + rng.normal(0.0, self.u_reference, up.size)
            # a reading at rest is the mean of about a hundred samples
            reading = self.zero + self.slope * applied + rng.normal(0.0, self.noise / 10, up.size)
            order = slice(None, None, -1 if falling else 1)
            columns = (np.full(up.size, run), up[order], np.full(up.size, self.u_reference), reading[order])
            runs.append(np.column_stack(columns))
        return np.concatenate(runs)


# The cell is calibrated a little into compression and the laser hangs above the tie point, so that noise about no load
# or about the release point stays inside the calibrated range.
LOAD_CELL = Sensor(
    channel="force", unit="N", reading_unit="mV/V", slope=2.0 / 5000, zero=0.02, noise=0.0005, hysteresis=0.0002,
    lowest=-250.0, step=250.0, limit=5000.0, u_reference=0.5, decimals=4,
)  # fmt: skip
LASER = Sensor(
    channel="distance", unit="m", reading_unit="V", slope=0.2, zero=0.5, noise=0.004, hysteresis=0.0,
    lowest=-1.0, step=5.0, limit=47.5, u_reference=0.005, decimals=3,
)  # fmt: skip


def write_calibration(path: Path, sensor: Sensor, pairs: np.ndarray) -> None:
    """Write calibration/force.csv or calibration/distance.csv."""
    unit = sensor.unit
    head = f"run,reference [{unit}],u(reference) [{unit}],reading [{sensor.reading_unit}]"
    np.savetxt(path, pairs, fmt=("%d", "%g", "%g", "%.5f"), delimiter=",", header=head, comments="", encoding="utf-8")


def write_record(path: Path, time: np.ndarray, channels: list[tuple[Sensor, np.ndarray]]) -> None:
    """Write one record: time [s] and the readings of each sensor, with the decimals that its noise deserves."""
    head = ",".join(["time [s]", *(f"{sensor.channel} [{sensor.reading_unit}]" for sensor, _ in channels)])
    decimals = max(3, math.ceil(-math.log10(time[1] - time[0]) - 1e-9))
    formats = [f"%.{decimals}f", *(f"%.{sensor.decimals}f" for sensor, _ in channels)]
    columns = np.column_stack([time, *(readings for _, readings in channels)])
    np.savetxt(path, columns, fmt=formats, delimiter=",", header=head, comments="", encoding="utf-8")
