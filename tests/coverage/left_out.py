"""The softest cord left out where an outlier test says so: `python -m tests.coverage left_out [campaigns]`.

The engine by itself: ln stiffness of cords drawn normal here, five masses each. Where Grubbs' test on the cord means
calls the softest cord an outlier (one-sided, 0.05), it is left out. Content of the 0.99 limit on the soft side, over
those campaigns: by the rest alone, as for a fault of the measurement, and where the masses in both ranges are the
answer, which is the worse of the limits with and without it.
"""

import numpy as np
from scipy.special import ndtr, stdtrit

from cordlab.statistics.groups import GroupLines

MASSES = np.array([36.0, 52.0, 68.0, 84.0, 100.0])
CORD_SD, DROP_SD = 0.02, 0.004


def critical(n: int) -> float:
    """Grubbs' one-sided critical value at 0.05."""
    t = stdtrit(n - 2, 1 - 0.05 / n)
    return (n - 1) / np.sqrt(n) * np.sqrt(t**2 / (n - 2 + t**2))


def main(campaigns: int = 20_000) -> None:
    sd = np.hypot(CORD_SD, DROP_SD)
    for n in (4, 6, 10):
        rng, rows = np.random.default_rng(n), []
        for _ in range(campaigns):
            level = rng.normal(0, CORD_SD, n)
            values = level[:, None] + rng.normal(0, DROP_SD, (n, MASSES.size))
            means = values.mean(axis=1)
            if (means.mean() - means.min()) / means.std(ddof=1) <= critical(n):
                continue
            limits = []
            for kept in (np.arange(n), np.delete(np.arange(n), means.argmin())):
                lines = GroupLines.of(values[kept].ravel(), group=np.repeat(kept, 5), x=np.tile(MASSES, kept.size))
                limits.append(float(lines.another_group(68.0).limit(0.99, "lower")[0]))
            rows.append([ndtr(-limits[1] / sd), ndtr(-min(limits) / sd)])
        mean, error = np.mean(rows, axis=0), np.std(rows, axis=0) / np.sqrt(len(rows))
        print(
            f"  {n:2d} cords: left out in {len(rows)} of {campaigns}; content without it {mean[0]:.4f} ± {error[0]:.4f}"
            f", in both {mean[1]:.4f} ± {error[1]:.4f}",
            flush=True,
        )
