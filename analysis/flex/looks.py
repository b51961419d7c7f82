"""When was this table judged before, and was that planned? Kept in a small file beside the table.

``joints.csv`` has ``joints.looks.json``: the plan, if ``flex plan --for`` made one, and each look's joints
and failures at the target. Looking again until a lucky look says "shown" is how 10 % becomes 34 %.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from analysis.flex.claim import Claim, Count
from analysis.life.staged import StagedPlan, planned, unplanned
from logger.base.errors import BenchError
from logger.base.safe_files import json_bytes, read_json, replace_file

ENDING: Final = ".looks.json"
_FORMAT: Final = 1


@dataclass(frozen=True)
class Look:
    """One group at one look: joints that were run to the target or broke before, and how many failed."""

    group: str
    target_cycles: float
    reliability: float
    confidence: float
    joints: int
    failures: int

    def asks(self, claim: Claim) -> bool:
        """Whether it was the same claim."""
        mine = (self.target_cycles, self.reliability, self.confidence)
        return mine == (claim.target_cycles, claim.reliability, claim.confidence)


@dataclass(frozen=True)
class Looks:
    """Earlier looks at a table, and its plan with the target it was made for."""

    earlier: tuple[Look, ...] = ()
    plan: StagedPlan | None = None
    plan_cycles: float | None = None

    def plan_for(self, claim: Claim) -> StagedPlan | None:
        """The plan, if it was made for this claim."""
        plan = self.plan
        if plan is None or self.plan_cycles != claim.target_cycles:
            return None
        same = (plan.reliability, plan.confidence) == (claim.reliability, claim.confidence)
        return plan if same else None

    def before(self, group: str, claim: Claim, count: Count) -> tuple[Look, ...]:
        """Looks at this group's claim with fewer joints than now, in their order."""
        found = {
            look.joints: look
            for look in self.earlier
            if look.group == group and look.asks(claim) and 0 < look.joints < count.specimens
        }
        return tuple(found[joints] for joints in sorted(found))

    def allowed(self, group: str, claim: Claim, count: Count) -> tuple[int | None, bool]:
        """Failures that may be at this look, None where it is the only one; shown at an earlier look."""
        earlier, plan = self.before(group, claim, count), self.plan_for(claim)
        if (plan is None and not earlier) or not count.specimens:
            return None, False
        joints = [*(look.joints for look in earlier), count.specimens]
        if plan is not None:
            limits = planned(joints, plan.joints[-1], claim.reliability, claim.confidence)
        else:
            limits = unplanned(joints, claim.reliability, claim.confidence)
        shown = any(look.failures <= limit for look, limit in zip(earlier, limits, strict=False))
        return limits[-1], shown


def look_words(
    looks: Looks, counts: Mapping[str, Count], claim: Claim, lowered: bool
) -> tuple[str, ...]:
    """That somebody looked before, and whether that was planned. ``lowered``: a verdict was, for that."""
    if claim.target_cycles is None:
        return ()
    before = max(
        (len(looks.before(name, claim, count)) for name, count in counts.items()), default=0
    )
    plan = looks.plan_for(claim)
    if plan is not None:
        joints = f"{', '.join(map(str, plan.joints[:-1]))} and {plan.joints[-1]}"
        return (
            f"A plan with {len(plan.joints)} looks at {joints} joints is kept beside the table; this is look {before + 1}.",
        )
    if not before:
        return ()
    found = f"Judged {before} time{'s' if before > 1 else ''} before with fewer joints, and no plan was made: "
    found += (
        "the promise is weaker, so what counting would show now is only indicated."
        if lowered
        else "fewer failures may be now than at a first look."
    )
    return (
        f"{found} Next time: drawbench flex plan --looks 3 --for TABLE, before the first bend.",
    )


def looks_file(source: Path) -> Path:
    """Where the looks at a table, or at a recorded run's folder, are kept."""
    return source / f"flex{ENDING}" if source.is_dir() else source.with_suffix(ENDING)


def read_looks(source: Path) -> Looks:
    """Looks so far; none where there is no file. Raises BenchError for one that cannot be understood."""
    path = looks_file(source)
    try:
        own = read_json(path)
        return _looks(own)
    except FileNotFoundError:
        return Looks()
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise BenchError(
            f"{path} does not hold the looks at a flex test.",
            evidence=repr(error),
            next_step="take it away if nobody judged this table before; it says how often that was done.",
        ) from error


def write_looks(source: Path, looks: Looks) -> bool:
    """Keep the looks beside the table; False where that place cannot be written."""
    path = looks_file(source)
    plan = looks.plan
    document = {
        "format": _FORMAT,
        "plan": None
        if plan is None
        else {
            "target_cycles": looks.plan_cycles,
            "reliability": plan.reliability,
            "confidence": plan.confidence,
            "joints": list(plan.joints),
            "allowed": list(plan.allowed),
        },
        "looks": [vars(look) for look in looks.earlier],
    }
    try:
        replace_file(path, json_bytes(document))
    except OSError:
        return False
    return True


def with_look(looks: Looks, counts: Mapping[str, Count], claim: Claim) -> Looks:
    """The looks with this one added, each group's; unchanged where the same was seen before."""
    if claim.target_cycles is None:
        return looks
    fresh = [
        Look(
            name,
            claim.target_cycles,
            claim.reliability,
            claim.confidence,
            count.specimens,
            count.failures,
        )
        for name, count in counts.items()
    ]
    added = [look for look in fresh if look.joints and look not in looks.earlier]
    return Looks((*looks.earlier, *added), looks.plan, looks.plan_cycles)


def _looks(own: Mapping[str, Any]) -> Looks:
    plan = own["plan"]
    looks: Sequence[Mapping[str, Any]] = own["looks"]
    return Looks(
        tuple(
            Look(
                str(item["group"]),
                float(item["target_cycles"]),
                float(item["reliability"]),
                float(item["confidence"]),
                int(item["joints"]),
                int(item["failures"]),
            )
            for item in looks
        ),
        None
        if plan is None
        else StagedPlan(
            float(plan["reliability"]),
            float(plan["confidence"]),
            tuple(map(int, plan["joints"])),
            tuple(map(int, plan["allowed"])),
        ),
        None if plan is None else float(plan["target_cycles"]),
    )
