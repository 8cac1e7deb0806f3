"""Answers to the advice by a link: each is signed, good once and for a time, and reaches the diary as a note does."""

import hashlib
import logging
import secrets
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from html import escape
from pathlib import Path
from typing import Final

from itsdangerous import BadData, URLSafeSerializer

from daemon.diary import store as diary_module
from daemon.diary.answers.choices import Choice, choice_words, choices
from daemon.diary.answers.store import DATABASE, AlreadyUsed, AnswerFile, AnswersError
from daemon.diary.cuts import cuts, still_lying
from daemon.diary.feedback import at_once
from daemon.diary.parse import Unlikely, WrongUsage, ground_meant, moisture_meant, moment_meant, stage_meant
from daemon.diary.store import Diary, DiaryError, Line, LineKind, local_day, of_field
from daemon.domain.advice import Morning
from daemon.domain.farm import Farm, Field, Person
from daemon.domain.message import Message
from daemon.system.clock import Clock
from daemon.words.catalog import phrase

log = logging.getLogger(__name__)

LONGEST: Final = 2000  # characters of a token; ours have a few hundred
# What may be told on the day after too; the others are true only for as long as they can be seen.
OF_THE_DAY: Final = (LineKind.CUT, LineKind.UNCUT, LineKind.WRAPPED)
# What must not be told twice of a day, with what takes it back: a part would be held for cut twice, and a second
# `wrapped` for another cut.
ONCE: Final[Mapping[LineKind, tuple[LineKind, ...]]] = {
    **dict.fromkeys((LineKind.CUT, LineKind.UNCUT), (LineKind.CUT, LineKind.UNCUT)),
    LineKind.WRAPPED: (LineKind.WRAPPED,),
}
SAME_AREA: Final = 0.01  # [ha]
LINK: Final = "display: inline-block; padding: 12px 16px; border: 1px solid; line-height: 20px"  # 46 px high


class Trouble(StrEnum):
    """Why nothing was noted."""

    FORGED = "forged"
    USED = "used"
    TOLD = "told"  # the diary says the same: two who were asked may both answer
    EXPIRED = "expired"
    CLOCK = "clock"  # it is behind, as on a machine that has just started without a network
    GONE = "gone"  # the field, the person or the word is no longer in the settings
    NOT_KEPT = "not kept"  # the disk takes nothing
    WRONG = "wrong"  # what was typed means nothing
    DRY = "dry"  # what was typed is hardly so, and was typed once
    WET = "wet"


class NotTaken(Exception):
    """An answer that was not taken; the text is for who typed something wrong."""

    def __init__(self, trouble: Trouble, why: str = "") -> None:
        super().__init__(why or trouble)
        self.trouble, self.why = trouble, why


@dataclass(frozen=True)
class Answer:
    """What a link says of a field on a day, and who it was given to: nobody in particular is who reads the page.

    `word` is the stage or the ground seen, or the area cut [ha] where that was not all of the field.
    """

    kind: LineKind
    word: str
    field: str
    day: date
    person: str
    ends: datetime
    nonce: str


@dataclass(frozen=True)
class Link:
    """A link as it is shown."""

    words: str
    href: str


Links = Mapping[str, tuple[Link, ...]]  # by the name of the field


class Answers:
    """The links of a farm and what becomes of them.

    Parameters
    ----------
    folder : Path
        Where the diary lies; the key lies beside it.
    clock : Clock
        What says the time.
    """

    def __init__(self, folder: Path, clock: Clock) -> None:
        self._file, self._clock = AnswerFile(folder / DATABASE), clock
        self._diary = Diary(folder / diary_module.DATABASE)

    def links(self, farm: Farm, morning: Morning, person: Person | None = None) -> Links:
        """Return what can be answered of each field today.

        Parameters
        ----------
        farm : Farm
        morning : Morning
        person : Person, optional
            Who is told. Left out: who reads the page, whose links start at the page itself.

        Returns
        -------
        mapping
            Empty where the settings give no address, where the morning is not today's, and where no link can be
            signed, which is logged: no message waits for its links.
        """
        now = self._clock.now()
        if farm.page.address is None or morning.date != now.astimezone(farm.place.timezone).date():
            return {}
        try:
            writer = _writer(self._file.key())
        except AnswersError as error:
            log.warning("there are no links to answer by: %s", error)
            return {}
        base, name = (farm.page.address, person.name) if person else ("", "")

        def link(field: str, choice: Choice) -> Link:
            answer = _answer(farm, field, morning.date, choice, name)
            return Link(choice_words(choice, farm.units), f"{base}/answer/{writer.dumps(_packed(answer))}")

        return {
            field: tuple(link(field, choice) for choice in found)
            for field, found in choices(farm, morning, self._lying(farm, now)).items()
        }

    def add(self, mail: Message, farm: Farm, morning: Morning, person: Person) -> Message:
        """Return the morning's email to a person with the links by which it can be answered."""
        links = self.links(farm, morning, person)
        if not links:
            return mail
        first = phrase("answers.answer")
        plain = ("\n".join([name, *(f"- {one.words}: {one.href}" for one in own)]) for name, own in links.items())
        marked = (f"<p>{escape(name)}</p>{''.join(map(_marked, own))}" for name, own in links.items())
        html = None if mail.html is None else f"{mail.html}<p>{escape(first)}</p>{''.join(marked)}"
        return replace(mail, body="\n\n".join([mail.body, first, *plain]), html=html)

    def read(self, farm: Farm, token: str) -> Answer:
        """Return what a link says, if it can still be answered.

        Raises
        ------
        NotTaken
        """
        answer = self._good(farm, token)
        self._is_news(farm, self.line(farm, answer))
        return answer

    def _good(self, farm: Farm, token: str) -> Answer:
        answer, now = self._meant(token), self._clock.now()
        if answer.ends <= now:
            raise NotTaken(Trouble.EXPIRED)
        told = {"", *(person.name for person in (*farm.alerts.people, *farm.alerts.second_ways))}
        if answer.person not in told:
            raise NotTaken(Trouble.GONE)
        if self._is_used(answer):
            raise NotTaken(Trouble.USED)
        if answer.day > now.astimezone(farm.place.timezone).date():
            raise NotTaken(Trouble.CLOCK)
        self.line(farm, answer)
        return answer

    def _is_used(self, answer: Answer) -> bool:
        try:
            return self._file.is_used(answer.nonce)
        except AnswersError as error:
            raise _not_kept(error) from error

    def line(self, farm: Farm, answer: Answer, percent: str | None = None, *, sure: bool = False) -> Line:
        """Return the line that an answer is, before it is in the diary: number 0, and without a moisture not given.

        Raises
        ------
        NotTaken
            If it means nothing by the settings of now, or if the moisture given is none.
        """
        now, zone, timed = self._clock.now(), farm.place.timezone, answer.kind is LineKind.MOISTURE
        field = next((one for one in farm.fields if one.name == answer.field), None)
        if field is None:
            raise NotTaken(Trouble.GONE)
        on = None if timed else answer.day.isoformat()
        try:
            at, _ = moment_meant(None, on, zone, now, whole_day=not timed)
            stage, ground = _seen(farm, field, answer)
            area = _area(field, answer)
        except (WrongUsage, ValueError) as error:
            raise NotTaken(Trouble.GONE) from error
        try:
            moisture = None if percent is None else moisture_meant(percent, sure=sure)
        except Unlikely as error:
            raise NotTaken(Trouble.DRY if error.is_dry else Trouble.WET, f"{error.percent:g}") from error
        except WrongUsage as error:
            raise NotTaken(Trouble.WRONG, str(error).removeprefix("note: ")) from error
        return Line(0, answer.kind, field.name, at, now, timed, area, moisture, stage=stage, ground=ground)

    def note(self, farm: Farm, token: str, percent: str = "", *, sure: bool = False) -> tuple[Line, tuple[str, ...]]:
        """Write an answer into the diary and return its line, with what is to be said of it at once.

        Parameters
        ----------
        farm : Farm
        token : str
            Of the link.
        percent : str
            The moisture, as typed; only where that is asked for.
        sure : bool
            Whether it was shown again and not changed.

        Raises
        ------
        NotTaken
            Then nothing is noted, and the link is as good as before.
        """
        answer = self._good(farm, token)
        line = self.line(farm, answer, percent if answer.kind is LineKind.MOISTURE else None, sure=sure)
        told = {"area": line.area, "moisture": line.moisture, "stage": line.stage, "ground": line.ground}
        try:
            with self._file.using(answer.nonce, answer.ends, line.written_at):
                self._is_news(farm, line)  # only one at a time comes here
                kept = self._diary.add(line.kind, line.field, line.at, line.written_at, timed=line.timed, **told)  # type: ignore[arg-type]
        except AlreadyUsed as error:
            raise NotTaken(Trouble.USED) from error
        except (AnswersError, DiaryError) as error:
            raise _not_kept(error) from error
        with suppress(DiaryError):  # it is noted, whatever the other lines are
            return kept, tuple(at_once(farm, self._diary.lines(), kept))
        return kept, ()

    def mark(self, token: str) -> str:
        """Return the mark of the form that a link opens: who has not opened it cannot send it."""
        return _writer(self._opened_key(), "form").dumps(hashlib.sha256(token.encode()).hexdigest())

    def is_marked(self, token: str, mark: str) -> bool:
        """Return whether a form is the one that a link opened."""
        return secrets.compare_digest(self.mark(token).encode(), mark.encode())

    def _meant(self, token: str) -> Answer:
        if len(token) > LONGEST:
            raise NotTaken(Trouble.FORGED)
        try:
            return _unpacked(_writer(self._opened_key()).loads(token))
        except (BadData, ValueError, TypeError, OverflowError) as error:
            raise NotTaken(Trouble.FORGED) from error

    def _is_news(self, farm: Farm, line: Line) -> None:
        """Refuse a line that says what the diary says already; one that cannot be read says nothing."""
        try:
            lines = self._diary.lines()
        except DiaryError:
            return
        if _says(lines, line, farm):
            raise NotTaken(Trouble.TOLD)

    def _opened_key(self) -> bytes:
        try:
            return self._file.key()
        except AnswersError as error:
            raise _not_kept(error) from error

    def _lying(self, farm: Farm, now: datetime) -> dict[str, bool]:
        """Return the fields whose crop lies, and whether it was cut today."""
        try:
            lines = self._diary.lines()
        except DiaryError:
            return {}
        today = now.astimezone(farm.place.timezone).date()
        own = {field.name: cuts(of_field(lines, field, now), farm.place) for field in farm.fields}
        return {name: any(cut.day == today for cut in own[name]) for name in still_lying(farm, lines, now)}


def _marked(link: Link) -> str:
    """Return a link that a thumb hits, and not the next one."""
    return f'<p style="margin: 0 0 12px"><a style="{LINK}" href="{escape(link.href)}">{escape(link.words)}</a></p>'


def _seen(farm: Farm, field: Field, answer: Answer) -> tuple[str | None, str | None]:
    """Return the stage and the ground that an answer tells of."""
    stage = stage_meant(answer.word, field, farm.species) if answer.kind is LineKind.STAGE else None
    return stage, ground_meant(answer.word, farm.units) if answer.kind is LineKind.GROUND else None


def _area(field: Field, answer: Answer) -> float | None:
    """Return how much was cut [ha], None for all of it."""
    return min(float(answer.word), field.area) if answer.kind is LineKind.CUT and answer.word else None


def _says(lines: Sequence[Line], line: Line, farm: Farm) -> bool:
    """Return whether the diary says the same of that field and day, and nothing since took it back."""
    kinds, day = ONCE.get(line.kind, ()), local_day(line, farm.place)
    about = [one for one in lines if one.kind in kinds and local_day(one, farm.place) == day]
    own = [one for one in about if one.field.casefold() == line.field.casefold()]
    if not own or own[-1].kind is not line.kind:
        return False
    if line.kind is LineKind.WRAPPED:
        return line.field not in still_lying(farm, lines, line.written_at)
    return abs((own[-1].area or 0.0) - (line.area or 0.0)) < SAME_AREA


def _answer(farm: Farm, field: str, day: date, choice: Choice, person: str) -> Answer:
    kind, word = choice
    last = day + timedelta(days=1 if kind in OF_THE_DAY else 0)
    ends = datetime.combine(last + timedelta(days=1), time(0), tzinfo=farm.place.timezone).astimezone(UTC)
    return Answer(kind, str(word), field, day, person, ends, secrets.token_urlsafe(12))


def _writer(key: bytes, salt: str = "answer") -> URLSafeSerializer:
    signed = {"key_derivation": "hmac", "digest_method": hashlib.sha256}
    return URLSafeSerializer(key, salt=f"forenoon {salt}", signer_kwargs=signed)


def _packed(answer: Answer) -> list[str | int]:
    day, ends = answer.day.isoformat(), int(answer.ends.timestamp())
    return [answer.kind, answer.word, answer.field, day, answer.person, ends, answer.nonce]


def _unpacked(packed: object) -> Answer:
    """Return the answer in a token whose signature is ours; another form of it may be of an older program."""
    if not isinstance(packed, list):
        raise ValueError("no list")
    kind, word, field, day, person, ends, nonce = packed
    if not all(isinstance(one, str) for one in (word, field, person, nonce)):
        raise ValueError("no words")
    last = datetime.fromtimestamp(ends, UTC)
    return Answer(LineKind(kind), word, field, date.fromisoformat(day), person, last, nonce)


def _not_kept(error: Exception) -> NotTaken:
    log.error("an answer could not be kept: %s", error)
    return NotTaken(Trouble.NOT_KEPT)
