"""What is odd about a batch, in words for people: each finding says what was seen, where, and what to try.

A drop, a cord or a trend is judged by the drops' scales, one number a drop, never by samples. Each test is made at 1 %
for all that it looks at together, so a good batch raises a finding of one kind about once in a hundred.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtr

from cordlab.batch.fit import BatchFit
from cordlab.statistics.groups import furthest, without_levels

if TYPE_CHECKING:
    from cordlab.records.reduce import Drop

_LEVEL = 0.01


@dataclass(frozen=True)
class Finding:
    """Something odd: what was seen, where, and what to try. `kind` is one word for tables."""

    kind: str
    what: str
    where: str
    try_: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}; {self.try_}"


def diagnose(batch: BatchFit, drops: Sequence["Drop"]) -> tuple[Finding, ...]:
    """Findings about a batch and the drops that it was fitted to; empty where nothing is odd.

    Raises ValueError where `drops` are not those of the fit.
    """
    if tuple(drop.name for drop in drops) != batch.samples.names:
        raise ValueError("the drops are not those of the fit, or not in their order")
    logs = np.log([batch.drop_scales[drop.name] for drop in drops])
    return (
        *_outlying_drops(logs, drops),
        *_unlike_cords(batch),
        *_trends(logs, drops),
        *_wrong_model(batch),
        *_too_little(batch),
    )


def _outlying_drops(logs: np.ndarray, drops: Sequence["Drop"]) -> list[Finding]:
    """The drop furthest from its cord's others."""
    worst = furthest(logs, [drop.cord for drop in drops])
    if worst is None or worst.chance >= _LEVEL:
        return []
    drop, off = drops[worst.number], np.expm1(worst.off)
    return [
        Finding(
            "outlying drop",
            f"its force is {abs(off):.1%} {'above' if off > 0 else 'below'} that of its cord's other drops",
            f"drop {drop.name} (cord {drop.cord})",
            "look at its record, mass, slack length and temperature; drop it again; leave it out only for a reason",
        )
    ]


def _unlike_cords(batch: BatchFit) -> list[Finding]:
    """The cord furthest from the others, by Grubbs' test on the logarithms of the scales."""
    scales = batch.chosen.scales
    n = len(scales)
    if n < 4:  # three numbers never show which of them is the odd one
        return []
    logs = np.log(list(scales.values()))
    away = np.abs(logs - logs.mean())
    worst = int(np.argmax(away))
    if grubbs_chance(away[worst] / np.std(logs, ddof=1), n) >= _LEVEL:
        return []
    others = np.mean(np.delete(logs, worst))
    return [
        Finding(
            "unlike cord",
            f"its stiffness is {np.exp(logs[worst] - others):.3f} times that of the others",
            f"cord {list(scales)[worst]}",
            "check its number, slack length and history; a cord of another make or another age is not of this batch",
        )
    ]


def grubbs_chance(g: float, n: int) -> float:
    """Chance that the furthest of n normal values lies `g` sample sd or more from their mean, either side.

    Grubbs, Technometrics 11 (1969) 1: g = (n−1)/√n √(t²/(n−2+t²)), t with n−2 degrees of freedom at chance/(2n).
    """
    share = min(n * (g / (n - 1)) ** 2, 1 - 1e-15)
    return float(2 * n * stdtr(n - 2, -np.sqrt((n - 2) * share / (1 - share))))


_TRENDS = (
    (
        "softening",
        "jumps",
        "stiffness changes by {0:+.2%} a jump over these drops",
        "condition the cords with more full stretches before the drops that count",
    ),
    (
        "temperature",
        "temperature",
        "stiffness changes by {0:+.2%} a degree",
        "drop at one temperature, or rate only for the range tested",
    ),
    (
        "mass",
        "mass",
        "stiffness changes by {0:+.3%} a kilogram of test mass",
        "the shape of the curve is not right, or a mass or the calibration is off: compare other models",
    ),
)
_ALONG = 0.9  # correlation within cords above which two causes are one to the drops


def _trends(logs: np.ndarray, drops: Sequence["Drop"]) -> list[Finding]:
    """A slope of stiffness within cords on jumps, temperature or mass, by its t value (three looks, Bonferroni).

    A ladder goes from light to heavy as the count rises: then the finding says that either may be the cause.
    """
    cords, names = [drop.cord for drop in drops], [name for _, name, *_ in _TRENDS]
    columns = np.column_stack([logs, [[float(getattr(drop, name)) for name in names] for drop in drops]])
    left, _, dof = without_levels(columns, cords)
    if dof < 4:
        return []
    found, within = [], left[:, 0]
    causes = dict(zip(names, left[:, 1:].T, strict=True))
    causes = {name: cause for name, cause in causes.items() if cause @ cause > 1e-12}  # not what is the same or unknown
    for kind, name, what, advice in _TRENDS:
        if name not in causes:
            continue
        cause = causes[name]
        size = cause @ cause
        slope = cause @ within / size
        rest = within - slope * cause
        error = np.sqrt(max(rest @ rest, 1e-300) / (dof - 1) / size)
        if 2 * stdtr(dof - 1, -abs(slope) / error) >= _LEVEL / len(_TRENDS):
            continue
        along = [k for k, c in causes.items() if k != name and (c @ cause) ** 2 > _ALONG**2 * size * (c @ c)]
        if along:
            advice += f"; {' and '.join(along)} went along, so it may be that: drop the first mass again at the end"
        found.append(Finding(kind, what.format(slope), f"{len(drops)} drops of {len(set(cords))} cords", advice))
    return found


def _wrong_model(batch: BatchFit) -> list[Finding]:
    """Residuals that all drops share: another model, or the spline, describes them with far less left over."""
    s, chosen = batch.samples, batch.chosen
    rivals = [c for c in batch.candidates if c.fit is not None and c.model != chosen.model.name]
    if not rivals:
        return []
    best = min(rivals, key=lambda c: c.aicc)
    if not best.aicc < chosen.aicc - 10 or best.fitted.residual_sd > 0.8 * chosen.residual_sd:
        return []
    edges = np.linspace(1.0, float(s.stretch_ratio.max()), 9)
    bins = np.clip(np.digitize(s.stretch_ratio, edges) - 1, 0, 7)
    means = np.bincount(bins, chosen.residuals, minlength=8) / np.maximum(np.bincount(bins, minlength=8), 1)
    worst = int(np.argmax(np.abs(means)))
    return [
        Finding(
            "wrong model",
            f"the drops lie {abs(means[worst]):.3g} N {'above' if means[worst] > 0 else 'below'} {chosen.model.name} "
            f"together; {best.model} leaves {best.fitted.residual_sd:.3g} N instead of {chosen.residual_sd:.3g} N",
            f"stretch ratio {edges[worst]:.2f} to {edges[worst + 1]:.2f}",
            f"compare {best.model}, and see where it stops being sensible",
        )
    ]


def _too_little(batch: BatchFit) -> list[Finding]:
    """Bands that were refused, and bands from so few cords that they are huge."""
    found, fit = [], batch.chosen
    if fit.no_band:
        why = fit.no_band.partition("; try")[0]
        advice = "no band is given: use a model with fewer parameters"
        found.append(Finding("no band", why, f"model {fit.model.name}", advice))
    if len(fit.scales) < 2:
        reason = "only 1 cord: a band for another cord needs at least 2"
        return [*found, Finding("too few cords", reason, "the batch", "drop at least 4 cords")]
    if len(fit.scales) < 4:
        what = f"{len(fit.scales)} cords: a band for another cord is honest but very wide"
        found.append(Finding("too few cords", what, "the batch", "drop at least 4 cords"))
    return found
