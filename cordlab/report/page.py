"""The report of an analysis: one HTML file that opens offline and prints on A4, a PDF of it, and `results.json`."""

import hashlib
import json
import platform
import re
import tomllib
from base64 import b64encode
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict
from functools import lru_cache, partial
from html import unescape
from importlib.metadata import version
from importlib.resources import files
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cordlab.campaign.decisions import LEFT_OUT
from cordlab.campaign.files import listing
from cordlab.campaign.settings import LAYOUT
from cordlab.quantities import QUANTITIES, entries
from cordlab.report import tables as sections
from cordlab.report.monte_carlo import standard_errors
from cordlab.report.results_folder import RESULTS, Results, read_listed, write_folder
from cordlab.units import plain

if TYPE_CHECKING:
    from cordlab.analysis import Analysis

CONTENTS = tomllib.loads((files("cordlab.report") / "contents.toml").read_text(encoding="utf-8"))
ABOUT: dict[str, list[str]] = CONTENTS["given"]
WRITTEN: dict[str, list[str]] = CONTENTS["written"]
NO_CURVE: Results = {"model": None, "parameters": {}, "scales": {}, "equals": (), "candidates": ()}


class PdfError(OSError):
    """No PDF can be made on this machine; the message says what to do instead."""


def results_of(analysis: "Analysis", *, before: Results | None = None) -> dict[str, Any]:
    """Everything that `results.json` holds: the analysis' own results, what was decided and measured around the drops,
    and versions.

    before : what the results of the same campaign said before
    """
    results, campaign = analysis.to_dict(), analysis.campaign
    temperatures = [drop.temperature for drop in campaign.drops if isfinite(drop.temperature) and drop.use != LEFT_OUT]
    around = {
        **{name: asdict(getattr(campaign, name)) for name in ("rig", "site", "criteria", "decision")},
        "viscosity": campaign.viscosity and asdict(campaign.viscosity),
        "cords": [asdict(cord) for cord in campaign.cords],
        "temperatures": [min(temperatures), max(temperatures)] if temperatures else None,
        "report": dict(campaign.report),
        "digests": dict(campaign.digests),
        "notes": list(campaign.notes),
        "pounds_and_feet": campaign.pounds_and_feet,
        "layout": campaign.layout,
    }
    added: dict[str, Any] = {
        "campaign": around | results["campaign"],
        "layout": LAYOUT,
        "monte_carlo": standard_errors(analysis),
        "versions": versions(),
        "earlier": _refused(results, before),
    }
    return results | plain(added)


def _refused(results: Results, before: Results | None) -> list[int]:
    """How many cords the campaign had when it was answered before and not rated, where it has more of them now."""
    if before is None:
        return []
    try:
        rating, cords = before["rating"], results["rating"]["n_cords"]
        refused = [*before.get("earlier", ()), *([] if rating["rated"] else [rating["n_cords"]])]
        same = before["campaign"]["batch"] == results["campaign"]["batch"]
        return sorted({count for count in refused if 1 < count < cords}) if same else []
    except (LookupError, TypeError, AttributeError):  # a stranger's: such results say nothing of this campaign
        return []


def read_before(out: Path) -> Results | None:
    """What results.json in a results folder says; None where it says no rating of a campaign."""
    with suppress(OSError, ValueError):
        results = json.loads((out / RESULTS).read_text(encoding="utf-8"))
        if isinstance(results, dict) and {"campaign", "rating"} <= results.keys():
            return results
    return None


@lru_cache(maxsize=1)
def source() -> str:
    """SHA-256 of cordlab's own code and tables, each by its SHA-256 and name."""
    root = Path(__file__).parents[1]
    own = [path for path in root.rglob("*") if path.suffix in (".py", ".toml", ".j2")]
    digests = {path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in own}
    return hashlib.sha256(listing(digests.items()).encode()).hexdigest()


def versions() -> dict[str, str]:
    """What the numbers were computed with: Python, the packages behind the numbers, and the kind of machine."""
    packages = {name: version(name) for name in ("numpy", "scipy", "pandas", "pint", "matplotlib")}
    return {
        "python": platform.python_version(),
        **packages,
        "cordlab source": source(),
        "machine": f"{platform.system()} {platform.machine()}",
    }


def as_json(results: Results) -> str:
    """The text of results.json: the same for the same results, and never a NaN."""
    return json.dumps(results, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def report_number(results: Results) -> str:
    """A number that no other results have: from a hash of all of them, whatever machine computed them."""
    text = json.dumps({key: results[key] for key in results if key != "versions"}, sort_keys=True, allow_nan=False)
    return "CL-" + hashlib.sha256(text.encode()).hexdigest()[:12].upper()


def render(results: Results, figures: Mapping[str, str], *, second_units: bool | None = None) -> str:
    """The report as one HTML text: no script, nothing fetched. Figures, by name as <svg> elements, may be missing; they
    stand in it as images, in which nothing runs and whose style ends at their edge. lb, ft, lbf stand in brackets where
    `second_units` is true, or None and the campaign was written in pounds."""
    from jinja2 import Environment, StrictUndefined

    campaign = results["campaign"]
    if second_units is None:
        second_units = campaign.get("pounds_and_feet", False)
    numbers = sections.Numbers(second_units)
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    page.filters |= {name: getattr(numbers, name) for name in ("say", "write", "riders", "units")}
    page.filters |= {name: getattr(sections, name) for name in ("form", "dof", "sentence")}
    page.filters |= {"si": sections.Numbers().write, "named": partial(sections.named, numbers)}
    page.filters["alt"] = lambda svg: unescape("".join(re.findall(r"(?s)<title>(.*?)</title>", svg)[:1]))
    page.filters["base64"] = lambda svg: b64encode(svg.encode()).decode()
    page.filters["both"] = sections.in_pounds_and_feet if second_units else str
    template = page.from_string((files("cordlab.report") / "report.html.j2").read_text(encoding="utf-8"))
    return template.render(
        results=results,
        campaign=campaign,
        rating=results["rating"],
        curve=results["curve"] or NO_CURVE,
        number=report_number(results),
        about=[(word, str(campaign["report"].get(key, ""))) for key, (word, _) in ABOUT.items()],
        heading=[str(campaign["report"][key]) for key in ("laboratory", "address") if key in campaign["report"]],
        figures=figures,
        unit_of={name: quantity.unit for name, quantity in QUANTITIES.items()},
        word_of={name: quantity.word for name, quantity in QUANTITIES.items()},
        by_mass=sections.by_mass(results, numbers),
        waves=sections.every_fourth([row for row in results["predictions"] if row.get("waves")]),
        bounds={key: (title, unit) for key, title, unit, _ in entries()},
        drops=sections.drops(results, numbers),
        more_cords=sections.more_cords(results.get("range_plan")),
        notes=sections.notes(results["drops"]),
        findings=sections.findings(results.get("findings", ())),
        cautions=sections.cautions(results),
        grew=sections.grew(results),
    )


def pdf(html: str) -> bytes:
    """The report as a tagged PDF (PDF/UA-1), by WeasyPrint. Raises PdfError where that cannot be loaded."""
    try:
        import weasyprint
    except (ImportError, OSError) as error:
        raise PdfError(
            "no PDF: WeasyPrint cannot be loaded. Install it by `pip install cordlab[pdf]` (it needs the system's "
            f"Pango too), or open report.html in a browser and print it to PDF. It said: {str(error).splitlines()[0]}"
        ) from error
    return weasyprint.HTML(string=html).write_pdf(pdf_variant="pdf/ua-1")


def vectors_of(analysis: "Analysis") -> dict[str, str]:
    """Every figure of the report, by name as an <svg> element."""
    from cordlab.report import figures as plots

    return {name: plots.svg(fig, name=name) for name, fig in plots.all_figures(analysis).items()}


def pages(
    results: Results, figures: Mapping[str, str], *, second_units: bool | None = None, with_pdf: bool = False
) -> dict[str, bytes]:
    """results.json, report.html and, where it is asked for, report.pdf; as `render`. Raises PdfError."""
    page = render(results, figures, second_units=second_units)
    contents = {RESULTS: as_json(results).encode(), "report.html": page.encode()}
    return contents | ({"report.pdf": pdf(page)} if with_pdf else {})


def render_again(out: str | Path, *, second_units: bool | None = None, with_pdf: bool = False) -> Results:
    """The report of the results in the folder `out`, fresh by `results_state`, written anew from the files that its
    manifest lists; returns those results."""
    listed = read_listed(Path(out))
    results = json.loads(listed[RESULTS])
    contents = {name: data for name, data in listed.items() if name.startswith("figures/")}
    vectors = {Path(name).stem: data.decode() for name, data in contents.items() if name.endswith(".svg")}
    contents |= pages(results, vectors, second_units=second_units, with_pdf=with_pdf)
    if not with_pdf and "report.pdf" in listed and listed["report.html"] == contents["report.html"]:
        contents["report.pdf"] = listed["report.pdf"]  # of the very same page
    write_folder(out, contents)
    return results


def write_results(
    analysis: "Analysis", out: str | Path, *, second_units: bool | None = None, with_pdf: bool = False
) -> Path:
    """results.json, report.html, report.pdf if asked, figures/ and a manifest into the folder `out`, as `write_folder`.

    Everything is made before anything is written. Raises ResultsError, PdfError.
    """
    from cordlab.report import figures as plots

    results = results_of(analysis, before=read_before(Path(out)))
    drawn = plots.all_figures(analysis)
    vectors = {name: plots.svg(fig, name=name) for name, fig in drawn.items()}
    contents = {f"figures/{name}.svg": text.encode() for name, text in vectors.items()}
    contents |= {f"figures/{name}.png": plots.png(fig) for name, fig in drawn.items()}
    return write_folder(out, contents | pages(results, vectors, second_units=second_units, with_pdf=with_pdf))
