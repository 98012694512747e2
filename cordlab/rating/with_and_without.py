"""The answer with and without what was settled by hand; drops that were left out are predicted from the others.

Leaving out what does not fit is the easiest way to a wide range: whatever a choice moves is shown both ways.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from cordlab.batch.drop_table import Evidence
from cordlab.campaign.campaign import Campaign, CampaignError
from cordlab.campaign.decisions import CAUSES, LEAVE_OUT, LEFT_OUT, SETTLE, Decisions
from cordlab.limits.anchoring import DropStiffness
from cordlab.limits.validation import HeldBack, validate
from cordlab.rating.rate import Rating
from cordlab.records.reduce import Drop
from cordlab.statistics.groups import EvidenceError


@dataclass(frozen=True)
class ByHand:
    """Choices made by hand and what they change.

    rating, without : the answer with them, and without; the second None where the campaign is refused without them,
        and refused says why
    held_back : drops left out that are no worn cord's, against the limits that the other drops give
    """

    decisions: Decisions
    rating: Rating
    without: Rating | None
    refused: tuple[str, ...]
    held_back: tuple[HeldBack, ...]

    @property
    def widens(self) -> bool:
        """Whether the choices rate riders that would not be rated without them."""
        with_choices, without = self.rating.ends, self.without.ends if self.without else None
        if with_choices is None or without is None:
            return with_choices is not None
        return with_choices[0] < without[0] or with_choices[1] > without[1]

    @property
    def cautions(self) -> tuple[str, ...]:
        cautions = [f"{choice}; reason: {reason}" for choice, reason in self.choices]
        outside = [row for row in self.held_back if not row.inside]
        if outside:
            rows = ", ".join(f"{r.drop} {r.measured:.2f} m ({r.lower:.2f} to {r.upper:.2f} m)" for r in outside)
            cautions.append(
                f"{len(outside)} of {len(self.held_back)} drops left out came to lie outside the limits that the other "
                f"drops give for the lowest point: {rows}. The limits do not hold for cords like these."
            )
        cautions.append(f"{_range(self.rating)}; without the choices by hand {self.range_without}.")
        if self.widens:
            cautions.append(
                "the choices rate riders that are not rated without them; whoever signs answers for their reasons."
            )
        return tuple(f"By hand: {caution}" for caution in cautions)

    @property
    def choices(self) -> tuple[tuple[str, str], ...]:
        """Each choice in words, and its reason with who decided."""
        choices = []
        for choice in self.decisions:
            if choice.kind == LEAVE_OUT:
                name = f"drop {choice.drop}" if choice.cord is None else f"cord {choice.cord} and all its drops"
                words = f"{name} left out of curve and limits, for {CAUSES[choice.cause]}"
            elif choice.kind == SETTLE:
                words = f"finding '{choice.finding}'" + (f" of drop {choice.drop}" if choice.drop else "") + " settled"
            else:
                events = ", ".join(f"{name.replace('_', ' ')} {at.value:.3f} s" for name, at in choice.events.items())
                words = f"drop {choice.drop} marked: {events}"
            choices.append((words, choice.reason + (f" (decided by {choice.by})" if choice.by else "")))
        return tuple(choices)

    @property
    def range_without(self) -> str:
        return _range(self.without) if self.without else "refused: " + "; ".join(self.refused)

    def to_dict(self) -> dict[str, object]:
        return self.decisions.to_dict() | {
            "told": [{"choice": choice, "reason": reason} for choice, reason in self.choices],
            "without": self.without and self.without.to_dict(),
            "range_without": self.range_without,
            "widens": self.widens,
            "held_back": [row.to_dict() for row in self.held_back],
        }


def with_and_without(
    campaign: Campaign,
    drops: Sequence[Drop],
    stiffness: DropStiffness | None,
    rating: Rating,
    *,
    rate_again: Callable[[Campaign], Rating],
) -> ByHand | None:
    """The choices of a campaign, with both answers and the drops left out predicted; None where nothing was chosen.
    stiffness : of the drops that count, None where they carry no limit; rate_again : rates it without choices."""
    if not campaign.by_hand:
        return None
    without: Rating | None = None
    refused: tuple[str, ...] = ()
    held_back: tuple[HeldBack, ...] = ()
    try:
        without = rate_again(campaign.as_noted())
    except CampaignError as error:
        refused = error.problems
    left_out = Evidence.of_campaign(campaign, drops, use=(LEFT_OUT,))
    not_worn = {entry.drop for entry in campaign.drops if entry.noted_use != "wear"}
    left_out = left_out.take(np.array([name in not_worn for name in left_out.drop], bool))
    if stiffness is not None and len(left_out):
        with suppress(EvidenceError):  # too few cords for a limit: the rating's reasons say so
            held_back = validate(stiffness, left_out, probability=campaign.decision.probability).rows
    return ByHand(campaign.by_hand, rating, without, refused, held_back)


def _range(rating: Rating) -> str:
    return rating.headline if rating.rated else "not rated: " + "; ".join(rating.reasons)
