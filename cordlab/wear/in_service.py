"""Cords in service: jumps so far, jumps left before the next retest and before retirement, and which may not jump."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from math import inf

from cordlab.campaign.campaign import Campaign
from cordlab.campaign.jump_log import LOG, LogEntry
from cordlab.units import mass_range


@dataclass(frozen=True)
class CordStatus:
    """Where a cord in service stands.

    jumps : so far ; before_retest, before_retirement : jumps left, None where there is no such count
    retired : out of use for good ; reasons : why it may not jump ; cautions : what to look into
    """

    cord: str
    jumps: int
    before_retest: int | None
    before_retirement: int | None
    retired: bool
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def may_jump(self) -> bool:
        return not self.reasons

    def summary(self) -> str:
        left = "" if self.before_retirement is None else f", {self.before_retirement} left before retirement"
        retest, end = "", self.before_retirement
        if self.before_retest is not None and (end is None or self.before_retest <= end):
            retest = f", {self.before_retest} before the next retest"
        remarks = "; ".join((*self.reasons, *self.cautions))
        return f"{self.cord}: {self.jumps} jumps{left}{retest}" + (f": {remarks}" if remarks else "")

    def to_dict(self) -> dict[str, object]:
        return asdict(self) | {"may_jump": self.may_jump}


def jumps_before(campaign: Campaign) -> dict[str, int]:
    """Jumps of each listed cord before it went into service: as cords.csv says, or as the campaign's drops left it."""
    before = {cord.cord: cord.jumps for cord in campaign.cords}
    for drop in campaign.drops:
        before[drop.cord] = max(before[drop.cord], drop.jumps + 1)  # a drop is a jump
    return before


def out_of_use(campaign: Campaign, unlike: Mapping[str, str]) -> dict[str, str]:
    """Cords that may never jump, with the reason: pulled to break, left out by hand, or unlike their batch.

    unlike : cord → the quantity in which it is unlike the others
    """
    reasons = {cord: f"unlike its batch ({quantity})" for cord, quantity in unlike.items()}
    for choice in campaign.by_hand.left_out:
        if choice.cord is not None:
            reasons[choice.cord] = f"left out of the campaign by hand: {choice.reason}"
    return reasons | {entry.cord: "pulled to break (breaks.csv)" for entry in campaign.breaks}


def cords_in_service(
    log: Sequence[LogEntry],
    *,
    retire_at: int | None,
    next_retest: int | None = None,
    greatest_jumps: int | None = None,
    before: Mapping[str, int],
    barred: Mapping[str, str] = {},
    rated: tuple[float, float] | None = None,
) -> tuple[CordStatus, ...]:
    """Status of every cord in the log.

    retire_at, next_retest : of the batch (`Wear`) ; greatest_jumps : cap of the maker or the rule, which wins where
    smaller ; before : cord → jumps before the log ; barred : cord → why it is out of use for good, whatever it counts ;
    rated : lightest and heaviest rider [kg].
    Any damage retires at once, whatever the count. Without a retirement count no cord may jump. A cord that the
    campaign does not list counts from 0 jumps, with a caution.
    """
    end = retire_at if retire_at is None or greatest_jumps is None else min(retire_at, greatest_jumps)
    lightest, heaviest = rated or (-inf, inf)
    statuses = []
    for cord in dict.fromkeys(entry.cord for entry in log):
        entries = [entry for entry in log if entry.cord == cord]
        jumps = before.get(cord, 0) + sum(entry.jumps for entry in entries)
        reasons, cautions = [], []
        if cord in barred:
            reasons.append(f"retired: {barred[cord]}")
        elif cord not in before:
            cautions.append(
                "in no table of the campaign, so counted from 0 jumps; list it in cords.csv with the jumps it had, or "
                "check its name"
            )
        damaged = next((entry for entry in entries if entry.damage), None)
        if damaged is not None:
            reasons.append(f"retired: {damaged.damage} ({LOG}, row {damaged.line}, {damaged.day})")
            later = sum(entry.jumps for entry in entries if entry.day > damaged.day)
            if later:
                cautions.append(f"{later} jumps logged after the damage")
        if end is None:
            reasons.append("no retirement count: worn cords of this batch are not rated")
        elif jumps >= end:
            reasons.append(f"retired: {end} jumps reached")
            if jumps > end:
                cautions.append(f"{jumps - end} jumps beyond the retirement count")
        for entry in entries:
            light = entry.lightest is not None and entry.lightest < lightest
            heavy = entry.heaviest is not None and entry.heaviest > heaviest
            if light or heavy:
                where = f"({LOG}, row {entry.line})"
                cautions.append(f"a rider outside the rated {mass_range(lightest, heaviest)} {where}")
        retired = damaged is not None or cord in barred or (end is not None and jumps >= end)
        left = None if end is None else end - jumps
        if retired and end is not None:
            left = 0
        statuses.append(
            CordStatus(
                cord=cord,
                jumps=jumps,
                before_retest=None if next_retest is None else max(next_retest - jumps, 0),
                before_retirement=left,
                retired=retired,
                reasons=tuple(reasons),
                cautions=tuple(cautions),
            )
        )
    return tuple(statuses)
