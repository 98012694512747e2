"""Lessons: predict before you look, what a limit promises, when a cord has worn too far; exercises that check
themselves, with their words in exercises.toml."""

import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import ipywidgets as w
import numpy as np
from matplotlib.figure import Figure
from scipy.special import ndtr, ndtri

from cordlab.batch.drop_table import Evidence, drop_inputs
from cordlab.batch.fit import FitError
from cordlab.batch.lowest_points import fit_lowest_points
from cordlab.mechanics.fall import GRAVITY
from cordlab.mechanics.predict import predict_drop
from cordlab.notebook.choose import Missing
from cordlab.notebook.panel import Answer, Panel, probability_slider
from cordlab.rating.ladder import DropDay, next_mass
from cordlab.report import figures as plots
from cordlab.report.style import BLUE, FAINT, GREEN, INK, RED, canvas, figure_of, legend_outside, styled
from cordlab.statistics.limits import Limit, confidence_limit, prediction_limit, tolerance_limit

if TYPE_CHECKING:
    from cordlab.analysis import Analysis
    from cordlab.campaign.campaign import Campaign

FAMILY = "mooney-rivlin"  # of curves that the ladder takes for possible; more parameters run away beyond the drops
TURNED = 2.0  # further fall of a rider's centre of mass, hung by the ankles; common practice, no source [m]
GUESSES = "one or many, such as 38.5 40"
KINDS = {
    "confidence": "of the mean, read as if it were for a drop",
    "pooled": "prediction, all drops taken for independent",
    "prediction": "for the next drop of another cord",
    "tolerance": "for a share of drops, one drop a cord",
}

# what a limit promises


@dataclass(frozen=True)
class Promises:
    """Upper limits from many invented batches, and what came next; lowest points less the batch's true mean [m]."""

    limits: dict[str, np.ndarray]  # kind → (batches,)
    kept: dict[str, np.ndarray]  # kind → (batches,) the true share of drops of other cords that stay within the limit
    following: np.ndarray  # (batches,) one drop of another cord of each batch
    truth: float  # the limit that somebody would state who knew everything
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
    """Invent batches with normal lowest points of these standard deviations [m], and take the four limits of each."""
    if cords < 2 or drops < 1:
        raise ValueError(f"{cords} cords, {drops} drops a cord: at least 2 cords and 1 drop")
    rng = np.random.default_rng(seed)
    values = sd_cord * rng.standard_normal((batches, cords, 1)) + sd_drop * rng.standard_normal((batches, cords, drops))
    total = float(np.hypot(sd_cord, sd_drop))
    groups, p = np.repeat(np.arange(cords), drops), probability
    takes: dict[str, Callable[[np.ndarray], Limit]] = {
        "confidence": lambda batch: confidence_limit(batch.ravel(), confidence=p, side="upper"),
        "pooled": lambda batch: prediction_limit(batch.ravel(), probability=p, side="upper"),
        "prediction": lambda batch: prediction_limit(batch.ravel(), probability=p, side="upper", groups=groups),
        "tolerance": lambda batch: tolerance_limit(batch[:, 0], share=p, confidence=confidence, side="upper"),
    }
    limits = {kind: np.array([take(batch).upper for batch in values]) for kind, take in takes.items()}
    kept = {kind: ndtr(limit / total) for kind, limit in limits.items()}
    following, truth = total * rng.standard_normal(batches), total * float(ndtri(probability))
    return Promises(limits, kept, following, truth, probability, confidence)


@styled
def promises(drawn: Promises) -> Figure:
    """Each batch's limit, kind by kind, with the drop that followed; crossed where it came lower than the limit."""
    following, number = drawn.following, np.arange(1, drawn.following.size + 1)
    lowest = 1.15 * max(float(np.quantile(limit, 0.95)) for limit in drawn.limits.values())
    lines = {}  # label → one line of that kind, for the legend
    panels = canvas(None, *[("", "")] * 3, ("batch", ""), size=(6.3, 6.0), sharex=True, sharey=True)
    for ax, (kind, limit) in zip(panels, drawn.limits.items(), strict=True):
        passed = drawn.passed(kind)
        (lines["limit of the batch"],) = ax.plot(number, limit, "_", color=BLUE, ms=6, label=f"{kind} limit")
        for label, seen, marker, colour, size in (
            ("next drop, within", ~passed, ".", FAINT, 4),
            ("next drop, lower", passed, "X", RED, 7),
        ):
            if seen.any():
                (lines[label],) = ax.plot(number[seen], following[seen], marker, label=label, color=colour, ms=size)
        lines["true limit"] = ax.axhline(drawn.truth, color=GREEN, ls=":", lw=1.4, label="true limit")
        ax.set_title(f"{kind}: {KINDS[kind]}; passed {passed.sum()} times in {number.size}", fontsize=9)
    panels[0].set_ylim(lowest, 1.3 * min(following.min(), -0.2 * lowest))
    figure_of(panels[0]).supylabel("lowest point against the true mean [m]", fontsize=9)
    legend_outside(panels, list(lines.values()), labels=list(lines), ncols=4)
    return figure_of(panels[0])


def promise_panel() -> Panel:
    """Draw 100 invented batches and watch which limits hold."""
    controls = {
        "cords": w.IntSlider(value=6, min=2, max=30, description="cords tested [1]"),
        "drops": w.IntSlider(value=5, min=1, max=20, description="drops a cord [1]"),
        "sd_cord": w.FloatSlider(value=0.4, max=1, step=0.05, description="sd between cords [m]"),
        "sd_drop": w.FloatSlider(value=0.15, min=0.05, max=1, step=0.05, description="sd between drops [m]"),
        "probability": probability_slider(0.95, (0.8, 0.9, 0.99)),
        "seed": w.IntSlider(max=99, description="draw again [number]"),
    }

    def answer(**choices: Any) -> Answer:
        drawn = draw_promises(**choices)
        return drawn.summary().splitlines(), promises(drawn)

    return Panel(controls, answer)


# predict before you look


def guesses(text: str) -> np.ndarray:
    """The numbers that a class calls out, parted by blanks or semicolons, with a decimal comma or point."""
    return np.array([float(word.replace(",", ".")) for word in text.replace(";", " ").split()])


def guess_panel(campaign: "Campaign") -> Panel:
    """Predict before you look: lowest points of lighter weights, your guesses for the next; then what came."""
    drops = Evidence.of_campaign(campaign, use=("fit", "check"))
    masses = np.unique(drops.mass)
    if masses.size < 3:
        raise Missing(f"{masses.size} masses with a lowest point: guessing the next one takes at least 3")
    steps = ("lighter drops", "and what came", "and a fit", "and the limit")
    options = [(f"{mass:g} kg", float(mass)) for mass in masses[2:]]
    controls = {
        "mass": w.SelectionSlider(options=options, value=options[-1][1], description="next weight [kg]"),
        "guess": w.Text(placeholder=GUESSES, description="guesses [m]"),
        "shown": w.ToggleButtons(options=steps, description="look at"),
    }

    def answer(mass: float, guess: str, shown: str) -> Answer:
        lighter, came, step = drops.take(drops.mass < mass), drops.lowest_point[drops.mass == mass], steps.index(shown)
        guessed = guesses(guess)
        lines = [_guessed(guessed, f"{mass:g} kg", came if step else None)]
        (ax,) = canvas(None, plots.DEPTHS, size=(6.3, 3.6))
        ax.plot(lighter.mass, lighter.lowest_point, "o", color=INK, mfc="none", label="lighter drops")
        ax.set_xlim(lighter.mass.min() - 4, mass + 4)
        ax.axvline(mass, color=FAINT, ls=":", lw=1)
        ax.invert_yaxis()
        if step == 0:
            lines.append("Write down your guess, and the limit that you would stand below; then look.")
        else:
            ax.plot(np.full(came.size, mass), came, "D", color=BLUE, mfc="none", label="what came")
        if step > 1:
            line = np.polyval(np.polyfit(lighter.mass, lighter.lowest_point, 1), mass)
            lines.append(f"A straight line through the lighter drops says {line:.2f} m.")
            setup, at = lighter.setup(campaign.rig), np.append(np.unique(lighter.mass), mass)
            try:
                fit = fit_lowest_points(lighter.lowest_point, cords=lighter.cord, model=FAMILY, **setup)
            except FitError as error:
                lines.append(f"No curve from the lighter drops: {error}")
            else:  # of the mean cord
                mean = {"slack_length": lighter.slack_length.mean(), "cord_mass": lighter.cord_mass.mean()}
                drop = predict_drop(fit.chosen.curve, mass=at, **mean, **drop_inputs(campaign.rig))
                lowest = np.asarray(drop.lowest_point)
                lines.append(f"A {FAMILY} curve through them says {lowest[-1]:.2f} m.")
                ax.plot(at[:-1], lowest[:-1], "-", color=BLUE, lw=1, label="curve through them")
                ax.plot(at[-2:], lowest[-2:], "--", color=BLUE, lw=1, label="_")
        if step > 2:
            rung = next_mass(DropDay(campaign.rig, campaign.criteria.least_clearance, lighter), mass=mass)
            limit, share = rung.lowest_point_limit, f"{100 * rung.probability:g} %"
            lower = f"{int(np.sum(came > limit))} of {came.size} drops came lower"
            lines.append(f"The ladder, from the lighter drops alone: {share} limit {limit:.2f} m; {lower}.")
            ax.plot([mass], [limit], "_", color=GREEN, ms=18, mew=2.5, label="limit, from lighter drops")
        if guessed.size:
            ax.plot(np.full(guessed.size, mass), guessed, "*", color=RED, ms=12, label="guesses")
        ax.legend(loc="lower left")
        return lines, figure_of(ax)

    return Panel(controls, styled(answer))


def _guessed(guessed: np.ndarray, what: str, came: np.ndarray | None, unit: str = "m") -> str:
    """What the class guessed, and once it came by how much that was off: lower is a greater lowest point."""
    text = f"{what}: no guess yet."
    if guessed.size:
        text = f"{what}: {guessed.size} guessed, {guessed.min():.1f} to {guessed.max():.1f} {unit}."
    if came is None:
        return text
    text += f" It came to {came.min():.2f} to {came.max():.2f} {unit}, {came.mean():.2f} {unit} on average"
    if guessed.size:
        off = guessed.mean() - came.mean()
        text += f": the guesses are {abs(off):.2f} {unit} too {'great' if off > 0 else 'small'}"
    return f"{text}."


# a cord wears


def retest_panel(analysis: "Analysis") -> Panel:
    """See the first retests only, say what the next one brings and when you would stop, then look."""
    wear = analysis.wear
    counts = [] if wear is None else [int(count) for count in np.unique(wear.retest)]
    if wear is None or len(counts) < 3:
        raise Missing(f"{len(counts)} jump counts, the first tests among them: this lesson takes at least 3")
    options = [(f"to {count}", count) for count in counts[1:]]
    controls = {
        "seen": w.SelectionSlider(options=options, value=counts[1], description="retests seen [jumps]"),
        "guess": w.Text(placeholder=GUESSES, description=f"the next mean [{wear.unit or 1}]"),
        "stop": w.BoundedIntText(max=100_000, step=50, description="you would stop at [jumps]"),
        "shown": w.ToggleButtons(options=["so far", "and what came next"], description="look at"),
    }

    def answer(seen: int, guess: str, stop: int, shown: str) -> Answer:
        part, guessed = wear.take(wear.retest <= seen), guesses(guess)
        lines, figure = part.summary().splitlines(), plots.wear(part)
        ax = figure.axes[0]
        if seen == counts[-1]:
            lines.append("every retest is seen")
        else:
            following = counts[counts.index(seen) + 1]
            came, looked = wear.retest == following, shown != "so far"
            values = wear.values[came] if looked else None
            lines.append(_guessed(guessed, f"the mean at {following} jumps", values, wear.unit))
            if guessed.size:
                ax.plot(np.full(guessed.size, following), guessed, "*", color=RED, ms=11, label="guesses")
            if looked:
                ax.plot(wear.jumps[came], wear.values[came], "D", color=INK, mfc="none", label="what came")
        if stop:
            ax.axvline(stop, color=GREEN, ls=":", lw=1.4, label="you would stop")
            last = part.retire_at
            met = "no retest meets the limit" if last is None else f"the limit is met up to the retest at {last}"
            backed = "what was tested" if stop <= (last or 0) else "nothing that was tested so far"
            lines.append(f"You would stop at {stop} jumps; {met}: {backed} bears you out.")
        return lines, figure

    return Panel(controls, answer)


# exercises


@dataclass(frozen=True)
class Exercise:
    """A question that checks its own answer."""

    question: str
    truth: float | str  # a number, right when hit `within` so much [unit], or one of `options`
    hint: str  # what a wrong answer is answered with,
    because: str  # and a right one
    unit: str = "1"
    within: float = 0.0
    options: Sequence[str] = ()

    def check(self, answer: str) -> str:
        """The comment on an answer, as it was typed or chosen."""
        if not answer.strip():
            return "Not answered yet."
        if isinstance(self.truth, str):
            right = answer == self.truth
        else:
            try:
                right = abs(float(answer.replace(",", ".")) - self.truth) <= self.within
            except ValueError:
                return f"'{answer}' is not a number."
        return f"Right. {self.because}" if right else f"Not yet. {self.hint}"

    def panel(self) -> Panel:
        """The question, a place for the answer, and the solution for who ticks the box."""
        place = w.Text(description=f"answer [{self.unit}]", placeholder="a number")
        if self.options:
            options = [("choose", ""), *zip(self.options, self.options, strict=True)]
            place = w.Dropdown(options=options, description="answer")
        controls = {"answer": place, "solve": w.Checkbox(value=False, description="show the solution")}
        truth = self.truth
        if not isinstance(truth, str):
            truth = f"{truth:.3g} {self.unit.replace('1', '')}".strip()
        solution = f"Answer: {truth}. {self.because}"

        def answer(answer: str, solve: bool) -> Answer:
            return [self.question, self.check(answer), solution][: 2 + solve], None

        panel = Panel(controls, answer)
        panel.children = (panel.text, *controls.values())  # the question before the place for its answer
        return panel


EXERCISES = tomllib.loads((files("cordlab.notebook") / "exercises.toml").read_text(encoding="utf-8"))


def exercise(name: str, words: Mapping[str, Any] | None = None, **computed: Any) -> Exercise:
    """An exercise of exercises.toml: `words` fill its text; `computed` are the fields that the drops give."""
    fields = EXERCISES[name].items()
    written = {key: value.format(**words or {}) if isinstance(value, str) else value for key, value in fields}
    return Exercise(**written | computed)


def on_stretch(campaign: "Campaign") -> tuple[Exercise, ...]:
    """Of lesson 1, on the drops of a campaign."""
    drops = Evidence.of_campaign(campaign, use=("fit", "check"))
    heaviest = drops.mass.max()
    lighter, came = drops.take(drops.mass < heaviest), drops.lowest_point[drops.mass == heaviest]
    off = float(np.polyval(np.polyfit(lighter.mass, lighter.lowest_point, 1), heaviest) - came.mean())
    line = exercise("a line beyond the drops", {"mass": heaviest}, truth=off)
    # a weight that is heavier by M Δh/y brings as much energy to the lowest point y; how low it comes is in the drops
    near = drops.take(drops.mass >= np.unique(drops.mass)[-2:].min())
    lower = float(np.polyfit(near.mass, near.lowest_point, 1)[0] * heaviest * TURNED / came.mean())
    words = {"mass": heaviest, "fall": TURNED, "energy": heaviest * GRAVITY * TURNED}
    return line, exercise("where a limit lies"), exercise("a rider who turns over", words, truth=lower)


def on_promises() -> tuple[Exercise, ...]:
    """Of lesson 2, on what a limit promises."""
    return exercise("degrees of freedom"), exercise("sure of one campaign")


def on_wear(analysis: "Analysis") -> tuple[Exercise, ...]:
    """Of lesson 3, on the retests of an analysis."""
    wear, retire = analysis.wear, exercise("when to retire")
    if wear is None or wear.slope is None or wear.se_slope is None:
        return (retire,)
    within, unit = 200 * wear.se_slope, wear.unit or "1"
    words = {"quantity": wear.quantity, "unit": wear.unit, "within": within}
    return retire, exercise("change in 100 jumps", words, truth=100 * wear.slope, within=within, unit=unit)
