"""cordlab: from drops of dead weights on elastic jump cords to a rated body-mass range, with limits that hold.

The public names below are loaded when first used, so that `import cordlab` is quick.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOME = {
    "Measured": "units",
    "Campaign": "campaign.campaign",
    "CampaignError": "campaign.campaign",
    "read_campaign": "campaign.campaign",
    "Missing": "notebook.start",
    "chosen_campaign": "notebook.start",
    "Calibration": "records.calibration",
    "OutsideCalibration": "records.calibration",
    "fit_calibration": "records.calibration",
    "Drop": "records.reduce",
    "RecordError": "records.reduce",
    "reduce_drop": "records.reduce",
    "Curve": "curves.models",
    "Model": "curves.models",
    "model": "curves.models",
    "models": "curves.models",
    "CurveFit": "batch.fit",
    "fit_curve": "batch.fit",
    "Outcome": "mechanics.predict",
    "Prediction": "mechanics.predict",
    "Trace": "mechanics.predict",
    "predict_drop": "mechanics.predict",
    "scale_for_lowest_point": "mechanics.predict",
    "trace_drop": "mechanics.predict",
    "unloading_for": "mechanics.predict",
    "VarianceComponents": "statistics.limits",
    "components": "statistics.limits",
    "prediction_limit": "statistics.limits",
    "tolerance_factor": "statistics.limits",
    "tolerance_limit": "statistics.limits",
    "Rating": "rating.rate",
    "Analysis": "analysis",
    "analyse": "analysis",
    "invent": "synthetic",
}
_NAMESPACES = {"figures": "report.figures"}

__all__ = ["__version__", *sorted({**_HOME, **_NAMESPACES})]

if TYPE_CHECKING:
    from cordlab.analysis import Analysis, analyse
    from cordlab.batch.fit import CurveFit, fit_curve
    from cordlab.campaign.campaign import Campaign, CampaignError, read_campaign
    from cordlab.curves.models import Curve, Model, model, models
    from cordlab.mechanics.predict import (
        Outcome,
        Prediction,
        Trace,
        predict_drop,
        scale_for_lowest_point,
        trace_drop,
        unloading_for,
    )
    from cordlab.notebook.start import Missing, chosen_campaign
    from cordlab.rating.rate import Rating
    from cordlab.records.calibration import Calibration, OutsideCalibration, fit_calibration
    from cordlab.records.reduce import Drop, RecordError, reduce_drop
    from cordlab.report import figures
    from cordlab.statistics.limits import (
        VarianceComponents,
        components,
        prediction_limit,
        tolerance_factor,
        tolerance_limit,
    )
    from cordlab.synthetic import invent
    from cordlab.units import Measured


def __getattr__(name: str) -> Any:
    if name in _NAMESPACES:
        value = import_module(f"cordlab.{_NAMESPACES[name]}")
    elif name in _HOME:
        value = getattr(import_module(f"cordlab.{_HOME[name]}"), name)
    else:
        raise AttributeError(f"module 'cordlab' has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return __all__
