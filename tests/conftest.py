"""Published values for the checks: `shared/published/sources.toml` and the data files beside it."""

import os
import tomllib
from decimal import Decimal
from pathlib import Path

import pandas as pd
import pytest

import cordlab

os.environ["OMP_NUM_THREADS"] = "1"  # workers side by side do not fight over cores
ROOT = Path(__file__).resolve().parents[1]
PUBLISHED = ROOT / "shared" / "published"
SOURCES = tomllib.loads((PUBLISHED / "sources.toml").read_text(encoding="utf-8"))


class Printed:
    """A number as its source prints it; equal to anything that rounds to it."""

    def __init__(self, text: str, *, digits: int | None = None) -> None:
        number = Decimal(text)
        exponent = number.as_tuple().exponent
        if digits is not None:  # compare to fewer digits than printed, where sources.toml says that no more are usable
            exponent = max(exponent, number.adjusted() - digits + 1)
        self.text, self.value = text, float(number)
        # a hair over half a unit, so that a value printed by rounding a half up still agrees
        self.tolerance = 0.5000001 * 10.0**exponent

    def __eq__(self, other: object) -> bool:
        return abs(float(other) - self.value) <= self.tolerance

    __hash__ = None

    def __repr__(self) -> str:
        return f"{self.text} (printed, ±{self.tolerance:.1g})"


def approx_printed(text: str, *, digits: int | None = None) -> Printed:
    return Printed(text, digits=digits)


def printed(dataset: str, key: str, *, digits: int | None = None) -> Printed:
    """The value `key` of a dataset of sources.toml, to compare with `==`."""
    return Printed(SOURCES[dataset]["values"][key]["printed"], digits=digits)


def published_csv(name: str) -> pd.DataFrame:
    return pd.read_csv(PUBLISHED / name, comment="#")


@pytest.fixture(scope="session")
def root() -> Path:
    return ROOT


@pytest.fixture(scope="session")
def campaign() -> cordlab.Campaign:
    """The demo, read once for all tests of a process."""
    return cordlab.read_campaign(ROOT / "data-demo" / "first-batch")


@pytest.fixture(scope="session")
def analysis(campaign) -> cordlab.Analysis:
    return cordlab.analyse(campaign)
