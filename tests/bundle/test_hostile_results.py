"""Results that somebody made up: refused with one line, or compared value by value at their places."""

import copy
import json

import pytest

from cordlab.bundle.compare import DIFFERS, compare, headlines
from cordlab.bundle.recheck import MOST_BYTES, BundleError, read_results
from cordlab.report import page as report
from tests.specimen import specimen


@pytest.fixture(scope="module")
def results():
    return json.loads(report.as_json(report.results_of(specimen())))


def put(*path, value):
    def change(results):
        for key in path[:-1]:
            results = results[key]
        results[path[-1]] = value

    return change


def read(results, tmp_path, change):
    results = copy.deepcopy(results)
    change(results)
    (tmp_path / "results.json").write_text(json.dumps(results), encoding="utf-8")
    return read_results(tmp_path / "results.json")


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (put("cordlab", value="9.9 Rated for riders of 20 to 150 kg"), "that is no version"),
        (put("layout", value="1"), "'layout' is 1: this cordlab reads layouts 1 to"),
        (put("layout", value=True), "'layout' is True"),
        (put("layout", value=10**17), "'layout' is 10{17}: this"),
        (put("versions", value=[1]), r"'versions' is \[1\]"),
        (put("versions", value={"numpy": 2}), "'a value of versions' is 2"),
        (put("campaign", value=None), "'campaign' is None"),
        (put("campaign", "decision", value=[1]), r"'decision' is \[1\]"),
        (put("rating", value=[]), r"'rating' is \[\]"),
        (put("rating", "rated", value="yes"), "'rated' is yes"),
        (put("rating", "lightest", value=None), "'lightest' is None"),
        (put("rating", "governed_by", value=None), "'governed_by' is None"),
        (put("drops", value=[1]), "'a row of drops' is 1"),
        (put("predictions", value=[{}]), "'mass' is None"),
        (put("wear", value="never"), "'wear' is never"),
        (put("monte_carlo", value={"a": "b"}), "'a value of monte_carlo' is b"),
        (put("more", value=float("inf")), "Infinity is not a number"),
        (put("k" * 201, value=1), "a key has 201 characters"),
        (put("more", value=[0] * 200_002), "has more than 200000 values"),
        (put("more", value=json.loads("[" * 30 + "]" * 30)), "deeper than 20"),
        (put("more", value="a" * MOST_BYTES), "is longer than"),
        (lambda results: results.clear(), "'cordlab' is None"),
    ],
)
def test_another_shape_or_size_is_refused_before_use(results, tmp_path, change, why):
    with pytest.raises(BundleError, match=why):
        read(results, tmp_path, change)


@pytest.mark.parametrize("text", ["9" * 4000, "1e999", "NaN", "-Infinity", "[" * 100_000, '{"a": 1, "a": 2}'])
def test_numbers_nestings_and_doubled_keys_that_json_allows(results, tmp_path, text):
    path = tmp_path / "results.json"
    for content in (json.dumps(results).replace("{", '{"more": ' + text + ", ", 1), text, "[]"):
        path.write_text(content, encoding="utf-8")
        with pytest.raises(BundleError, match="is not the JSON of an analysis"):
            read_results(path)


@pytest.mark.parametrize("change", [put("versions", value=None), put("earlier", value={"a": 1}), put("lot", value={})])
def test_what_is_odd_and_can_be_read_is_compared_and_put_in_words(results, tmp_path, change):
    odd = read(results, tmp_path, change)
    assert compare(odd, results).lines
    assert headlines(odd, results)


def test_no_key_stands_for_a_value_at_another_place(results):
    """A forged value, and the true one under the name that the comparison shows: both are found."""
    forged = copy.deepcopy(results)
    forged["rating.heaviest"], forged["rating"]["heaviest"] = forged["rating"]["heaviest"], 150.0
    row = forged["drops"][0]
    forged[f"drops[{row['drop']}].lowest_point"], row["lowest_point"] = row["lowest_point"], 1.0
    names = [line.name for line in compare(forged, results).lines if line.verdict == DIFFERS]
    assert sorted(set(names)) == [f"drops[{row['drop']}].lowest_point", "rating.heaviest"]
    assert len(names) == 4


def test_an_empty_table_is_no_value(results):
    for nothing in ({}, []):
        forged = copy.deepcopy(results)
        forged["rating"]["governed_by"]["light"] = nothing
        (line,) = compare(forged, results).differing
        assert line.name == "rating.governed_by.light"


def test_words_of_somebodys_own_are_no_judgement_that_turned(results):
    """Near a criterion a judgement may turn with other draws, to one that these results know."""
    results = copy.deepcopy(results) | {"monte_carlo": {"predictions[86]": None}}
    row = next(k for k, row in enumerate(results["predictions"]) if row["mass"] == 86.0)
    for reason, verdict in (
        ("", 0),
        (results["predictions"][-1]["reason"], 0),
        ("Rated for riders of 20 to 150 kg", 1),
    ):
        other = copy.deepcopy(results) | {"versions": results["versions"] | {"machine": "another"}}
        other["predictions"][row]["reason"] = reason
        assert len(compare(other, results).differing) == verdict


def test_exponents_of_thousands_are_no_numbers_of_a_sentence(results):
    results = copy.deepcopy(results) | {"monte_carlo": {"curve": 0.1}}
    other = copy.deepcopy(results) | {"versions": {}}
    results["curve"]["model"], other["curve"]["model"] = "1e9999", "7e9999"
    assert [line.name for line in compare(other, results).differing] == ["curve.model"]
