"""Given that a range is rated: `python -m tests.coverage rated [campaigns]`.

"99 % on average" is over all campaigns, and people jump on those that were rated. ln stiffness of cords (sd 2 %) and
of drops (0.4 %), five masses each, is drawn normal here; the limits are cordlab's. Clearance falls with the mass, so a
range ends where the limit of ln stiffness is what clearance asks for there, and there is a range where it is more than
the lightest tested mass asks for. That figure is set so that 0.9, 0.7, 0.5, 0.3 of campaigns are rated. Then by each
rule the true violation at the rated heavy end, over the campaigns that it rates; 0.01 is asked for.

No rule is taken. Those that look at how near a campaign is to having no range make it worse, but for one with 3 cords:
what is violated most are ranges that look wide by luck. Those that lower it at each place are a stricter limit by
another name: halving is `probability = 0.995`, rates three fifths of what half rated, moves the range of every other
campaign too, and of those that it rates the violation is as many times what it asks for as without it where as few are
rated. So the answer tells how near it is to having no range, and leaves the probability to who decides.

`told` is the chance of being rated again that a campaign tells, on average over all and over those rated. Below: cords
added one by one until there is a range, against a number fixed before. All those ranges are false, as the lightest
tested mass is violated in 0.02.
"""

import numpy as np
from scipy.special import ndtr, ndtri

from cordlab.statistics.groups import GroupLines
from cordlab.statistics.limits import met_again, prediction_factor, tolerance_factor
from cordlab.statistics.propagation import t_margin
from tests.coverage._engine import MASSES, heads, row

CORD_SD, DROP_SD, P = 0.02, 0.004, 0.99
SD = float(np.hypot(CORD_SD, DROP_SD))
WIDTH = 0.01  # of ln stiffness, what clearance loses over some 3 kg


def drawn(n: int, campaigns: int) -> np.ndarray:
    """ln stiffness of every drop.  (campaigns, n, n_masses)"""
    rng = np.random.default_rng([n, 3])
    return rng.normal(0, CORD_SD, (campaigns, n, 1)) + rng.normal(0, DROP_SD, (campaigns, n, MASSES.size))


def next_value(values: np.ndarray):
    """By cordlab, of many campaigns at once."""
    n = values.shape[1]
    group, mass = np.repeat(np.arange(n), MASSES.size), np.tile(MASSES, n)
    return GroupLines.of(values.reshape(len(values), -1), group=group, x=mass).another_group(68.0)


def limits(values: np.ndarray, probability: float = P) -> np.ndarray:
    return next_value(values).limit(probability, "lower")[:, 0]


def without_the_best(values: np.ndarray) -> np.ndarray:
    """The worst of the limits with each cord left out."""
    n = values.shape[1]
    return np.min([limits(np.delete(values, k, axis=1)) for k in range(n)], axis=0)


def told(value, asked: float, n: int) -> np.ndarray:
    """The chance of being rated again, by each campaign, from how far its limit clears what is asked for."""
    distance = (value.mean[:, 0] - asked) / value.u[:, 0]
    return met_again(distance, dof=n - 1, factor=prediction_factor(n, P) / np.sqrt(1 + 1 / n))


def by_rule(values: np.ndarray, asked: float) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Rule → whether there is a range, and the limit of ln stiffness that ends it."""
    n, value = values.shape[1], next_value(values)
    mean, sd, end = value.mean[:, 0], value.u[:, 0] / np.sqrt(1 + 1 / n), limits(values)
    again, one_out, halved = told(value, asked, n), without_the_best(values), limits(values, (1 + P) / 2)
    tolerance, fewer = mean - tolerance_factor(n, P, 0.95) * sd, mean - prediction_factor(n - 1, P) * sd
    by_chance = mean - t_margin(value.u.T, [n - 1], 1 - (1 - P) * np.maximum(again, 0.01))
    rules = {
        "as it is": (end, end),
        "a range by a tolerance limit too": (tolerance, end),
        "at least some 3 kg wide": (end - WIDTH, end),
        "rated again in half of the cases": (np.where(again >= 0.5, end, -1.0), end),
        "1 − P times the chance of being rated again": (by_chance, by_chance),
        "1 − P halved": (halved, halved),
        "the factor of one cord fewer": (fewer, fewer),
        "the worst with a cord left out": (one_out, one_out),
    }
    return {name: ((least >= asked) & (end >= asked), where) for name, (least, where) in rules.items()}


def mean_and_error(violations: np.ndarray) -> str:
    if violations.size < 30:
        return "too few"
    return f"{violations.mean():.4f} ± {violations.std() / violations.size**0.5:.4f}"


def false_and_rated(campaigns: int, asked: float) -> None:
    """Cords added one by one, against numbers fixed before."""
    values = drawn(10, campaigns)
    rated = {n: limits(values[:, :n]) >= asked for n in range(4, 11)}
    for n in (4, 6, 10):
        row(f"{n} cords", f"{rated[n].mean():.3f}")
    for last in (6, 10):
        ever = np.any([rated[n] for n in range(4, last + 1)], axis=0)
        row(f"4 cords, then one more until rated, {last} at the most", f"{ever.mean():.3f}")


def main(campaigns: int = 8_000) -> None:
    heads("cords", "chance", "rule", "rated", "violation at the heavy end")
    for n in (3, 4, 6, 10):
        values = drawn(n, campaigns)
        end, value = limits(values), next_value(values)
        for chance in (0.9, 0.7, 0.5, 0.3):
            asked = float(np.quantile(end, 1 - chance))
            for name, (rated, where) in by_rule(values, asked).items():
                row(n, chance, name, f"{rated.mean():.3f}", mean_and_error(ndtr(where[rated] / SD)))
            again = told(value, asked, n)
            row(n, chance, "told", f"{again.mean():.2f} of all", f"{again[end >= asked].mean():.2f} of those rated")
    print("\na range where the lightest tested mass is violated in 0.02, not in 0.01: rated, and so falsely")
    heads("campaign", "falsely rated")
    false_and_rated(campaigns, float(SD * ndtri(0.02)))
