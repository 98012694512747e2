"""Softening and lengthening told apart, on invented drops of known truth."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from cordlab.curves.models import Curve
from cordlab.mechanics.fall import DropSetup
from cordlab.mechanics.predict import predict_drop
from cordlab.wear.wear import tell_apart
from tests.wear.test_wear import COUNTS


def dropped(rng, *, softening, lengthening, u=0.0, cords=6, masses=(36.0, 68.0, 100.0)):
    """Invented drops: loss of stiffness (a share) and gain of slack length [m], both in 500 jumps."""
    curve = Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})
    names, jumps, mass = (
        axis.ravel() for axis in np.meshgrid([f"C{i}" for i in range(cords)], COUNTS, masses, indexing="ij")
    )
    log_scales = dict(zip(dict.fromkeys(names), rng.normal(0, 0.02, cords), strict=True))
    scale = np.exp(np.array([log_scales[name] for name in names])) * (1 - softening * jumps / 500)
    new = DropSetup(mass=mass, slack_length=10.0, cord_mass=14.0, drag_area=0.1)
    longer = replace(new, slack_length=10 + lengthening * jumps / 500)
    lowest = predict_drop(curve.scaled(scale), **vars(longer)).lowest_point + (rng.normal(0, u, mass.size) if u else 0)
    return tell_apart(curve, names, jumps + (mass > 50), lowest, new)


@pytest.mark.parametrize(("softening", "lengthening"), [(0.05, 0.0), (0.0, 0.12), (0.05, 0.12)])
def test_softening_and_lengthening_are_told_apart(softening, lengthening):
    """Exact drops give back the invented change: stiffness down by a share, slack length up, in 500 jumps."""
    change = dropped(np.random.default_rng(1), softening=softening, lengthening=lengthening)
    at_end = change.jumps == 500
    new = change.ln_scale[change.jumps == 0]
    assert change.ln_scale[at_end] - new == pytest.approx(np.full(6, math.log(1 - softening)), abs=1e-7)
    assert change.lengthening[at_end] == pytest.approx(np.full(6, lengthening), abs=1e-6)


def test_change_is_shown_only_where_the_readings_show_it():
    """Lowest points read to 0.05 m: 5 % of softening shows, a lengthening that is not there does not."""
    change = dropped(np.random.default_rng(7), softening=0.05, lengthening=0.0, u=0.05)
    assert change.scale_lines.p_slope < 0.05 < change.length_lines.p_slope
    assert abs(change.scale_lines.slope * 500 + 0.05) < 4 * 500 * change.scale_lines.se_slope
    assert "slack length" in change.summary()
    json.dumps(change.to_dict())
    assert list(change.table()) == ["stiffness scale [1]", "lengthening [m]"]


def test_one_mass_cannot_tell_them_apart():
    with pytest.raises(ValueError, match="2 masses or more"):
        dropped(np.random.default_rng(1), softening=0.05, lengthening=0.0, masses=(68.0,))
