"""Frozen dataclasses of what the trade knows at the bench: causes of faults, and upkeep."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

from service.model import Trust

Symptom = Literal[
    "slips_in_clamp",
    "flattened",
    "wrinkled_inside",
    "split_or_thinned_outside",
    "kinked",
    "scratched",
    "hard_to_crank",
    "angle_short",
    "angle_past",
    "twisted_between_bends",
    "out_of_plane",
    "leg_too_long",
    "leg_too_short",
    "radius_wrong",
]
UpkeepAction = Literal["clean", "lubricate", "inspect", "check", "replace"]
# No single piece of evidence may weigh more; the score is documented with it.
LARGEST_WEIGHT = 3


class WeighedTest(NamedTuple):
    """A test of the set-up by name, and what its verdict weighs for one cause: 1 to 3."""

    test: str
    weight: int


@dataclass(frozen=True, slots=True)
class FaultCause:
    """One cause of a fault.

    Arguments:
        id: key of its words
        tests: what in the set-up speaks for it or against it; none where only a look can tell
        source: id of the source
        upkeep: ids of the upkeep that would have kept it away
    """

    id: str
    tests: tuple[WeighedTest, ...]
    source: str
    upkeep: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FaultTable:
    """The causes to look at for each symptom, in the order in which they are quickest to check."""

    symptoms: Mapping[str, tuple[str, ...]]
    causes: Mapping[str, FaultCause]

    def suspects(self, symptom: str) -> tuple[FaultCause, ...]:
        """The causes of one symptom, in order."""
        return tuple(self.causes[name] for name in self.symptoms[symptom])


@dataclass(frozen=True, slots=True)
class UpkeepTask:
    """One piece of upkeep of bender, dies or mandrel.

    Arguments:
        part: what is looked after; key of its word
        occasion: when, in words; key of its word
        hours, bends: interval, whichever comes first; None where it goes by the occasion alone
        source, place, trust: where it comes from, and how far it can be trusted
    """

    id: str
    part: str
    action: UpkeepAction
    occasion: str
    hours: int | None
    bends: int | None
    source: str
    place: str
    trust: Trust
