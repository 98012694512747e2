"""Exercises of the lessons, which check themselves: the answers are in none of the notebooks."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import ipywidgets as w
import numpy as np

from cordlab.batch.drop_table import Evidence
from cordlab.notebook.lessons import KINDS
from cordlab.notebook.panels import Panel

if TYPE_CHECKING:
    from cordlab.analysis import Analysis
    from cordlab.campaign.campaign import Campaign

__all__ = ["ON_PROMISES", "Exercise", "on_stretch", "on_wear"]


@dataclass(frozen=True)
class Exercise:
    """A question that checks its own answer.

    truth : a number, right when hit `within` so much [unit], or one of `options`
    hint, because : told after a wrong and a right answer
    """

    question: str
    truth: float | str
    hint: str
    because: str
    unit: str = "1"
    within: float = 0.0
    options: tuple[str, ...] = ()

    def check(self, answer: str) -> str:
        """What is to be said of an answer, as it was typed or chosen."""
        if not answer.strip():
            return "Not answered yet."
        if self.options:
            right = answer == self.truth
        else:
            try:
                right = bool(abs(float(answer.replace(",", ".")) - float(self.truth)) <= self.within)
            except ValueError:
                return f"'{answer}' is not a number."
        return f"Right. {self.because}" if right else f"Not yet. {self.hint}"

    @property
    def solution(self) -> str:
        told = self.truth if isinstance(self.truth, str) else f"{self.truth:.3g} {self.unit.replace('1', '')}".strip()
        return f"Answer: {told}. {self.because}"

    def panel(self) -> Panel:
        """The question, a place for the answer, and the solution for who ticks the box."""
        place: Any = w.Text(description=f"answer [{self.unit}]", placeholder="a number")
        if self.options:
            place = w.Dropdown(options=[("choose", ""), *((each, each) for each in self.options)], description="answer")
        controls = {"answer": place, "solve": w.Checkbox(value=False, description="show the solution")}

        def answer(answer: str, solve: bool) -> tuple[list[str], None]:
            return [self.question, self.check(answer), *([self.solution] if solve else [])], None

        found = Panel(controls, answer)
        found.children = (found.text, *controls.values())  # the question before the place for its answer
        return found


def on_stretch(campaign: "Campaign") -> tuple[Exercise, ...]:
    """Of lesson 1, on the drops of a campaign."""
    drops = Evidence.of_campaign(campaign, use=("fit", "check"))
    heaviest = drops.mass.max()
    lighter, came = drops.take(drops.mass < heaviest), drops.lowest_point[drops.mass == heaviest]
    off = float(np.polyval(np.polyfit(lighter.mass, lighter.lowest_point, 1), heaviest) - came.mean())
    return (
        Exercise(
            f"Predict {heaviest:g} kg by a straight line through all lighter drops. By how much does the line miss the "
            "mean of what came? Positive where the line is too low.",
            off,
            "Fit the line to every lighter drop, not to the last two masses; too low is a greater lowest point.",
            "What a straight line misses grows with each step beyond the drops; how the cord's curve bends decides.",
            unit="m",
            within=0.05,
        ),
        Exercise(
            "Where does an honest limit for the next, heavier drop lie?",
            "lower than the best guess",
            "At the best guess, every second drop would come lower.",
            "It has to hold for another cord, at the first attempt, with what nobody knows of the curve beyond the "
            "drops.",
            options=("at the best guess", "higher than the best guess", "lower than the best guess"),
        ),
    )


ON_PROMISES = (
    Exercise(
        "A colleague has 60 drops of 4 cords and wants a limit for the next drop of another cord. How many degrees of "
        "freedom stand behind the spread between cords?",
        3,
        "What was drawn independently, drops or cords?",
        "Cords less one: 60 drops of 4 cords are 4 cords.",
    ),
    Exercise(
        "You must be 95 % sure that this one campaign's limit holds for 95 % of drops. Which limit do you ask for?",
        "tolerance",
        "On average over campaigns is not in this one campaign.",
        "Only it says how sure it is in a single campaign; the price is a narrower range.",
        options=tuple(KINDS),
    ),
)


def on_wear(analysis: "Analysis") -> tuple[Exercise, ...]:
    """Of lesson 3, on the retests of an analysis."""
    retire = (
        Exercise(
            "The limits are met at one retest and not at the following one. At which count do you retire the cords?",
            "at the earlier retest",
            "What was tested, and held?",
            "Beyond it nothing was tested that holds.",
            options=("at the earlier retest", "half-way between", "at the later retest"),
        ),
    )
    wear = analysis.wear
    if wear is None or wear.slope is None or wear.se_slope is None:
        return retire
    return (
        *retire,
        Exercise(
            f"All retests seen: by how much does the mean {wear.quantity} change in 100 jumps?",
            100 * wear.slope,
            "From the first tests to the last retest, over the jumps between; a loss is negative.",
            f"Within twice its standard error, {200 * wear.se_slope:.2g} {wear.unit}, nobody can tell it better.",
            unit=wear.unit or "1",
            within=200 * wear.se_slope,
        ),
    )
