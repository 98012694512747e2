"""Break tests of a lot: the lowest break governs; statistical lower limits stand beside it, never instead."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import optimize, special

from cordlab.statistics.limits import tolerance_limit
from cordlab.units import notebook_html

if TYPE_CHECKING:
    from cordlab.campaign.campaign import BreakEntry, Campaign

FEW_BREAKS = 5  # below this many, a caution; common practice, no source


@dataclass(frozen=True)
class WeibullFit:
    """Two-parameter Weibull law fitted by maximum likelihood: P(load ≤ x) = 1 − exp(−(x/scale)^shape).

    scale [unit of the values] ; standardised : (n,) shape·ln(x/scale), what the limits are conditional on
    """

    shape: float
    scale: float
    standardised: np.ndarray

    def quantile(self, probability: float) -> float:
        return self.scale * (-math.log1p(-probability)) ** (1 / self.shape)

    def lower_limit(self, *, share: float, confidence: float) -> float:
        """Load that at least `share` of all specimens reach, with `confidence`; exact for Weibull values.

        Conditional on the standardised residuals: Lawless, Statistical Models and Methods for Lifetime Data (1982),
        section 4.1.2. With s = fitted over true scale of the logarithms, s has density s^(n−2) e^(sΣa) S(s)^(−n),
        S(s) = Σ e^(s·a), and for a fixed s the location is a gamma variable.
        """
        a, n = self.standardised, len(self.standardised)
        # trapezoid on the logarithm: converges exponentially, heavy tail of n = 2 covered
        log_s = np.linspace(-40, 8, 4801)
        s = np.exp(log_s)
        log_sum = special.logsumexp(s[:, None] * a, axis=1)
        log_density = (n - 1) * log_s + s * a.sum() - n * log_sum
        weight = np.exp(log_density - log_density.max())
        counts = weight > 1e-20
        s, log_sum, weight = s[counts], log_sum[counts], weight[counts] / weight[counts].sum()
        w = math.log(-math.log(share))  # standard extreme-value quantile of the weakest 1 − share

        def excess(t: float) -> float:  # t = shape · ln(limit/scale), as fitted
            exponent = np.minimum(log_sum + w - s * t, 700.0)  # gammainc is 1 long before
            return float(weight @ special.gammainc(n, np.exp(exponent))) - confidence

        high = w
        while excess(high) > 0:
            high += 1.0
        low = high - 1.0
        while excess(low) < 0:
            low = high - 2 * (high - low)
        return self.scale * math.exp(optimize.brentq(excess, low, high, xtol=1e-10) / self.shape)


def fit_weibull(values: Sequence[float] | np.ndarray) -> WeibullFit:
    """Maximum likelihood from complete values (n,), n ≥ 2, above 0 and not all equal; raises ValueError otherwise."""
    from scipy.stats import gumbel_l  # half a second, and only for lots

    x = np.asarray(values, float)
    if x.ndim != 1 or x.size < 2 or not np.isfinite(x).all() or x.min() <= 0 or x.min() == x.max():
        raise ValueError("a Weibull law needs at least 2 different values above 0")
    logs = np.log(x)
    location, width = (float(value) for value in gumbel_l.fit(logs))  # the law of a Weibull value's logarithm
    return WeibullFit(1 / width, math.exp(location), (logs - location) / width)


@dataclass(frozen=True)
class Lot:
    """What the break tests say about a lot.

    loads : (n,) breaking loads, ascending [N] ; cords : their names
    end_loops : whether each was broken with its end loops, None where it is not noted
    plotting_positions : (n,) median ranks (i − 0.3)/(n + 0.4), for the probability plot
    strength : the load that governs, the lowest break or the maker's design load where that is lower [N]
    strength_factor : strength over the greatest limit load of the rated range
    normal_limit, weibull_limit : lower tolerance limits of the breaks, for information [N]; None where not to be had
    share, confidence : of those two limits
    issued : may the lot be issued, as far as breaks go ; reasons : why not, all of them ; cautions : what to know
    """

    loads: np.ndarray
    cords: tuple[str, ...]
    end_loops: tuple[bool | None, ...]
    plotting_positions: np.ndarray
    sample: int
    sample_needed: int
    strength: float | None
    strength_factor: float | None
    least_strength_factor: float
    greatest_load_limit: float | None
    normal_limit: float | None
    weibull_limit: float | None
    weibull: WeibullFit | None
    share: float
    confidence: float
    issued: bool
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def lowest_break(self) -> float | None:
        return float(self.loads[0]) if self.loads.size else None

    def summary(self) -> str:
        lines = [f"lot {'may' if self.issued else 'may not'} be issued on its break tests"]
        lines += [f"  {reason}" for reason in self.reasons]
        if self.lowest_break is not None:
            lines.append(
                f"lowest of {self.loads.size} breaks: {self.lowest_break / 1000:.2f} kN ({self.cords[0]}); it governs"
            )
        if self.strength_factor is not None:
            lines.append(f"strength factor {self.strength_factor:.2f}, {self.least_strength_factor:g} asked for")
        for law, limit in (("normal", self.normal_limit), ("Weibull", self.weibull_limit)):
            if limit is not None:
                promise = f"{self.share:g} of the lot with confidence {self.confidence:g}"
                lines.append(f"for information: {law} lower tolerance limit ({promise}) {limit / 1000:.2f} kN")
        return "\n".join(lines + [f"note: {caution}" for caution in self.cautions])

    def table(self) -> pd.DataFrame:
        """A row a break, the weakest first."""
        columns = {
            "breaking load [N]": self.loads,
            "end loops": self.end_loops,
            "plotting position [1]": self.plotting_positions,
        }
        return pd.DataFrame(columns, index=pd.Index(self.cords, name="cord"))

    def _repr_html_(self) -> str:
        """The decision with its reasons, and the breaks."""
        return notebook_html(self.summary(), self.table())

    def to_dict(self) -> dict[str, Any]:
        columns = ("cord", "breaking_load", "end_loops", "plotting_position")
        ranks = self.plotting_positions.tolist()
        rows = zip(self.cords, self.loads.tolist(), self.end_loops, ranks, strict=True)
        names = (
            *("lowest_break", "strength", "greatest_load_limit", "strength_factor", "least_strength_factor"),
            *("sample", "sample_needed"),
        )
        return {
            "issued": self.issued,
            "reasons": list(self.reasons),
            "cautions": list(self.cautions),
            "breaks": [dict(zip(columns, row, strict=True)) for row in rows],
            **{name: getattr(self, name) for name in names},
            "tolerance": {
                "share": self.share,
                "confidence": self.confidence,
                "normal": self.normal_limit,
                "weibull": self.weibull_limit,
            },
            "weibull": self.weibull and {"shape": self.weibull.shape, "scale": self.weibull.scale},
        }


def assess_lot(
    breaks: Sequence["BreakEntry"],
    *,
    greatest_load_limit: float | None,
    least_strength_factor: float,
    n_lot: int | None = None,
    sample_share: float | None = None,
    design_breaking_load: float | None = None,
    share: float = 0.99,
    confidence: float = 0.95,
) -> Lot:
    """Decide on a lot from its break tests.

    breaks : entries with cord, breaking_load [N], end_loops (None where not noted)
    greatest_load_limit : limit of the greatest load on the cord in the rated range [N], None if nothing is rated
    n_lot : cords in the lot
    sample_share : share of the lot that the local rule wants broken, at least one cord in any case
    design_breaking_load : the maker's figure [N], which governs where it is the lower
    share, confidence : of the statistical lower limits only

    Some rules let the lowest failure stand for the lot and want the end loops broken.
    Raises ValueError for a load, share or factor that makes no sense.
    """
    ordered = sorted(breaks, key=lambda entry: entry.breaking_load)
    loads = np.array([entry.breaking_load for entry in ordered], float)
    _check(loads, greatest_load_limit, least_strength_factor, n_lot, sample_share)
    end_loops = tuple(entry.end_loops for entry in ordered)
    sample = len({entry.cord for entry in ordered if entry.end_loops})
    needed = max(1, math.ceil((sample_share or 0.0) * (n_lot or 0) - 1e-9))
    strengths = [*loads[:1].tolist(), *([] if design_breaking_load is None else [design_breaking_load])]
    strength, factor = min(strengths, default=None), None
    if strength is not None and greatest_load_limit is not None:
        factor = strength / greatest_load_limit
    weibull = normal_limit = weibull_limit = None
    if loads.size > 1 and loads[0] < loads[-1]:
        weibull = fit_weibull(loads)
        weibull_limit = weibull.lower_limit(share=share, confidence=confidence)
        normal_limit = tolerance_limit(loads, share=share, confidence=confidence, side="lower").lower
    reasons = _sampling_reasons(end_loops, sample, needed, n_lot, sample_share)
    reasons += _strength_reasons(strength, factor, least_strength_factor, greatest_load_limit)
    return Lot(
        loads=loads,
        cords=tuple(entry.cord for entry in ordered),
        end_loops=end_loops,
        plotting_positions=(np.arange(1, loads.size + 1) - 0.3) / (loads.size + 0.4),
        sample=sample,
        sample_needed=needed,
        strength=strength,
        strength_factor=factor,
        least_strength_factor=least_strength_factor,
        greatest_load_limit=greatest_load_limit,
        normal_limit=normal_limit,
        weibull_limit=weibull_limit,
        weibull=weibull,
        share=share,
        confidence=confidence,
        issued=not reasons,
        reasons=tuple(reasons),
        cautions=tuple(_cautions(loads, weibull, n_lot, design_breaking_load)),
    )


def lot_of(campaign: "Campaign", predictions: Sequence[Mapping[str, Any]]) -> Lot | None:
    """The lot of a campaign, None without break tests; predictions : rows of its rating."""
    if not campaign.breaks:
        return None
    loads = [row["peak_load_limit"] for row in predictions if row["rated"] and row["peak_load_limit"]]
    criteria, design = campaign.criteria, campaign.criteria.design_breaking_load
    return assess_lot(
        campaign.breaks,
        greatest_load_limit=max(loads, default=None),
        least_strength_factor=criteria.least_strength_factor,
        n_lot=criteria.lot_size,
        sample_share=criteria.lot_sample_share,
        design_breaking_load=design.value if design else None,
    )


def _check(
    loads: np.ndarray, limit: float | None, factor: float, n_lot: int | None, sample_share: float | None
) -> None:
    if not (np.isfinite(loads).all() and (loads > 0).all()):
        raise ValueError("a breaking load is not above 0")
    if limit is not None and not limit > 0:
        raise ValueError(f"greatest load limit {limit} N is not above 0")
    if not factor > 0:
        raise ValueError(f"least strength factor {factor} is not above 0")
    if sample_share is not None and not 0 < sample_share <= 1:
        raise ValueError(f"sample share {sample_share} is not above 0 and at most 1: 10 % is 0.1")
    if n_lot is not None and n_lot < 1:
        raise ValueError(f"a lot of {n_lot} cords: at least 1")


def _sampling_reasons(
    end_loops: Sequence[bool | None], sample: int, needed: int, n_lot: int | None, sample_share: float | None
) -> list[str]:
    reasons = []
    if None in end_loops:
        count = end_loops.count(None)
        reasons.append(
            f"{count} of {len(end_loops)} breaks do not say whether the end loops were in: fill in that column"
        )
    if False in end_loops:
        reasons.append(f"{end_loops.count(False)} of {len(end_loops)} specimens had no end loops: they are no sample")
    if sample_share is not None and n_lot is None:
        reasons.append(f"{sample_share:.0%} of the lot must be broken, but how many cords it has is not given")
    if sample < needed:
        reasons.append(f"{sample} cords broken with their end loops, {needed} needed")
    return reasons


def _strength_reasons(strength: float | None, factor: float | None, least: float, limit: float | None) -> list[str]:
    if strength is None:
        return ["no break and no design breaking load: nothing to compare the load with"]
    if factor is None or limit is None:
        return ["no rated range, so no greatest load to compare the breaks with"]
    if factor < least:
        return [f"{strength / 1000:.2f} kN over {limit / 1000:.2f} kN is {factor:.2f}, {least:g} asked for"]
    return []


def _cautions(loads: np.ndarray, weibull: WeibullFit | None, n_lot: int | None, design: float | None) -> list[str]:
    cautions = []
    if 0 < loads.size < FEW_BREAKS:
        cautions.append(f"{loads.size} breaks say little about the spread of the lot")
    if loads.size and weibull is None:
        cautions.append("no statistical limit: that takes at least 2 breaks that differ")
    if n_lot is None:
        cautions.append("the number of cords in the lot is not given: the share that was broken cannot be told")
    if design is not None and loads.size and loads[0] < design:
        cautions.append(f"the lowest break is below the maker's design load of {design / 1000:.2f} kN")
    return cautions
