"""How many sound campaigns are held back by findings that stop a rating? `python -m tests.coverage stops [number] [1]`.

Sound invented campaigns of `tests/worlds.py`: four patterns, three curves, cords that differ by 0.5 to 3 %, drops by
0.2 to 0.8 %, lowest points read to 1 to 5 cm; with a second argument of 1 every other one has records. Counted: the
share in which a finding stops the rating; at most 0.02 is asked of all together. Which finding it was is printed.
"""

from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from cordlab import Analysis, read_campaign
from tests.worlds import CURVES, PATTERNS, World


def sound_world(rng: np.random.Generator, records: bool) -> World:
    """A world as they come."""
    return World(
        curve=CURVES[rng.choice(list(CURVES))],
        cord_sd=rng.uniform(0.005, 0.03),
        drop_sd=rng.uniform(0.002, 0.008),
        reading_sd=rng.uniform(0.01, 0.05),
        softer_per_kelvin=rng.uniform(-0.004, 0.004),
        length=rng.uniform(8.0, 11.0),
        cord_mass=rng.uniform(8.0, 16.0),
        records=records,
    )


def stopped(world: World, pattern: str, rng: np.random.Generator) -> tuple[list[str], bool]:
    """Kinds of the findings that stop a campaign of this world, and whether it is rated."""
    world.drop(rng, PATTERNS[pattern](rng))
    with TemporaryDirectory() as scratch:
        analysis = Analysis(read_campaign(world.write(Path(scratch, "campaign"), rng)))
        return [finding.kind for finding in analysis.findings if finding.stops], analysis.rating.rated


def main(campaigns: int = 300, records: int = 0) -> None:
    rng = np.random.default_rng(23)
    total = 0
    for pattern in PATTERNS:
        kinds, rated, held, count = Counter(), 0, 0, len(range(0, campaigns, len(PATTERNS)))
        for number in range(count):
            stops, is_rated = stopped(sound_world(rng, bool(records) and number % 2 == 1), pattern, rng)
            kinds.update(stops)
            rated, held = rated + is_rated, held + bool(stops)
        total += held
        print(f"{pattern}: {count} sound campaigns, rated {rated}, stopped {held}: {dict(kinds)}", flush=True)
    tried = count * len(PATTERNS)
    share = total / tried
    error = np.sqrt(0.02 * 0.98 / tried)
    print(f"stopped {total} of {tried}: {share:.3f}; asked at most 0.02 (binomial standard error {error:.3f})")
