"""The chain: a campaign → calibrations, drops, curve, limits, rating, wear, lot, cautions; each when asked for."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from math import isfinite
from typing import Any

import numpy as np

from cordlab import __version__
from cordlab.batch.bootstrap import Refits
from cordlab.batch.cords import Batch, TemperatureTrend, batch_report, quantities, tested_only
from cordlab.batch.drop_table import Evidence, retests
from cordlab.batch.findings import Finding, against_rating, campaign_findings, fit_findings, settled
from cordlab.batch.fit import BatchFit, FitError, fit_batch
from cordlab.batch.lowest_points import LowestFit, energies, fit_lowest_points, unheld
from cordlab.batch.slow_pulls import PullComparison, compare_pulls, read_pulls
from cordlab.batch.viscosity import Viscosity
from cordlab.batch.wave_removal import WaveFit, take_out_waves
from cordlab.campaign.campaign import Campaign, CampaignError
from cordlab.campaign.files import changes, offer
from cordlab.campaign.jump_log import LogEntry, read_jump_log
from cordlab.campaign.settings import hangs_on
from cordlab.curves.models import models
from cordlab.limits.anchoring import DropStiffness, drop_stiffness
from cordlab.limits.budget import Budget, budget
from cordlab.limits.forecast import Forecast, forecast_drop
from cordlab.limits.validation import Validation, stiffer_when_worn, unlike_drops, validate
from cordlab.limits.wave_effects import WaveLoads, wave_loads
from cordlab.rating.lot import Lot, lot_of
from cordlab.rating.range_plan import RangePlan, plan_range
from cordlab.rating.rate import Rating, not_rated, rate, rating_masses
from cordlab.rating.with_and_without import ByHand, weigh
from cordlab.records.calibration import Calibration, calibrate_campaign
from cordlab.records.reduce import Drop, notes_on, reduce_all
from cordlab.statistics.groups import EvidenceError
from cordlab.units import Progress, fixed, nearest, plain, unwatched
from cordlab.wear.in_service import CordStatus, cords_in_service, jumps_before, out_of_use
from cordlab.wear.service_life import Service, service_life
from cordlab.wear.wear import Wear

LEAST_CONFIDENCE = 0.9  # of a tolerance limit without a caution; our choice
SHAPES = 200  # bootstrap draws of the curve's shape behind the limits: enough for its uncertainty

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

STANDING = (
    "cordlab certifies nothing: a licensed or certified engineer signs; stricter local rules and maker's limits win.",
    "Only what was tested is rated: masses, stretch, jump counts, temperatures; new cords do not speak for worn ones.",
    "A dead weight is not a person; both ends count: the lightest rider feels the greatest g, the heaviest is lowest.",
    "People stay clear below and beside drops; a cord that was cut, touched solvent or behaved oddly goes out of use.",
)
"""`CAUTIONS` in four lines, for a terminal; the report has them in full."""

STEPS = ("drops", "fit", "pulls", "rating", "by_hand", "batch", "range_plan", "lot", "in_service", "budget", "cautions")


@dataclass(frozen=True, eq=False)
class Analysis:
    """The chain of one campaign; each step is computed when it is asked for, once.

    Parameters
    ----------
    campaign : Campaign
        as `read_campaign` gives it
    progress : Progress, optional
        is shown what the long steps go through

    Raises
    ------
    CampaignError
        by the steps `calibrations` and `drops` and all that need them: one problem for each calibration or record that
        is refused; by `fit` and all that needs it for a campaign without a drop or with an unknown model.

    Notes
    -----
    A step that the campaign cannot carry is None, and `rating.reasons` says why. `forecast` is None where the rating
    stopped on the way: limits of new cords alone would promise what worn cords refuse.

    Examples
    --------
    >>> import cordlab
    >>> analysis = cordlab.Analysis(cordlab.read_campaign("data-demo/first-batch"))
    >>> sorted(analysis.calibrations)
    ['distance', 'force']
    """

    campaign: Campaign
    progress: Progress = field(default=unwatched, repr=False)

    def __post_init__(self) -> None:
        if self.campaign.decision.cord is not None:  # nothing of the other cords is in its answer
            object.__setattr__(self, "campaign", self.campaign.of_cord(self.campaign.decision.cord))

    # what was measured

    @cached_property
    def calibrations(self) -> dict[str, Calibration]:
        """Channel → its calibration."""
        return calibrate_campaign(self.campaign)

    @cached_property
    def drops(self) -> tuple[Drop, ...]:
        """Every drop with a record, reduced."""
        return reduce_all(self.campaign, self.calibrations, progress=self.progress)

    # the curve

    @cached_property
    def waves(self) -> WaveFit | None:
        """The stretch wave in the records, and the drops without it; None where the cord carries none."""
        viscosity = None if self.campaign.viscosity is None else Viscosity.given(self.campaign.viscosity)
        rig = self.campaign.rig
        return take_out_waves(self.drops, self._drops_used("fit"), rig=rig, viscosity=viscosity, progress=self.progress)

    @cached_property
    def fit(self) -> BatchFit | LowestFit | None:
        """The batch's curve; None where no model describes the drops, or too few masses were dropped to tell one."""
        return self._fit[0]

    @cached_property
    def _fit(self) -> tuple[BatchFit | LowestFit | None, str]:
        """The fit, and what keeps it from carrying limits."""
        _refuse_without_drops_or_model(self.campaign)
        try:
            fit = self._fitted()
        except FitError as error:
            return None, str(error)
        return fit, unheld(fit, self._drops_used("fit")) if isinstance(fit, BatchFit) else ""

    def _fitted(self) -> BatchFit | LowestFit:
        """The curve from the records, with the lowest points of drops that have none, or from lowest points alone."""
        rig, measured, model = self.campaign.rig, self._drops_used("fit"), self.campaign.decision.model
        if recorded := self._without_waves("fit"):
            return fit_batch(
                recorded,
                model=model,
                check=self._without_waves("check"),
                energies=energies(recorded, measured, rig=rig, waves=self.waves),
                progress=self.progress,
            )
        return fit_lowest_points(measured.lowest_point, cords=measured.cord, model=model, **measured.setup(rig))

    def _drops_used(self, use: str) -> Evidence:
        """What is noted and measured of the drops with this `use`."""
        return Evidence.of_campaign(self.campaign, self.drops, use=(use,))

    def _without_waves(self, use: str) -> list[Drop]:
        """Reduced drops with this `use`, the wave taken off where one was seen."""
        return [drop for drop in (self.waves.drops if self.waves else self.drops) if drop.use == use]

    @property
    def _recorded_fit(self) -> BatchFit | None:
        return self.fit if isinstance(self.fit, BatchFit) else None

    @cached_property
    def pulls(self) -> PullComparison | None:
        """Slow pulls beside the drops' curve; None where there are none."""
        slow, fit = read_pulls(self.campaign), self._recorded_fit
        return compare_pulls(slow, fit) if slow and fit else None

    # the limits

    @cached_property
    def loads(self) -> WaveLoads | None:
        """What the stretch wave adds to loads; None where the records show no wave, or the curve carries none."""
        return self._loads[0]

    @cached_property
    def _loads(self) -> tuple[WaveLoads | None, str]:
        """What the wave adds, and why it cannot be computed where it should be."""
        waves, fit = self.waves, self.fit
        if fit is None or self._fit[1] or not (waves and waves.seen):
            return None, ""
        rig, site = self.campaign.rig, self.campaign.site
        dropped, drops = [entry.mass.value for entry in self.campaign.drops], self._drops_used("fit")
        try:
            loads = wave_loads(fit.chosen.curve, drops, rig=rig, site=site, viscosity=waves.viscosity, masses=dropped)
        except EvidenceError as error:
            return None, str(error)
        return (loads if waves.measured else loads.loads_only()), ""

    @cached_property
    def stiffness(self) -> DropStiffness | None:
        """The stiffness of each drop, from its lowest point; None where the drops cannot carry it."""
        return self._stiffness[0]

    @cached_property
    def _refits(self) -> tuple[Refits, ...]:
        """The curve fitted again to resampled drops, once for each model that does equally well."""
        fit, trouble = self._fit
        if fit is None or trouble:
            return ()
        return fit.refits(SHAPES, seed=self.campaign.decision.seed, progress=self.progress)

    @cached_property
    def _stiffness(self) -> tuple[DropStiffness | None, str]:
        """The stiffness of each drop, or why there is none."""
        fit, trouble = self._fit
        trouble = trouble or self._loads[1]
        if fit is None or trouble:
            return None, trouble
        drops, rig, waves = self._drops_used("fit"), self.campaign.rig, self.loads.rig if self.loads else None
        try:
            shapes = [refits.curve for refits in self._refits]
            before = 0
            if isinstance(fit, LowestFit) and self._only_cord:  # they are all that the curve was found from
                before = len(fit.chosen.parameters) - 1
            stiffness = drop_stiffness(
                fit.chosen.curve, drops, rig=rig, shapes=shapes, waves=waves, unknowns_before=before
            )
            return stiffness, ""
        except EvidenceError as error:
            return None, str(error)

    @cached_property
    def _rated(self) -> "_Rated":
        """Forecast, validation, rating and service life: the answer needs all of them, or none of them counts."""
        stiffness, trouble = self._stiffness
        decision, validation = self.campaign.decision, None
        try:
            if stiffness is None:
                raise EvidenceError(trouble)
            forecast, check = self._forecast_of(stiffness), self._drops_used("check")
            validation = validate(stiffness, check, probability=decision.probability, progress=self.progress)
            return _Rated(forecast, validation, *self._rate(forecast, validation))
        except EvidenceError as error:
            n_cords = len(set(self._drops_used("fit").cord))
            return _Rated(None, validation, not_rated([str(error)], decision=decision, n_cords=n_cords), None)

    @property
    def _only_cord(self) -> str | None:
        """The cord that is spoken of where there is no other, whether it is to be rated or not."""
        cords = set(self._drops_used("fit").cord)
        return cords.pop() if len(cords) == 1 else None

    def _forecast_of(self, stiffness: DropStiffness) -> Forecast:
        decision = self.campaign.decision
        masses = rating_masses(stiffness, self.campaign.site)
        if not masses.size:
            raise EvidenceError("every tested mass is lighter than the site's gear: no rider mass was tested")
        return forecast_drop(
            stiffness,
            site=self.campaign.site,
            masses=masses,
            limit=decision.limit,
            probability=decision.probability,
            confidence=decision.confidence,
            cord=self._only_cord,
            seed=decision.seed,
            waves=self.loads.site if self.loads else None,
        )

    def _rate(self, forecast: Forecast, validation: Validation) -> tuple[Rating, Service | None]:
        """The rated range; where worn cords were dropped again, to the jump count that was asked for."""
        campaign, worn = self.campaign, self._drops_used("wear")
        criteria, jumps = campaign.criteria, campaign.decision.jumps
        against, cord = list(against_rating(self.findings)), campaign.decision.cord
        if cord is None and forecast.cord is not None:
            against.append(
                "only 1 cord was dropped: nothing says what another cord of the batch does; "
                f'cord = "{forecast.cord}" under [decision], or analyse --cord {forecast.cord}, rates that very cord'
            )
        if cord is not None and jumps is None and len(worn):
            jumps = int(retests(worn.jumps).max())  # it is worn by now, and never new again
        judge = partial(
            rate,
            criteria=criteria,
            breaking_load=campaign.lowest_break,
            validation=validation,
            reasons=against,
        )
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

    @cached_property
    def forecast(self) -> Forecast | None:
        """The next drop at the site, with its limits."""
        return self._rated.forecast

    @cached_property
    def validation(self) -> Validation | None:
        """Held-back drops against their limits."""
        return self._rated.validation

    @cached_property
    def budget(self) -> dict[str, Budget]:
        """Clearance at the heavy end and g at the light end, where each can govern: what makes them uncertain."""
        forecast, rating = self.forecast, self.rating
        if forecast is None:
            return {}
        light = float(forecast.masses[0]) if rating.lightest is None else rating.lightest
        heavy = float(forecast.masses[-1]) if rating.heaviest is None else rating.heaviest
        ends = {"clearance": heavy, "g": light}
        return {quantity: budget(forecast, mass=mass, quantity=quantity) for quantity, mass in ends.items()}

    # the answer

    @cached_property
    def rating(self) -> Rating:
        """Which riders the cords may carry, or why none."""
        rating, campaign = self._rated.rating, self.campaign
        conditions = self._conditions() if rating.rated else ""
        return replace(rating, conditions=conditions, hangs_on=hangs_on(campaign.site, campaign.criteria))

    def _conditions(self) -> str:
        """For which jump counts and temperatures the rated range holds, in words."""
        drops, use = self._drops_used("fit"), self.campaign.site.temperature
        jumps = f"for cords with {drops.jumps.min():g} to {drops.jumps.max():g} jumps"
        if self.wear is not None and self.wear.retire_at is not None:
            jumps = f"for up to {self.wear.retire_at} jumps"
        measured = drops.temperature[np.isfinite(drops.temperature)]
        if use is None and not measured.size:
            return f"{jumps}, temperature not recorded"
        low, high = use or (measured.min(), measured.max())
        ends = [f"{float(fixed(end, 1, side)):g}" for end, side in ((low, "upper"), (high, "lower"))]
        return f"{jumps}, {' to '.join(dict.fromkeys(ends))} °C"

    @property
    def predictions(self) -> tuple[dict[str, Any], ...]:
        """A row for each tested mass and each kilogram between."""
        return self.rating.predictions

    @cached_property
    def service(self) -> Service | None:
        """The range over the jump count; None without drops of worn cords."""
        return self._rated.service

    @property
    def wear(self) -> Wear | None:
        """Clearance over the jump count, retirement and next retest; None without drops of worn cords."""
        return self.service.wear if self.service else None

    @cached_property
    def lot(self) -> Lot | None:
        """The break tests of the lot; None where there are none."""
        return lot_of(self.campaign, self.predictions)

    @cached_property
    def batch(self) -> Batch | None:
        """Variation between and within the cords; None with fewer than 2 of them."""
        stiffness = self.stiffness
        if stiffness is None or len(set(stiffness.drops.cord)) < 2:
            return None
        returned = {drop.name: drop.energy_returned for drop in self.drops if drop.energy_returned is not None}
        return batch_report(quantities(stiffness.drops, np.exp(stiffness.scales[0][0]), returned))

    @property
    def temperature(self) -> TemperatureTrend | None:
        """Stiffness against temperature within the cords of the fit drops."""
        return self.stiffness.trend if self.stiffness else None

    @cached_property
    def range_plan(self) -> RangePlan | None:
        """Rated range to expect of more or fewer cords; None where nothing shows it."""
        forecast, jumps = self.forecast, self.campaign.decision.jumps
        if jumps is not None:
            forecast = self.service.to(jumps) if self.service else None
        if forecast is None:
            return None
        try:
            return plan_range(forecast, criteria=self.campaign.criteria, breaking_load=self.campaign.lowest_break)
        except ValueError:  # one cord, one mass, or no breaking load: the rating says so
            return None

    @cached_property
    def in_service(self) -> tuple[CordStatus, ...]:
        """Where each cord of the jump log stands."""
        log = read_jump_log(self.campaign.folder)
        if not log:
            return ()
        wear, rating = self.wear, self.rating
        unlike = {test.cord: test.quantity for test in self.batch.outlying} if self.batch else {}
        return cords_in_service(
            log,
            retire_at=wear.retire_at if wear else None,
            next_retest=wear.next_retest if wear else None,
            greatest_jumps=self.campaign.criteria.greatest_jumps,
            before=jumps_before(self.campaign),
            barred=out_of_use(self.campaign, unlike) | self._not_asked_for(log),
            rated=(rating.lightest, rating.heaviest) if rating.lightest and rating.heaviest else None,
        )

    def _not_asked_for(self, log: Sequence[LogEntry]) -> dict[str, str]:
        """Cords of the log that another cord's rating says nothing of."""
        cord = self.campaign.decision.cord
        return {row.cord: f"only {cord} is rated here, by itself" for row in log if cord not in (None, row.cord)}

    @cached_property
    def by_hand(self) -> ByHand | None:
        """Choices made by hand, with the answer without them; None where there are none."""
        return weigh(
            self.campaign,
            self.drops,
            self.stiffness,
            self.rating,
            rate_again=lambda campaign: Analysis(campaign, self.progress).rating,
        )

    # what must be said with it

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """What does not agree in the campaign, what looks odd in the drops that were fitted, and what to try."""
        fit, stiffness = self._recorded_fit, self.stiffness
        findings = list(campaign_findings(self.campaign, self.drops))
        if fit:
            findings += fit_findings(fit, self._without_waves("fit"))
        if stiffness:
            findings += (*unlike_drops(stiffness), *stiffer_when_worn(stiffness, self._drops_used("wear")))
        return settled(findings, self.campaign.by_hand)

    @cached_property
    def cautions(self) -> tuple[str, ...]:
        """What must be shown with the answer: the standing cautions, then what this campaign adds."""
        cautions = [*CAUTIONS, *(self.by_hand.cautions if self.by_hand else ()), *notes_on(self.drops)]
        if self.campaign.unread:
            names = ", ".join(self.campaign.unread)
            cautions.append(f"Neither lowest point nor record, counts as a jump and as nothing else: drop {names}.")
        if not self.drops:
            cautions.append(
                "No record of load or motion: the curve comes from lowest points alone, and no load was measured."
            )
        for step in (self.waves, self._recorded_fit, *self._refits, self.stiffness, self.forecast, self.pulls):
            cautions += [note for note in getattr(step, "notes", ()) if note not in cautions]
        if self.validation is not None and self.validation.left_out:
            cautions.append(
                f"No drop was held back: fit drops were {self.validation.how} and predicted from the others instead."
            )
        cautions += self._weak_promises()
        if self.stiffness is not None and not self.campaign.site.temperature:
            cautions.append(tested_only(self.stiffness.drops.temperature))
        return tuple(cautions)

    def _weak_promises(self) -> list[str]:
        """What the decision or the validation does not reach."""
        cautions, decision, rating, validation = [], self.campaign.decision, self.rating, self.validation
        if decision.limit == "tolerance" and decision.confidence < LEAST_CONFIDENCE:
            cautions.append(
                f"A tolerance limit with {100 * decision.confidence:g} % confidence fails in up to "
                f"{100 * (1 - decision.confidence):.3g} of 100 campaigns; ask for {LEAST_CONFIDENCE:g} or more."
            )
        if validation is not None and validation.rows and rating.heaviest is not None:
            hung = max(row.mass for row in validation.rows)
            rider = hung - self.campaign.site.gear_mass.value
            if rider < rating.heaviest:
                cautions.append(
                    f"Validated up to riders of {fixed(rider, 1, 'lower')} kg: no drop {validation.how} had more than "
                    f"{hung:g} kg, and the heavy end, {fixed(rating.heaviest, 1, 'lower')} kg, is beyond it."
                )
        return cautions

    def summary(self) -> str:
        """The answer in a few lines, for people."""
        steps = (self.rating, self.validation, self.lot, self.wear)
        return "\n".join([*(step.summary() for step in steps if step is not None), *self.cautions])

    def to_dict(self) -> dict[str, Any]:
        """What `results.json` holds: plain numbers in SI, None for what is not known."""
        campaign = self.campaign

        def of(step: Any) -> Any:
            return step.to_dict() if step else None

        shares = [
            {"quantity": name, **share.to_dict()} for name, budget in self.budget.items() for share in budget.shares
        ]
        results = {
            "cordlab": __version__,
            "campaign": {"title": campaign.title, "batch": campaign.batch, "sha256": campaign.sha256},
            "calibration": {channel: line.to_dict() for channel, line in self.calibrations.items()},
            "drops": self._drop_rows(),
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
            "uncertainty": [budget.to_dict() for budget in self.budget.values()],
            "temperature": of(self.temperature),
            "cords_in_service": [status.to_dict() for status in self.in_service],
            "findings": [finding.to_dict() for finding in self.findings],
            "cautions": self.cautions,
        }
        return plain(results | ({"by_hand": self.by_hand.to_dict()} if self.by_hand else {}))

    def _drop_rows(self) -> list[dict[str, Any]]:
        """Each drop in `results.json`: as noted, and as its record was reduced."""
        reduced, rows = {drop.name: drop for drop in self.drops}, []
        for entry in self.campaign.drops:
            row: dict[str, Any] = {name: getattr(entry, name) for name in ("drop", "cord", "use", "jumps")}
            row |= {"mass": entry.mass.value, "peak_load": None, "energy_returned": None, "notes": []}
            row["remarks"] = dict(entry.remarks) | ({"rest [s]": entry.rest} if isfinite(entry.rest) else {})
            drop, lowest = reduced.get(entry.drop), entry.lowest_point
            if drop is not None:
                names = ("lowest_point", "u_lowest_point", "peak_load", "energy_returned", "notes")
                row |= {name: getattr(drop, name) for name in names}
                row["recorded_lowest_point"] = drop.lowest_point
            if lowest is not None or drop is None:
                row |= {"lowest_point": lowest and lowest.value, "u_lowest_point": lowest and lowest.u}
            rows.append(row)
        return rows


@dataclass(frozen=True)
class _Rated:
    forecast: Forecast | None
    validation: Validation | None
    rating: Rating
    service: Service | None


def analyse(campaign: Campaign, *, progress: Progress = unwatched) -> Analysis:
    """The whole chain, from raw records to the rated range, with all steps done.

    Parameters
    ----------
    campaign, progress
        as of `Analysis`

    Returns
    -------
    Analysis
        not rated where the drops carry no curve or no limits

    Raises
    ------
    CampaignError
        with every calibration or record that is refused, and where a file of the campaign changed meanwhile

    Examples
    --------
    >>> import cordlab
    >>> analysis = cordlab.analyse(cordlab.read_campaign("data-demo/first-batch"))
    >>> analysis.rating.rated
    True
    """
    _refuse_without_drops_or_model(campaign)
    read_jump_log(campaign.folder)  # bad tables are refused before the long steps
    read_pulls(campaign)
    analysis = Analysis(campaign, progress)
    for step in STEPS:
        getattr(analysis, step)
    if changed := changes(campaign.folder, campaign.digests):
        raise CampaignError(tuple(f"{what} while the campaign was read; analyse it again" for what in changed))
    return analysis


def _refuse_without_drops_or_model(campaign: Campaign) -> None:
    wanted = campaign.decision.model
    if wanted not in ("auto", *models()):
        problem = f"campaign.toml, [decision] 'model': {wanted!r} is none of auto, {', '.join(models())}"
        raise CampaignError((problem + offer(nearest(wanted, models())),))
    if not campaign.drops:
        problem = (
            "drops.csv: there is no drop yet, so nothing to analyse; `cordlab ladder` says what may be dropped first"
        )
        raise CampaignError((problem,))
    if all(entry.drop in campaign.unread for entry in campaign.drops if entry.use == "fit"):
        raise CampaignError(("drops.csv: no fit drop has a lowest point or a record, so nothing to analyse",))
