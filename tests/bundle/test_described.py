"""What a bundle says about itself, read without cordlab: the run that made it, its tables, its schemas, what ran."""

import json
import re
import subprocess
import sys
import tomllib
import zipfile

import pytest

from cordlab.bundle.publish import PublishError, Statement, data_package
from cordlab.campaign.campaign import read_campaign
from cordlab.campaign.settings import LAYOUT
from cordlab.report import figures as plots
from cordlab.report import page as report
from tests.bundle.test_publish import WHO, publish_specimen
from tests.conftest import ROOT
from tests.schemas import SCHEMAS, written
from tests.small_campaign import CAMPAIGN, edit, problems, write_small_campaign
from tests.specimen import specimen

DEMO = ROOT / "data-demo" / "first-batch" / "campaign.toml"
ORCID = "0000-0002-1825-0097"  # of nobody: the example of ORCID's own page on the structure of the identifier


@pytest.fixture(scope="module")
def bundle(tmp_path_factory):
    """Content by name, of a bundle with everything that can be given."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(plots, "all_figures", lambda analysis: {})
        path = tmp_path_factory.mktemp("described") / "bundle.zip"
        publish_specimen(path, licence="cc-by-4.0", orcid=ORCID)
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


@pytest.fixture(scope="module")
def graph(bundle):
    return {part["@id"]: part for part in json.loads(bundle["ro-crate-metadata.json"])["@graph"]}


def kinds(part):
    return {part["@type"]} if isinstance(part["@type"], str) else {*part["@type"]}


def ids(value):
    return {part["@id"] for part in (value if isinstance(value, list) else [value])}


# --- the run


def test_the_root_has_what_ro_crate_1_3_requires(graph):
    """RO-Crate 1.3, "Root Data Entity": the descriptor MUST name the specification and be about the root, which MUST
    have type Dataset, name, description, datePublished in ISO 8601, and license."""
    descriptor = graph["ro-crate-metadata.json"]
    assert descriptor["@type"] == "CreativeWork"
    assert ids(descriptor["conformsTo"]) == {"https://w3id.org/ro/crate/1.3"}
    root = graph[descriptor["about"]["@id"]]
    assert "Dataset" in kinds(root)
    assert root["name"]
    assert root["description"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", root["datePublished"])
    assert ids(root["license"]) == {"https://spdx.org/licenses/CC-BY-4.0"}
    assert kinds(graph["https://spdx.org/licenses/CC-BY-4.0"]) == {"CreativeWork"}


def test_every_entity_that_is_referred_to_is_described(graph):
    """RO-Crate 1.3, "Describing entities": the graph is flat, and references are to entities in it."""

    def references(value):
        if isinstance(value, dict):
            assert {*value} == {"@id"}
            yield value["@id"]
        elif isinstance(value, list):
            for part in value:
                yield from references(part)

    for part in graph.values():
        for key, value in part.items():
            for name in references(value):
                assert name in graph or (key == "conformsTo" and name == "https://w3id.org/ro/crate/1.3"), (key, name)


def test_the_run_has_what_the_process_run_crate_requires(graph, bundle):
    """Process Run Crate 0.6, table "Requirements": the root MUST conform to the profile, a CreativeWork; it SHOULD
    mention the action; that MUST have an instrument, which SHOULD have a name and a version, and SHOULD have a name, a
    description, an endTime in ISO 8601, an agent and results; a SoftwareApplication SHOULD not have both versions."""
    root = graph["./"]
    (profile,) = ids(root["conformsTo"])
    assert profile == "https://w3id.org/ro/wfrun/process/0.6"
    assert "CreativeWork" in kinds(graph[profile])
    (run,) = (graph[name] for name in ids(root["mentions"]))
    assert kinds(run) == {"CreateAction"}
    tool = graph[run["instrument"]["@id"]]
    assert kinds(tool) == {"SoftwareApplication"}
    assert (tool["name"], tool["softwareVersion"], "version" in tool) == (
        "cordlab",
        specimen().to_dict()["cordlab"],
        False,
    )
    assert run["name"]
    assert run["description"].startswith("cordlab publish campaign BUNDLE.zip ")
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00", run["endTime"])
    assert ids(run["object"]) == {f"campaign/{name}" for name in specimen().campaign.digests}
    assert {"results.json", "report.html", "datapackage.json"} <= ids(run["result"])
    assert ids(run["result"]) | ids(run["object"]) <= ids(root["hasPart"])
    assert all(kinds(graph[name]) == {"File"} for name in ids(run["result"]) | ids(run["object"]))
    assert root["version"] == f"layout {LAYOUT}"


def test_who_publishes_has_the_orcid_that_was_given(graph):
    agent = graph[f"https://orcid.org/{ORCID}"]
    assert kinds(agent) == {"Person"}
    assert agent["name"] == WHO["author"]
    run = next(part for part in graph.values() if kinds(part) == {"CreateAction"})
    assert run["agent"] == graph["./"]["author"] == {"@id": agent["@id"]}


@pytest.mark.parametrize("wrong", ["0000-0002-1825-0098", "0000-0002-1825-009", "https://example.org/1", ""])
def test_an_orcid_with_a_wrong_digit_is_refused(tmp_path, wrong):
    """ISO 7064, MOD 11-2: the last character checks the others."""
    with pytest.raises(PublishError, match="is not an ORCID"):
        publish_specimen(tmp_path / "a.zip", orcid=wrong)


@pytest.mark.parametrize(
    ("licence", "address"),
    [
        ("CC0-1.0", "https://spdx.org/licenses/CC0-1.0"),
        ("https://example.org/terms", "https://example.org/terms"),
        ("MIT OR Apache-2.0", "#licence"),
        ("LicenseRef-ours", "#licence"),
    ],
)
def test_a_licence_has_the_address_of_spdx_where_it_has_one_name_there(licence, address):
    who = Statement("A", licence, "2026-05-04")
    assert who.terms == address


# --- what ran


def test_the_packages_that_ran_can_be_installed_again(bundle):
    """Each with its exact version, as `pip install -r` reads it, and a hash of what was installed."""
    from importlib.metadata import version

    from packaging.requirements import Requirement

    lines = bundle["requirements.txt"].decode().splitlines()
    needs = [Requirement(line.partition("  #")[0]) for line in lines if not line.startswith("#")]
    held = {need.name: str(need.specifier) for need in needs}
    assert {"numpy", "scipy", "pandas", "numba", "llvmlite", "pint", "uncertainties", "lmfit"} < held.keys()
    assert held["numpy"] == f"=={version('numpy')}"
    assert all(re.search(r"  # files [0-9a-f]{64}$", line) for line in lines[2:])
    assert re.fullmatch(rf"# cordlab.*, cordlab source {report.source()}", lines[1])
    assert json.loads(bundle["results.json"])["versions"]["cordlab source"] == report.source()


# --- schemas


@pytest.mark.parametrize("name", SCHEMAS)
def test_the_schemas_are_of_the_classes_in_the_code(name):
    """`python -m tests.schemas` writes them."""
    assert (ROOT / "cordlab" / "bundle" / name).read_text(encoding="utf-8") == written(SCHEMAS[name]())


def wrong_with(name, content):
    jsonschema = pytest.importorskip("jsonschema")
    schema = SCHEMAS[name]()
    jsonschema.Draft202012Validator.check_schema(schema)
    return [
        f"{error.json_path}: {error.message[-200:]}"
        for error in jsonschema.Draft202012Validator(schema).iter_errors(content)
    ]


def test_results_are_as_their_schema_says_and_it_knows_every_key(bundle):
    """Unknown keys are wrong in it, missing ones too, at every level."""
    results = json.loads(bundle["results.json"])
    assert wrong_with("results.schema.json", results) == []
    del results["rating"]["dof"]
    results["drops"][0]["odd"] = 1
    results["predictions"][0]["g_limit"] = "3"
    found = wrong_with("results.schema.json", results)
    assert len(found) == 3
    assert results["layout"] == LAYOUT


def test_campaigns_are_as_their_schema_says():
    assert wrong_with("campaign.schema.json", tomllib.loads(CAMPAIGN)) == []
    assert wrong_with("campaign.schema.json", tomllib.loads(DEMO.read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize(
    ("section", "key", "value"),
    [
        ("site", "drag_area", 0.5),
        ("site", "drag_aera", "0.5 m^2"),
        ("decision", "probability", 1.0),
        ("decision", "limit", "confidence"),
        ("decision", "seed", -1),
        ("criteria", "least_strength_factor", 0.5),
        ("rig", "load_cell_at", 1),
    ],
)
def test_what_cordlab_refuses_the_schema_refuses(section, key, value):
    written_there = tomllib.loads(DEMO.read_text(encoding="utf-8"))
    written_there[section][key] = value
    assert len(wrong_with("campaign.schema.json", written_there)) == 1


# --- tables

SCRIPT = """
import csv, io, json, sys, tomllib, zipfile
sys.modules["cordlab"] = None  # importing it would fail
bundle = zipfile.ZipFile(sys.argv[1])
package = json.loads(bundle.read("datapackage.json"))
number = {"number": float, "integer": int, "string": str}
for resource in package["resources"]:
    if "delimiter" not in resource["dialect"]:
        continue
    text = bundle.read(resource["path"]).decode("utf-8-sig")
    lines = text.splitlines()[resource["dialect"]["headerRows"][0] - 1 :]
    head, *rows = csv.reader(lines, delimiter=resource["dialect"]["delimiter"], skipinitialspace=True)
    fields = resource["schema"]["fields"]
    assert [cell.strip() for cell in head] == [field["name"] for field in fields], head
    for row in filter(any, rows):
        for cell, field in zip(row, fields, strict=True):
            bounds = field["constraints"]
            if not cell.strip():
                assert not bounds["required"], (field, row)
                continue
            value = number[field["type"]](cell.replace(field.get("decimalChar", "."), "."))
            assert value > bounds.get("exclusiveMinimum", value - 1 if field["type"] != "string" else "")
            assert field["type"] == "string" or value >= bounds.get("minimum", value)
(predictions,) = [r for r in package["resources"] if r["name"] == "predictions"]
results = json.loads(bundle.read(predictions["path"]))
rows = results[predictions["dialect"]["property"]]
units = {field["name"]: field.get("unit") for field in predictions["schema"]["fields"]}
rated = [row["mass"] for row in rows if row["rated"]]
try:
    import jsonschema
except ImportError:
    pass
else:
    campaign = tomllib.loads(bundle.read("campaign/campaign.toml").decode())
    for name, content in (("results", results), ("campaign", campaign)):
        jsonschema.Draft202012Validator(json.loads(bundle.read(f"{name}.schema.json"))).validate(content)
print(json.dumps([len(package["resources"]), units["peak_load"], min(rated), max(rated)]))
"""


def read_by_a_stranger(path):
    done = subprocess.run([sys.executable, "-c", SCRIPT, str(path)], capture_output=True, text=True, timeout=60)
    assert done.stderr == ""
    return json.loads(done.stdout)


def test_a_reviewers_own_script_reads_a_bundle_without_cordlab(bundle, tmp_path):
    with zipfile.ZipFile(tmp_path / "bundle.zip", "w") as archive:
        for name, data in bundle.items():
            archive.writestr(name, data)
    count, unit, lightest, heaviest = read_by_a_stranger(tmp_path / "bundle.zip")
    assert count == 1 + sum(name.startswith("campaign/") and name.endswith(".csv") for name in bundle)
    assert unit == "N"
    rating = specimen().rating
    assert (lightest, heaviest) == pytest.approx((rating.lightest, rating.heaviest), abs=1)


def test_tables_with_other_units_and_marks_are_described_as_they_are(bundle, tmp_path):
    """Semicolons, decimal commas and pounds, as a spreadsheet writes them: bounds are in the units of the heads."""
    folder = write_small_campaign(tmp_path / "campaign")
    drops = (folder / "drops.csv").read_text(encoding="utf-8")
    drops = drops.replace(",", ";").replace(".", ",").replace("mass [kg]", "Mass [lb]")
    contents = bundle | {"campaign/drops.csv": drops.replace(",csv", ".csv").encode("utf-8-sig")}
    results = json.loads(bundle["results.json"])
    package = data_package(contents, results, "CC0-1.0")
    (table,) = [resource for resource in package["resources"] if resource["path"] == "campaign/drops.csv"]
    assert table["dialect"]["delimiter"] == ";"
    mass = next(field for field in table["schema"]["fields"] if field["name"] == "Mass [lb]")
    assert (mass["unit"], mass["decimalChar"], mass["constraints"]["exclusiveMinimum"]) == ("lb", ",", 0)
    assert table["schema"]["primaryKey"] == ["drop"]
    with zipfile.ZipFile(tmp_path / "bundle.zip", "w") as archive:
        for name, data in (contents | {"datapackage.json": json.dumps(package).encode()}).items():
            archive.writestr(name, data)
    assert read_by_a_stranger(tmp_path / "bundle.zip")[0] == len(package["resources"])


# --- the layout


def test_a_campaign_of_a_later_layout_is_refused_by_name(tmp_path):
    folder = write_small_campaign(tmp_path / "campaign")
    edit(folder, "campaign.toml", ("title", f"layout = {LAYOUT}\ntitle"))
    assert read_campaign(folder).layout == LAYOUT
    edit(folder, "campaign.toml", (f"layout = {LAYOUT}", f"layout = {LAYOUT + 1}"))
    (problem,) = problems(folder)
    assert f"'layout': {LAYOUT + 1} is of a later cordlab, this one reads layouts to {LAYOUT}" in problem


def test_a_campaign_that_states_no_layout_is_of_the_first(tmp_path):
    assert read_campaign(write_small_campaign(tmp_path / "campaign")).layout == 1
