"""What a trainer works with: predict before you look, what a limit promises, when a cord has worn too far."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import ipywidgets as w
import numpy as np
from matplotlib.figure import Figure
from scipy.special import ndtr, ndtri

from cordlab import plots
from cordlab.ageing import retests
from cordlab.drawing import BLUE, FAINT, GREEN, INK, RED, styled
from cordlab.ladder import Rung, next_mass
from cordlab.limits import Evidence
from cordlab.panels import Panel
from cordlab.spread import confidence_limit, prediction_limit, tolerance_limit
from cordlab.wear import Wear, assess_wear

if TYPE_CHECKING:
    from cordlab.analysis import Analysis
    from cordlab.campaign import Campaign

__all__ = ["Promises", "draw_promises", "guess_panel", "promise_panel", "promises", "retest_panel"]

KINDS = {
    "confidence": "of the mean, read as if it were for a drop",
    "pooled": "prediction, all drops taken for independent",
    "prediction": "for the next drop of another cord",
    "tolerance": "for a share of drops, one drop a cord",
}


@dataclass(frozen=True)
class Promises:
    """Upper limits from many invented batches, and what came next; lowest points less the batch's true mean [m].

    limits : kind → (batches,)
    kept : kind → (batches,) the true share of drops of other cords that stay within the limit
    following : (batches,) one drop of another cord of each batch
    """

    limits: dict[str, np.ndarray]
    kept: dict[str, np.ndarray]
    following: np.ndarray
    truth: float
    probability: float
    confidence: float

    def passed(self, kind: str) -> np.ndarray:
        """Where the following drop came lower than the limit."""
        return self.following > self.limits[kind]

    def summary(self) -> str:
        lines = [f"asked for {100 * self.probability:g} % (tolerance: with {100 * self.confidence:g} % confidence)"]
        for kind, kept in self.kept.items():
            enough = 100 * np.mean(kept >= self.probability)
            lines.append(
                f"{kind:10s} holds {100 * kept.mean():5.1f} % of drops on average; "
                f"as many as asked for, or more, in {enough:3.0f} % of batches"
            )
        return "\n".join(lines)


def draw_promises(
    *,
    cords: int,
    drops: int,
    sd_cord: float,
    sd_drop: float,
    probability: float,
    confidence: float = 0.95,
    batches: int = 100,
    seed: int = 0,
) -> Promises:
    """Invent `batches` batches of `cords` cords with `drops` drops each, and take the four limits of each.

    sd_cord, sd_drop : of the lowest point, between cords and between drops of one cord [m]. Normal, so that the truth
    is known. Raises ValueError for fewer than 2 cords or 1 drop.
    """
    if cords < 2 or drops < 1:
        raise ValueError(f"{cords} cords, {drops} drops a cord: at least 2 cords and 1 drop")
    rng = np.random.default_rng(seed)
    values = sd_cord * rng.standard_normal((batches, cords, 1)) + sd_drop * rng.standard_normal((batches, cords, drops))
    total = float(np.hypot(sd_cord, sd_drop))
    groups = np.repeat(np.arange(cords), drops)
    limits = {
        "confidence": [confidence_limit(each.ravel(), confidence=probability, side="upper") for each in values],
        "pooled": [prediction_limit(each.ravel(), probability=probability, side="upper") for each in values],
        "prediction": [
            prediction_limit(each.ravel(), probability=probability, side="upper", groups=groups) for each in values
        ],
        "tolerance": [
            tolerance_limit(each[:, 0], share=probability, confidence=confidence, side="upper") for each in values
        ],
    }
    found = {kind: np.array([limit.upper for limit in several]) for kind, several in limits.items()}
    return Promises(
        limits=found,
        kept={kind: ndtr(limit / total) for kind, limit in found.items()},
        following=total * rng.standard_normal(batches),
        truth=total * float(ndtri(probability)),
        probability=probability,
        confidence=confidence,
    )


@styled
def promises(found: Promises) -> Figure:
    """Each batch's limit, kind by kind, with the drop that followed; crossed where it came lower than the limit."""
    fig = Figure(figsize=(6.3, 6.0))
    number = np.arange(1, found.following.size + 1)
    shown = 1.15 * max(float(np.quantile(limit, 0.95)) for limit in found.limits.values())
    rows = fig.subplots(len(found.limits), sharex=True, sharey=True)
    for ax, (kind, limit) in zip(rows, found.limits.items(), strict=True):
        passed = found.passed(kind)
        ax.plot(number, limit, "_", color=BLUE, ms=6, label=f"{kind} limit")
        ax.plot(number[~passed], found.following[~passed], ".", color=FAINT, ms=4, label="next drop, within")
        if passed.any():
            ax.plot(number[passed], found.following[passed], "X", color=RED, ms=7, label="next drop, lower")
        ax.axhline(found.truth, color=GREEN, ls=":", lw=1.4, label="true limit")
        ax.set_title(f"{kind}: {KINDS[kind]}; passed {passed.sum()} times in {number.size}", fontsize=9)
    rows[0].set_ylim(-shown, shown)
    rows[0].invert_yaxis()
    rows[-1].set_xlabel("batch")
    fig.supylabel("lowest point against the true mean [m]", fontsize=9)
    named = {str(line.get_label()): line for ax in rows for line in ax.lines if "limit" not in str(line.get_label())}
    named |= {"limit of the batch": rows[0].lines[0], "true limit": rows[0].lines[-1]}
    fig.legend(list(named.values()), list(named), loc="outside lower center", ncols=4)
    return fig


def promise_panel(*, seed: int = 0) -> Panel:
    """Draw 100 invented batches and watch which limits hold."""
    controls = {
        "cords": w.IntSlider(value=6, min=2, max=30, description="cords tested [1]", continuous_update=False),
        "drops": w.IntSlider(value=5, min=1, max=20, description="drops a cord [1]", continuous_update=False),
        "sd_cord": w.FloatSlider(
            value=0.4, min=0, max=1, step=0.05, description="sd between cords [m]", continuous_update=False
        ),
        "sd_drop": w.FloatSlider(
            value=0.15, min=0.05, max=1, step=0.05, description="sd between drops [m]", continuous_update=False
        ),
        "probability": w.SelectionSlider(
            options=[(f"{100 * p:g} %", p) for p in (0.8, 0.9, 0.95, 0.99)], value=0.95,
            description="probability [%]", continuous_update=False,
        ),
        "again": w.IntSlider(value=seed, min=0, max=99, description="draw again [number]", continuous_update=False),
    }  # fmt: skip

    def answer(again: int, **asked: Any) -> tuple[Sequence[str], Figure]:
        found = draw_promises(seed=again, **asked)
        return found.summary().splitlines(), promises(found)

    return Panel(controls, answer)


def guess_panel(campaign: "Campaign") -> Panel:
    """Predict before you look: lowest points of lighter weights, your guess for the next one, then what came."""
    drops = Evidence.of_campaign(campaign, use=("fit", "check"))
    masses = np.unique(drops.mass)
    if masses.size < 3:
        raise ValueError(f"{masses.size} tested masses: guessing the next one takes at least 3")
    middle = float(np.mean(drops.lowest_point))
    controls = {
        "mass": w.SelectionSlider(
            options=[(f"{mass:g} kg", float(mass)) for mass in masses[2:]], value=float(masses[-1]),
            description="next weight [kg]", continuous_update=False,
        ),
        "guess": w.BoundedFloatText(
            value=round(middle, 1), min=0, max=round(3 * middle), step=0.1, description="your guess [m]"
        ),
        "shown": w.ToggleButtons(options=["lighter drops", "and what came", "and the limit"], description="look at"),
    }  # fmt: skip

    def answer(mass: float, guess: float, shown: str) -> tuple[list[str], Figure]:
        lighter, came = drops.take(drops.mass < mass), drops.lowest_point[drops.mass == mass]
        told = [f"Your guess for {mass:g} kg: {guess:.1f} m below the tie point."]
        rung = None
        if shown == "lighter drops":
            told.append("Write it down, with the limit that you would stand below; then look.")
        else:
            off = guess - came.mean()
            told.append(
                f"It came to {came.min():.2f} to {came.max():.2f} m on {came.size} drops: your guess is "
                f"{abs(off):.2f} m too {'low' if off > 0 else 'high'} on average."
            )
        if shown == "and the limit":
            rung = next_mass(
                lighter, rig=campaign.rig, least_clearance=campaign.criteria.least_clearance, mass=float(mass)
            )
            line = np.polyval(np.polyfit(lighter.mass, lighter.lowest_point, 1), mass)
            told += [
                f"A straight line through the lighter drops says {line:.2f} m.",
                f"The ladder, from the lighter drops alone: {100 * rung.probability:g} % limit "
                f"{rung.lowest_point_limit:.2f} m; {int(np.sum(came > rung.lowest_point_limit))} of {came.size} drops "
                "came lower.",
            ]
        return told, _guessed(lighter, mass, guess, came if shown != "lighter drops" else None, rung)

    return Panel(controls, answer)


@styled
def _guessed(lighter: Evidence, mass: float, guess: float, came: np.ndarray | None, rung: Rung | None) -> Figure:
    fig = Figure(figsize=(6.3, 3.4))
    ax = fig.subplots()
    ax.plot(lighter.mass, lighter.lowest_point, "o", color=INK, mfc="none", label="lighter drops")
    ax.plot([mass], [guess], "*", color=RED, ms=12, label="your guess")
    if came is not None:
        ax.plot(np.full(came.size, mass), came, "D", color=BLUE, mfc="none", label="what came")
    if rung is not None:
        ax.plot([mass], [rung.lowest_point_limit], "_", color=GREEN, ms=18, mew=2.5, label="limit, from lighter drops")
    ax.invert_yaxis()
    ax.set(xlabel="mass hung [kg]", ylabel="lowest point below the tie point [m]")
    ax.legend(loc="lower left")
    return fig


def retest_panel(analysis: "Analysis") -> Panel:
    """See the first retests only, say what the next one brings, then look."""
    wear = analysis.wear
    counts = [] if wear is None else [int(count) for count in np.unique(retests(wear.jumps))]
    if wear is None or len(counts) < 3:
        raise ValueError(f"{len(counts)} retested counts: a lesson takes at least 3")
    controls = {
        "seen": w.SelectionSlider(
            options=[(f"to {count}", count) for count in counts[1:]], value=counts[1],
            description="retests seen [jumps]", continuous_update=False,
        )
    }  # fmt: skip

    def answer(seen: int) -> tuple[list[str], Figure]:
        part = _seen(wear, retests(wear.jumps) <= seen)
        later = [count for count in counts if count > seen]
        told = part.summary().splitlines()
        figure = plots.wear(part)
        if later and part.forecast:
            at = retests(wear.jumps) == later[0]
            told.append(f"what came at {later[0]} jumps: {wear.values[at].min():.2f} to {wear.values[at].max():.2f} m")
        hidden = retests(wear.jumps) > seen
        if hidden.any():
            figure.axes[0].plot(wear.jumps[hidden], wear.values[hidden], "x", color=FAINT, ms=4, label="came later")
        return told, figure

    return Panel(controls, answer)


def _seen(wear: Wear, of: np.ndarray) -> Wear:
    """The assessment that these drops alone would have given."""
    return assess_wear(
        wear.cord[of],
        wear.jumps[of],
        wear.values[of],
        probability=wear.probability,
        least=wear.least,
        greatest=wear.greatest,
        greatest_jumps=wear.greatest_jumps,
        quantity=wear.quantity,
        unit=wear.unit,
    )
