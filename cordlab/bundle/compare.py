"""Two results compared, number by number: equal, equal within Monte Carlo error, or different, and why."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import isclose, isfinite
from typing import Any, TypeGuard

from cordlab.campaign.files import spelled
from cordlab.report.monte_carlo import REACH, allowance
from cordlab.report.results_folder import Results
from cordlab.units import mass_range, short

EQUAL, WITHIN, DIFFERS = "equal", "equal within Monte Carlo error", "differs"
ONE_LAYOUT = "in one layout alone"
MOST = 20  # values that differ, named in a summary
SAME = 1e-7
"""Relative difference up to which numbers are equal: least squares on another machine's arithmetic part by less."""

ERRORS = "monte_carlo"
MISSING = "missing"
_ABSENT = (MISSING, "", "list", "dict")  # what stands for a value that is not there, or a table that is empty
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e[-+]?\d{1,2})?")


@dataclass(frozen=True)
class Line:
    """One value of two results. tolerance : Monte Carlo error allowed for it, None where it has none."""

    name: str
    old: Any
    new: Any
    tolerance: float | None
    verdict: str

    def summary(self) -> str:
        allowed = "" if self.tolerance is None else f" (tolerance {self.tolerance:.3g})"
        return f"{self.name}: {shown(self.old)} → {shown(self.new)}{allowed}: {self.verdict}"


@dataclass(frozen=True)
class Comparison:
    """All values of two results side by side, and why they may differ, the likeliest reason first."""

    lines: tuple[Line, ...]
    reasons: tuple[str, ...]
    alike: bool = True  # whether both have values at the same places

    @property
    def agrees(self) -> bool:
        return not self.differing

    @property
    def differing(self) -> tuple[Line, ...]:
        return tuple(line for line in self.lines if line.verdict == DIFFERS)

    @property
    def counts(self) -> dict[str, int]:
        """How many values are equal, within Monte Carlo error, different."""
        verdicts = [line.verdict for line in self.lines]
        layouts = [ONE_LAYOUT] if ONE_LAYOUT in verdicts else []
        return {verdict: verdicts.count(verdict) for verdict in (EQUAL, WITHIN, DIFFERS, *layouts)}

    def summary(self) -> str:
        counts = ", ".join(f"{count} {verdict}" for verdict, count in self.counts.items())
        texts = [f"{len(self.lines)} values: {counts}", *(f"  {line.summary()}" for line in self.differing[:MOST])]
        if len(self.differing) > MOST:
            texts.append(f"  and {len(self.differing) - MOST} more")
        return "\n".join([*texts, *(f"likely reason: {reason}" for reason in self.reasons if self.differing)])

    def to_dict(self) -> dict[str, object]:
        lines, reasons = [vars(line) for line in self.lines], list(self.reasons)
        return {"agrees": self.agrees, "counts": self.counts, "lines": lines, "reasons": reasons}


def compare(old: Results, new: Results) -> Comparison:
    """Compare two results (results.json read back, or `results_of`), with Monte Carlo error where the draws are others
    and the new results state it: they may be computed here, the old ones are somebody's.
    """
    before, after = dict(leaves(old)), dict(leaves(new))
    words = {_NUMBER.sub("#", value) for value in (*after.values(), *_ABSENT) if isinstance(value, str)}
    other_draws, stated = redrawn(old, new), None not in (old.get(ERRORS), new.get(ERRORS))
    keys = [{_key(place) for place in of} for of in (before, after)]
    unknown = keys[0] ^ keys[1] if layout_of(old) != layout_of(new) else set()
    lines = []
    for place in before | after:
        if other_draws and place[0] == ERRORS:  # themselves as rough as drawn numbers are
            continue
        name, values = name_of(place), (before.get(place, MISSING), after.get(place, MISSING))
        error, may_turn = allowance(new[ERRORS], name) if other_draws and stated else (None, False)
        may_turn &= all(not isinstance(value, str) or _NUMBER.sub("#", value) in words for value in values)
        tolerance = None if error is None else REACH * error
        verdict = ONE_LAYOUT if _key(place) in unknown else _verdict(*values, tolerance, may_turn)
        lines.append(Line(name, *values, tolerance, verdict))
    differing = [line for line in lines if line.verdict == DIFFERS]
    reasons = _reasons(old, new, differing) if differing else []
    if other_draws and not stated:
        unsure = "results that do not say how sure drawn numbers are: these were held to be exact"
        reasons.append(f"other draws, and {unsure}")
    return Comparison(tuple(lines), tuple(reasons), alike=before.keys() == after.keys())


def in_uncertainties(line: Line, values: dict[str, object]) -> float | None:
    """How many of its standard uncertainties a number moved; None where results (name → value) state none for it."""
    head, _, key = line.name.rpartition(".")
    stem = key.removesuffix("_limit")
    names = [f"{head}.u_{stem}", line.name.replace(".parameters.", ".standard_errors."), f"{head}.se_{key}"]
    names += [line.name.replace(".coefficients[", ".standard_errors[")]
    names += [f"{head}.u"] if key in ("value", "estimate", "linear_limit", "drawn_limit") else []
    stated = (values.get(name) for name in names if name != line.name)
    u = next((u for u in stated if isinstance(u, float) and u > 0), None)
    return (line.new - line.old) / u if u and is_number(line.old) and is_number(line.new) else None


def differences(comparison: Comparison, results: Results) -> list[tuple[Line, float | None]]:
    """Values that differ, each with the standard uncertainties that it moved by; those that moved furthest first."""
    values = {name_of(place): value for place, value in leaves(results)}
    rows = [(line, in_uncertainties(line, values)) for line in comparison.lines if line.verdict == DIFFERS]
    return sorted(rows, key=lambda row: -abs(row[1] or 0.0))


def headlines(old: Results, new: Results) -> tuple[str, ...]:
    """What changed between two analyses, in words: the answer, then what stands behind it."""
    texts = []
    if old["campaign"]["batch"] != new["campaign"]["batch"]:
        texts.append(f"not the same batch: {shown(old['campaign']['batch'])}, then {shown(new['campaign']['batch'])}")
    for (topic, before), after in zip(topics(old).items(), topics(new).values(), strict=True):
        change = f"{before}, unchanged" if before == after else f"{before} → {after}"
        texts.append(f"{topic}: {change}")
    for key in ("drop", "cord"):
        old_names, new_names = (list(dict.fromkeys(shown(row[key]) for row in of["drops"])) for of in (old, new))
        gone = [name for name in old_names if name not in new_names]
        added = [name for name in new_names if name not in old_names]
        for word, some in (("no more there", gone), ("new", added)):
            few = ", ".join(some) if len(some) < 8 else f"{some[0]}, {some[1]} … {some[-1]} ({len(some)})"
            texts += [f"{key}s {word}: {few}"] if some else []
    return tuple(texts)


def topics(results: Results) -> dict[str, str]:
    """The answer and what stands behind it, in words."""
    rating, drops, wear, lot = results["rating"], results["drops"], results.get("wear") or {}, results.get("lot")
    rated, issued = f"not rated ({shown('; '.join(rating['reasons']))})", "no break tests"
    if rating["rated"]:
        ends = rating["governed_by"]
        rated = f"{mass_range(rating['lightest'], rating['heaviest'])} ({ends['light']}; {ends['heavy']})"
    if lot:
        issued = "may be issued" if lot.get("issued") else "may not be issued"
    most = max((row["jumps"] for row in drops), default=0)
    counts = ["none" if wear.get(key) is None else f"{shown(wear[key])} jumps" for key in ("retire_at", "next_retest")]
    return {
        "rated": rated,
        "evidence": f"{len(drops)} drops of {len({row['cord'] for row in drops})} cords, to {most} jumps",
        "wear": f"retirement at {counts[0]}, next retest at {counts[1]}",
        "lot": issued,
    }


def redrawn(old: Results, new: Results) -> bool:
    """Whether two results come from other random draws: of another seed, or by other versions. Another machine's
    arithmetic may end them a batch earlier or later."""
    depend_on = []
    for results in (old, new):
        decision, versions = results["campaign"].get("decision") or {}, results.get("versions") or {}
        depend_on.append((decision.get("seed"), results["cordlab"], versions.get("numpy"), versions.get("machine")))
    return depend_on[0] != depend_on[1]


def layout_of(results: Results) -> int:
    """The version of the layout that results are of; those without one are of the first."""
    return results.get("layout", 1)


Place = tuple[str | tuple[str], ...]
"""Of a value in results: keys, and names of rows, each as a tuple of its own, so that no key looks like a row."""


def leaves(value: object, place: Place = ()) -> Iterator[tuple[Place, object]]:
    """Every plain value and every empty table by its place; rows are named by what they are about, not by their order:
    by their first column, or by two where one does not part them, else by their place.
    Versions are no answer, and are not among them."""
    if isinstance(value, Mapping) and value:
        for key, inner in value.items():
            if place or key not in ("versions", "cordlab", "layout"):
                yield from leaves(inner, (*place, str(key)))
    elif isinstance(value, Sequence) and value and not isinstance(value, str):
        names = [str(k) for k in range(len(value))]
        for columns in (1, 2) if all(isinstance(row, Mapping) for row in value) else ():
            rows = [list(row.values())[:columns] for row in value]
            heads = [", ".join(f"{key:g}" if isinstance(key, float) else shown(key) for key in row) for row in rows]
            if len({*heads}) == len(heads):
                names = heads
                break
        for name, inner in zip(names, value, strict=True):
            yield from leaves(inner, (*place, (name,)))
    else:
        yield place, value if isinstance(value, str | int | float | None) else type(value).__name__


def name_of(place: Place) -> str:
    """A place as it is shown: campaign.decision.seed, predictions[60].g."""
    return "".join(f"[{step[0]}]" if isinstance(step, tuple) else f".{step}" for step in place).removeprefix(".")


def _key(place: Place) -> Place:
    """A place without the names of its rows: the key of a whole column."""
    return tuple(("",) if isinstance(step, tuple) else step for step in place)


def _verdict(x: object, y: object, tolerance: float | None, may_turn: bool) -> str:
    if is_number(x) and is_number(y):
        equal = isclose(x, y, rel_tol=SAME, abs_tol=1e-12)
        within = tolerance is not None and abs(x - y) <= tolerance
    else:
        equal, within = x == y and isinstance(x, bool) == isinstance(y, bool), may_turn
        if tolerance is not None and isinstance(x, str) and isinstance(y, str):
            within |= near(x, y, tolerance)
    if equal:
        return EQUAL
    return WITHIN if within else DIFFERS


def is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


def near(x: str, y: str, tolerance: float = SAME) -> bool:
    """Whether two sentences differ only in numbers, by the tolerance (times a number above 1) and one last digit."""
    if _NUMBER.sub("#", x) != _NUMBER.sub("#", y):
        return False
    for before, after in zip(map(Decimal, _NUMBER.findall(x)), map(Decimal, _NUMBER.findall(y)), strict=True):
        exponent = int(before.as_tuple().exponent)
        unit = 10.0**exponent if exponent else 0.0  # whole numbers are counts
        if abs(float(before - after)) > tolerance * max(1.0, abs(float(before))) + 1.001 * unit:
            return False
    return True


def _reasons(old: Results, new: Results, differing: Sequence[Line]) -> list[str]:
    """Why values differ, the likeliest first."""
    layouts = layout_of(old), layout_of(new)
    reasons = [] if layouts[0] == layouts[1] else [f"layout: {layouts[0]} then, {layouts[1]} now"]
    for section in ("digests", "decision", "criteria", "site", "rig"):
        start = f"campaign.{section}."
        for line in (line for line in differing if line.name.startswith(start)):
            name = line.name.removeprefix(start)
            change = f"[{section}] {name} was {shown(line.old)}, is {shown(line.new)}"
            reasons.append(f"the input {name} is not the same file" if section == "digests" else change)
    before, now = ({"cordlab": of["cordlab"], **(of.get("versions") or {})} for of in (old, new))
    for name, version in before.items():
        if version != now.get(name):
            kind = "platform" if name == "machine" else "version"
            reasons.append(f"{kind}: {shown(name)} {shown(version)} then, {shown(now.get(name, 'none'))} now")
    return reasons or ["results.json does not follow from its inputs: it was altered, or made otherwise"]


def shown(value: object, *, digits: int = 10, most: int = 100) -> str:
    """A stranger's value in at most so many characters, what cannot be seen in it spelled out."""
    return short(spelled(f"{value:.{digits}g}" if isinstance(value, float) else str(value)), most)
