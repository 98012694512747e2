"""One thing wrong in the demo at a time: refused with its place, read as if nothing were, or answered "not rated"."""

import shutil

import pytest

from tests.corruptions import CORRUPTIONS, NOT_RATED, RECORD, REFUSED, SAME, as_expected, demo, found, light


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """The demo to read, and the one to answer."""
    root = tmp_path_factory.mktemp("plain")
    return {False: demo(root / "demo"), True: light(root / "light")}


def test_there_are_enough_of_each_kind():
    kinds = [each.expected for each in CORRUPTIONS]
    assert len(kinds) >= 80
    assert len({each.what for each in CORRUPTIONS}) == len(kinds)
    assert min(kinds.count(kind) for kind in (REFUSED, RECORD, SAME, NOT_RATED)) >= 10


@pytest.mark.parametrize("corruption", CORRUPTIONS, ids=[each.what.replace("\t", " ") for each in CORRUPTIONS])
def test_what_becomes_of_a_corruption(corruption, plain, tmp_path):
    whole = plain[corruption.expected == NOT_RATED]
    folder = shutil.copytree(whole, tmp_path / "campaign")
    corruption.change(folder)
    result = found(folder, whole, corruption.expected)
    assert as_expected(corruption, result), result
