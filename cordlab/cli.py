"""The command line: a thin skin over the public functions. Answers go to stdout, problems and progress to stderr.

Exit codes: 0 done; 1 done, and the answer is no (not rated, do not drop); 2 bad input, nothing written; 3 `recheck`:
what was compared agrees, and parts were not compared; 130 stopped.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from importlib.resources import files
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

import cordlab
import cordlab.batch  # each of these folders loads a module when it is first used
import cordlab.bundle
import cordlab.notebook
import cordlab.records
import cordlab.report
from cordlab import cautions
from cordlab.campaign.files import CampaignError, spelled
from cordlab.quantities import QUANTITIES

if TYPE_CHECKING:
    from cordlab.units import Progress

DONE, NO, BAD_INPUT, PARTLY, INTERRUPTED, PIPE_CLOSED = 0, 1, 2, 3, 130, 141
EVERY = 4  # kg between the rows of the printed table


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(threads, "1")  # many small arrays: more threads would only wait for one another
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal that knows no λ shows a question mark
    try:
        options = _parser().parse_args(arguments)
        code = options.command(options)
        sys.stdout.flush()
    except KeyboardInterrupt:
        print("interrupted: nothing more is written", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:  # the reader of our output has gone, as `head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PIPE_CLOSED
    except ImportError as error:
        if not isinstance(error.__cause__, ImportError):
            raise
        return _refuse([str(error)])  # an extra that is not installed, and how to
    except CampaignError as error:
        return _refuse(error.problems)
    except (OSError, ValueError) as error:
        file = getattr(error, "filename", None)
        return _refuse([f"{file}: {error.strerror}" if isinstance(error, OSError) and file else str(error)])
    return code


def _parser() -> argparse.ArgumentParser:
    """The parser of the commands in cli.toml; the function of a command has its name."""
    parser = argparse.ArgumentParser(
        prog="cordlab",
        description="From drops of dead weights on jump cords to a rated body-mass range. It certifies nothing.",
        epilog="exit code: 0 done; 1 done, and the answer is no; 2 bad input, nothing written; "
        "3 a bundle agrees, and parts of it were not compared",
    )
    parser.add_argument("--version", action="version", version=f"cordlab {cordlab.__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    types = {"path": Path, "whole number": int, "mass": _mass}
    for name, command in tomllib.loads((files("cordlab") / "cli.toml").read_text(encoding="utf-8")).items():
        sub = commands.add_parser(name, help=command["help"], description=command["help"])
        if "folders" not in command.get("arguments", {}):
            sub.add_argument("folder", metavar="FOLDER", type=Path, help="the campaign's folder")
        sub.add_argument("--json", action="store_true", help="print the answer as JSON")
        sub.add_argument("--quiet", action="store_true", help="print no text and no progress, only problems")
        text = "lb and ft beside kg and m, in text and report (default: where the campaign's masses are in pounds)"
        sub.add_argument("--pounds-and-feet", action=argparse.BooleanOptionalAction, help=text)
        for argument, settings in command.get("arguments", {}).items():
            kind = {"type": types[settings["type"]]} if "type" in settings else {}
            sub.add_argument(argument, **settings | kind)
        sub.set_defaults(command=globals()[name])
    return parser


def _mass(text: str) -> float:
    """A mass on the command line [kg]."""
    from cordlab.units import parse_measured

    try:
        return float(text)
    except ValueError:
        return parse_measured(text, "kg").value


def fleet(options: argparse.Namespace) -> int:
    from cordlab.fleet import run_fleet

    cluster = {"scheduler": options.scheduler, "workers": options.workers}
    done = run_fleet(options.folders, options.out, progress=_progress(options), **cluster)
    facts = {"table": str(done.path), "kept": done.kept, "rows": list(done.rows)}
    return _answer(options, facts, done.summary(), yes=done.rated == len(done.rows))


def check(options: argparse.Namespace) -> int:
    campaign = _campaign(options)
    cordlab.campaign.read_jump_log(campaign.folder)
    cordlab.batch.slow_pulls.read_pulls(campaign)
    drops = cordlab.Analysis(campaign, _progress(options)).drops
    findings = cordlab.batch.campaign_findings.campaign_findings(campaign, drops)
    notes = [*campaign.notes, *cordlab.records.campaign_drops.notes_on(drops)]
    state = cordlab.report.results_folder.results_state(campaign)
    always = ("fit", "check", "wear")
    facts = {name: getattr(campaign, name) for name in ("title", "batch", "sha256")} | {
        "cords": len(campaign.cords),
        "drops": {use: count for use, count in campaign.uses.items() if count or use in always},
        "records": sum(drop.record is not None for drop in campaign.drops),
        "breaks": len(campaign.breaks),
        "notes": notes,
        "findings": [finding.to_dict() for finding in findings],
        "results": {"state": state.state, "reasons": list(state.reasons)},
    }
    counted = ", ".join(f"{count} {use}" for use, count in campaign.uses.items() if count) or "no drop yet"
    text = [
        f"{campaign.title} · {campaign.batch}",
        f"{facts['cords']} cords, drops: {counted}; {facts['records']} records, {facts['breaks']} break tests",
        *(f"note: {note}" for note in notes),
        *(f"finding: {finding}" for finding in cordlab.batch.findings.alike(findings)),
        *([] if state.state == "missing" else [state.summary()]),
        "nothing is refused; see what is said above" if notes or findings else "no problem found",
    ]
    return _answer(options, facts, "\n".join(text))


def analyse(options: argparse.Namespace) -> int:
    """The answer as text: what is odd, limits by mass, what else is known, cautions of this campaign."""
    analysis, out = _analysed(options)
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    headline, *rest = analysis.rating.summary().splitlines()
    findings = [finding for finding in cordlab.batch.findings.alike(analysis.findings) if not finding.stops]
    answer = "\n".join([headline, *(f"  finding: {finding}" for finding in findings), *rest])
    parts = [part.summary() for part in (analysis.validation, analysis.lot, analysis.wear) if part is not None]
    remarks = [f"in service, {status.summary()}" for status in analysis.in_service]
    remarks += [f"caution: {caution}" for caution in analysis.cautions if caution not in cautions.CAUTIONS]
    text = [f"{analysis.campaign.title} · {analysis.campaign.batch}"]
    text += [answer + _table(analysis.rating, pounds=options.pounds_and_feet), *parts, "\n".join(remarks)]
    end = [f"caution: {words}"] if (words := cordlab.report.tables.grew(results)) else []
    end += ["", f"written: {out}", "", *cautions.STANDING]
    return _answer(options, results, "\n".join(["\n\n".join(text), *end]), yes=analysis.rating.rated)


def report(options: argparse.Namespace) -> int:
    state = cordlab.report.results_folder.results_state(_campaign(options), results=options.out)
    if state.state == "fresh":
        out, how = state.path, "from the results that are there: undamaged, and by their own word of these inputs"
        units = {"second_units": options.pounds_and_feet}
        rated = cordlab.report.page.render_again(out, **units, with_pdf=options.pdf)["rating"]["rated"]
    else:
        analysis, out = _analysed(options, with_pdf=options.pdf)
        rated, how = analysis.rating.rated, "from a new analysis"
    pages = [str(out / name) for name in ("report.html", *(["report.pdf"] if options.pdf else []))]
    text = "\n".join([*(f"written: {page}" for page in pages), how])
    return _answer(options, {"report": pages, "from": how}, text, yes=rated)


def _campaign(options: argparse.Namespace) -> cordlab.Campaign:
    campaign = cordlab.read_campaign(options.folder, progress=_progress(options))
    if options.pounds_and_feet is None:
        options.pounds_and_feet = campaign.pounds_and_feet
    return campaign


def _analysed(options: argparse.Namespace, *, with_pdf: bool = False) -> tuple[cordlab.Analysis, Path]:
    """The analysis of a campaign, and the folder that its results were written to."""
    campaign, folders = _campaign(options), cordlab.report.results_folder
    if getattr(options, "cord", None) is not None:
        campaign = campaign.of_cord(options.cord)
    out = options.out or campaign.folder / "results"
    before = folders.results_state(campaign, results=out)
    folders.check_place(Path(os.path.realpath(out)), ("results.json", "report.html"))
    analysis = cordlab.analyse(campaign, progress=_progress(options))
    written = cordlab.write_results(analysis, out, second_units=options.pounds_and_feet, with_pdf=with_pdf)
    if before.state in ("stale", "damaged"):
        note = f"{before.path} was {before.state} and is written anew: {'; '.join(before.reasons)}"
        _note(note, quiet=options.quiet)
    if left := {name.split("/")[0] for name in folders.others(out)} - {"notebooks"}:
        _note(f"{out}: stays, cordlab did not write it: {', '.join(sorted(left))}", quiet=options.quiet)
    return analysis, written


def notebooks(options: argparse.Namespace) -> int:
    campaign = _campaign(options)
    runs = cordlab.notebook.choose.run_series(campaign, out=options.out, progress=_progress(options))
    place = options.out or cordlab.notebook.choose.folder_of(campaign)
    facts = [{"notebook": run.name, "stopped": run.stopped, "failed": run.failed} for run in runs]
    text = "\n".join([*(run.summary() for run in runs), f"written: {place}"])
    return _answer(options, {"folder": str(place), "notebooks": facts}, text, yes=not any(run.failed for run in runs))


def publish(options: argparse.Namespace) -> int:
    cordlab.bundle.publish.check_target(options.bundle)
    campaign = _campaign(options)
    analysis = cordlab.analyse(campaign, progress=_progress(options))
    if options.notebooks:
        runs = cordlab.notebook.choose.run_series(campaign, progress=_progress(options))
        if failed := [run.summary() for run in runs if run.failed]:
            return _refuse(failed)
    executed, stale = (options.notebook, ()) if options.notebook else cordlab.notebook.choose.executed(campaign)
    choices = {name: getattr(options, name) for name in ("licence", "author", "date", "orcid", "pdf", "report_only")}
    choices |= {"notebooks": executed, "second_units": options.pounds_and_feet}
    made = cordlab.publish(options.folder, options.bundle, analysis=analysis, **choices)
    state = cordlab.report.results_folder.results_state(campaign)
    if state.state in ("stale", "damaged"):
        _note(f"{state.summary()}; the bundle holds the analysis made now", quiet=options.quiet)
    facts = {"bundle": str(made.path), "sha256": made.sha256, "files": len(made.files)}
    left_out = f"\nthe executed notebooks were left out: {'; '.join(stale)}"
    return _answer(options, facts, made.summary() + left_out * bool(stale and not options.report_only))


def recheck(options: argparse.Namespace) -> int:
    """The comparison; and where it is asked for the reviewer's page, with the changes to try."""
    if options.other is None:
        checked = cordlab.recheck(options.folder, progress=_progress(options))
    else:
        checked = cordlab.bundle.recheck.versus(options.folder, options.other)
    text = checked.summary()
    if options.report is not None or options.change:
        changes = {key.strip(): new.strip() for key, _, new in (change.partition("=") for change in options.change)}
        reviewing, path = cordlab.bundle.recheck, options.report or Path("review.html")
        assumed = reviewing.assume(options.folder, changes, progress=_progress(options)) if changes else None
        page = reviewing.review_page(checked, name=options.folder.name, changes=changes, assumed=assumed)
        reviewing.write_review(page, path)
        text += f"\nwritten: {path}"
    code = _answer(options, checked.to_dict(), text, yes=checked.agrees)
    return PARTLY if checked.agrees and checked.not_compared else code


def ladder(options: argparse.Namespace) -> int:
    rung = cordlab.next_mass(_campaign(options), cord=options.cord, mass=options.mass)
    return _answer(options, rung.to_dict(), rung.summary(), yes=rung.allowed)


def invent(options: argparse.Namespace) -> int:
    numbers = {"mechanics": options.mechanics, "records": not options.no_records}
    numbers |= {} if options.cords is None else {"cords": options.cords}
    where = {"truth": options.truth, "progress": _progress(options)}
    truth = cordlab.invent(options.folder, seed=options.seed, **where, **numbers)
    text = f"invented campaign: {options.folder}\nthe truth about it:  {truth}"
    return _answer(options, {"folder": str(options.folder), "truth": str(truth)}, text)


def _table(rating: cordlab.Rating, *, pounds: bool | None = False) -> str:
    """Predictions at every fourth kilogram and at both ends, limits to the safe side; "" where there are none."""
    if not rating.predictions:
        return ""
    import pandas as pd

    from cordlab.units import convert, fixed

    table, seconds = rating.table().reset_index(), cordlab.report.tables.SECOND if pounds else {}
    shown = table[(table["rider mass [kg]"] % EVERY == 0) | table.index.isin([0, len(table) - 1])]
    columns = [("rider", "rider mass [kg]", "kg", 1, ""), ("estimate", "lowest point [m]", "m", 2, "")]
    for row in [row for row in QUANTITIES.values() if row.head in shown]:
        columns.append((row.word, f"{row.word} limit [{row.unit or 1}]", row.unit, row.decimals, row.danger))
    cells = {}
    for word, head, unit, decimals, side in columns:
        values = shown[head].to_numpy()
        if unit in seconds:
            values, unit, decimals = convert(values, unit, seconds[unit]), seconds[unit], min(decimals, 1)
        of_numbers = [fixed(value, decimals, side) if isfinite(value) else f"{value:g}" for value in values]
        cells[f"{word} {unit}".rstrip()] = [cell.replace("nan", "–") for cell in of_numbers]
    rated = [_verdict(*row, above=rating.reasons) for row in zip(shown["rated"], shown["reason"], strict=True)]
    lines = pd.DataFrame(cells).to_string(index=False).splitlines()
    lines = [f"{line}  {word}" for line, word in zip(lines, ["rated", *rated], strict=True)]
    return "\n".join(["", "", "estimate of the lowest point; the other columns are limits", *lines])


def _verdict(rated: bool, reason: str, *, above: Sequence[str]) -> str:
    """Whether a mass is rated; what speaks against all masses stands above the table."""
    if rated:
        return "yes"
    for everywhere in above:
        reason = reason.replace(f"; {everywhere}", "").replace(everywhere, "")
    return f"no: {reason}" if reason else "no, see above"


def _progress(options: argparse.Namespace) -> Progress:
    """A bar on stderr for what takes over a second; none where nobody would see it."""
    from tqdm import tqdm

    from cordlab.units import unwatched

    watched = sys.stderr.isatty() and not options.quiet
    return partial(tqdm, file=sys.stderr, delay=1, leave=False) if watched else unwatched


def _answer(options: argparse.Namespace, facts: Mapping[str, object], text: str, *, yes: bool = True) -> int:
    """Prints the answer as text or as JSON; the exit code says whether it is yes."""
    if options.json:
        print(json.dumps(facts, indent=1, allow_nan=False))  # ASCII, so that no terminal changes it
    elif not options.quiet:
        shown = cordlab.report.tables.in_pounds_and_feet(text) if options.pounds_and_feet else text
        for line in shown.splitlines():
            print(_plain(line))
    return DONE if yes else NO


def _note(note: str, *, quiet: bool = False) -> None:
    if not quiet:
        print(_plain(note), file=sys.stderr)


def _refuse(problems: Iterable[str]) -> int:
    sys.stdout.flush()
    for problem in problems:
        _note(problem)
    return BAD_INPUT


def _plain(text: str) -> str:
    """One line of text in which control and format characters are spelled: names in a file may try to command the
    terminal, and two that look alike are told apart."""
    return spelled("".join(" " if c.isspace() else c for c in text))


if __name__ == "__main__":
    sys.exit(main())
