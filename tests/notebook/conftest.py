"""One analysis of the demo for all tests of panels and lessons."""

import pytest

from cordlab import Analysis, Campaign, analyse, read_campaign
from tests.conftest import ROOT


@pytest.fixture(scope="session")
def campaign() -> Campaign:
    return read_campaign(ROOT / "data-demo" / "first-batch")


@pytest.fixture(scope="session")
def analysis(campaign) -> Analysis:
    return analyse(campaign)
