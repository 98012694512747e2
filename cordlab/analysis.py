"""The chain: a campaign → calibrations, drops, curve, limits, rating, wear, lot, cautions; each when asked for."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property, partial, wraps
from typing import Any, TypeVar

import numpy as np

from cordlab import __version__
from cordlab.batch.bootstrap import Refits
from cordlab.batch.campaign_findings import campaign_findings
from cordlab.batch.cords import Batch, TemperatureTrend, batch_report, quantities, tested_only
from cordlab.batch.drop_table import Evidence, drop_rows, retests
from cordlab.batch.findings import Finding, against_rating, fit_findings, settled
from cordlab.batch.fit import BatchFit, FitError, fit_batch
from cordlab.batch.load_lag import LoadLag, lag_findings
from cordlab.batch.lowest_points import LowestFit, energies, fit_without_records, unheld
from cordlab.batch.slow_pulls import PullComparison, compare_pulls, read_pulls
from cordlab.batch.viscosity import Viscosity
from cordlab.batch.wave_removal import WaveFit, take_out_waves
from cordlab.campaign.campaign import Campaign, CampaignError, read_jump_log
from cordlab.campaign.files import changes, offer
from cordlab.campaign.settings import hangs_on
from cordlab.cautions import CAUTIONS
from cordlab.curves.models import models
from cordlab.limits.anchoring import DropStiffness, drop_stiffness
from cordlab.limits.budget import Budget, budget
from cordlab.limits.forecast import Forecast, forecast_drop
from cordlab.limits.tested import comparable, range_of_use
from cordlab.limits.validation import Validation, lack_of_fit, stiffer_when_worn, unlike_drops, validate
from cordlab.limits.wave_effects import WaveLoads, wave_loads
from cordlab.quantities import QUANTITIES, REBOUND, bounds
from cordlab.rating.lot import Lot, lot_of, refused_by_lot
from cordlab.rating.range_plan import RangePlan, plan_range
from cordlab.rating.rate import ByHand, Rating, in_both, not_rated, rate, rating_masses, with_and_without
from cordlab.records.calibration import Calibration, calibrate_campaign
from cordlab.records.campaign_drops import notes_on, reduce_all
from cordlab.records.reduce import Drop
from cordlab.statistics.groups import EvidenceError
from cordlab.units import Progress, fixed, nearest, plain, unwatched
from cordlab.wear import service_life as life
from cordlab.wear.wear import Wear

LEAST_CONFIDENCE = 0.9  # of a tolerance limit without a caution; our choice
SHAPES = 200  # bootstrap draws of the curve's shape behind the limits: enough for its uncertainty

STEPS = ("drops", "fit", "pulls", "rating", "by_hand", "batch", "range_plan", "lot", "in_service", "budget", "cautions")

_Result = TypeVar("_Result")


def _step(compute: "Callable[[Analysis], _Result]") -> "cached_property[_Result | None]":
    """A step that the drops may not carry: None then, and `Analysis._why` holds the reason by the step's name."""

    @wraps(compute)
    def result(analysis: "Analysis") -> _Result | None:
        try:
            return compute(analysis)
        except (EvidenceError, FitError) as error:
            analysis._why[compute.__name__] = str(error)
            return None

    return cached_property(result)


@dataclass(frozen=True, eq=False)
class Analysis:
    """The chain of one campaign; each step is computed when it is asked for, once.

    Parameters
    ----------
    campaign : Campaign
        As `read_campaign` gives it.
    progress : Progress, optional
        Is shown what the long steps go through.

    Raises
    ------
    CampaignError
        By the steps: for each calibration or record that is refused, without a drop, and for an unknown model.

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
    _why: dict[str, str] = field(default_factory=dict, init=False, repr=False)  # step that is missing → why

    def __post_init__(self) -> None:
        if self.campaign.decision.cord is not None:  # nothing of the other cords is in its answer
            object.__setattr__(self, "campaign", self.campaign.of_cord(self.campaign.decision.cord))

    def _need(self, step: str) -> Any:
        """The result of a step. Raises EvidenceError, with its reason, where the drops do not carry it."""
        result = getattr(self, step)
        if step in self._why:
            raise EvidenceError(self._why[step])
        return result

    # what was measured

    @cached_property
    def calibrations(self) -> dict[str, Calibration]:
        """Channel → its calibration."""
        return calibrate_campaign(self.campaign)

    @cached_property
    def _as_recorded(self) -> tuple[Drop, ...]:
        return reduce_all(self.campaign, self.calibrations, progress=self.progress)

    @cached_property
    def load_lag(self) -> LoadLag | None:
        """By how much the load comes later than the distance; None without a record that has both."""
        return LoadLag.of(self._as_recorded)

    @cached_property
    def drops(self) -> tuple[Drop, ...]:
        """Every drop with a record, reduced; a small lag of the load taken off."""
        lag, drops = self.load_lag, self._as_recorded
        if lag is not None and lag.taken_off:
            drops = reduce_all(self.campaign, self.calibrations, lag=lag.value, progress=self.progress)
        return drops if lag is None else lag.carried(drops)

    # the curve

    @cached_property
    def waves(self) -> WaveFit | None:
        """The stretch wave in the records, and the drops without it; None where the cord carries none."""
        viscosity = None if self.campaign.viscosity is None else Viscosity.given(self.campaign.viscosity)
        rig, measured, lag = self.campaign.rig, self._drops_used["fit"], self.load_lag
        hidden = str(lag) if lag and lag.hides_loads else ""
        return take_out_waves(self.drops, measured, rig=rig, viscosity=viscosity, hidden=hidden, progress=self.progress)

    @_step
    def fit(self) -> BatchFit | LowestFit:
        """The batch's curve; None where no model describes the drops, or too few masses were dropped to tell one."""
        _refuse_without_drops_or_model(self.campaign)
        rig, measured, model = self.campaign.rig, self._drops_used["fit"], self.campaign.decision.model
        if not (recorded := self._without_waves("fit")):
            viscosity = self.waves.viscosity if self.waves else None
            return fit_without_records(measured, rig=rig, model=model, viscosity=viscosity)
        return fit_batch(
            recorded,
            model=model,
            check=self._without_waves("check"),
            energies=energies(recorded, measured, rig=rig, waves=self.waves),  # of drops without a record
            progress=self.progress,
        )

    @_step
    def _limits_fit(self) -> BatchFit | LowestFit:
        """The batch's curve, where it can carry limits."""
        fit = self._need("fit")
        if trouble := unheld(fit, self._drops_used["fit"]) if isinstance(fit, BatchFit) else "":
            raise EvidenceError(trouble)
        return fit

    @cached_property
    def _drops_used(self) -> dict[str, Evidence]:
        """Use → what is noted and measured of its drops."""
        return {use: Evidence.of_campaign(self.campaign, self.drops, use=(use,)) for use in ("fit", "check", "wear")}

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

    @_step
    def loads(self) -> WaveLoads | None:
        """What the stretch wave adds to loads; None where the records show no wave, or the curve carries none."""
        fit, waves, campaign = self._limits_fit, self.waves, self.campaign
        if fit is None or not (waves and waves.seen):
            return None
        loads = wave_loads(
            fit.chosen.curve,
            self._drops_used["fit"],
            rig=campaign.rig,
            site=campaign.site,
            viscosity=waves.viscosity,
            masses=[entry.mass.value for entry in campaign.drops],
        )
        without = fit.without_waves if isinstance(fit, LowestFit) else waves.measured
        return loads if without else loads.loads_only()

    @cached_property
    def _refits(self) -> tuple[Refits, ...]:
        """The curve fitted again to resampled drops, once for each model that does equally well."""
        fit = self._limits_fit
        return fit.refits(SHAPES, seed=self.campaign.decision.seed, progress=self.progress) if fit else ()

    @_step
    def stiffness(self) -> DropStiffness:
        """The stiffness of each drop, from its lowest point; None where the drops cannot carry it."""
        fit, loads = self._need("_limits_fit"), self._need("loads")
        alone = isinstance(fit, LowestFit) and len(self._cords) == 1  # its drops are all that the curve was found from
        return drop_stiffness(
            fit.chosen.curve,
            self._drops_used["fit"],
            rig=self.campaign.rig,
            shapes=[refits.curve for refits in self._refits],
            waves=loads.rig if loads else None,
            unknowns_before=len(fit.chosen.parameters) - 1 if alone else 0,
            checked=self._drops_used["check"].mass.tolist(),
            bent=isinstance(fit, LowestFit) and not alone,
        )

    @property
    def _cords(self) -> list[str]:
        """Cords with a fit drop. One by itself is spoken of, whether it is to be rated or not."""
        return sorted(set(self._drops_used["fit"].cord))

    @_step
    def _forecast(self) -> Forecast:
        stiffness, decision, site = self._need("stiffness"), self.campaign.decision, self.campaign.site
        masses = rating_masses(stiffness, site)
        if not masses.size:
            raise EvidenceError("every tested mass is lighter than the site's gear: no rider mass was tested")
        rebounds, uses = REBOUND in bounds(vars(self.campaign.criteria)), ("fit", "check", "wear")
        return forecast_drop(
            stiffness,
            site=site,
            masses=masses,
            limit=decision.limit,
            probability=decision.probability,
            confidence=decision.confidence,
            together=decision.criteria == "together",
            cord=self._cords[0] if len(self._cords) == 1 else None,
            seed=decision.seed,
            waves=self.loads.site if self.loads else None,
            recorded=Evidence.of_campaign(self.campaign, self.drops, use=uses) if rebounds else None,
        )

    @_step
    def validation(self) -> Validation:
        """Held-back drops against their limits."""
        self._need("_forecast")
        stiffness, probability = self._need("stiffness"), self.campaign.decision.probability
        return validate(stiffness, self._drops_used["check"], probability=probability, progress=self.progress)

    @_step
    def _rated(self) -> tuple[Rating, life.Service | None]:
        """The rated range; where worn cords were dropped again, to the jump count that was asked for.
        The answer needs forecast and validation, or none of them counts."""
        forecast, validation, campaign = self._need("_forecast"), self._need("validation"), self.campaign
        worn, criteria, breaks = self._retests[0], campaign.criteria, campaign.lowest_break
        jumps, cord, cap = campaign.decision.jumps, campaign.decision.cord, criteria.greatest_jumps
        against = list(against_rating(self.findings))
        if cord is None and forecast.cord is not None:
            against.append(
                "only 1 cord was dropped: nothing says what another cord of the batch does; "
                f'cord = "{forecast.cord}" under [decision], or analyse --cord {forecast.cord}, rates that very cord'
            )
        if jumps is not None and jumps > (cap or jumps):
            against.append(f"asked for {jumps} jumps, above the {cap} that the maker or the rule allows")
        if cord is not None and jumps is None and len(worn):
            jumps = int(retests(worn.jumps).max())  # it is worn by now, and never new again
        by_limits = partial(rate, criteria=criteria, breaking_load=breaks, validation=validation, reasons=against)

        def judge(forecast: Forecast, jumps: int | None = None) -> Rating:
            return refused_by_lot(campaign, by_limits(forecast, jumps=jumps))

        if not len(worn):
            return judge(forecast, jumps=jumps), None
        service = life.service_life(
            forecast,
            worn,
            judge=judge,
            least_clearance=criteria.least_clearance,
            jumps=jumps,
            greatest_jumps=cap,
            rest={entry.drop: entry.rest for entry in campaign.drops},
        )
        return service.rating, service

    @cached_property
    def _retests(self) -> tuple[Evidence, str]:
        """Drops of worn cords that can be held against the fit drops, and in words which can not."""
        worn, fit = self._drops_used["wear"], self._drops_used["fit"]
        near, words = comparable(fit, worn)
        return worn.take(near), "; ".join(filter(None, (words, life.not_retested(fit, worn.take(near)))))

    @cached_property
    def forecast(self) -> Forecast | None:
        """The next drop at the site, with its limits."""
        return self._forecast if self._rated else None

    @cached_property
    def budget(self) -> dict[str, Budget]:
        """What makes clearance at the heavy end and g at the light end uncertain."""
        return {name: budget(self._need("forecast"), mass=mass, quantity=name) for name, mass in self._ends.items()}

    @property
    def _ends(self) -> dict[str, float]:
        """Quantity → the rider mass at which it can govern, of the rated range or of what was tested [kg]."""
        forecast, asked = self.forecast, bounds(vars(self.campaign.criteria))
        light, heavy = self.rating.ends or (forecast.masses[[0, -1]].tolist() if forecast else (0.0, 0.0))
        names = [name for name in asked if forecast and name in forecast.quantities]
        return {name: light if QUANTITIES[name].end == "light" else heavy for name in names if QUANTITIES[name].end}

    @property
    def on_average(self) -> str:
        """What a prediction limit does not promise of this one campaign; "" for other limits."""
        return self.forecast.on_average(self._ends) if self.forecast else ""

    # the answer

    @cached_property
    def rating(self) -> Rating:
        """Which riders the cords may carry, or why none."""
        campaign = self.campaign
        if self._rated:
            rating = self._rated[0]
        else:
            rating = not_rated([self._why["_rated"]], decision=campaign.decision, n_cords=len(self._cords))
        if self._with_every_cord is not None and rating.rated:
            try:
                rating = in_both(rating, self._with_every_cord.rating)
            except CampaignError as error:
                rating = rating.refused(f"with the cords that were left out for what they are: {error}")
        conditions = self._conditions() if rating.rated else ""
        return replace(rating, conditions=conditions, hangs_on=hangs_on(campaign.site, campaign.criteria))

    @cached_property
    def _with_every_cord(self) -> "Analysis | None":
        """The analysis with the cords that were left out for what they are, to the same count; None without any."""
        campaign = self.campaign.with_every_cord()
        if campaign is self.campaign:
            return None
        if self.service is not None and self.service.jumps is not None:
            campaign = replace(campaign, decision=replace(campaign.decision, jumps=self.service.jumps))
        return Analysis(campaign, self.progress)

    def _conditions(self) -> str:
        """For which jump counts and temperatures the rated range holds, in words."""
        drops, service = self._drops_used["fit"], self.service
        last, cap = int(drops.jumps.max()), self.campaign.criteria.greatest_jumps
        if service is not None and service.jumps is not None:
            jumps = f"for up to {service.wear.retire_at or service.jumps} jumps"
        else:
            further = "no retest says more" if service is None else "not rated beyond"
            jumps = f"for up to {min(last, cap or last)} jumps ({further})"
        if cap is not None:
            jumps += f" (at most {cap} allowed)"
        use = range_of_use(self.campaign.site, drops)
        if use is None:
            return f"{jumps}, temperature not recorded"
        ends = [f"{float(fixed(end, 1, side)):g}" for end, side in zip(use, ("upper", "lower"), strict=True)]
        return f"{jumps}, {' to '.join(dict.fromkeys(ends))} °C"

    @property
    def predictions(self) -> tuple[dict[str, Any], ...]:
        """A row for each tested mass and each kilogram between."""
        return self.rating.predictions

    @cached_property
    def service(self) -> life.Service | None:
        """The range over the jump count; None without drops of worn cords."""
        return self._rated[1] if self._rated else None

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
        if stiffness is None or len(self._cords) < 2:
            return None
        return batch_report(quantities(stiffness.drops, np.exp(stiffness.scales[0][0])))

    @property
    def temperature(self) -> TemperatureTrend | None:
        """Stiffness against temperature within the cords of the fit drops."""
        return self.stiffness.trend if self.stiffness else None

    @cached_property
    def range_plan(self) -> RangePlan | None:
        """Rated range to expect of more or fewer cords; None where nothing shows it."""
        forecast, service, asked = self.forecast, self.service, self.campaign.decision.jumps
        if service is not None and service.jumps is not None:
            forecast = service.to(service.jumps)
        elif asked is not None:
            forecast = None
        if forecast is None:
            return None
        try:
            return plan_range(forecast, criteria=self.campaign.criteria, breaking_load=self.campaign.lowest_break)
        except ValueError:  # one cord, one mass, or no breaking load: the rating says so
            return None

    @cached_property
    def in_service(self) -> tuple[life.CordStatus, ...]:
        """Where each cord of the jump log stands."""
        campaign, wear = self.campaign, self.wear
        log, cord = read_jump_log(campaign.folder), campaign.decision.cord
        if not log:
            return ()
        unlike = {test.cord: test.quantity for test in self.batch.outlying} if self.batch else {}
        others = {row.cord: f"only {cord} is rated here, by itself" for row in log if cord not in (None, row.cord)}
        return life.cords_in_service(
            log,
            retire_at=wear.retire_at if wear else None,
            next_retest=wear.next_retest if wear else None,
            greatest_jumps=campaign.criteria.greatest_jumps,
            before=life.jumps_before(campaign),
            barred=life.out_of_use(campaign, unlike) | others,
            rated=self.rating.ends,
        )

    @cached_property
    def by_hand(self) -> ByHand | None:
        """Choices made by hand, with the answer without them; None where there are none."""

        def again(campaign: Campaign) -> Rating:
            other = self._with_every_cord
            if other is None or other.campaign != campaign:
                other = Analysis(campaign, self.progress)
            return other.rating

        return with_and_without(self.campaign, self.drops, self.stiffness, self.rating, rate_again=again)

    # what must be said with it

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """What does not agree in the campaign, what looks odd in the drops that were fitted, and what to try."""
        fit, stiffness = self._recorded_fit, self.stiffness
        findings = [*campaign_findings(self.campaign, self.drops), *lag_findings(self.load_lag, self.waves, self.drops)]
        if fit:
            findings += fit_findings(fit, self._without_waves("fit"))
        if stiffness:
            worn = self._drops_used["wear"]
            findings += (*unlike_drops(stiffness), *lack_of_fit(stiffness), *stiffer_when_worn(stiffness, worn))
        return settled(findings, self.campaign.by_hand)

    @cached_property
    def cautions(self) -> tuple[str, ...]:
        """What must be shown with the answer: the standing cautions, then what this campaign adds."""
        cautions = [*CAUTIONS, *(self.by_hand.cautions if self.by_hand else ()), *notes_on(self.drops)]
        if unread := ", ".join(self.campaign.unread):
            cautions.append(f"Neither lowest point nor record, counts as a jump and as nothing else: drop {unread}.")
        if not self.drops:
            lowest = "No record of load or motion: the curve comes from lowest points alone"
            cautions.append(f"{lowest}, and no load was measured.")
        steps = (self.load_lag, self.waves, self._recorded_fit, *self._refits, self.stiffness, self.forecast)
        for step in (*steps, self.pulls):
            cautions += [note for note in getattr(step, "notes", ()) if note not in cautions]
        if self.validation is not None and self.validation.left_out:
            cautions.append(
                f"No drop was held back: fit drops were {self.validation.how} and predicted from the others instead."
            )
        cautions += self._weak_promises()
        if self.stiffness and self._retests[1]:
            cautions.append(f"Wear: {self._retests[1]}.")
        if self.stiffness is not None and not self.campaign.site.temperature:
            cautions.append(tested_only(self.stiffness.drops.temperature))
        return tuple(cautions)

    def _weak_promises(self) -> list[str]:
        """What the decision or the validation does not reach."""
        decision, rating, validation = self.campaign.decision, self.rating, self.validation
        cautions = [self.on_average] if self.on_average else []
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
            "drops": drop_rows(campaign, self.drops),
            "load_lag": self.load_lag and vars(self.load_lag),
            "curve": of(self.fit),
            "waves": self.waves and self.waves.to_dict() | {"loads": self.loads.rows if self.loads else []},
            "pulls": of(self.pulls),
            "validation": [row.to_dict() for row in self.validation.rows] if self.validation else [],
            "validation_means": [mean.to_dict() for mean in self.validation.means] if self.validation else [],
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


def analyse(campaign: Campaign, *, progress: Progress = unwatched) -> Analysis:
    """The whole chain, from raw records to the rated range, with all steps done.

    Parameters
    ----------
    campaign, progress
        As of `Analysis`.

    Returns
    -------
    Analysis
        Not rated where the drops carry no curve or no limits.

    Raises
    ------
    CampaignError
        With every calibration or record that is refused, and where a file of the campaign changed meanwhile.

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
        none = "there is no drop yet, so nothing to analyse; `cordlab ladder` says what may be dropped first"
        raise CampaignError((f"drops.csv: {none}",))
    if all(entry.drop in campaign.unread for entry in campaign.drops if entry.use == "fit"):
        raise CampaignError(("drops.csv: no fit drop has a lowest point or a record, so nothing to analyse",))
