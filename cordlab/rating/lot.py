"""Break tests of a lot: the lowest break governs; statistical lower limits stand beside it, never instead."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import optimize, special

from cordlab.statistics.limits import tolerance_limit
from cordlab.units import notebook_html

if TYPE_CHECKING:
    from cordlab.campaign.campaign import BreakEntry, Campaign
    from cordlab.campaign.settings import Criteria
    from cordlab.rating.rate import Rating

FEW_BREAKS = 5  # below this many, a caution; common practice, no source
SHARE, CONFIDENCE = 0.99, 0.95  # of the lower tolerance limits


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
    """Maximum likelihood from complete values (n,), above 0 and not all equal."""
    from scipy.stats import gumbel_l  # half a second, and only for lots

    logs = np.log(values)
    location, width = (float(value) for value in gumbel_l.fit(logs))  # the law of a Weibull value's logarithm
    return WeibullFit(1 / width, math.exp(location), (logs - location) / width)


@dataclass(frozen=True)
class Lot:
    """What the break tests say about a lot. Some rules let the lowest failure stand for it, end loops broken too.

    breaks : at least one, kept the weakest first ; criteria : a campaign's `[criteria]`
    greatest_load_limit : limit of the greatest load on the cord in the rated range [N], None if nothing is rated
    tolerance : whether the campaign decides by tolerance limits: then that of the breaks is to exceed this load
    """

    breaks: Sequence["BreakEntry"]
    criteria: "Criteria"
    greatest_load_limit: float | None
    tolerance: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "breaks", tuple(sorted(self.breaks, key=lambda entry: entry.breaking_load)))

    @property
    def loads(self) -> np.ndarray:
        """(n,) breaking loads, ascending [N]."""
        return np.array([entry.breaking_load for entry in self.breaks], float)

    @property
    def lowest_break(self) -> float:
        return self.breaks[0].breaking_load

    @property
    def design_load(self) -> float:
        """The maker's, inf where there is none [N]."""
        return getattr(self.criteria.design_breaking_load, "value", math.inf)

    @property
    def plotting_positions(self) -> np.ndarray:
        """(n,) median ranks (i − 0.3)/(n + 0.4), for the probability plot."""
        return (np.arange(1, len(self.breaks) + 1) - 0.3) / (len(self.breaks) + 0.4)

    @property
    def sample(self) -> int:
        """Cords that were broken with their end loops."""
        return len({entry.cord for entry in self.breaks if entry.end_loops})

    @property
    def sample_needed(self) -> int:
        """The share of the lot that the local rule wants broken, at least one cord in any case."""
        asked = (self.criteria.lot_sample_share or 0.0) * (self.criteria.lot_size or 0)
        return max(1, math.ceil(asked - 1e-9))

    @property
    def strength(self) -> float:
        """The load that governs: the lowest break, or the maker's design load where that is lower [N]."""
        return min(self.lowest_break, self.design_load)

    @property
    def strength_factor(self) -> float | None:
        return None if self.greatest_load_limit is None else self.strength / self.greatest_load_limit

    @cached_property
    def weibull(self) -> WeibullFit | None:
        """The law of the breaks; None with fewer than 2 that differ."""
        return fit_weibull(self.loads) if len(set(self.loads)) > 1 else None

    @cached_property
    def limits(self) -> dict[str, float]:
        """Lower tolerance limit by each law, for information [N]; none where the breaks have no law."""
        if self.weibull is None:
            return {}
        normal = tolerance_limit(self.loads, share=SHARE, confidence=CONFIDENCE, side="lower")
        return {"normal": normal.lower, "Weibull": self.weibull.lower_limit(share=SHARE, confidence=CONFIDENCE)}

    @property
    def lower_limit(self) -> tuple[float, str] | None:
        """The lower of the two limits [N], and the law by which it is lower; None where breaks give none."""
        return min(((limit, law) for law, limit in self.limits.items()), default=None)

    @property
    def limit_in_words(self) -> str:
        """The lower limit and the law that it holds for: breaks as few as these do not show which law they follow."""
        if self.lower_limit is None:
            return "none"
        limit, law = self.lower_limit
        return f"{limit / 1000:.2f} kN if {law}" if limit > 0 else f"none above 0 if {law}"

    @property
    def governs(self) -> str:
        """Whose load the strength factor uses."""
        if self.strength == self.lowest_break:
            return "it governs"
        return f"the maker's design load of {self.design_load / 1000:.2f} kN is lower and governs"

    @property
    def issued(self) -> bool:
        """May the lot be issued, as far as breaks go?"""
        return not self.reasons

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why it may not be issued, all of them."""
        share = self.criteria.lot_sample_share
        reasons = list(self._no_sample) if self.sample < self.sample_needed else []
        if share is not None and self.criteria.lot_size is None:
            reasons.append(f"{share:.0%} of the lot must be broken, but how many cords it has is not given")
        if self.sample < self.sample_needed:
            reasons.append(f"{self.sample} cords broken with their end loops, {self.sample_needed} needed")
        if self.greatest_load_limit is None:
            reasons.append("no rated range, so no greatest load to compare the breaks with")
        return (*reasons, *self.too_weak)

    @property
    def too_weak(self) -> tuple[str, ...]:
        """Where the lot fails on strength: then nothing is rated; what is missing in form stands beside the rating."""
        reasons, greatest, asked = [], self.greatest_load_limit, self.criteria.least_strength_factor
        if greatest is None or self.strength_factor is None:
            return ()
        if not self.strength_factor >= asked:
            quotient = f"{self.strength / 1000:.2f} kN over {greatest / 1000:.2f} kN"
            reasons.append(f"{quotient} is {self.strength_factor:.2f}, {asked:g} asked for")
        if self.tolerance and not (self.lower_limit and self.lower_limit[0] > greatest):
            reasons.append(
                f"lower tolerance limit of the breaks: {self.limit_in_words}; decided by tolerance limits, it is to "
                f"exceed the greatest load, {greatest / 1000:.2f} kN: break more cords"
            )
        return tuple(reasons)

    @property
    def _no_sample(self) -> tuple[str, ...]:
        """Breaks that do not count towards the sample; as the lowest break they govern all the same."""
        loops, count = [entry.end_loops for entry in self.breaks], len(self.breaks)
        unknown = f"{loops.count(None)} of {count} breaks do not say whether the end loops were in: fill in that column"
        without = f"{loops.count(False)} of {count} specimens had no end loops: they are no sample"
        return tuple(text for kind, text in ((None, unknown), (False, without)) if kind in loops)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to know beside it."""
        cautions = list(self._no_sample) if self.sample >= self.sample_needed else []
        if len(self.breaks) < FEW_BREAKS:
            cautions.append(f"{len(self.breaks)} breaks say little about the spread of the lot")
        if self.weibull is None:
            cautions.append("no statistical limit: that takes at least 2 breaks that differ")
        if self.criteria.lot_size is None:
            cautions.append("the number of cords in the lot is not given: the share that was broken cannot be told")
        if self.lowest_break < self.design_load < math.inf:
            cautions.append(f"the lowest break is below the maker's design load of {self.design_load / 1000:.2f} kN")
        return tuple(cautions)

    def summary(self) -> str:
        lines = [f"lot {'may' if self.issued else 'may not'} be issued on its break tests"]
        lines += [f"  {reason}" for reason in self.reasons]
        weakest = f"{self.lowest_break / 1000:.2f} kN ({self.breaks[0].cord})"
        lines.append(f"lowest of {len(self.breaks)} breaks: {weakest}; {self.governs}")
        if self.strength_factor is not None:
            asked = f"{self.criteria.least_strength_factor:g} asked for"
            lines.append(f"strength factor {self.strength_factor:.2f}, {asked}")
        promise = f"{SHARE:g} of the lot with confidence {CONFIDENCE:g}"
        if self.lower_limit is not None:
            lines.append(f"for information: lower tolerance limit ({promise}) {self.limit_in_words}")
        return "\n".join(lines + [f"note: {caution}" for caution in self.cautions])

    def table(self) -> pd.DataFrame:
        """A row a break, the weakest first."""
        columns = {
            "breaking load [N]": self.loads,
            "end loops": [entry.end_loops for entry in self.breaks],
            "plotting position [1]": self.plotting_positions,
        }
        return pd.DataFrame(columns, index=pd.Index([entry.cord for entry in self.breaks], name="cord"))

    def _repr_html_(self) -> str:
        """The decision with its reasons, and the breaks."""
        return notebook_html(self.summary(), self.table())

    def to_dict(self) -> dict[str, object]:
        breaks = self.table().reset_index()
        breaks.columns = ["cord", "breaking_load", "end_loops", "plotting_position"]
        names = ("issued", "reasons", "cautions", "lowest_break", "strength", "governs", "greatest_load_limit")
        limits = {
            "normal": self.limits.get("normal"),
            "weibull": self.limits.get("Weibull"),
            "words": self.limit_in_words,
        }
        return {name: getattr(self, name) for name in (*names, "strength_factor", "sample", "sample_needed")} | {
            "least_strength_factor": self.criteria.least_strength_factor,
            "breaks": breaks.to_dict("records"),
            "tolerance": {"share": SHARE, "confidence": CONFIDENCE, **limits},
            "weibull": self.weibull and {"shape": self.weibull.shape, "scale": self.weibull.scale},
        }


def lot_of(campaign: "Campaign", predictions: Sequence[Mapping[str, Any]]) -> Lot | None:
    """The lot of a campaign, None without break tests; predictions : rows of its rating."""
    if not campaign.breaks:
        return None
    loads = [row["peak_load_limit"] for row in predictions if row["rated"] and row["peak_load_limit"]]
    tolerance = campaign.decision.limit == "tolerance"
    return Lot(campaign.breaks, campaign.criteria, max(loads, default=None), tolerance)


def refused_by_lot(campaign: "Campaign", rating: "Rating") -> "Rating":
    """The rating, or none where the breaks of the lot are too weak for it."""
    lot = lot_of(campaign, rating.predictions)
    for reason in lot.too_weak if lot else ():
        rating = rating.refused(f"the lot fails on strength: {reason}")
    return rating
