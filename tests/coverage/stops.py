"""How many sound campaigns are held back by findings that stop a rating? `python -m tests.coverage stops [number]`.

Sound invented campaigns of four patterns. Two in five have lowest points alone (`tests/worlds.py`: three curves, cords
that differ by 0.5 to 3 %, drops by 0.2 to 0.8 %, lowest points read to 1 to 5 cm). The others have records of other
curves, of cords with and without stretch waves, rigs and loggers of 200 to 1,000 samples a second (`tests/rigs.py`):
with a distance, with a distance and a tape, or with the load alone and a tape. Counted: the share in which a finding
stops the rating; at most 0.02 is asked of all together. Which finding it was is printed, and how far the witnesses of
sound records were apart in the median, beside what is allowed. No forecast is drawn, and of the curve's shape few.
"""

from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

import numpy as np
import pandas as pd

from cordlab import Analysis, CampaignError, read_campaign
from cordlab.batch.witnesses import WITNESSES, compared
from tests.coverage._engine import heads, row, share
from tests.rigs import Circumstance, happen, recorded_world, write
from tests.worlds import CURVES, PATTERNS, World

KINDS = {
    "lowest points alone": None,
    "distance": Circumstance(),
    "lowest points alone, again": None,
    "distance and tape": Circumstance(noted=True),
    "load alone": Circumstance(distance=False, noted=True),
}


def sound_world(rng: np.random.Generator) -> World:
    """A world of lowest points alone, as they come."""
    return World(
        curve=CURVES[rng.choice(list(CURVES))],
        cord_sd=rng.uniform(0.005, 0.03),
        drop_sd=rng.uniform(0.002, 0.008),
        reading_sd=rng.uniform(0.01, 0.05),
        softer_per_kelvin=rng.uniform(-0.004, 0.004),
        length=rng.uniform(8.0, 11.0),
        cord_mass=rng.uniform(8.0, 16.0),
    )


def sound_campaign(folder: Path, rng: np.random.Generator, pattern: str, circumstance: Circumstance | None) -> Path:
    """A sound campaign of a pattern, with records or with lowest points alone."""
    plan = PATTERNS[pattern](rng)
    if circumstance is None:
        world = sound_world(rng)
        world.drop(rng, plan)
        return world.write(folder)
    recorded = recorded_world(rng, plan)
    happen([recorded])
    return write(folder, recorded, rng, circumstance)


def main(campaigns: int = 300) -> None:
    rng = np.random.default_rng(23)
    totals, stopped, refused, seen = Counter(), Counter(), Counter(), []
    for number in range(campaigns):
        pattern = list(PATTERNS)[number % len(PATTERNS)]
        evidence = list(KINDS)[number // len(PATTERNS) % len(KINDS)]
        kind = pattern, evidence.removesuffix(", again")
        totals[kind] += 1
        with TemporaryDirectory() as scratch, patch("cordlab.analysis.SHAPES", 8):
            folder = sound_campaign(Path(scratch, "campaign"), rng, pattern, KINDS[evidence])
            try:
                analysis = Analysis(read_campaign(folder))
                stops = [finding for finding in analysis.findings if finding.stops]
                if len(analysis.drops):
                    table = compared(analysis.campaign, analysis.drops)
                    seen.append(table[["alone", *WITNESSES]].median())
            except CampaignError as error:
                refused[kind] += 1
                print(f"campaign {number} ({', '.join(kind)}) is refused: {error}", flush=True)
                continue
        stopped[kind] += bool(stops)
        if totals.total() % 50 == 0:
            print(f"so far stopped {stopped.total()} of {totals.total()}", flush=True)
        for finding in stops:
            print(f"campaign {number} ({', '.join(kind)}) is stopped: {finding.kind}: {finding}", flush=True)
    heads("pattern", "evidence", "campaigns", "stopped", "refused")
    for kind, count in sorted(totals.items()):
        row(*kind, count, stopped[kind], refused[kind])
    print(
        f"stopped {stopped.total()} of {campaigns}: {share(np.arange(campaigns) < stopped.total())}; asked at most 0.02"
    )
    if seen:
        heads("witness", "off in the median of a campaign with a distance, 95 %, greatest", "load alone", "allowed")
        off = pd.DataFrame(seen)
        for name, witness in WITNESSES.items():
            cells = [_spread(off[name][off["alone"] == alone].abs().dropna()) for alone in (0, 1)]
            row(name, *cells, f"{witness.bound:.1%}, alone {witness.bound_alone:.1%}")


def _spread(values: pd.Series) -> str:
    return f"{values.quantile(0.95):.2%}, {values.max():.2%}" if len(values) else "–"
