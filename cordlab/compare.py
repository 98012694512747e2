"""Two results compared, number by number: equal, equal within Monte Carlo error, or different, and why."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import isclose, isfinite, sqrt
from statistics import NormalDist
from typing import Any, TypeGuard

from cordlab.rating import STEP
from cordlab.simulate import BATCH_SIZE, STEADY

EQUAL, WITHIN, DIFFERS = "equal", "equal within Monte Carlo error", "differs"
SAME = 1e-7
"""Relative difference up to which numbers are equal: least squares on another machine's arithmetic part by less."""

SURE = 4.0
"""Standard deviations of Monte Carlo error allowed for: of some thousand numbers, fewer than one goes beyond."""

_NAMES = (
    ("quantity", "input"), ("drop",), ("model",), ("cord", "quantity"), ("cord",), ("quantity",), ("mass",), ("jumps",),
)  # fmt: skip
_DRAWN = ("lowest_point", "clearance", "g", "peak_load", "stretch_ratio", "strength_factor")
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

    Monte Carlo error is allowed for only where the draws are not the same ones: another seed, cordlab or numpy.
    """
    before, after = dict(_leaves(old)), dict(_leaves(new))
    redrawn = _seed(old) != _seed(new)
    spread = _spread(before, old["rating"]["probability"]) if redrawn else 0.0
    lines = []
    for name in [*before, *(name for name in after if name not in before)]:
        x, y = before.get(name, "missing"), after.get(name, "missing")
        tolerance = _tolerance(name, before, old, spread) if redrawn else None
        lines.append(Line(name, x, y, tolerance, _verdict(x, y, tolerance)))
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
    """What the random draws hang on."""
    decision = results["campaign"].get("decision", {})
    return decision.get("seed"), results["cordlab"], results.get("versions", {}).get("numpy")


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
    if tolerance is not None and isinstance(x, str) and isinstance(y, str) and _words(x) == _words(y):
        return WITHIN  # a sentence that tells a drawn number
    return DIFFERS


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


def _words(text: str) -> str:
    return re.sub(r"-?\d+(\.\d+)?(e-?\d+)?", "#", text)


def _tolerance(name: str, before: Mapping[str, Any], old: Mapping[str, Any], spread: float) -> float | None:
    """Monte Carlo error between two sets of draws, None for a number that is not drawn."""
    row, _, key = name.rpartition(".")
    quantity = key.removesuffix("_limit")
    value = before.get(name)
    if row.startswith("predictions[") and key.endswith("_limit") and quantity in _DRAWN:
        return _of_limit(before.get(f"{row}.{quantity}"), value, old["rating"]["probability"])
    if row.startswith("predictions[") and key.startswith("u_") and _is_number(value):
        # of half the central 68.27 % of normal draws: standard error 0.96 u / sqrt(n), by its order statistics
        return SURE * sqrt(2) * 0.96 / sqrt(BATCH_SIZE) * value
    if ".violation" in row and _is_number(value):
        # two binomial shares of at least a batch of draws each
        return SURE * sqrt(2 * max(value * (1 - value), 1 / BATCH_SIZE) / BATCH_SIZE)
    if name in ("rating.lightest", "rating.heaviest") and _is_number(value):
        return STEP + _in_mass(old["predictions"], value, old["rating"]["probability"])
    if key == "reason" or name.startswith(
        _FOLLOW
    ):  # computed from drawn limits: no steadier than the least steady of those
        return spread * abs(value) if _is_number(value) else spread
    return None


def _of_limit(estimate: Any, limit: Any, probability: float) -> float | None:
    """The draws stop when twice the standard error of a limit is within STEADY sd of its quantity; a limit lies at
    least the normal quantile from its estimate, and that bounds the sd.
    """
    if not (_is_number(estimate) and _is_number(limit)):
        return None
    sd = abs(limit - estimate) / NormalDist().inv_cdf(probability)
    return SURE * sqrt(2) * STEADY / 2 * sd


def _spread(before: Mapping[str, Any], probability: float) -> float:
    """The greatest relative Monte Carlo error of a limit in the table."""
    found = [0.0]
    for name, value in before.items():
        if name.startswith("predictions[") and name.endswith("_limit") and _is_number(value) and value:
            error = _of_limit(before.get(name.removesuffix("_limit")), value, probability)
            found.append((error or 0.0) / abs(value))
    return min(max(found), 0.1)  # near a limit of 0 a share of it says nothing


def _in_mass(predictions: Sequence[Mapping[str, Any]], mass: float, probability: float) -> float:
    """By how many kilograms the Monte Carlo error of a limit moves the mass where it meets its criterion."""
    rows = sorted(predictions, key=lambda row: abs(row["mass"] - mass))[:2]
    if len(rows) < 2 or rows[0]["mass"] == rows[1]["mass"]:
        return 0.0
    moved = [0.0]
    for quantity in _DRAWN:
        key = f"{quantity}_limit"
        error = _of_limit(rows[0].get(quantity), rows[0].get(key), probability)
        if error is None or not _is_number(rows[1].get(key)):
            continue
        slope = abs((rows[1][key] - rows[0][key]) / (rows[1]["mass"] - rows[0]["mass"]))
        if slope > 0:
            moved.append(error / slope)
    return max(moved)


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
    text = f"{value:.10g}" if isinstance(value, float) else str(value)
    plain = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)
    return plain if len(plain) <= 100 else plain[:97] + "..."
