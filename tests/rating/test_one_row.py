"""A criterion is one row: an invented one, on the lowest point, goes from campaign.toml to rating, report and plan.

It runs in a process of its own, in which the row is changed before anything else of cordlab is loaded.
"""

import json
import subprocess
import sys

import pytest

from cordlab import invent

WITH_ONE_MORE = """
import sys
from dataclasses import replace
from pathlib import Path
from cordlab.quantities import QUANTITIES, Criterion

QUANTITIES["lowest_point"] = replace(
    QUANTITIES["lowest_point"],
    columns=("limit",),
    criterion=Criterion("greatest_lowest_point", "Greatest lowest point below the tie point", above=0),
)
import cordlab
from cordlab.report.page import write_results

folder, out = map(Path, sys.argv[1:])
assert cordlab.read_campaign(folder).criteria.greatest_lowest_point is None
text = (folder / "campaign.toml").read_text().replace("greatest_g = 2.8", "greatest_g = 3.5")
(folder / "campaign.toml").write_text(text.replace("[criteria]", '[criteria]\\ngreatest_lowest_point = "33 m"'))
analysis = cordlab.analyse(cordlab.read_campaign(folder))
write_results(analysis, out)
axes = [ax.get_ylabel() for figure in cordlab.figures.all_figures(analysis).values() for ax in figure.axes]
assert "lowest point [m]" in axes, axes
"""


def test_one_row_adds_a_criterion_everywhere(tmp_path):
    folder, out = tmp_path / "campaign", tmp_path / "results"
    decision = {"probability": 0.99, "model": "mooney-rivlin"}
    few = {"masses": (36.0, 52.0, 68.0, 84.0, 100.0), "checks": (68.0,), "retests": (), "records": False}
    invent(folder, seed=115, cords=5, decision=decision, **few)
    run = subprocess.run(
        [sys.executable, "-c", WITH_ONE_MORE, str(folder), str(out)], capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    results, report = json.loads((out / "results.json").read_text()), (out / "report.html").read_text()
    rating, plan = results["rating"], results["range_plan"]
    assert rating["governed_by"]["heavy"] == "lowest point"
    rows = [row for row in results["predictions"] if row["lowest_point_limit"] is not None]
    for row in rows:
        assert (row["lowest_point_limit"] <= 33) == (row["decision"]["lowest point"] == "guarded acceptance")
    refused = next(row for row in rows if row["mass"] > rating["heaviest"] + 1)
    assert "is above the greatest lowest point of 33 m" in refused["reason"]
    assert results["campaign"]["criteria"]["greatest_lowest_point"] == 33
    assert "Greatest lowest point below the tie point" in report
    assert "lowest point [m], limit" in report
    assert plan["heaviest"][plan["cords"].index(plan["so_far"])] == pytest.approx(rating["heaviest"], abs=0.11)
