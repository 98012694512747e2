"""Two results compared, number by number: equal, equal within Monte Carlo error, or different, and why."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import isclose, isfinite, sqrt
from statistics import NormalDist
from typing import Any, TypeGuard

from cordlab.analysis import SHAPES
from cordlab.campaign.files import spelled
from cordlab.limits.simulate import BATCH_SIZE, STEADY
from cordlab.quantities import QUANTITIES
from cordlab.rating.criteria import MASS_STEP
from cordlab.statistics.propagation import numerical_tolerance

EQUAL, WITHIN, DIFFERS = "equal", "equal within Monte Carlo error", "differs"
SAME = 1e-7
"""Relative difference up to which numbers are equal: least squares on another machine's arithmetic part by less."""

SURE = 4.0
"""Standard deviations of Monte Carlo error allowed for: of some thousand numbers, fewer than one goes beyond."""

_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e[-+]?\d+)?")
_NAMES = (
    ("quantity", "input"), ("drop",), ("model",), ("cord", "quantity"), ("cord",), ("quantity",), ("mass",), ("jumps",),
)  # fmt: skip
_DRAWN = tuple(QUANTITIES)
_ENDS = ("range_plan.best[", "range_plan.lightest[", "range_plan.heaviest[")
_COUNTS = ("wear.crossing_forecast.", "wear.next_retest")
_SMALL = ("clearance", "g", "stretch_ratio", "strength_factor")
_REFITTED = ("shape of the curve]", "choice of model]")
_FOLLOW = ("budget[", "uncertainty[", "wear.", "lot.", "rating.", "cautions[", "by_hand.")


@dataclass(frozen=True)
class Line:
    """One value of two results. tolerance : Monte Carlo error allowed for it, None where it has none."""

    name: str
    old: Any
    new: Any
    tolerance: float | None
    verdict: str

    def summary(self) -> str:
        by = "" if self.tolerance is None else f" (tolerance {self.tolerance:.3g})"
        return f"{self.name}: {_shown(self.old)} → {_shown(self.new)}{by}: {self.verdict}"


@dataclass(frozen=True)
class Comparison:
    """All values of two results side by side, and why they may differ, the likeliest reason first."""

    lines: tuple[Line, ...]
    reasons: tuple[str, ...]

    @property
    def agrees(self) -> bool:
        return not self.differing

    @property
    def differing(self) -> tuple[Line, ...]:
        return tuple(line for line in self.lines if line.verdict == DIFFERS)

    def count(self, verdict: str) -> int:
        return sum(line.verdict == verdict for line in self.lines)

    def summary(self, most: int = 20) -> str:
        counts = ", ".join(f"{self.count(verdict)} {verdict}" for verdict in (EQUAL, WITHIN, DIFFERS))
        shown = [f"  {line.summary()}" for line in self.differing[:most]]
        if len(self.differing) > most:
            shown.append(f"  and {len(self.differing) - most} more")
        reasons = [f"likely reason: {reason}" for reason in self.reasons] if self.differing else []
        return "\n".join([f"{len(self.lines)} values: {counts}", *shown, *reasons])

    def to_dict(self) -> dict[str, Any]:
        return {
            "agrees": self.agrees,
            "counts": {verdict: self.count(verdict) for verdict in (EQUAL, WITHIN, DIFFERS)},
            "lines": [vars(line) for line in self.lines],
            "reasons": list(self.reasons),
        }


def compare(old: Mapping[str, Any], new: Mapping[str, Any]) -> Comparison:
    """Compare two results (results.json read back, or `report.results_of`).

    Monte Carlo error is allowed for only where the draws are not the same ones: another seed, cordlab, numpy or kind
    of machine.
    """
    before, after = dict(_leaves(old)), dict(_leaves(new))
    redrawn = _seed(old) != _seed(new)
    spread = _spread(old["predictions"]) if redrawn else 0.0
    lines = []
    for name in before | after:
        x, y = before.get(name, "missing"), after.get(name, "missing")
        tolerance = _tolerance(name, before, old, spread) if redrawn else None
        verdict = _verdict(x, y, tolerance)
        if verdict == DIFFERS and redrawn and _may_turn(name, before, old, spread) and _near(x, y, spread):
            verdict = WITHIN  # a judgement that turned, or its sentence
        lines.append(Line(name, x, y, tolerance, verdict))
    return Comparison(tuple(lines), tuple(_reasons(old, new, lines)))


def headlines(old: Mapping[str, Any], new: Mapping[str, Any]) -> tuple[str, ...]:
    """What changed between two analyses, in words: the answer, then what stands behind it."""
    told = []
    if old["campaign"]["batch"] != new["campaign"]["batch"]:
        told.append(f"not the same batch: {_shown(old['campaign']['batch'])}, then {_shown(new['campaign']['batch'])}")
    for what, say in _TOLD:
        before, after = say(old), say(new)
        told.append(f"{what}: {before}, unchanged" if before == after else f"{what}: {before} → {after}")
    for what, key in (("drops", "drop"), ("cords", "cord")):
        were, are = ([_shown(row[key]) for row in of["drops"]] for of in (old, new))
        gone, came = (list(dict.fromkeys(x for x in a if x not in b)) for a, b in ((were, are), (are, were)))
        told += [f"{what} {word}: {_few(names)}" for word, names in (("no more there", gone), ("new", came)) if names]
    return tuple(told)


def _answer(results: Mapping[str, Any]) -> str:
    rating = results["rating"]
    if not rating["rated"]:
        return "not rated (" + _shown("; ".join(rating["reasons"])) + ")"
    ends = rating["governed_by"]
    return f"{rating['lightest']:.1f} to {rating['heaviest']:.1f} kg ({ends['light']}; {ends['heavy']})"


def _counted(results: Mapping[str, Any]) -> str:
    drops = results["drops"]
    most = max((row["jumps"] for row in drops), default=0)
    return f"{len(drops)} drops of {len({row['cord'] for row in drops})} cords, to {most} jumps"


def _service(results: Mapping[str, Any]) -> str:
    wear = results.get("wear") or {}
    said = {key: "none" if wear.get(key) is None else f"{wear[key]} jumps" for key in ("retire_at", "next_retest")}
    return f"retirement at {said['retire_at']}, next retest at {said['next_retest']}"


def _lot(results: Mapping[str, Any]) -> str:
    lot = results.get("lot")
    return "no break tests" if not lot else "issued" if lot["issued"] else "not issued"


_TOLD = (("rated", _answer), ("evidence", _counted), ("wear", _service), ("lot", _lot))


def _few(names: Sequence[str]) -> str:
    return ", ".join(names) if len(names) < 8 else f"{names[0]}, {names[1]} … {names[-1]} ({len(names)})"


def _seed(results: Mapping[str, Any]) -> tuple[Any, ...]:
    """What the random draws hang on; another machine's arithmetic may end them a batch earlier or later."""
    decision, versions = results["campaign"].get("decision", {}), results.get("versions", {})
    return decision.get("seed"), results["cordlab"], versions.get("numpy"), versions.get("machine")


def _leaves(value: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    """Every plain value by its name; rows of a table by what they are about, not by their place."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            if name or key not in ("versions", "cordlab"):
                yield from _leaves(inner, f"{name}.{key}" if name else str(key))
    elif isinstance(value, Sequence) and not isinstance(value, str):
        for key, inner in zip(_row_names(value), value, strict=True):
            yield from _leaves(inner, f"{name}[{key}]")
    else:
        yield name, value


def _row_names(rows: Sequence[Any]) -> list[str]:
    if rows and all(isinstance(row, Mapping) for row in rows):
        for keys in _NAMES:
            if all(key in row for row in rows for key in keys):
                names = [", ".join(f"{row[key]:g}" if isinstance(row[key], float) else str(row[key]) for key in keys)
                         for row in rows]  # fmt: skip
                if len(set(names)) == len(names):
                    return names
    return [str(k) for k in range(len(rows))]


def _verdict(x: Any, y: Any, tolerance: float | None) -> str:
    if _is_number(x) and _is_number(y):
        if isclose(x, y, rel_tol=SAME, abs_tol=1e-12):
            return EQUAL
        return WITHIN if tolerance is not None and abs(x - y) <= tolerance else DIFFERS
    if x == y and isinstance(x, bool) == isinstance(y, bool):
        return EQUAL
    texts = isinstance(x, str) and isinstance(y, str)
    if tolerance is not None and texts and _NUMBER.sub("#", x) == _NUMBER.sub("#", y) and _near(x, y, tolerance):
        return WITHIN  # a sentence that tells drawn numbers
    return DIFFERS


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


def _near(x: Any, y: Any, tolerance: float) -> bool:
    """Whether the numbers that two sentences tell are within the tolerance, times themselves where they are above 1."""
    before, after = ([float(number) for number in _NUMBER.findall(str(text))] for text in (x, y))
    return all(abs(a - b) <= tolerance * max(1.0, abs(a)) for a, b in zip(before, after, strict=False))


def _may_turn(name: str, before: Mapping[str, Any], old: Mapping[str, Any], spread: float) -> bool:
    """Whether a judgement on drawn numbers lies so near its bound that other draws may turn it."""
    row = name.partition("]")[0] + "]"
    key = name.removeprefix(f"{row}.")
    if name.startswith("predictions[") and key.startswith(("rated", "reason", "decision.")):
        risk = 1 - old["rating"]["probability"]
        bounds = (risk, 1 - risk) if key.startswith("decision.") else (risk,)
        shares = [value for other, value in before.items() if other.startswith(f"{row}.violation.")]
        return any(abs(share - bound) <= _of_share(share) for share in shares for bound in bounds)
    if name.startswith("uncertainty[") and key in ("agrees", "word"):
        linear, drawn, u = (before.get(f"{row}.{key}") for key in ("linear_limit", "drawn_limit", "u"))
        if not (_is_number(linear) and _is_number(drawn) and _is_number(u) and u > 0):
            return False
        return abs(abs(linear - drawn) - numerical_tolerance(u, 1)) <= spread * abs(drawn)
    return False


def _tolerance(name: str, before: Mapping[str, Any], old: Mapping[str, Any], spread: float) -> float | None:
    """Monte Carlo error between two sets of draws, None for a number that is not drawn."""
    row, _, key = name.rpartition(".")
    value, end = before.get(name), name.endswith(("lightest", "heaviest")) or name.startswith(_ENDS)
    if row.startswith("predictions[") and key.endswith("_limit") and key.removesuffix("_limit") in _DRAWN:
        return _of_limit(before.get(f"{row}.u_{key.removesuffix('_limit')}"))
    if row.startswith("predictions[") and key.startswith("u_") and _is_number(value):
        # of half the central 68.27 % of normal draws: standard error 0.96 u / sqrt(n), by its order statistics
        return SURE * sqrt(2) * 0.96 / sqrt(BATCH_SIZE) * value
    if ".violation" in row and _is_number(value):
        return _of_share(value)
    if end and _is_number(value):
        return MASS_STEP + _in_mass(old["predictions"], value)
    if name.startswith(_COUNTS) and _is_number(value):
        return _in_jumps(old["wear"], spread)
    if row.startswith("predictions[") and key == "reason":
        return max(_of_limit(before.get(f"{row}.u_{quantity}")) or 0.0 for quantity in _SMALL)
    if row.startswith("budget[") and row.endswith(_REFITTED) and _is_number(value):
        return SURE * sqrt(2) / sqrt(2 * SHAPES) * (1 if key == "u" else 2) * abs(value)  # of an sd or its square
    if name.startswith(_FOLLOW):  # computed from drawn limits: no steadier than those in the range
        return spread * abs(value) if _is_number(value) else spread
    return None


def _of_limit(u: Any) -> float | None:
    """The draws stop when twice the standard error of every limit is within STEADY of its quantity's u."""
    return SURE * sqrt(2) * STEADY / 2 * u if _is_number(u) else None


def _of_share(share: float) -> float:
    """Two binomial shares of at least a batch of draws each; the bound that is counted from moves with its limit."""
    counted = SURE * sqrt(2 * max(share * (1 - share), 1 / BATCH_SIZE) / BATCH_SIZE)
    return counted + SURE * sqrt(2) * STEADY / 2 * NormalDist().pdf(NormalDist().inv_cdf(min(max(share, 1e-9), 0.5)))


def _spread(predictions: Sequence[Mapping[str, Any]]) -> float:
    """The greatest relative Monte Carlo error of a limit at the masses that are rated; where none is, at all of them
    but where a limit lies within its u of 0, of which a share says nothing.
    """
    found = [0.0]
    for row in [row for row in predictions if row["rated"]] or predictions:
        for quantity in _DRAWN:
            limit, u = row.get(f"{quantity}_limit"), row.get(f"u_{quantity}")
            if _is_number(limit) and _is_number(u) and abs(limit) > u:
                found.append((_of_limit(u) or 0.0) / abs(limit))
    return max(found)


def _in_mass(predictions: Sequence[Mapping[str, Any]], mass: float) -> float:
    """By how many kilograms the Monte Carlo error of a limit moves the mass where it meets its criterion."""
    rows = sorted(predictions, key=lambda row: abs(row["mass"] - mass))[:2]
    if len(rows) < 2 or rows[0]["mass"] == rows[1]["mass"]:
        return 0.0
    moved = [0.0]
    for quantity in _DRAWN:
        limits = [limit for row in rows if _is_number(limit := row.get(f"{quantity}_limit"))]
        error = _of_limit(rows[0].get(f"u_{quantity}"))
        if error is None or len(limits) < 2:
            continue
        slope = abs((limits[1] - limits[0]) / (rows[1]["mass"] - rows[0]["mass"]))
        if slope > 0:
            moved.append(error / slope)
    return max(moved)


def _in_jumps(wear: Mapping[str, Any], spread: float) -> float | None:
    """By how many jumps the error of a limit over the count moves where it meets its bound, by the mean slope."""
    limits = [abs(row["lower"]) for row in wear["tested"] if _is_number(row.get("lower"))]
    return spread * max(limits) / abs(wear["slope"]) if limits and wear["slope"] else None


def _reasons(old: Mapping[str, Any], new: Mapping[str, Any], lines: Sequence[Line]) -> list[str]:
    """Why values differ, the likeliest first."""
    changed = [line for line in lines if line.verdict == DIFFERS]
    if not changed:
        return []
    files = [line.name for line in changed if line.name.startswith("campaign.digests.")]
    found = [f"the input {name.removeprefix('campaign.digests.')} is not the same file" for name in files]
    for section in ("decision", "criteria", "site", "rig"):
        start = f"campaign.{section}."
        found += [
            f"[{section}] {line.name.removeprefix(start)} was {_shown(line.old)}, is {_shown(line.new)}"
            for line in changed
            if line.name.startswith(start)
        ]
    if old["cordlab"] != new["cordlab"]:
        found.append(f"version: cordlab {old['cordlab']} then, {new['cordlab']} now")
    before, after = old.get("versions", {}), new.get("versions", {})
    found += [
        f"{'platform' if name == 'machine' else 'version'}: {name} {before[name]} then, {after.get(name, 'none')} now"
        for name in before
        if before[name] != after.get(name)
    ]
    return found or ["results.json does not follow from its inputs: it was altered, or made otherwise"]


def _shown(value: Any) -> str:
    return shortened(f"{value:.10g}" if isinstance(value, float) else str(value))


def shortened(text: str, most: int = 100) -> str:
    """A stranger's text cut to `most` characters, what cannot be seen in it spelled out."""
    plain = spelled(text)
    return plain if len(plain) <= most else plain[: most - 3] + "..."
