"""A bundle that a reviewer can re-run: inputs, results, report and checksums in one zip, described by RO-Crate. The
same inputs give the same bytes (with the same versions, zlib and SOURCE_DATE_EPOCH): names sorted, ids fixed."""

import datetime
import hashlib
import json
import os
import re
import zipfile
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from shlex import join
from typing import TYPE_CHECKING

from cordlab.bundle.described import INPUTS, NOTEBOOKS, Statement, described, now, requirements
from cordlab.bundle.unpack import BundleError, opened
from cordlab.campaign.campaign import CampaignError
from cordlab.campaign.files import Folder, differences, replacing
from cordlab.report import page as report
from cordlab.report.results_folder import FIRST_LINE, MANIFEST, RESULTS, manifest

if TYPE_CHECKING:
    from cordlab.analysis import Analysis

_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest time that a zip can hold


class PublishError(CampaignError):
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
        datetime.date.fromisoformat(date)
    except ValueError:
        problems.append(f"the date {date!r} is not a date such as 2026-05-04")
    if orcid is not None and not _is_orcid(orcid := orcid.removeprefix("https://orcid.org/")):
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
    digests = {name: hashlib.sha256(data).hexdigest() for name, data in sorted(contents.items())}
    contents[MANIFEST] = manifest(digests.items())
    with replacing(bundle) as part:
        with zipfile.ZipFile(part, "w") as archive:
            for name, data in sorted(contents.items()):
                entry = zipfile.ZipInfo(name, _EPOCH)
                entry.create_system, entry.external_attr = 3, 0o100644 << 16  # as made on Unix, whatever this is
                archive.writestr(entry, data, zipfile.ZIP_DEFLATED, compresslevel=9)
        with opened(part):  # what a reviewer could not open is not published
            sha256 = hashlib.sha256(part.read_bytes()).hexdigest()
    return Bundle(bundle, sha256, digests)


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
