"""Writes the JSON Schemas (2020-12) that a bundle holds, from the classes that read campaign.toml and fill
results.json: `python -m tests.schemas`, after a key was changed; a test keeps them equal.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, fields, is_dataclass
from functools import cached_property
from sys import modules
from types import NoneType, SimpleNamespace, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np

from cordlab.batch.cords import Batch, QuantitySpread, TemperatureTrend
from cordlab.batch.load_lag import LoadLag
from cordlab.batch.slow_pulls import PullComparison
from cordlab.batch.wave_removal import WaveFit
from cordlab.campaign.campaign import Campaign, CordEntry, DropEntry
from cordlab.campaign.decisions import EVENTS
from cordlab.campaign.settings import LAYOUT, Criteria, Decision, Rig, Settings, Site
from cordlab.curves.fit import CurveFit
from cordlab.limits.budget import Budget, Share
from cordlab.limits.validation import HeldBack, MeanOff
from cordlab.quantities import QUANTITIES
from cordlab.rating.lot import Lot
from cordlab.rating.range_plan import RangePlan
from cordlab.rating.rate import ByHand, Rating
from cordlab.records.calibration import Calibration
from cordlab.statistics.components import VarianceComponents
from cordlab.units import Measured
from cordlab.wear.service_life import CordStatus
from cordlab.wear.wear import Wear
from tests.conftest import ROOT

Schema = dict[str, Any]
DIALECT = "https://json-schema.org/draft/2020-12/schema"
NUMBER: Schema = {"type": ["number", "null"]}  # null where it is not finite
_PLAIN = {str: "string", bool: "boolean", int: "integer", NoneType: "null"}


def campaign_schema() -> Schema:
    """Of campaign.toml, from the sections and keys of `Settings`; `unit` is that of a key, any of its kind will do."""
    return {"$schema": DIALECT, "title": f"campaign.toml of cordlab, layout {LAYOUT}"} | _section(Settings)


def _section(kind: type) -> Schema:
    keys = {key.name: key for key in fields(kind)}
    return {
        "type": "object",
        "properties": {name: _key(key.metadata) for name, key in keys.items()},
        "required": [name for name, key in keys.items() if key.default is MISSING],
        "additionalProperties": False,
    }


def _key(metadata: Mapping[str, Any]) -> Schema:
    """What may be written for a key, by how it is read. Bounds are of plain numbers: texts are cordlab's to read."""
    if "section" in metadata:
        return _section(metadata["section"])
    read = metadata["read"]
    return _WRITTEN[read.func.__name__.strip("_")](**read.keywords)


def _quantity(*, unit: str = "", above: float = -np.inf, at_least: float = -np.inf) -> Schema:
    bounds = {"exclusiveMinimum": above, "minimum": at_least}
    held = {name: bound for name, bound in bounds.items() if np.isfinite(bound)}
    return {"type": "string" if unit else ["string", "number"], "pattern": "[0-9]", "unit": unit or "1", **held}


_WRITTEN: dict[str, Callable[..., Schema]] = {
    "measured": _quantity,
    "exact": _quantity,
    "common_error": _quantity,
    "share": lambda lowest=0.0: _quantity(above=lowest) | {"exclusiveMaximum": 1},
    "range": lambda unit: {"type": "string", "pattern": " to ", "unit": unit},
    "masses": lambda: {"type": "array", "minItems": 1, "items": _quantity(unit="kg")},
    "choice": lambda choices: {"enum": list(choices)},
    "text": lambda: {"type": "string", "minLength": 1},
    "layout": lambda: {"type": "integer", "minimum": 1, "maximum": LAYOUT},
    "whole": lambda lowest=1, highest=10**6: {"type": "integer", "minimum": lowest, "maximum": highest},
}


def shape(hint: Any) -> Schema:
    """What JSON holds for a type hint. A schema stays as it is; a list of one hint is an array of it."""
    origin, inner = get_origin(hint), get_args(hint)
    if isinstance(hint, dict):
        return hint
    if hint is float:
        return NUMBER
    if hint is Measured:  # one that is drawn evenly between its ends says so
        measured = row(value=float, u=float)
        measured["properties"]["law"] = {"const": "rectangular"}
        return measured
    if is_dataclass(hint):
        return of(hint)
    if isinstance(hint, list) or origin in (tuple, list, Sequence):
        return {"type": "array", "items": shape((*hint,)[0] if isinstance(hint, list) else inner[0])}
    if origin in (UnionType, Union):
        return {"anyOf": [shape(one) for one in inner]}
    if origin is Literal:
        return {"enum": list(inner)}
    if origin in (dict, Mapping):
        return each(inner[1])
    return {"type": _PLAIN[hint]} if hint in _PLAIN else {"type": "array"} if hint is np.ndarray else {}


def row(**hints: Any) -> Schema:
    """An object with these keys and no others."""
    properties = {name: shape(hint) for name, hint in hints.items()}
    return {"type": "object", "properties": properties, "required": [*hints], "additionalProperties": False}


def each(hint: Any) -> Schema:
    """An object whose keys are names, such as those of cords."""
    return {"type": "object", "additionalProperties": shape(hint)}


def maybe(hint: Any) -> Schema:
    return {"anyOf": [shape(hint), {"type": "null"}]}


def of(kind: Any, names: str = "", *, without: str = "", also: str = "", **more: Any) -> Schema:
    """Those fields and properties of a class (all its fields where none is named), and `more` of other hints."""
    chosen = names.split() or [field.name for field in fields(kind) if field.name not in without.split()]
    return row(**{name: _hint(kind, name) for name in [*chosen, *also.split()]} | more)


def _hint(kind: Any, name: str) -> Any:
    """The type hint of a field, or of what a property gives."""
    member = getattr(kind, name, None)
    if isinstance(member, property | cached_property):
        return get_type_hints(member.fget if isinstance(member, property) else member.func)["return"]
    written = {field.name: field.type for field in fields(kind)}[name]  # alone: others may be known to checkers only
    return get_type_hints(SimpleNamespace(__annotations__={name: written}), vars(modules[kind.__module__]))[name]


_SI = "Plain numbers in SI, null where nothing is known; masses of riders are without gear; see the data dictionary."


def results_schema() -> Schema:
    """Of results.json, from the classes whose results it holds; `unit` is that of a number of `predictions`."""
    fitted = "parameters scales residual_sd dof aicc no_band"
    candidates = [row(model=str, aicc=float, check_rms=float, note=str)]
    waves = of(WaveFit, "seen share u_share rounds change viscosity", records=[each(float)], loads=[each(float)])
    pull = row(
        pull=str,
        cord=str,
        speed=float,
        against=str,
        mean=float,
        range=[float],
        stretch_ratio=[float],
        ratio=[float],
    )
    keys = row(
        layout={"const": LAYOUT},
        cordlab=str,
        versions=each(str),
        campaign=_campaign(),
        earlier=[int],
        calibration=each(of(Calibration, _CALIBRATION, range=[float])),
        drops=[_drop()],
        load_lag=maybe(of(LoadLag)),
        curve=maybe(
            of(
                CurveFit,
                fitted,
                model=str,
                standard_errors=each(float),
                equals=[str],
                held_back=str,
                candidates=candidates,
            )
        ),
        waves=maybe(waves),
        pulls=maybe(of(PullComparison, "mean sd left_out", pulls=[pull])),
        temperature=maybe(of(TemperatureTrend, "u dof reason note", slope_per_K=float, range=[float])),
        batch=maybe(_batch()),
        validation=[_HELD_BACK],
        validation_means=[of(MeanOff, also="inside")],
        predictions=[_prediction()],
        rating=_RATING,
        range_plan=maybe(RangePlan),
        lot=maybe(_lot()),
        wear=maybe(_wear()),
        budget=[of(Share, quantity=str, dof=float)],
        uncertainty=[of(Budget, without="shares", also="agrees word", dof=float)],
        monte_carlo=each(float),
        findings=[
            row(**dict.fromkeys(("kind", "what", "where", "try_"), str), drops=[str], stops=bool, settled=str | None)
        ],
        cords_in_service=[of(CordStatus, also="may_jump")],
        cautions=[str],
    )
    keys["properties"] |= {"by_hand": _by_hand()}  # only where something was settled by hand
    return {"$schema": DIALECT, "title": f"results.json of cordlab, layout {LAYOUT}", "description": _SI} | keys


_CALIBRATION = "degree coefficients standard_errors correlation residual_sd dof lack_of_fit quantity_unit reading_unit"
_HELD_BACK = of(HeldBack, also="inside peak_inside g_inside")
_RATING = of(Rating, without="predictions", also="nearness")


def _campaign() -> Schema:
    sections = {"rig": Rig, "site": Site, "criteria": Criteria, "decision": Decision, "viscosity": Measured | None}
    more = {"cords": [CordEntry], "temperatures": list[float] | None, "report": each(str), "notes": [str]}
    return of(Campaign, "title batch sha256 digests pounds_and_feet layout", **sections, **more)


def _drop() -> Schema:
    of_record = ("lowest_point", "u_lowest_point", "peak_load", "energy_returned", "u_energy_returned")
    numbers = dict.fromkeys(("mass", *of_record), float)
    drop = of(DropEntry, "drop cord use jumps remarks", notes=[str], **numbers)
    drop["properties"]["recorded_lowest_point"] = NUMBER  # only of a record
    return drop


def _batch() -> Schema:
    within = maybe(of(VarianceComponents, also="sd_between sd_within"))
    tests = [row(cord=str, t=float, p=float)]
    spread = of(QuantitySpread, "quantity sd", cords=each(float), components=within, tests=tests)
    return of(Batch, "rule level cautions", quantities=[spread], outlying=[row(cord=str, quantity=str, p=float)])


def _prediction() -> Schema:
    numbers = {
        f"{before}{name}{after}": NUMBER | {"unit": quantity.unit or "1"}
        for name, quantity in QUANTITIES.items()
        for before, after in (("", ""), ("", "_limit"), ("u_", ""))
    }
    waves = dict.fromkeys(("lowest_point", "g", "peak_load", "time_lowest_point", "time_g", "time_peak_load"), float)
    words = {"violation": each(float), "decision": each(str), "reason": str | None}
    prediction = row(mass=NUMBER | {"unit": "kg"}, **numbers, rated=bool, waves=maybe(row(**waves)), **words)
    asked = {name for name, quantity in QUANTITIES.items() if quantity.asked_only}  # there where it is asked for
    prediction["required"] = [name for name in prediction["required"] if not any(one in name for one in asked)]
    return prediction


def _lot() -> Schema:
    names = (
        "issued reasons cautions lowest_break strength governs greatest_load_limit strength_factor sample sample_needed"
    )
    breaks = row(cord=str, breaking_load=float, end_loops=bool | None, plotting_position=float)
    limits = row(share=float, confidence=float, normal=float, weibull=float, words=str)
    weibull = maybe(row(shape=float, scale=float))
    return of(Lot, names, least_strength_factor=float, breaks=[breaks], tolerance=limits, weibull=weibull)


def _wear() -> Schema:
    names = "quantity unit least room probability slope se_slope curvature_p retire_at next_retest greatest_jumps"
    counts = [row(jumps=int, lightest=float, heaviest=float)]
    conditions = each([row(jumps=int, lowest=float, highest=float)])
    slopes = ("scale_slope", "se_scale_slope", "p_scale", "length_slope", "se_length_slope", "p_length")
    softening = row(rows=[row(cord=str, jumps=int, ln_scale=float, lengthening=float)], **dict.fromkeys(slopes, float))
    more = {"slopes": each(float), "crossing_forecast": each(float), "conditions": conditions, "jumps": int | None}
    return of(
        Wear, f"{names} reasons cautions tested forecast", **more, range_by_count=counts, softening=maybe(softening)
    )


def _by_hand() -> Schema:
    who = {"drop": str | None, "reason": str, "by": str | None}
    marks = row(**who, **dict.fromkeys(EVENTS, Measured | None))
    left_out = row(**who, cord=str | None, cause=str)
    told = row(choice=str, reason=str)
    settled = row(**who, finding=str)
    by_hand = of(
        ByHand,
        "range_without widens without",
        held_back=[_HELD_BACK],
        marks=[marks],
        left_out=[left_out],
        settled=[settled],
        told=[told],
    )
    by_hand["properties"]["without"] = maybe(_RATING)
    return by_hand


SCHEMAS = {"campaign.schema.json": campaign_schema, "results.schema.json": results_schema}


def written(schema: Schema) -> str:
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


def main() -> None:
    for name, schema in SCHEMAS.items():
        (ROOT / "cordlab" / "bundle" / name).write_text(written(schema()), encoding="utf-8")


if __name__ == "__main__":
    main()
