"""cordlab: from drops of dead weights on elastic jump cords to a rated body-mass range, with limits that hold.

The public names below are loaded when first used, so that `import cordlab` is quick.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOME = {
    "Measured": "units",
    "Campaign": "campaign",
    "CampaignError": "campaign",
    "read_campaign": "campaign",
    "Missing": "start",
    "chosen_campaign": "start",
    "Calibration": "calibrate",
    "OutsideCalibration": "calibrate",
    "fit_calibration": "calibrate",
    "Drop": "reduce",
    "RecordError": "reduce",
    "reduce_drop": "reduce",
    "Curve": "curves",
    "Model": "curves",
    "model": "curves",
    "models": "curves",
    "CurveFit": "fit",
    "fit_curve": "fit",
    "Outcome": "drop",
    "Prediction": "drop",
    "Trace": "drop",
    "predict_drop": "drop",
    "scale_for_lowest_point": "drop",
    "trace_drop": "drop",
    "unloading_for": "drop",
    "VarianceComponents": "spread",
    "components": "spread",
    "prediction_limit": "spread",
    "tolerance_factor": "spread",
    "tolerance_limit": "spread",
    "Rating": "rating",
    "Analysis": "analysis",
    "analyse": "analysis",
    "invent": "scenario",
}

__all__ = ["__version__", *sorted(_HOME)]

if TYPE_CHECKING:
    from cordlab.analysis import Analysis, analyse
    from cordlab.calibrate import Calibration, OutsideCalibration, fit_calibration
    from cordlab.campaign import Campaign, CampaignError, read_campaign
    from cordlab.curves import Curve, Model, model, models
    from cordlab.drop import (
        Outcome,
        Prediction,
        Trace,
        predict_drop,
        scale_for_lowest_point,
        trace_drop,
        unloading_for,
    )
    from cordlab.fit import CurveFit, fit_curve
    from cordlab.rating import Rating
    from cordlab.reduce import Drop, RecordError, reduce_drop
    from cordlab.scenario import invent
    from cordlab.spread import VarianceComponents, components, prediction_limit, tolerance_factor, tolerance_limit
    from cordlab.start import Missing, chosen_campaign
    from cordlab.units import Measured


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'cordlab' has no attribute {name!r}")
    value = getattr(import_module(f"cordlab.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*__all__, *globals()])
