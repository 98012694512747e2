"""What a reviewer of a bundle reads: what agrees, what differs and by how much, what was not compared, which
assumptions are somebody's judgement, and what other ones would change. One page, nothing in it fetched or run."""

from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

from cordlab import __version__
from cordlab.bundle.compare import DIFFERS, Comparison, Line, compare, is_number, leaves, name_of, shown, topics
from cordlab.bundle.recheck import Recheck
from cordlab.campaign.files import replacing
from cordlab.report.results_folder import Results

MOST = 200  # lines of a table; the page says how many more there are
RULE, TYPE_B, CHOICE, BY_HAND = "the rules and the maker", "stated (type B)", "chosen", "settled by hand"


MARK = '<meta name="generator" content="review by cordlab">'


def write_review(page: str, path: Path) -> None:
    """Write a review's page, over none but one of before. Raises ValueError, OSError."""
    if path.exists() and MARK not in path.read_bytes()[:500].decode(errors="replace"):
        raise ValueError(f"{path}: is there already and is no review of cordlab's; choose another name")
    with replacing(path) as part:
        part.write_text(page, encoding="utf-8")


def judgements(results: Results) -> Iterator[tuple[str, str, str]]:
    """What an answer rests on and no drop shows, as (what, value, by whom or how it is known)."""
    campaign = results["campaign"]
    for section, how in (("criteria", RULE), ("site", TYPE_B), ("rig", TYPE_B), ("decision", CHOICE)):
        for key, value in campaign[section].items():
            exact = isinstance(value, dict) and not value["u"]
            if value is not None:
                yield f"[{section}] {key}", said(value), f"{how}, held to be exact" if exact else how
    if campaign["viscosity"] is not None:
        yield "[cord] viscosity", said(campaign["viscosity"]), TYPE_B
    for row in (results.get("by_hand") or {}).get("told", ()):
        yield shown(row["choice"], most=300), shown(row["reason"], most=500), BY_HAND
    for finding in results.get("findings", ()):
        if finding["settled"]:
            yield shown(finding["what"], most=300), shown(finding["settled"], most=500), BY_HAND


def said(value: object) -> str:
    """A value of a campaign with its standard uncertainty, in SI."""
    if isinstance(value, dict) and "value" in value:
        return f"{value['value']:g}" + (f" (u = {value['u']:.3g})" if value["u"] else "")
    return " to ".join(map(shown, value)) if isinstance(value, list) else shown(value)


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


def review_page(
    checked: Recheck, *, name: str, changes: dict[str, str] | None = None, assumed: Results | None = None
) -> str:
    """The review of a bundle as one HTML text. assumed : its results with `changes`, which are `assume`'s."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["shown"] = shown
    template = environment.from_string((files("cordlab.bundle") / "review.html.j2").read_text(encoding="utf-8"))
    first, now = checked.published, checked.rerun
    moved = compare(now, assumed) if assumed is not None and now is not None else None
    return template.render(
        name=name,
        checked=checked,
        version=__version__,
        most=MOST,
        answers=[topics(of) if of is not None else None for of in (first, now, assumed)],
        differing=differences(checked.comparison, now) if checked.comparison and now is not None else [],
        judgements=list(judgements(now)) if now is not None else [],
        changes=changes or {},
        moved=differences(moved, now) if moved is not None and now is not None else [],
    )
