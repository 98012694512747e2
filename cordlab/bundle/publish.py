"""A bundle that a reviewer can re-run: inputs, results, report and checksums in one zip, described by RO-Crate. The
same inputs give the same bytes (with the same versions and zlib): names sorted, times and ids fixed."""

import datetime
import hashlib
import json
import mimetypes
import zipfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from cordlab.campaign.campaign import CampaignError
from cordlab.campaign.files import Folder, differences, replacing
from cordlab.report import page as report
from cordlab.report.results_folder import MANIFEST, RESULTS, Results, manifest

if TYPE_CHECKING:
    from cordlab.analysis import Analysis

CRATE, README, INPUTS, NOTEBOOKS = "ro-crate-metadata.json", "README.txt", "campaign/", "notebooks/"
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest time that a zip can hold
_KINDS = {".csv": "text/csv", ".toml": "application/toml", ".ipynb": "application/x-ipynb+json"}
_HEAD = "A published analysis of drop tests on jump cords.\n"
_HEAD_ALONE = "The report of drop tests on jump cords, without what it comes from: nobody can re-run it.\n"
_FILES = f"""
  campaign/      inputs and decisions, as they were analysed
  {RESULTS}   every number
  notebooks/     executed notebooks, where they were run on these inputs"""
_ALWAYS = f"""
  report.html    the report; it opens offline
  {MANIFEST}   SHA-256 of each file, for `sha256sum -c {MANIFEST}`
  {CRATE}   who, when, licence (RO-Crate 1.1)
"""
_RECHECK = "\nTo check the files, run the analysis again and compare every number: cordlab recheck BUNDLE.zip\n"


class PublishError(CampaignError):
    """What stands in the way of publishing; `problems` holds one message each."""


@dataclass(frozen=True)
class Statement:
    """What the publisher alone knows, and nothing in a bundle can prove: author, licence, and a date as 2026-05-04."""

    author: str
    licence: str
    date: str


@dataclass(frozen=True)
class Bundle:
    """A written bundle: its path, its SHA-256, and the SHA-256 of each file in it."""

    path: Path
    sha256: str
    files: dict[str, str]

    def summary(self) -> str:
        text = f"{self.path}: {len(self.files)} files, SHA-256 {self.sha256}"
        return text if RESULTS in self.files else f"{text}\nthe report alone is in it: nobody can re-run that"


def publish(
    campaign_folder: str | Path,
    bundle: str | Path,
    *,
    analysis: "Analysis",
    licence: str,
    author: str,
    date: str,
    notebooks: Iterable[str | Path] = (),
    pdf: bool = False,
    report_only: bool = False,
    second_units: bool | None = None,
) -> Bundle:
    """Write the bundle of a campaign and its analysis.

    licence : URL or name of the licence; author : who publishes; date : "2026-05-04". None of them is made up.
    notebooks : executed notebooks to put in, such as those that `cordlab notebooks` wrote.
    pdf : the report as PDF too. report_only : the report and nothing that it comes from: nobody can re-run that.
    second_units : pounds and feet in the report, as of `render`.
    Raises PublishError with everything that is missing, and where the folder is not the one that was analysed.
    """
    folder, bundle = Path(campaign_folder), Path(bundle)
    missing = [name for name, text in {"licence": licence, "author": author}.items() if not text.strip()]
    problems = [f"no {name} is given; it is asked of you, never invented" for name in missing]
    try:
        datetime.date.fromisoformat(date)
    except ValueError:
        problems.append(f"the date {date!r} is not a date such as 2026-05-04")
    contents = _inputs(folder, analysis.campaign.digests, problems) | _notebooks(notebooks, problems)
    if problems:
        raise PublishError(tuple(problems))
    results = report.results_of(analysis, before=report.read_before(folder / "results"))
    pages = report.pages(results, report.vectors_of(analysis), second_units=second_units, with_pdf=pdf)
    if report_only:
        del pages[RESULTS]
        contents = {}
    contents |= pages
    contents |= described(contents, results, Statement(author.strip(), licence.strip(), date))
    digests = {name: hashlib.sha256(data).hexdigest() for name, data in sorted(contents.items())}
    contents[MANIFEST] = manifest(digests.items())
    with replacing(bundle) as part, zipfile.ZipFile(part, "w") as archive:
        for name, data in sorted(contents.items()):
            entry = zipfile.ZipInfo(name, _EPOCH)
            entry.create_system, entry.external_attr = 3, 0o100644 << 16  # as made on Unix, whatever this is
            archive.writestr(entry, data, zipfile.ZIP_DEFLATED, compresslevel=9)
    return Bundle(bundle, hashlib.sha256(bundle.read_bytes()).hexdigest(), digests)


def described(contents: Mapping[str, bytes], results: Results, stated: Statement) -> dict[str, bytes]:
    """The files that say what the others of a bundle are, from those, its results and what the publisher states."""
    readme = _HEAD + _FILES + _ALWAYS + _RECHECK if RESULTS in contents else _HEAD_ALONE + _ALWAYS
    described = {README: readme.encode()}
    crate = _crate({**contents, **described}, results, stated)
    return described | {CRATE: (json.dumps(crate, indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()}


def _inputs(folder: Path, digests: Mapping[str, str], problems: list[str]) -> dict[str, bytes]:
    """The bytes of every file that the analysis read, the very ones."""
    files = Folder(folder)
    contents = {INPUTS + name: files.read(name) or b"" for name in digests}
    for change in differences(digests, files.digests):
        problems.append(f"{folder}: {change} since it was analysed; analyse the campaign again")
    return contents


def _notebooks(paths: Iterable[str | Path], problems: list[str]) -> dict[str, bytes]:
    contents = {}
    for path in map(Path, paths):
        name = NOTEBOOKS + path.name
        if name in contents:
            problems.append(f"{path}: there is another notebook of that name")
        try:
            contents[name] = path.read_bytes()
            code = [cell for cell in json.loads(contents[name])["cells"] if cell["cell_type"] == "code"]
            if any(cell["execution_count"] is None and "".join(cell["source"]).strip() for cell in code):
                problems.append(f"{path}: has cells that were not run; run it, or leave it out")
        except OSError as error:
            problems.append(f"{path}: cannot be read ({error.strerror})")
        except (ValueError, KeyError, TypeError):
            problems.append(f"{path}: is not a notebook")
    return contents


def _crate(contents: Mapping[str, bytes], results: Results, stated: Statement) -> dict:
    """RO-Crate 1.1 metadata, by the rocrate library, with every id and date fixed."""
    from rocrate.model.contextentity import ContextEntity
    from rocrate.rocrate import ROCrate

    crate, campaign = ROCrate(version="1.1"), results["campaign"]
    root = crate.root_dataset

    def add(id: str, kind: str, name: str, **more: str) -> ContextEntity:
        return crate.add(ContextEntity(crate, id, properties={"@type": kind, "name": name, **more}))

    person = add("#author", "Person", stated.author)
    if laboratory := campaign["report"].get("laboratory"):
        person["affiliation"] = root["publisher"] = add("#laboratory", "Organization", str(laboratory))
    address = stated.licence if stated.licence.startswith(("https://", "http://")) else "#licence"
    terms = add(address, "CreativeWork", stated.licence)
    software = add("#cordlab", "SoftwareApplication", "cordlab", version=results["cordlab"])
    for name, data in sorted(contents.items()):
        kind = _KINDS.get(Path(name).suffix) or mimetypes.types_map.get(Path(name).suffix, "text/plain")
        crate.add_file(dest_path=name, properties={"name": name, "contentSize": str(len(data)), "encodingFormat": kind})
    number = report.report_number(results)
    root["name"] = campaign["title"]
    root["description"] = f"Drop tests on batch {campaign['batch']}: inputs, decisions, results and report {number}"
    root["datePublished"], root["license"], root["author"], root["mentions"] = stated.date, terms, person, software
    return crate.metadata.generate()


def stated_in(crate: bytes) -> Statement:
    """What the publisher stated, by the metadata of a bundle. Raises ValueError where they lack it."""
    try:
        entities = {entity["@id"]: entity for entity in json.loads(crate)["@graph"]}
        root = entities["./"]
        terms = entities[root["license"]["@id"]]
        stated = Statement(entities["#author"]["name"], terms["name"], root["datePublished"])
    except (LookupError, TypeError, RecursionError) as error:
        raise ValueError(f"without author, licence or date ({type(error).__name__}: {error})") from error
    if not all(isinstance(text, str) for text in vars(stated).values()):
        raise ValueError("author, licence or date is no text")
    return stated
