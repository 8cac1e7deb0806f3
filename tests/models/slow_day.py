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
    baling: float
    travel: float = 0.0


class Machine:
    """Works through the strips in order; remembers how many it had done at the end of each slot."""

    def __init__(self, strips: list[Strip], times: list[float]) -> None:
        self.times, self.ways = times, [strip.travel for strip in strips]
        self.done = 0.0
        self.history: list[float] = []

    def at(self) -> int:
        return min(int(self.done + ENOUGH), len(self.times) - 1)

    def done_by_end_of(self, slot: int) -> float:
        return self.history[slot] if 0 <= slot < len(self.history) else 0.0

    def work(self, until: float, people: list[float]) -> None:
        """Take one person after another until the slot is over or everything up to `until` is done.

        With a field done, a machine makes its way to the next one, dry or not.
        """
        left = min(1.0, sum(people))
        while left > ENOUGH:
            here = self.at()
            if self.done < len(self.times) - ENOUGH and self.ways[here] > 0.0:
                used = min(self.ways[here], left)
                self.ways[here] -= used
            elif self.done < until - ENOUGH:
                used = min((min(until, here + 1.0) - self.done) * self.times[here], left)
                self.done += used / self.times[here]
            else:
                return
            left -= used
            spend(used, people)


def spend(time: float, people: list[float]) -> None:
    for person, spare in enumerate(people):
        used = min(spare, time)
        people[person] -= used
        time -= used


def wrapped_in_time(strips: list[Strip], crew: Crew, wall: int) -> bool:
    """Walk through the slots and say whether every strip of the list is wrapped by the finish."""
    rake = Machine(strips, [1.0 / crew.raking_rate] * len(strips))
    baler = Machine(strips, [strip.baling for strip in strips])
    wrapper = Machine(strips, [strip.bales / crew.wrapping_rate for strip in strips])
    for slot in range(crew.finish_slot):
        if slot not in crew.rest_slots:
            people = [1.0] * crew.hands
            if slot <= strips[-1].mown:
                people.pop()
            dry = 0
            while dry < len(strips) and strips[dry].ready <= slot:
                dry += 1
            lain = rake.done_by_end_of(slot - 1 - crew.rake_lead)
            baled = baler.done_by_end_of(slot - 1)
            rake.work(dry, people)
            if slot < wall and slot < strips[baler.at()].closes:
                baler.work(lain, people)
            wrapper.work(baled, people)
        for machine in (rake, baler, wrapper):
            machine.history.append(machine.done)
        if wrapper.done < baler.done_by_end_of(slot - 1 - crew.wrap_within) - ENOUGH:
            return False
    return bool(strips) and wrapper.done >= len(strips) - ENOUGH


def most_wrapped(strips: list[Strip], crew: Crew, wall: int) -> int:
    """Try every count from all down to one."""
    return next((n for n in range(len(strips), 0, -1) if wrapped_in_time(strips[:n], crew, wall)), 0)
