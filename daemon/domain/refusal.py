"""Why weather could not be used: of what kind each refusal is, beside its words."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class RefusalKind(StrEnum):
    """What stands in the way of the weather of a source."""

    UNREACHABLE = "unreachable"
    NO_ANSWER = "no answer in time"
    NOT_ASKED = "not asked, because the time of the look is used up"
    OVER_QUOTA = "over the quota"
    ERROR_STATUS = "answered with an error"
    TOO_OLD = "too old"
    TOO_FEW_MEMBERS = "too few members"
    UNUSABLE = "broken, incomplete or implausible"
    REPLACED = "older hours stand in"


UNREACHED: Final = frozenset((RefusalKind.UNREACHABLE, RefusalKind.NO_ANSWER))


@dataclass(frozen=True)
class Refusal:
    """Why one source or one request gave no weather; `text` says it plainly."""

    kind: RefusalKind
    text: str
