"""The whole chain in one call: a campaign → calibrations, drops, curve, limits, rating, batch, lot, wear, cautions."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import cached_property, partial
from math import isfinite
from typing import Any

import numpy as np

from cordlab import __version__
from cordlab.batch.agreement import disagreements
from cordlab.batch.anchor import Evidence, EvidenceError, SetUp
from cordlab.batch.cords import Batch, batch_report, quantities
from cordlab.batch.findings import Finding, diagnose
from cordlab.batch.fit import BatchFit, FitError, fit_batch
from cordlab.batch.lowest_points import LowestFit, fit_lowest_points
from cordlab.batch.mixed import energies, unheld
from cordlab.batch.peaks import Viscosity, WaveLoads, wave_loads
from cordlab.batch.slow_pulls import PullComparison, compare_pulls, read_pulls
from cordlab.batch.temperature import TemperatureTrend, temperature_trend, tested_only
from cordlab.batch.wave_removal import WaveFit, take_out_waves
from cordlab.campaign.campaign import Campaign, CampaignError
from cordlab.campaign.files import changes, nearest, offer
from cordlab.curves.models import models
from cordlab.limits.anchoring import Learned, learn
from cordlab.limits.budget import Budget, budget
from cordlab.limits.forecast import Forecast
from cordlab.limits.validation import Validation, validate
from cordlab.progress import Progress, unwatched
from cordlab.rating.lot import Lot, lot_of
from cordlab.rating.range_plan import RangePlan, plan_range
from cordlab.rating.rate import Rating, not_rated, rate, rating_masses
from cordlab.rating.with_and_without import ByHand, weigh
from cordlab.records.calibration import Calibration, calibrate_channel
from cordlab.records.reduce import Drop, RecordError, notes_on, reduce_entry
from cordlab.wear.in_service import CordStatus, LogEntry, cords_in_service, read_jump_log
from cordlab.wear.service_life import Service, service_life
from cordlab.wear.wear import Wear

SHAPES = 200
"""Bootstrap draws of the curve's shape behind the limits: enough to carry its doubt, few enough to anchor each."""

CAUTIONS = (
    "cordlab certifies nothing: a licensed or certified engineer signs.",
    "The local rules and the maker's limits win wherever they are stricter; cordlab has no limits of its own.",
    "Outside the tested mass, stretch, jump count and temperature the cords are not rated.",
    "Curves of new cords do not describe worn cords.",
    "A dead weight is not a person: reach, harness, push-off, posture and health are not in these numbers.",
    "Both ends count: the lightest rider feels the greatest g, the heaviest comes lowest.",
    "Keep people clear below and beside test drops; cordlab does not check crane, anchors, harness, connectors or "
    "release gear.",
    "A cord that touched solvent, was cut or behaved oddly goes out of use whatever the numbers say.",
)


@dataclass(frozen=True)
class Analysis:
    """A finished analysis; what a campaign cannot carry is None, and the rating's reasons say why.

    calibrations : channel → Calibration
    drops : every drop with a record, reduced
    fit : the batch's curve; None where no model describes the drops, or too few masses were dropped to find one
    waves, loads : the stretch wave in the records, and what it adds to loads; None where the cord carries none
    learned, forecast : the batch anchored on its lowest points, and the next drop at the site
    in_service : cords of the jump log
    budgets : quantity → its uncertainty budget at the end of the range that it can govern
    findings : what does not agree in the campaign, what looks odd in the drops that were fitted, and what to try
    cautions : what must be shown with the answer
    pulls : slow pulls beside the drops' curve; None where there are none
    range_plan : rated range to expect of more or fewer cords; None where nothing shows it
    by_hand : choices made by hand, with the answer without them; None where there are none
    """

    campaign: Campaign
    calibrations: dict[str, Calibration]
    drops: tuple[Drop, ...]
    fit: BatchFit | LowestFit | None
    waves: WaveFit | None
    loads: WaveLoads | None
    learned: Learned | None
    forecast: Forecast | None
    rating: Rating
    validation: Validation | None
    batch: Batch | None
    lot: Lot | None
    service: Service | None
    in_service: tuple[CordStatus, ...]
    budgets: dict[str, Budget]
    findings: tuple[Finding, ...]
    cautions: tuple[str, ...]
    pulls: PullComparison | None = None
    range_plan: RangePlan | None = None
    by_hand: ByHand | None = None

    @property
    def wear(self) -> Wear | None:
        return self.service.wear if self.service else None

    @property
    def temperature(self) -> TemperatureTrend | None:
        """Stiffness against temperature within the cords of the fit drops."""
        if self.learned is None:
            return None
        seen = self.learned.evidence
        return temperature_trend(
            self.learned.scales[0][0], seen.temperature, cords=seen.cord, masses=seen.mass, jumps=seen.jumps
        )

    @property
    def predictions(self) -> tuple[dict[str, Any], ...]:
        return self.rating.predictions

    @cached_property
    def _drops(self) -> dict[str, Drop]:
        return {drop.name: drop for drop in self.drops}

    def summary(self) -> str:
        """The answer in a few lines, for people."""
        parts: list[Any] = [self.rating, self.validation, self.lot, self.wear]
        return "\n".join([*(part.summary() for part in parts if part is not None), *self.cautions])

    def to_dict(self) -> dict[str, Any]:
        """What `results.json` holds: plain numbers in SI, None for what is not known."""
        campaign = self.campaign

        def of(part: Any) -> Any:
            return part.to_dict() if part else None

        shares = [
            {"quantity": name, **share.to_dict()} for name, found in self.budgets.items() for share in found.shares
        ]
        plain = {
            "cordlab": __version__,
            "campaign": {"title": campaign.title, "batch": campaign.batch, "sha256": campaign.sha256},
            "calibration": {channel: found.to_dict() for channel, found in self.calibrations.items()},
            "drops": [self._drop_row(entry) for entry in campaign.drops],
            "curve": of(self.fit),
            "waves": self.waves and self.waves.to_dict() | {"loads": self.loads.rows if self.loads else []},
            "pulls": of(self.pulls),
            "validation": [row.to_dict() for row in self.validation.rows] if self.validation else [],
            "predictions": self.predictions,
            "rating": of(self.rating),
            "batch": of(self.batch),
            "range_plan": of(self.range_plan),
            "lot": of(self.lot),
            "wear": of(self.service),
            "budget": shares,
            "uncertainty": [found.to_dict() for found in self.budgets.values()],
            "temperature": of(self.temperature),
            "cords_in_service": [status.to_dict() for status in self.in_service],
            "findings": [asdict(finding) for finding in self.findings],
            "cautions": self.cautions,
        }
        return _plain(plain | ({"by_hand": self.by_hand.to_dict()} if self.by_hand else {}))

    def _drop_row(self, entry: Any) -> dict[str, Any]:
        record = self._drops.get(entry.drop)
        own = entry.lowest_point.value if entry.lowest_point else record and record.lowest_point
        row = {"drop": entry.drop, "cord": entry.cord, "mass": entry.mass.value, "use": entry.use, "jumps": entry.jumps}
        row |= {"lowest_point": own, "peak_load": None, "energy_returned": None, "notes": []}
        if record is not None:
            row |= {
                "peak_load": record.peak_load,
                "energy_returned": record.energy_returned,
                "recorded_lowest_point": record.lowest_point,
                "notes": record.notes,
            }
        return row


def analyse(campaign: Campaign, *, progress: Progress = unwatched) -> Analysis:
    """The whole chain, from raw records to the rated range.

    progress : told of what the long steps go through, see `progress.Progress`. Raises CampaignError with every record
    that is refused; where the drops carry no curve or no limits, the Analysis is not rated.
    """
    if campaign.decision.model not in ("auto", *models()):
        known = f"campaign.toml, [decision] 'model': {campaign.decision.model!r} is none of auto, {', '.join(models())}"
        raise CampaignError((known + offer(nearest(campaign.decision.model, models())),))
    if not campaign.drops:
        said = "drops.csv: there is no drop yet, so nothing to analyse; `cordlab ladder` says what may be dropped first"
        raise CampaignError((said,))
    log, slow = read_jump_log(campaign.folder), read_pulls(campaign)
    calibrations, drops = reduced(campaign, progress=progress)
    evidence = Evidence.of_campaign(campaign, drops, use=("fit",))
    given = None if campaign.viscosity is None else Viscosity.given(campaign.viscosity)
    waves = take_out_waves(drops, evidence, rig=SetUp.of(campaign.rig), viscosity=given, progress=progress)
    clear = waves.drops if waves else drops
    fit = None
    try:
        fit = _fit(campaign, clear, evidence, waves, progress)
        trouble = unheld(fit, evidence) if isinstance(fit, BatchFit) else ""
    except FitError as error:
        trouble = str(error)
    recorded = fit if isinstance(fit, BatchFit) else None
    pulls = compare_pulls(slow, recorded) if slow else None
    loads = learned = forecast = validation = service = None
    budgets: dict[str, Budget] = {}
    try:
        if fit is None or trouble:
            raise EvidenceError(trouble)
        curve, shapes = fit.chosen.curve, fit.shapes(SHAPES, seed=campaign.decision.seed, progress=progress)
        if waves and waves.seen:
            rig, site = SetUp.of(campaign.rig), SetUp.of(campaign.site)
            dropped = [entry.mass.value for entry in campaign.drops]
            loads = wave_loads(curve, evidence, rig=rig, site=site, viscosity=waves.viscosity, masses=dropped)
            if not waves.measured:
                loads = loads.loads_only()
        learned = learn(curve, evidence, rig=campaign.rig, shapes=shapes, waves=loads.rig if loads else None)
        forecast = _forecast(campaign, learned, loads)
        check, worn = (Evidence.of_campaign(campaign, drops, use=(use,)) for use in ("check", "wear"))
        validation = validate(learned, check, probability=campaign.decision.probability, progress=progress)
        rating, service = _rate(campaign, worn, forecast, validation)
        budgets = _budgets(forecast, rating)
    except EvidenceError as error:
        forecast, cords = None, len(set(evidence.cord))  # new cords' limits alone would promise what worn ones refuse
        rating = not_rated([str(error)], decision=campaign.decision, n_cords=cords)
    unasked = [] if learned is None or campaign.site.temperature else [tested_only(learned.evidence.temperature)]
    by_hand = weigh(campaign, drops, learned, rating, again=partial(analyse, progress=progress))
    if changed := changes(campaign.folder, campaign.digests):
        raise CampaignError(tuple(f"{what} while the campaign was read; analyse it again" for what in changed))
    return Analysis(
        campaign=campaign,
        calibrations=calibrations,
        drops=drops,
        fit=fit,
        waves=waves,
        loads=loads,
        learned=learned,
        forecast=forecast,
        rating=rating,
        validation=validation,
        batch=_batch(learned, drops),
        range_plan=_range_plan(campaign, forecast, service),
        lot=lot_of(campaign, rating.predictions),
        service=service,
        in_service=_in_service(campaign, log, rating, service),
        budgets=budgets,
        findings=(*disagreements(campaign, drops), *(diagnose(recorded, _used(clear, "fit")) if recorded else ())),
        cautions=(
            *CAUTIONS,
            *(by_hand.cautions if by_hand else ()),
            *_cautions(drops, validation, (waves, recorded, learned, forecast, pulls)),
            *unasked,
        ),
        pulls=pulls,
        by_hand=by_hand,
    )


def reduced(campaign: Campaign, *, progress: Progress = unwatched) -> tuple[dict[str, Calibration], tuple[Drop, ...]]:
    """Channel → its calibration, and every record reduced, one at a time.

    Raises CampaignError with every calibration that is refused; where none is, with every record that is.
    """
    calibrations: dict[str, Calibration] = {}
    drops: list[Drop] = []
    problems: list[str] = []
    for channel, table in campaign.calibration.items():
        try:
            calibrations[channel] = calibrate_channel(table, degree=campaign.decision.calibration_degree)
        except CampaignError as error:
            problems.extend(error.problems)
    if problems:
        raise CampaignError(tuple(problems))
    entries = [entry for entry in campaign.drops if entry.record is not None]
    for entry in progress(entries, desc="records", unit="record"):
        try:
            drops.append(reduce_entry(campaign, entry, calibrations))
        except RecordError as error:
            problems.append(str(error))  # names record and drop
        except CampaignError as error:
            problems.extend(error.problems)
    if problems:
        raise CampaignError(tuple(problems))
    return calibrations, tuple(drops)


def _used(drops: Sequence[Drop], use: str) -> list[Drop]:
    return [drop for drop in drops if drop.use == use]


def _fit(
    campaign: Campaign,
    drops: Sequence[Drop],
    evidence: Evidence,
    waves: WaveFit | None,
    progress: Progress,
) -> BatchFit | LowestFit:
    """The curve from the records, with the lowest points of drops that have none, or from lowest points alone."""
    recorded, rig = _used(drops, "fit"), SetUp.of(campaign.rig)
    if recorded:
        return fit_batch(
            recorded,
            model=campaign.decision.model,
            check=_used(drops, "check"),
            energies=energies(recorded, evidence, rig=rig, waves=waves),
            progress=progress,
        )
    return fit_lowest_points(
        evidence.lowest_point,
        mass=evidence.mass,
        slack_length=evidence.slack_length,
        cord_mass=evidence.cord_mass,
        cords=evidence.cord,
        model=campaign.decision.model,
        **rig.values(),
    )


def _forecast(campaign: Campaign, learned: Learned, loads: WaveLoads | None) -> Forecast:
    decision = campaign.decision
    masses = rating_masses(learned, campaign.site)
    if not masses.size:
        raise EvidenceError("every tested mass is lighter than the site's gear: no rider mass was tested")
    return learned.forecast(
        site=campaign.site,
        masses=masses,
        limit=decision.limit,
        probability=decision.probability,
        confidence=decision.confidence,
        seed=decision.seed,
        waves=loads.site if loads else None,
    )


def _rate(
    campaign: Campaign, worn: Evidence, forecast: Forecast, validation: Validation
) -> tuple[Rating, Service | None]:
    """The rated range; where worn cords were dropped again, to the jump count that was asked for."""
    criteria, jumps = campaign.criteria, campaign.decision.jumps
    judge = partial(rate, criteria=criteria, breaking_load=campaign.lowest_break, validation=validation)
    if not len(worn):
        return judge(forecast, jumps=jumps), None
    service = service_life(
        forecast,
        worn,
        judge=judge,
        least_clearance=criteria.least_clearance,
        jumps=jumps,
        greatest_jumps=criteria.greatest_jumps,
        rest={entry.drop: entry.rest for entry in campaign.drops},
    )
    return service.rating, service


def _range_plan(campaign: Campaign, forecast: Forecast | None, service: Service | None) -> RangePlan | None:
    """From the forecast that the range was rated by."""
    if campaign.decision.jumps is not None:
        forecast = service.to(campaign.decision.jumps) if service else None
    try:
        strength = campaign.lowest_break
        return plan_range(forecast, criteria=campaign.criteria, breaking_load=strength) if forecast else None
    except ValueError:  # one cord, one mass, or no breaking load: the rating says so
        return None


def _budgets(forecast: Forecast, rating: Rating) -> dict[str, Budget]:
    """Clearance at the heavy end, g at the light end: where each can govern."""
    light = float(forecast.masses[0]) if rating.lightest is None else rating.lightest
    heavy = float(forecast.masses[-1]) if rating.heaviest is None else rating.heaviest
    return {name: budget(forecast, mass=mass, quantity=name) for name, mass in (("clearance", heavy), ("g", light))}


def _batch(learned: Learned | None, drops: Sequence[Drop]) -> Batch | None:
    """Spread between and within the cords; None with fewer than 2 of them."""
    if learned is None or len(set(learned.evidence.cord)) < 2:
        return None
    returned = {drop.name: drop.energy_returned for drop in drops if drop.energy_returned is not None}
    return batch_report(quantities(learned.evidence, np.exp(learned.scales[0][0]), returned))


def _in_service(
    campaign: Campaign, log: Sequence[LogEntry], rating: Rating, service: Service | None
) -> tuple[CordStatus, ...]:
    """Where each cord of the jump log stands."""
    wear = service.wear if service else None
    return cords_in_service(
        log,
        retire_at=wear.retire_at if wear else None,
        next_retest=wear.next_retest if wear else None,
        greatest_jumps=campaign.criteria.greatest_jumps,
        before={cord.cord: cord.jumps for cord in campaign.cords},
        rated=(rating.lightest, rating.heaviest) if rating.lightest and rating.heaviest else None,
    )


def _cautions(drops: Sequence[Drop], validation: Validation | None, parts: Sequence[Any]) -> list[str]:
    """What this campaign adds to the standing cautions; `parts` are the steps that may have notes."""
    found = notes_on(drops)
    if not drops:
        found.append("No record of load or motion: the curve comes from lowest points alone, and no load was measured.")
    for part in parts:
        found += [note for note in getattr(part, "notes", ()) if note not in found]
    if validation is not None and validation.left_out:
        found.append(f"No drop was held back: fit drops were {validation.how} and predicted from the others instead.")
    return found


def _plain(value: Any) -> Any:
    """For JSON: numbers that are not finite become None, arrays and tuples lists, numpy scalars plain numbers."""
    if isinstance(value, dict):
        return {str(name): _plain(each) for name, each in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [_plain(each) for each in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not isfinite(value) else value
