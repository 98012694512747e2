"""What the sections of a report show: rows and words made from results, each number rounded by its uncertainty."""

from collections.abc import Mapping, Sequence
from itertools import zip_longest
from math import inf
from typing import Any

import pandas as pd

from cordlab.batch.findings import Finding, alike
from cordlab.quantities import QUANTITIES, bounded
from cordlab.report.results_folder import Results
from cordlab.report.rounding import NOTHING, Numbers

CRITERIA = {
    **{criterion.key: (criterion.title, quantity.unit) for quantity, criterion in bounded()},
    "design_breaking_load": ("Design breaking load", "N"),
    "greatest_jumps": ("Greatest jump count, by the maker or the rule", ""),
    "lot_sample_share": ("Least share of the lot to be broken", ""),
    "lot_size": ("Cords in the lot", ""),
}
PLACE = {
    "tie_height": ("tie point above the surface", "m"),
    "surface": ("surface", ""),
    "release_depth": ("release below the tie point", "m"),
    "reach_below_attachment": ("lowest point of the body below the cord's end", "m"),
    "gear_mass": ("gear hung with the rider", "kg"),
    "drag_area": ("drag area Cd·A", "m²"),
    "air_density": ("air density", "kg/m³"),
    "compliance": ("sag of the rig per newton", "m/N"),
    "load_cell_at": ("load cell at the", ""),
    "lowest_point_error": ("error that all lowest points noted share", "m"),
    "temperature": ("temperature of the cords in use", "degC"),
}
EVERY = 4  # kg between the rows of the table
SMALL = 0.01  # share of the variance below which inputs are summed
NO_CURVE: Results = {"model": None, "parameters": {}, "scales": {}, "equals": (), "candidates": ()}
SHOWN = (4, 6, 8, 12, 20)  # numbers of cords in the table of ranges to expect

Row = Mapping[str, Any]
"""A part of the results: what stands under a key of results.json, or a row of a table there."""


def text_table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> pd.DataFrame:
    """A table of texts as the report shows it: `attrs["caption"]` is its caption, the first column the rows' heads."""
    frame = pd.DataFrame([list(row) for row in rows], columns=list(heads), dtype=object)
    frame.attrs["caption"] = caption
    return frame


def by_mass(predictions: Sequence[Row], criteria: Row, numbers: Numbers) -> pd.DataFrame:
    """Estimates and limits at every fourth kilogram and at both ends of what was tested."""
    known = [row for row in predictions if row["clearance"] is not None]
    shown = [(quantity, column) for quantity in QUANTITIES.values() for column in quantity.columns]
    heads = [f"rider mass [{numbers.unit('kg')}]"]
    u = {}  # the greatest in a column: one number of places for all of it
    for quantity, column in shown:
        unit = f" [{numbers.unit(quantity.unit)}]" if quantity.unit else ""
        heads.append(f"{quantity.word}{unit}, {column}")
        key = f"u_{quantity.name}"
        u[quantity.name] = max((row[key] for row in known if row[key] is not None), default=0.0) or None
    rows = []
    for row in _every_fourth(known):
        cells = [numbers.write(row["mass"], "kg")]
        for quantity, column in shown:
            limit = column == "limit"
            value, side = (row[f"{quantity.name}_limit"], quantity.danger) if limit else (row[quantity.name], "")
            cells.append(numbers.write(value, quantity.unit, u=u[quantity.name], side=side))
        rows.append((*cells, _risk(row["violation"]), "yes" if row["rated"] else f"no: {_failed(row, criteria)}"))
    return text_table("Estimates and limits by rider mass", (*heads, "violates [%]", "rated"), rows)


def _every_fourth(rows: Sequence[Row]) -> list[Row]:
    return [row for row in rows if row["mass"] % EVERY == 0 or row in (rows[0], rows[-1])]


def waves(predictions: Sequence[Row], numbers: Numbers) -> pd.DataFrame:
    """What stretch waves change in the estimates, at the masses of the table of limits; no row where there are none."""
    rows = []
    for row in _every_fourth([row for row in predictions if row.get("waves")]):
        effect = row["waves"]
        changes = [f"{100 * (effect[key] - 1):+.0f}" for key in ("g", "peak_load")]
        times = [f"{effect[f'time_{key}']:.2f}" for key in ("g", "peak_load", "lowest_point")]
        deeper = numbers.write(effect["lowest_point"], "m", u=0.1)
        rows.append((numbers.write(row["mass"], "kg"), deeper, *changes, *times))
    heads = [f"rider mass [{numbers.unit('kg')}]", f"lowest point [{numbers.unit('m')}]", "g [%]", "peak load [%]"]
    heads += [f"{word} at [s]" for word in ("g", "peak load", "lowest")]
    return text_table("What stretch waves change, and when each comes", heads, rows)


def _risk(violation: Mapping[str, float]) -> str:
    """The greatest probability that the next drop violates a criterion, in per cent; draws say no more than a tenth."""
    if not violation:
        return NOTHING
    percent = 100 * max(violation.values())
    if percent < 0.1:
        return "< 0.1"
    return "> 99.9" if percent > 99.9 else f"{percent:.1f}"


def _failed(row: Row, criteria: Row) -> str:
    """The criteria that a mass does not meet, by name; the reason in full where it is another."""
    names = []
    for quantity in QUANTITIES.values():
        bound = criteria[quantity.criterion.key] if quantity.criterion else None
        limit = row[f"{quantity.name}_limit"]
        if bound is not None and (limit is None or quantity.worse(limit, bound)):
            names.append(quantity.word)
    return ", ".join(names) or str(row["reason"])


def _measured(value: Any, unit: str, numbers: Numbers) -> str:
    """ "43.00 m, u = 0.10 m" from a value of the settings, whatever it is."""
    if isinstance(value, Mapping):
        if not value["u"]:
            return f"{numbers.say(value['value'], unit)}, taken as exact"
        return f"{numbers.say(value['value'], unit, u=value['u'])}, u = {numbers.say(value['u'], unit, u=value['u'])}"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return " to ".join(numbers.say(end, unit) for end in value)
    return numbers.say(float(value), unit) if isinstance(value, int | float) else str(value)


def named(values: Row, words: Mapping[str, tuple[str, str]], numbers: Numbers) -> list[tuple[str, str]]:
    """The values that there are, with their words; a key without words of its own is shown all the same."""
    rows = []
    for key, value in values.items():
        if value is not None:
            word, unit = words.get(key, (key.replace("_", " "), ""))
            rows.append((word, _measured(value, unit, numbers)))
    return rows


def cords(cords: Sequence[Row], scales: Mapping[str, float], numbers: Numbers) -> pd.DataFrame:
    """The cords that were dropped, with their stiffness where the curve has one for them."""
    heads = ("cord", f"slack length [{numbers.unit('m')}]", f"mass [{numbers.unit('kg')}]", "jumps before", "stiffness")
    rows = []
    for cord in cords:
        length, mass = cord["slack_length"], cord["mass"]
        cells = [cord["cord"], numbers.write(length["value"], "m", u=length["u"])]
        cells += [numbers.write(mass["value"], "kg", u=mass["u"]), str(cord["jumps"])]
        rows.append((*cells, _or_nothing(scales.get(cord["cord"]), ".3f")))
    return text_table("Cords dropped; stiffness relative to the batch's curve", heads, rows)


def drops(rows: Sequence[Row], numbers: Numbers) -> pd.DataFrame:
    """Every drop as it was noted, with the remarks that there are; without any, two drops in a row."""
    remarks = list(dict.fromkeys(head for row in rows for head in row["remarks"]))
    metres = numbers.unit("m")
    heads = [
        "drop",
        "cord",
        "use",
        "jumps",
        f"hung [{numbers.unit('kg')}]",
        f"lowest point [{metres}]",
        f"u [{metres}]",
    ]
    cells = []
    for row in rows:
        u = row["u_lowest_point"]
        lengths = [numbers.write(length, "m", u=u) for length in (row["lowest_point"], u)]
        noted = (row["remarks"].get(head) for head in remarks)
        texts = [cell if isinstance(cell, str) else numbers.write(cell) for cell in noted]
        names = [row["drop"], row["cord"], row["use"], str(row["jumps"])]
        cells.append([*names, numbers.write(row["mass"], "kg"), *lengths, *texts])
    if not remarks:
        half = (len(cells) + 1) // 2
        cells = [left + right for left, right in zip_longest(cells[:half], cells[half:], fillvalue=[""] * len(heads))]
        heads *= 2
    return text_table("Drops as noted; lowest points below the tie point", (*heads, *remarks), cells)


def _or_nothing(value: float | None, form: str) -> str:
    return NOTHING if value is None else format(value, form)


def calibrations(sensors: Mapping[str, Row]) -> pd.DataFrame:
    """The calibration of each sensor: its curve, scatter, range and tests of fit."""
    numbers, rows = Numbers(), []
    for channel, sensor in sensors.items():
        unit, reading = sensor["quantity_unit"], sensor["reading_unit"]
        terms = []
        for k, (c, u) in enumerate(zip(sensor["coefficients"], sensor["standard_errors"], strict=True)):
            power = "²" if k == 2 else ""
            per = f"/({reading}){power}" if k else ""
            terms.append(f"{numbers.write(c, u=u)} {unit}{per} (u {u:.2g})")
        low, high = sensor["range"]
        tests = [test for test in sensor["lack_of_fit"] if test["test"] != "none"]
        cells = [channel, "; ".join(terms), f"{sensor['residual_sd']:.2g} {unit}, {sensor['dof']} degrees of freedom"]
        tested = "; ".join(f"degree {test['degree']}: p = {test['p']:.2g}" for test in tests)
        rows.append((*cells, f"{low:.4g} to {high:.4g} {reading}", tested or "not tested: too few points"))
    heads = ("sensor", "curve", "scatter", "valid range", "lack of fit")
    return text_table("Sensors as calibrated for these drops", heads, rows)


def parameters(curve: Row) -> list[str]:
    """Each parameter of the curve with its standard uncertainty."""
    texts = []
    for name, value in curve["parameters"].items():
        u = curve["standard_errors"][name]
        sure = f" (u {u:.2g})" if u else ", no uncertainty"
        texts.append(f"{name} = {Numbers().write(value, u=u)}{sure}")
    return texts


def models(curve: Row) -> pd.DataFrame:
    """The models side by side, the best first."""
    uses = dict.fromkeys(curve["equals"], "as good") | {curve["model"]: "chosen"}
    rows = []
    for fit in sorted(curve["candidates"], key=lambda fit: inf if fit["aicc"] is None else fit["aicc"]):
        cells = (_or_nothing(fit["aicc"], ".1f"), _or_nothing(fit["check_rms"], ".3g"))
        rows.append((fit["model"], *cells, uses.get(fit["model"], "")))
    return text_table("Models compared", ("model", "AICc", "rms, drops held back [N]", "use"), rows)


def model_notes(curve: Row) -> list[str]:
    return [f"{candidate['model']}: {candidate['note']}" for candidate in curve["candidates"] if candidate["note"]]


def budgets(shares: Sequence[Row], totals: Sequence[Row], numbers: Numbers) -> list[tuple[pd.DataFrame, str]]:
    """A table a quantity, with a sentence on the whole; inputs below one per cent are summed.

    shares, totals : `budget` and `uncertainty` of the results
    """
    tables = []
    for total in totals:
        inputs = [row for row in shares if row["quantity"] == total["quantity"]]
        known = QUANTITIES.get(total["quantity"])  # results of another version may have another
        unit = known.unit if known else ""
        heads = ("input", "share [%]", "dof", f"gain [{unit or '1'}]", "gain [kg]")
        rows = []
        for row in sorted(inputs, key=lambda row: -row["share"]):
            if row["share"] >= SMALL:
                gains = (f"{row['gain']:.2g}", _or_nothing(row["gain_mass"], ".1g"))
                rows.append((row["input"], f"{100 * row['share']:.1f}", _dof(row["dof"]), *gains))
        rest = [row["share"] for row in inputs if row["share"] < SMALL]
        if rest:
            rows.append((f"{len(rest)} smaller inputs", f"{100 * sum(rest):.1f}", NOTHING, NOTHING, NOTHING))
        u = total["u"]
        caption = f"Shares of the variance of {total['quantity']} at {numbers.say(total['mass'], 'kg')}"
        name = sentence(total["quantity"]) if unit else total["quantity"]  # a symbol keeps its case
        sentence_on_all = (
            f"{name} {numbers.say(total['estimate'], unit, u=u)}, u = "
            f"{numbers.say(u, unit, u=u)} with {_dof(total['dof'])} degrees of freedom (Welch–Satterthwaite); "
            f"{total['word']}."
        )
        tables.append((text_table(caption, heads, rows), sentence_on_all))
    return tables


def _dof(dof: float | None) -> str:
    return "∞" if dof is None else f"{dof:.3g}"


def in_service(cords: Sequence[Row]) -> pd.DataFrame:
    """Where the cords of the jump log stand."""
    rows = []
    for cord in cords:
        left = [_or_nothing(cord[f"before_{end}"], "d") for end in ("retest", "retirement")]
        words = "; ".join([*cord["reasons"], *cord["cautions"]])
        rows.append((cord["cord"], str(cord["jumps"]), *left, "yes" if cord["may_jump"] else "no", words))
    heads = ("cord", "jumps", "left before retest", "left before retirement", "may jump", "note")
    return text_table("Cords in service, by the jump log", heads, rows)


def batch(batch: Row | None) -> pd.DataFrame:
    """Spread of each quantity: cord to cord, and drop to drop within a cord where cords have several values."""
    rows = []
    for quantity in batch["quantities"] if batch else ():
        means, parts, tests = list(quantity["cords"].values()), quantity["components"], quantity["tests"]
        between, within = f"{quantity['sd']:.2g}", "not told apart"
        if parts:
            negative = " (negative: taken as 0)" if parts["zeroed"] else ""
            between, within = f"{parts['sd_between']:.2g}{negative}", f"{parts['sd_within']:.2g}"
        mean = f"{sum(means) / len(means):.4g}"
        furthest = f"{tests[0]['cord']}, p = {tests[0]['p']:.2g}" if tests else NOTHING
        rows.append((quantity["quantity"], mean, between, within, str(len(means)), furthest))
    heads = ("quantity", "mean", "sd between cords", "sd within cords", "cords", "furthest cord")
    return text_table("How far cords differ, and drops of one cord", heads, rows)


def more_cords(plan: Row | None, numbers: Numbers) -> pd.DataFrame:
    """Rated range to expect of as many cords as were dropped, and of more."""
    rows = []
    if plan:
        so_far = plan["so_far"]
        for n, *ends in zip(plan["cords"], plan["lightest"], plan["heaviest"], strict=True):
            if n == so_far or (n in SHOWN and n > so_far):
                rows.append((f"{n}, as dropped" if n == so_far else str(n), numbers.riders(*ends)))
    return text_table("Range to expect of more cords like these", ("cords", "riders"), rows)


def by_count(wear: Row | None, numbers: Numbers) -> pd.DataFrame:
    """The range that would hold to each retested jump count."""
    counts = wear["range_by_count"] if wear else []
    rows = [(str(row["jumps"]), numbers.riders(row["lightest"], row["heaviest"])) for row in counts]
    return text_table("Range that would hold from new to each retest", ("jumps", "riders"), rows)


def jumps(results: Results) -> str:
    """The jump count that the rating holds for, in words."""
    wear, counts = results["wear"], [drop["jumps"] for drop in results["drops"] if drop["use"] == "fit"]
    new = f"{min(counts)} to {max(counts)} jumps" if counts else "no jumps"
    if wear is None:
        return f"cords with {new}, as dropped; no worn cord was dropped, so nothing is rated beyond"
    if wear["retire_at"] is None:
        return f"cords with {new}, as dropped; not rated for wear: {'; '.join(wear['reasons'])}"
    return f"cords with up to {wear['retire_at']} jumps; they are retired then"


def by_hand(results: Results) -> list[str]:
    """What was settled by hand rather than by the data."""
    campaign = results["campaign"]
    decision, degree = campaign["decision"], campaign["decision"]["calibration_degree"]
    by_load = campaign["criteria"]["design_breaking_load"] is not None
    settings = (
        (decision["model"] != "auto", f"the model {decision['model']} was chosen by hand"),
        (degree is not None, f"calibrations of degree {degree} were chosen by hand"),
        (decision["filter"] == "off", "records were not filtered"),
        (by_load, "a design breaking load was given; the lower of it and the lowest break sets the strength factor"),
        (campaign["viscosity"] is not None, "the viscosity of the cord was given by hand"),
    )
    choices = results.get("by_hand", {}).get("told", ())
    texts = [f"{row['choice']}; reason: {row['reason']}" for row in choices]
    return texts + [text for by_hand, text in settings if by_hand]


def left_out(results: Results, numbers: Numbers) -> pd.DataFrame:
    """Drops left out by hand, with the limits that the other drops give for them."""
    rows = []
    for row in results.get("by_hand", {}).get("held_back", ()):
        values = {"measured": "", "predicted": "", "lower": "lower", "upper": "upper"}  # and the side to round to
        cells = [numbers.write(row[key], "m", u=row["u_measured"], side=side) for key, side in values.items()]
        names = (row["drop"], row["cord"], numbers.write(row["mass"], "kg"))
        rows.append((*names, *cells, "yes" if row["inside"] else "no"))
    lengths = [f"{word} [{numbers.unit('m')}]" for word in ("predicted", "lower limit", "upper limit")]
    heads = ("drop", "cord", f"mass hung [{numbers.unit('kg')}]", f"lowest point, measured [{numbers.unit('m')}]")
    caption = "Drops left out by hand, predicted from the others and held against their limits"
    return text_table(caption, (*heads, *lengths, "inside"), rows)


def grouped(drops: Sequence[Row]) -> list[tuple[str, str]]:
    """Each note on records once, with the names of the drops that it is about."""
    drops_by_note: dict[str, list[str]] = {}
    recorded = sum(drop.get("recorded_lowest_point") is not None for drop in drops)
    for drop in drops:
        for note in drop.get("notes", ()):
            drops_by_note.setdefault(note, []).append(drop["drop"])
    return [
        (note, f"all {recorded} drops with a record" if len(names) == recorded > 1 else ", ".join(names))
        for note, names in drops_by_note.items()
    ]


def findings(rows: Sequence[Row]) -> list[str]:
    """What is odd, a line each; the same of several drops once."""
    told = []
    for row in rows:
        drops, settled = tuple(row["drops"]), row["settled"] or ""
        told.append(Finding(row["kind"], row["what"], row["where"], row["try_"], drops, settled))
    return [str(finding) for finding in alike(told)]


def temperatures(results: Results) -> Sequence[float] | None:
    """Lowest and highest temperature that the rating holds at [degC]: of the drops behind the curve, if they are known.

    Worn cords may have been dropped at others, which the conditions tell.
    """
    trend = results["temperature"]
    return trend["range"] if trend and None not in trend["range"] else results["campaign"]["temperatures"]


def sentence(text: str) -> str:
    """With a capital at its start; names and units within keep theirs."""
    return text[:1].upper() + text[1:]


def standing(results: Results) -> list[str]:
    """Cautions, without those on single drops and choices by hand, which are listed by themselves."""
    by_hand = results.get("by_hand")
    listed = tuple(f": {note}" for drop in results["drops"] for note in drop.get("notes", ()))
    if by_hand:
        listed += tuple(f"{row['choice']}; reason: {row['reason']}" for row in by_hand["told"])
        listed += (f"without the choices by hand {by_hand['range_without']}.",)
    return [caution for caution in results["cautions"] if not caution.endswith(listed)]
