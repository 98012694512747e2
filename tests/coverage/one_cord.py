"""Does the limit of a cord rated by itself hold? `python -m tests.coverage one_cord [campaigns]`.

Each campaign is one cord of an invented batch, dropped with a few masses, lowest points read by hand, and then rated by
itself ([decision] cord). The world is the energy balance of a light fall, written out here and sharing nothing with
cordlab: what the fall gives, M g y + m g (L/4 + x/2), is what the cord takes up, s L W(λ). So the probability that the
next drop of that very cord goes beyond a limit is exact: ln s is normal about the cord's own level.
"""

import tempfile
from pathlib import Path

import numpy as np
from scipy.optimize import brentq
from scipy.stats import norm

from cordlab.analysis import Analysis
from cordlab.campaign.campaign import read_campaign
from cordlab.limits.forecast import forecast_drop
from tests.small_campaign import CAMPAIGN

GRAVITY, LENGTH, CORD_MASS, READ = 9.80665, 10.0, 14.0, 0.05
STILL = {"0.0(1) m": "0.0 m", "0.10(3) m^2": "0.0 m^2", "0.0(2) m": "0.0 m", "0.5(2) m^2": "0.0 m^2"}  # rig and site
STILL |= {"3.0(3) kg": "0.0 kg", "48.00(3) m": "90.00(3) m"}  # no gear, and room for the softest world
MASSES = {4: (36, 57, 79, 100), 6: (36, 49, 62, 74, 87, 100), 9: (36, 44, 52, 60, 68, 76, 84, 92, 100)}
WORLDS = {"mooney-rivlin": (280.0, 70.0, 0.0), "stiffens": (330.0, 0.0, 0.12), "hardly stiffens": (150.0, 250.0, 0.0)}


def stored(ratio: float, world: tuple[float, float, float]) -> float:
    """Energy a metre of slack cord with the force 2(λ − λ⁻²)(a + b/λ) + c(λ − 1)³, integrated by hand.  [J/m]"""
    a, b, c = world
    first = 2 * a * (ratio**2 / 2 + 1 / ratio - 1.5) + 2 * b * (ratio + 0.5 / ratio**2 - 1.5)
    return first + c * 100 * (ratio - 1) ** 4 / 4


def scale_for(mass: float, lowest: float, world: tuple[float, float, float]) -> float:
    """Stiffness with which a drop comes exactly so low."""
    fall = GRAVITY * (mass * lowest + CORD_MASS * (LENGTH / 4 + (lowest - LENGTH) / 2))
    return fall / (LENGTH * stored(lowest / LENGTH, world))


def lowest_of(mass: float, scale: float, world: tuple[float, float, float]) -> float:
    return brentq(lambda y: scale_for(mass, y, world) - scale, LENGTH + 0.5, 200.0)


def campaign(folder: Path, rng: np.random.Generator, *, drops: int, drop_sd: float, world) -> float:
    """Writes a campaign of one cord and gives its true level, the mean of ln s."""
    level = rng.normal(0.0, 0.03)
    text = CAMPAIGN.replace("seed = 20", 'seed = 20\ncord = "K"').replace(
        "[criteria]", '[criteria]\ndesign_breaking_load = "15 kN"'
    )
    for old, new in STILL.items():
        text = text.replace(old, new)
    lines = ["drop,cord,mass [kg],jumps,use,lowest point [m],u(lowest point) [m]"]
    for k, mass in enumerate(MASSES[drops]):
        lowest = lowest_of(mass, np.exp(level + rng.normal(0.0, drop_sd)), world) + rng.normal(0.0, READ)
        lines.append(f"D{k},K,{mass},{k},fit,{lowest:.3f},{READ}")
    folder.mkdir()
    (folder / "campaign.toml").write_text(text)
    (folder / "cords.csv").write_text(f"cord,slack length [m],cord mass [kg],jumps\nK,{LENGTH},{CORD_MASS},0\n")
    (folder / "drops.csv").write_text("\n".join([*lines, ""]))
    return level


def study(campaigns: int, *, drops: int, drop_sd: float, world: str, share: float = 0.99) -> np.ndarray:
    """Probability that the next drop of the cord goes beyond its limit, lightest, middle and heaviest mass.  (n, 3)"""
    beyond = []
    for seed in range(campaigns):
        rng = np.random.default_rng([seed, drops, int(1e4 * drop_sd)])
        with tempfile.TemporaryDirectory() as place:
            curve = WORLDS[world]
            level = campaign(Path(place, "one"), rng, drops=drops, drop_sd=drop_sd, world=curve)
            analysis = Analysis(read_campaign(Path(place, "one")))
            stiffness = analysis.stiffness
        if stiffness is None:
            continue
        masses = np.array([MASSES[drops][k] for k in (0, len(MASSES[drops]) // 2, -1)], float)
        site, waves = analysis.campaign.site, analysis.loads.site if analysis.loads else None
        forecast = forecast_drop(stiffness, site=site, masses=masses, cord="K", waves=waves, draws=20_000)
        limits = zip(masses, forecast.prediction_limit("lowest_point", share), strict=True)
        beyond.append([norm.cdf((np.log(scale_for(m, y, curve)) - level) / drop_sd) for m, y in limits])
    return np.array(beyond)


def main(campaigns: int = 200) -> None:
    print(f"{campaigns} campaigns of one cord each: the next drop beyond its 99 % limit, in %, ± a standard error")
    for world in WORLDS:
        for drops, drop_sd in ((4, 0.01), (6, 0.01), (9, 0.01), (6, 0.03)):
            beyond = 100 * study(campaigns, drops=drops, drop_sd=drop_sd, world=world)
            mean, error = beyond.mean(axis=0), beyond.std(axis=0, ddof=1) / np.sqrt(len(beyond))
            cells = "  ".join(f"{m:.2f} ± {e:.2f}" for m, e in zip(mean, error, strict=True))
            shown = f"{world:16s} {drops} drops, scatter {100 * drop_sd:g} %"
            print(f"  {shown}: light, middle, heavy {cells}  ({len(beyond)} with a limit)", flush=True)
