"""A bundle that a reviewer can re-run: inputs, results, report and checksums in one zip, and what it says about itself
for people and programs without cordlab: the run that made it (RO-Crate 1.3 with the profile Process Run Crate 0.6), its
tables with units and bounds (Data Package 2.0), JSON Schemas, and what ran. The same inputs give the same bytes (with
the same versions, zlib and SOURCE_DATE_EPOCH): names sorted, ids fixed."""

import json
import mimetypes
import os
import platform
import re
import zipfile
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from datetime import date as day
from functools import lru_cache
from hashlib import sha256
from importlib.metadata import PackageNotFoundError, distribution
from importlib.resources import files
from math import isfinite
from pathlib import Path, PurePosixPath
from shlex import join
from typing import TYPE_CHECKING, Any

from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from cordlab.batch.slow_pulls import CURVE as PULLED
from cordlab.batch.slow_pulls import LIST, PULLS
from cordlab.bundle.unpack import BundleError, opened
from cordlab.campaign import campaign as read
from cordlab.campaign import decisions
from cordlab.campaign.files import Folder, differences, listing, replacing
from cordlab.campaign.settings import LAYOUT
from cordlab.campaign.tables import ANY, RECORD, Column, read_header, whole
from cordlab.quantities import QUANTITIES
from cordlab.report import page as report
from cordlab.report.results_folder import FIRST_LINE, MANIFEST, RESULTS, Results, manifest
from cordlab.units import convert

if TYPE_CHECKING:
    from cordlab.analysis import Analysis

INPUTS: str = "campaign/"
NOTEBOOKS: str = "notebooks/"
README: str = "README.txt"
CRATE: str = "ro-crate-metadata.json"
PACKAGE: str = "datapackage.json"
RAN: str = "requirements.txt"
SCHEMAS: tuple[str, str] = ("campaign.schema.json", "results.schema.json")
PROFILE = "https://w3id.org/ro/wfrun/process/0.6"
ORCID = "https://orcid.org/"
SPDX = "https://spdx.org/licenses/"
_NO_CODE = {"..", "__pycache__", ".dist-info"}  # folders of files that differ from one installation to another
_KINDS = {".csv": "text/csv", ".toml": "application/toml", ".ipynb": "application/x-ipynb+json"}
_HEAD = "A published analysis of drop tests on jump cords.\n"
_HEAD_ALONE = "The report of drop tests on jump cords, without what it comes from: nobody can re-run it.\n"
_FILES = f"""
  campaign/      inputs and decisions, as they were analysed
  {RESULTS}   every number
  notebooks/     executed notebooks, where they were run on these inputs
  {PACKAGE}   heads, units and bounds of each table (Data Package 2.0)
  {SCHEMAS[0]}, {SCHEMAS[1]}   what may stand in them (JSON Schema 2020-12)
  {RAN}   Python packages that ran, with versions: `pip install -r {RAN}` has them again"""
_ALWAYS = f"""
  report.html    the report; it opens offline
  {MANIFEST}   SHA-256 of each file, for `sha256sum -c {MANIFEST}`
  {CRATE}   the run that made it: who, when, licence, inputs, results (RO-Crate 1.3)
"""
_RECHECK = "\nTo check the files, run the analysis again and compare every number: cordlab recheck BUNDLE.zip\n"
_TABLES: dict[str, tuple[Column, ...]] = {  # file, or folder of files, of a campaign → its columns
    "cords.csv": read.CORDS,
    "drops.csv": read.DROPS,
    "breaks.csv": read.BREAKS,
    read.MAKER_CURVE: read.CURVE,
    decisions.FILE: decisions.COLUMNS,
    read.LOG: read.JUMPS,
    LIST: PULLS,
    "pulls": PULLED,
    "records": RECORD,
    "calibration": (Column("run"), Column("reference", ANY, uncertain=True), Column("reading", ANY)),
}
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest time that a zip can hold


class PublishError(read.CampaignError):
    """What stands in the way of publishing; `problems` holds one message each."""


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
    orcid: str | None = None,
) -> Bundle:
    """Write the bundle of a campaign and its analysis.

    licence : SPDX name such as "CC-BY-4.0", URL, or text; author : who publishes; date : "2026-05-04"; orcid : of the
        author. None of them is made up.
    notebooks : executed notebooks to put in, such as those that `cordlab notebooks` wrote.
    pdf : the report as PDF too. report_only : the report and nothing that it comes from: nobody can re-run that.
    second_units : pounds and feet in the report, as of `render`.
    Raises PublishError with everything that is missing, and where the folder is not the one that was analysed.
    """
    folder, bundle = Path(campaign_folder), Path(bundle)
    missing = [name for name, text in {"licence": licence, "author": author}.items() if not text.strip()]
    check_target(bundle)
    problems = [f"no {name} is given; it is asked of you, never invented" for name in missing]
    try:
        day.fromisoformat(date)
    except ValueError:
        problems.append(f"the date {date!r} is not a date such as 2026-05-04")
    if orcid is not None and not _is_orcid(orcid := orcid.removeprefix(ORCID)):
        problems.append(f"{orcid!r} is not an ORCID, four groups of four such as 0000-0002-1825-0097: a digit is wrong")
    files, digests = Folder(folder), analysis.campaign.digests
    contents = {INPUTS + name: files.read(name) or b"" for name in digests}
    for change in differences(digests, files.digests):
        problems.append(f"{folder}: {change} since it was analysed; analyse the campaign again")
    contents |= _notebooks(notebooks, problems)
    if problems:
        raise PublishError(tuple(problems))
    results = report.results_of(analysis, before=report.read_before(folder / "results"))
    pages = report.pages(results, report.vectors_of(analysis), second_units=second_units, with_pdf=pdf)
    if report_only:
        del pages[RESULTS]
        contents = {}
    contents |= pages
    named = {"author": author.strip(), "licence": licence.strip(), "date": date, "orcid": orcid or ""}
    words = [word for name, text in named.items() if text for word in (f"--{name}", text)]
    flags = {"--pdf": pdf, "--report-only": report_only, "--pounds-and-feet": second_units}
    words = [*(flag for flag, on in flags.items() if on), *words]
    command = join(["cordlab", "publish", "campaign", "BUNDLE.zip", *words])
    contents |= described(contents, results, Statement(**named, command=command, ended=now(), ran=requirements()))
    digests = {name: sha256(data).hexdigest() for name, data in sorted(contents.items())}
    contents[MANIFEST] = manifest(digests.items())
    with replacing(bundle) as part:
        with zipfile.ZipFile(part, "w") as archive:
            for name, data in sorted(contents.items()):
                entry = zipfile.ZipInfo(name, _EPOCH)
                entry.create_system, entry.external_attr = 3, 0o100644 << 16  # as made on Unix, whatever this is
                archive.writestr(entry, data, zipfile.ZIP_DEFLATED, compresslevel=9)
        with opened(part):  # what a reviewer could not open is not published
            digest = sha256(part.read_bytes()).hexdigest()
    return Bundle(bundle, digest, digests)


def check_target(bundle: Path) -> None:
    """Raises PublishError where something else than a bundle of cordlab's would be overwritten."""
    if os.path.lexists(bundle):
        with suppress(BundleError, KeyError):
            if not bundle.is_symlink():
                with opened(bundle) as archive, archive.open(MANIFEST) as file:
                    if file.readline(200).decode(errors="replace") == f"{FIRST_LINE}\n":
                        return
        raise PublishError((f"{bundle}: is there, and is no bundle of cordlab's; choose another name",))


def _is_orcid(text: str) -> bool:
    """Whether its last character is the check of the others (ISO 7064, MOD 11-2)."""
    total = 0
    for digit in text.replace("-", "")[:-1] if re.fullmatch(r"(\d{4}-){3}\d{3}[\dX]", text, re.ASCII) else "":
        total = (total + int(digit)) * 2
    return total > 0 and "0123456789X"[(12 - total % 11) % 11] == text[-1]


def _notebooks(paths: Iterable[str | Path], problems: list[str]) -> dict[str, bytes]:
    contents = {}
    for path in map(Path, paths):
        name = f"{NOTEBOOKS}{path.name}"
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


@lru_cache(maxsize=1)
def requirements() -> str:
    """The packages that ran, with their versions, for `pip install -r`, each with the SHA-256 of its files."""
    rows, names = dict[str, str](), ["cordlab"]
    while names:
        name = canonicalize_name(names.pop())
        if name in rows:
            continue
        try:
            package = distribution(name)
        except PackageNotFoundError:  # cordlab itself, where it is not installed
            continue
        code = [file for file in package.files or () if not _NO_CODE & {*file.parts, file.parts[0][-10:]}]
        digests = {str(file): file.hash.value for file in code if file.hash}
        rows[name] = f"{name}=={package.version}  # files {sha256(listing(digests.items()).encode()).hexdigest()}"
        needs = map(Requirement, package.requires or ())
        names += [need.name for need in needs if need.marker is None or need.marker.evaluate({"extra": ""})]
    own = rows.pop("cordlab", "cordlab").partition("  #")[0]
    head = f"# python {platform.python_version()}, {platform.system()} {platform.machine()}"
    return (
        "\n".join([head, f"# {own}, cordlab source {report.source()}", *(rows[name] for name in sorted(rows))]) + "\n"
    )


def data_package(contents: Mapping[str, bytes], results: Results, licence: str) -> dict[str, Any]:
    """A Data Package 2.0 of a bundle's files: each table with its heads, units and bounds, and the predictions."""
    fields = [{"name": "mass", "type": "number", "unit": "kg", "constraints": {"required": True}}]
    known = {name for row in results["predictions"] for name in row}
    for name, quantity in [(name, quantity) for name, quantity in QUANTITIES.items() if name in known]:
        of = {"type": "number", "unit": quantity.unit or "1"}
        fields += [{"name": column, **of} for column in (name, f"{name}_limit", f"u_{name}")]
    fields += [{"name": "rated", "type": "boolean"}, {"name": "reason", "type": "string"}]
    predictions = {
        **_resource("predictions", RESULTS, contents[RESULTS]),
        "dialect": {"property": "predictions", "itemType": "object"},
        "schema": {"fields": fields, "fieldsMatch": "subset", "primaryKey": ["mass"]},
    }
    tables = [name for name in sorted(contents) if name.startswith(INPUTS) and name.endswith(".csv")]
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": report.report_number(results).lower(),
        "title": results["campaign"]["title"],
        "licenses": [{"path" if "://" in licence else "name": licence}],
        "resources": [*(_table(name, contents[name]) for name in tables), predictions],
    }


def _resource(name: str, path: str, data: bytes) -> dict[str, Any]:
    about = {"type": "table", "encoding": "utf-8", "bytes": len(data), "hash": f"sha256:{sha256(data).hexdigest()}"}
    return {"name": name, "path": path, "mediatype": _kind(path), **about}


def _table(path: str, data: bytes) -> dict[str, Any]:
    """One table of a campaign, with its heads as they stand, their units, and bounds in those units."""
    name, text = path.removeprefix(INPUTS), data.decode("utf-8-sig")
    columns = _TABLES.get(name) or _TABLES[name.partition("/")[0]]
    header = read_header(Folder(Path()), name, text, columns)
    if header is None:
        raise ValueError(f"{name}: has no header")
    comma = {"decimalChar": ","} if header.delimiter != "," and "," in text else {}
    fields: list[dict[str, Any]] = []
    for place in sorted(header.places.values(), key=lambda place: place.index):
        column, constraints = place.column, dict[str, Any](required=not place.column.may_be_blank)
        fields.append({"name": place.head, "constraints": constraints})
        if column.unit is None:
            fields[-1]["type"] = "integer" if column.read is whole else "string"
            continue
        fields[-1] |= {"type": "number", "unit": place.unit or "1"} | comma
        for key, bound in (("exclusiveMinimum", column.above), ("minimum", column.at_least)):
            if isfinite(bound):
                unit = place.unit if column.unit == ANY else column.unit
                constraints[key] = convert(bound, unit, place.unit) * place.k
    schema: dict[str, Any] = {"fields": fields}
    if columns in (read.CORDS, read.DROPS, read.BREAKS):
        schema["primaryKey"] = [header.places[columns[0].name].head]
    dialect = {"delimiter": header.delimiter, "headerRows": [header.line], "skipInitialSpace": True}
    return _resource(name.removesuffix(".csv").lower(), path, data) | {"dialect": dialect, "schema": schema}


def _kind(name: str) -> str:
    suffix = PurePosixPath(name).suffix
    return _KINDS.get(suffix) or mimetypes.types_map.get(suffix, "text/plain")


@dataclass(frozen=True)
class Statement:
    """What the publisher alone knows, and nothing in a bundle can prove: who publishes, on which terms, on which day
    (2026-05-04); the command, when its run ended, and the packages that ran."""

    author: str
    licence: str
    date: str
    orcid: str = ""
    command: str = ""
    ended: str = ""
    ran: str = ""

    @property
    def terms(self) -> str:
        """The address of the licence: as given, or that of its SPDX name; "#licence" of one that has none."""
        if self.licence.startswith(("https://", "http://")):
            return self.licence
        try:
            name = str(canonicalize_license_expression(self.licence))
        except InvalidLicenseExpression:
            return "#licence"
        return "#licence" if " " in name or name.startswith("LicenseRef-") else SPDX + name


def stated_in(contents: Mapping[str, bytes]) -> Statement:
    """What the publisher stated, by the files of a bundle. Raises ValueError where they lack it."""
    try:
        entities = {entity["@id"]: entity for entity in json.loads(contents[CRATE])["@graph"]}
        root = entities["./"]
        person, terms, run = (entities[root[key]["@id"]] for key in ("author", "license", "mentions"))
        orcid = person["@id"].removeprefix(ORCID) if person["@id"].startswith(ORCID) else ""
        when = root["datePublished"], orcid, run["description"], run["endTime"], contents.get(RAN, b"").decode()
        stated = Statement(person["name"], terms["name"], *when)
    except (LookupError, TypeError, AttributeError, RecursionError) as error:
        raise ValueError(f"without author, licence or run ({type(error).__name__}: {error})") from error
    if not all(isinstance(text, str) for text in vars(stated).values()):
        raise ValueError("author, licence or run is no text")
    return stated


def crate(contents: Mapping[str, bytes], results: Results, stated: Statement) -> dict[str, Any]:
    """RO-Crate 1.3 metadata, by the rocrate library, with the run that made the bundle and every id fixed."""
    from rocrate.model.contextentity import ContextEntity
    from rocrate.rocrate import ROCrate

    made, campaign, number = ROCrate(version="1.3"), results["campaign"], report.report_number(results)
    root = made.root_dataset

    def add(id: str, kind: str | list[str], name: str, **more: object) -> ContextEntity:
        return made.add(ContextEntity(made, id, properties={"@type": kind, "name": name, **more}))

    person = add(ORCID + stated.orcid if stated.orcid else "#author", "Person", stated.author)
    if laboratory := campaign["report"].get("laboratory"):
        person["affiliation"] = root["publisher"] = add("#laboratory", "Organization", str(laboratory))
    entities = {}
    for name, data in sorted(contents.items()):
        about = {"name": name, "contentSize": str(len(data)), "encodingFormat": _kind(name)}
        entities[name] = made.add_file(dest_path=name, properties=about)
    software = add("#cordlab", "SoftwareApplication", "cordlab", softwareVersion=results["cordlab"])
    if RAN in entities:
        software["softwareRequirements"] = entities[RAN]
    run = add(f"#run-{number}", "CreateAction", f"Analysis and report {number}", description=stated.command)
    run["endTime"], run["instrument"], run["agent"] = stated.ended, software, person
    run["object"] = [entity for name, entity in entities.items() if name.startswith(INPUTS)]
    run["result"] = [entity for name, entity in entities.items() if not name.startswith((INPUTS, NOTEBOOKS))]
    root["conformsTo"] = add(PROFILE, ["CreativeWork", "Profile"], "Process Run Crate", version="0.6")
    root["license"] = add(stated.terms, "CreativeWork", stated.licence)
    root["name"], root["version"] = campaign["title"], f"layout {LAYOUT}"
    root["description"] = f"Drop tests on batch {campaign['batch']}: inputs, decisions, results and report {number}"
    root["datePublished"], root["author"], root["mentions"] = stated.date, person, run
    return made.metadata.generate()


def now() -> str:
    """The time in UTC; that of SOURCE_DATE_EPOCH (reproducible-builds.org), if set: the same bytes again."""
    fixed = os.environ.get("SOURCE_DATE_EPOCH")
    return (datetime.fromtimestamp(int(fixed), UTC) if fixed else datetime.now(UTC)).isoformat(timespec="seconds")


def described(contents: Mapping[str, bytes], results: Results, stated: Statement) -> dict[str, bytes]:
    """The files that say what the others of a bundle are, from those, its results and what the publisher states; a
    report alone has no tables to describe."""
    added = {README: (_HEAD_ALONE + _ALWAYS).encode()}
    if RESULTS in contents:
        package = data_package(contents, results, stated.terms.replace("#licence", stated.licence))
        added = {README: (_HEAD + _FILES + _ALWAYS + _RECHECK).encode(), PACKAGE: _json(package)}
        added |= {name: (files("cordlab.bundle") / name).read_bytes() for name in SCHEMAS}
        added |= {RAN: stated.ran.encode()}
    return added | {CRATE: _json(crate({**contents, **added}, results, stated))}


def _json(content: object) -> bytes:
    return (json.dumps(content, indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()
