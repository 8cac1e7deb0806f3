"""The working day told slowly: one case, people by name, one job at a time. The oracle for models/workday.py."""

from dataclasses import dataclass

from models.workday import Crew

ENOUGH = 1e-9


@dataclass
class Strip:
    mown: int
    ready: int
    closes: int
    bales: float


def wrapped_in_time(strips: list[Strip], crew: Crew, wall: int) -> bool:
    """Walk through the slots and say whether every strip of the list is wrapped by the finish."""
    if not strips:
        return False
    raked = baled = wrapped = 0.0
    raked_after: dict[int, float] = {}
    for slot in range(crew.finish):
        spare = [1.0] * crew.hands
        if slot <= strips[-1].mown:
            spare.pop()

        def spend(hours: float, spare: list[float] = spare) -> None:
            for person, time in enumerate(spare):
                used = min(time, hours)
                spare[person] -= used
                hours -= used

        raked_by_now = raked_after.get(slot - 1 - crew.rake_lead, 0.0)
        baled_by_now, wrapped_by_now, raked_by_then = baled, wrapped, raked

        at = min(int(baled_by_now + ENOUGH), len(strips) - 1)
        if slot < wall and strips[at].closes > slot:
            per_slot = crew.baled / strips[at].bales
            time = min(max(raked_by_now - baled_by_now, 0.0) / per_slot, sum(spare), 1.0)
            baled += time * per_slot
            spend(time)

        at = min(int(wrapped_by_now + ENOUGH), len(strips) - 1)
        per_slot = crew.wrapped / strips[at].bales
        time = min((baled_by_now - wrapped_by_now) / per_slot, sum(spare), 1.0)
        wrapped += time * per_slot
        spend(time)

        dry = 0
        while dry < len(strips) and strips[dry].ready <= slot:
            dry += 1
        time = min(max(dry - raked_by_then, 0.0) / crew.raked, sum(spare), 1.0)
        raked += time * crew.raked
        spend(time)
        raked_after[slot] = raked
        if wrapped >= len(strips) - ENOUGH:
            return True
    return False
