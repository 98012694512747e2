"""What was settled by hand, weighed: the answer with it beside the one without it; drops left out are predicted.

Leaving out what does not fit is the easiest way to a wide range. So nothing is left out in silence: whatever a choice
by hand moves is computed both ways and said.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np

from cordlab.batch.anchor import Anchors, Evidence, EvidenceError
from cordlab.campaign.campaign import Campaign, CampaignError
from cordlab.campaign.decisions import LEFT_OUT, Decisions, LeftOut
from cordlab.limits.validation import HeldBack, validate
from cordlab.rating.rate import Rating
from cordlab.records.reduce import Drop


@dataclass(frozen=True)
class ByHand:
    """Choices made by hand and what they change.

    rating, without : the answer with them, and without; the second None where the campaign is refused without them,
        and refused says why
    held_back : drops left out that are no worn cord's, against the limits that the others give
    """

    decisions: Decisions
    rating: Rating
    without: Rating | None
    refused: tuple[str, ...]
    held_back: tuple[HeldBack, ...]

    @property
    def widens(self) -> bool:
        """Whether the choices rate riders that would not be rated without them."""
        if not self.rating.rated:
            return False
        if self.without is None or not self.without.rated:
            return True
        (light, heavy), (lighter, heavier) = _ends(self.without), _ends(self.rating)
        return lighter < light or heavier > heavy

    @property
    def cautions(self) -> tuple[str, ...]:
        found = [f"By hand: {what}; reason: {why}" for what, why in self.told]
        outside = [row for row in self.held_back if not row.inside]
        if outside:
            rows = ", ".join(f"{r.drop} {r.measured:.2f} m ({r.lower:.2f} to {r.upper:.2f} m)" for r in outside)
            found.append(
                f"By hand: {len(outside)} of {len(self.held_back)} drops left out came to lie outside the limits that "
                f"the other drops give for the lowest point: {rows}. The limits do not hold for cords like these."
            )
        found.append(f"By hand: {_range(self.rating)}; without the choices by hand {self.range_without}.")
        if self.widens:
            found.append("By hand: the choices rate riders that are not rated without them; whoever signs answers for "
                         "their reasons.")  # fmt: skip
        return tuple(found)

    @property
    def told(self) -> tuple[tuple[str, str], ...]:
        """Each choice in words, and its reason with who decided."""
        found = []
        for choice in self.decisions:
            why = choice.reason + (f" (decided by {choice.by})" if choice.by else "")
            if isinstance(choice, LeftOut):
                name = f"drop {choice.drop}" if choice.cord is None else f"cord {choice.cord} and all its drops"
                found.append((f"{name} left out of curve and limits", why))
            else:
                events = ", ".join(f"{name.replace('_', ' ')} {at.value:.3f} s" for name, at in choice.events.items())
                found.append((f"drop {choice.drop} marked: {events}", why))
        return tuple(found)

    @property
    def range_without(self) -> str:
        return _range(self.without) if self.without else "refused: " + "; ".join(self.refused)

    def to_dict(self) -> dict[str, Any]:
        return self.decisions.to_dict() | {
            "told": [{"choice": what, "reason": why} for what, why in self.told],
            "without": self.without and self.without.to_dict(),
            "range_without": self.range_without,
            "widens": self.widens,
            "held_back": [row.to_dict() for row in self.held_back],
        }


def weigh(
    campaign: Campaign,
    drops: Sequence[Drop],
    learned: Anchors | None,
    rating: Rating,
    *,
    rate_again: Callable[[Campaign], Rating],
) -> ByHand | None:
    """The choices of a campaign, with both answers and the drops left out predicted; None where nothing was chosen.

    learned : from the drops that count, None where they carry no limit; rate_again : rates the campaign without choices
    """
    if not campaign.by_hand:
        return None
    without: Rating | None = None
    refused: tuple[str, ...] = ()
    rows: tuple[HeldBack, ...] = ()
    try:
        without = rate_again(campaign.as_noted())
    except CampaignError as error:
        refused = error.problems
    out = Evidence.of_campaign(campaign, drops, use=(LEFT_OUT,))
    fresh = {entry.drop for entry in campaign.drops if entry.noted_use != "wear"}
    out = out.take(np.array([name in fresh for name in out.drop], bool))
    if learned is not None and len(out):
        with suppress(EvidenceError):  # too few cords for a limit: the rating's reasons say so
            rows = validate(learned, out, probability=campaign.decision.probability).rows
    return ByHand(campaign.by_hand, rating, without, refused, rows)


def _ends(rating: Rating) -> tuple[float, float]:
    if rating.lightest is None or rating.heaviest is None:
        raise ValueError("there is no range")
    return rating.lightest, rating.heaviest


def _range(rating: Rating) -> str:
    if not rating.rated:
        return "not rated: " + "; ".join(rating.reasons)
    return f"rated for rider masses of {rating.lightest:.1f} to {rating.heaviest:.1f} kg"
