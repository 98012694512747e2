"""What-if panel of the rating: processor time from a moved control to the answer, and to the picture; best of several.

The reference in the same run is a new forecast, which the panel does without: it judges draws that are there.
"""

import time
from collections.abc import Callable
from itertools import cycle
from typing import Any

from cordlab import analyse, read_campaign
from cordlab.limits.forecast import forecast_drop
from cordlab.notebook import panels
from cordlab.rating.rate import re_rate
from tests.conftest import ROOT

MOVES = {"tie_height": (40.0, 41.0), "reach": (1.9, 2.4), "greatest_g": (3.0, 3.2), "probability": (0.95, 0.98)}


def best(act: Callable[[], Any], times: int = 7) -> float:
    """Shortest processor time of several [s]."""
    found = []
    for _ in range(times):
        start = time.process_time()
        act()
        found.append(time.process_time() - start)
    return min(found)


def main() -> None:
    campaign = read_campaign(ROOT / "data-demo" / "first-batch")
    analysis = analyse(campaign)
    site, criteria, decision = campaign.site, campaign.criteria, campaign.decision
    panel, draws = panels.rating_panel(analysis), analysis.forecast.draws["g"].shape
    whole = {"site": site, "masses": analysis.forecast.masses, "waves": analysis.forecast.waves, "draws": draws[1]}
    print(f"demo campaign, {draws[0]} masses, {draws[1]} draws; processor seconds, best of 7")
    asked = {"criteria": criteria, "breaking_load": campaign.lowest_break, "validation": analysis.validation}
    anew = best(lambda: forecast_drop(analysis.stiffness, probability=decision.probability, **whole), 3)
    print(f"a new forecast                 {anew:.3f}")
    print(f"answer from the draws          {best(lambda: re_rate(analysis.forecast, **asked)):.3f}")
    for name, values in MOVES.items():
        turn = cycle(values)
        moved = best(lambda name=name, turn=turn: setattr(panel.controls[name], "value", next(turn)))
        print(f"{name:14s} moved, drawn    {moved:.3f}")
