"""What the farm's own record of odds against outcomes holds, as data."""

from dataclasses import dataclass


@dataclass(frozen=True)
class OddsBand:
    """The cases with odds from `low` up to `high`: their mean odds and the share of them that came out well."""

    low: float
    high: float
    odds: float
    outcome: float
    cases: int


@dataclass(frozen=True)
class RecordSummary:
    """How honest the odds of the past were, and what that makes of some example odds today."""

    cases: int = 0
    days: int = 0
    bands: tuple[OddsBand, ...] = ()
    example: float = 0.0
    corrected_example: float = 0.0
    is_readable: bool = True
