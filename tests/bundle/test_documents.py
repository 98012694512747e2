"""A bundle whose numbers are right and whose words, figures or other files are not: found, or named as not compared."""

import hashlib
import json
import re
import zipfile
from base64 import b64decode, b64encode
from functools import cache

import pytest

from cordlab import cli
from cordlab.bundle import publish, recheck
from cordlab.bundle.compare import compare
from cordlab.bundle.recheck import AGREES, DIFFERS, NOT_COMPARED, check_files
from cordlab.report import figures as plots
from cordlab.report import page as report
from tests.bundle.test_cli_bundle import changed, replaced
from tests.bundle.test_publish import WHO
from tests.specimen import specimen

FIGURE = re.compile(rb'(?<=svg\+xml;base64,)[^"]+')


@cache
def drawn():
    return {"limits": plots.svg(plots.by_mass(specimen().rating, specimen().campaign.criteria), name="limits")}


@cache
def rerun_of_specimen():
    return json.loads(report.as_json(report.results_of(specimen())))


@pytest.fixture(scope="module")
def bundle(tmp_path_factory):
    """The specimen published with one figure and a notebook; re-run, it is the specimen again."""
    place = tmp_path_factory.mktemp("published")
    cell = {"cell_type": "code", "source": ["1 + 1"], "execution_count": 1, "outputs": [], "metadata": {}}
    (place / "05-a.ipynb").write_text(json.dumps({"cells": [cell], "metadata": {}, "nbformat": 4}), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(report, "vectors_of", lambda analysis: drawn())
        patched.setattr(recheck, "vectors_of", lambda analysis: drawn())
        patched.setattr(recheck, "analyse", lambda campaign, progress=None: specimen())
        yield publish.publish(
            specimen().campaign.folder,
            place / "bundle.zip",
            analysis=specimen(),
            notebooks=[place / "05-a.ipynb"],
            **WHO,
        ).path


def verdicts(path, verdict):
    """Of the files of a bundle that are as its manifest says."""
    with zipfile.ZipFile(path) as archive:
        contents = {name: archive.read(name) for name in archive.namelist()}
    published, rerun = json.loads(contents["results.json"]), rerun_of_specimen()
    comparison = compare(published, rerun)
    checks = check_files(contents, published, rerun, comparison=comparison, figures=drawn())
    return {file.name: file.why for file in checks.values() if file.verdict == verdict}


def figure_changed(change):
    """A change of the page's figure: <svg> text → <svg> text."""
    return lambda page: FIGURE.sub(lambda data: b64encode(change(b64decode(data[0]).decode()).encode()), page)


def test_every_file_has_its_verdict_and_what_was_not_run_again_is_named_with_exit_3(bundle, capsys):
    checked = recheck.recheck(bundle)
    assert {file.name for file in checked.files if file.verdict == AGREES} == {
        publish.MANIFEST, "results.json", "report.html", "README.txt", "ro-crate-metadata.json",
        "datapackage.json", "campaign.schema.json", "results.schema.json", "requirements.txt",
        *(f"campaign/{name}" for name in specimen().campaign.digests),
    }  # fmt: skip
    assert [file.summary() for file in checked.not_compared] == ["not compared: notebooks/05-a.ipynb was not run again"]
    assert cli.main(["recheck", str(bundle)]) == 3
    head, named, *_ = capsys.readouterr().out.splitlines()
    assert head.startswith("the bundle agrees with its inputs, as far as it was compared: 1 of ")
    assert named == checked.not_compared[0].summary()


def test_a_forged_report_is_found_and_its_words_are_shown(bundle, tmp_path, capsys):
    """The manifest agrees with it, and so does every number of results.json."""
    bad = changed(bundle, tmp_path / "b.zip", "report.html", replaced(b"riders of 45.0 to", b"riders of 20 to"))
    assert "Rated for riders of 20 to" in verdicts(bad, DIFFERS)["report.html"]
    assert cli.main(["recheck", str(bad)]) == 1
    assert "Rated for riders of 20 to 85.0 kg" in capsys.readouterr().out


@pytest.mark.parametrize(
    "added",
    [
        b"<script>alert(1)</script>",
        b"<style>main { display: none }</style>",
        b"<!-- -->",
        b'<img id="figure-x" src="x">',
    ],
)
def test_nothing_may_be_added_to_a_report(bundle, tmp_path, added):
    bad = changed(bundle, tmp_path / "b.zip", "report.html", replaced(b"</body>", added + b"</body>"))
    assert set(verdicts(bad, DIFFERS)) >= {"report.html"}


def test_a_report_that_is_gone(bundle, tmp_path):
    assert "report.html" in verdicts(changed(bundle, tmp_path / "b.zip", "report.html", lambda page: b""), DIFFERS)


@pytest.mark.parametrize(
    "change",
    [
        lambda svg: svg.replace("rider mass", "any mass"),
        lambda svg: svg.replace("<svg", '<svg onload="alert(1)"', 1),
        lambda svg: re.sub(r'(?<=<path d="M )\d+', "1", svg),
        lambda svg: "",
    ],
)
def test_a_figure_that_shows_something_else_is_named(bundle, tmp_path, change):
    bad = changed(bundle, tmp_path / "b.zip", "report.html", figure_changed(change))
    assert "limits" in verdicts(bad, DIFFERS)["report.html"]


def test_a_figure_may_be_rounded_otherwise_and_its_ids_are_hashes_of_that(bundle, tmp_path):
    def rounded(svg):
        svg = re.sub(r"\b(\d+\.\d{5})(\d)\b", lambda x: f"{x[1]}{(int(x[2]) + 1) % 10 if x[2] != '9' else 9}", svg)
        return re.sub(r"\b([mp][0-9a-f]{9})[0-9a-f]\b", r"\g<1>0", svg)

    other = changed(bundle, tmp_path / "b.zip", "report.html", figure_changed(rounded))
    assert verdicts(other, DIFFERS) == {}
    assert set(verdicts(other, NOT_COMPARED)) == {"notebooks/05-a.ipynb"}


def test_of_another_matplotlib_figures_are_named_as_not_compared_and_words_still_count(bundle, tmp_path):
    older = changed(bundle, tmp_path / "a.zip", "results.json", with_versions({"matplotlib": "3.0"}))
    other = figure_changed(lambda svg: svg.replace("rider mass", "mass of a rider"))
    checks = verdicts(changed(older, tmp_path / "b.zip", "report.html", other), NOT_COMPARED)
    assert "limits were drawn from other random draws or by another matplotlib" in checks["report.html"]
    forged = changed(older, tmp_path / "c.zip", "report.html", replaced(b"riders of 45.0 to", b"riders of 20 to"))
    assert "report.html" in verdicts(forged, DIFFERS)


def with_versions(versions):
    def change(data):
        results = json.loads(data)
        results["versions"] |= versions
        return json.dumps(results, indent=1, ensure_ascii=False).encode() + b"\n"

    return change


def test_of_another_cordlab_a_report_that_differs_is_not_compared_and_its_words_are_shown(bundle, tmp_path):
    """Its template may be another; who claims that of a forged one gets no 'agrees' either."""
    older = changed(bundle, tmp_path / "a.zip", "results.json", replaced(b'"cordlab": "', b'"cordlab": "0.0.'))
    why = verdicts(older, NOT_COMPARED)["report.html"]
    assert re.search(r"0\.0\.\S+ wrote it; it says what does not follow from results\.json: '", why)
    assert recheck.recheck(older).agrees


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("README.txt", b"A published", b"A certified"),
        ("datapackage.json", b'"kg"', b'"lb"'),
        ("results.schema.json", b"required", b"title"),
        ("requirements.txt", b"\nnumpy==", b"\nnumpy==9"),
        ("requirements.txt", b"source ", b"source f"),
        ("ro-crate-metadata.json", b"batch invented", b"batch A"),
        ("ro-crate-metadata.json", b"report CL-", b"report CM-"),
        ("ro-crate-metadata.json", b'"#author"', b'"#nobody"'),
        ("ro-crate-metadata.json", b"{", b"["),
    ],
)
def test_what_describes_a_bundle_follows_from_it(bundle, tmp_path, name, old, new):
    bad = changed(bundle, tmp_path / "b.zip", name, lambda data: data.replace(old, new))
    assert name in verdicts(bad, DIFFERS)


def test_the_author_is_the_publishers_own_word(bundle, tmp_path):
    path = changed(
        bundle, tmp_path / "b.zip", "ro-crate-metadata.json", replaced(b"An invented author", b"A. N. Other")
    )
    assert verdicts(path, DIFFERS) == {}


def test_a_file_that_cordlab_does_not_know_is_named(bundle, tmp_path):
    page = b"<h1>Rated for riders of 20 to 150 kg</h1>"
    row = f"{hashlib.sha256(page).hexdigest()}  START-HERE.html\n".encode()
    other = changed(bundle, tmp_path / "b.zip", publish.MANIFEST, lambda manifest: manifest + row, manifest=False)
    assert {file.name: file.why for file in recheck.recheck(other).differing} == {
        "START-HERE.html": "is missing, no file, or too large"
    }
    with zipfile.ZipFile(other, "a") as archive:
        archive.writestr("START-HERE.html", page)
    assert verdicts(other, NOT_COMPARED)["START-HERE.html"] == "is no file that cordlab writes or reads"


def test_a_pdf_agrees_where_it_is_the_one_that_is_made_of_the_report_here(bundle, tmp_path, monkeypatch):
    with zipfile.ZipFile(bundle) as archive:
        contents = {name: archive.read(name) for name in archive.namelist()} | {recheck.PDF: b"%PDF"}
    published, figures = rerun_of_specimen(), drawn()
    comparison = compare(published, published)

    def fails(page):
        raise report.PdfError("no PDF: WeasyPrint cannot be loaded")

    for make, verdict in ((lambda page: b"%PDF", AGREES), (lambda page: b"%PDF-", NOT_COMPARED), (fails, NOT_COMPARED)):
        monkeypatch.setattr(recheck, "pdf", make)
        checks = check_files(contents, published, published, comparison=comparison, figures=figures)
        assert checks[recheck.PDF].verdict == verdict
