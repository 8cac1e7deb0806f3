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

from daemon.diary.answers.choices import Choice, answer_choices, choice_text
from daemon.diary.answers.store import AlreadyUsed, AnswerFile, AnswersError
from daemon.diary.cuts import cuts_from_notes, fields_lying
from daemon.diary.feedback import feedback
from daemon.diary.parse import ImplausibleMoisture, UsageError, parse_ground, parse_moisture, parse_stage, parse_time
from daemon.diary.store import Diary, DiaryError, Note, NoteKind, local_day, notes_of
from daemon.domain.advice import Morning
from daemon.domain.farm import Farm, Field, Person
from daemon.domain.message import Message
from daemon.system.clock import Clock
from daemon.words.catalog import phrase

log = logging.getLogger(__name__)

MAX_TOKEN_LENGTH: Final = 2000  # characters of a token; ours have a few hundred
# What may be told on the day after too; the others are true only for as long as they can be seen.
ANSWERABLE_NEXT_DAY: Final = (NoteKind.CUT, NoteKind.UNCUT, NoteKind.WRAPPED)
# What must not be told twice of a day, with what takes it back: a part would be held for cut twice, and a second
# `wrapped` for another cut.
ONCE_A_DAY: Final[Mapping[NoteKind, tuple[NoteKind, ...]]] = {
    **dict.fromkeys((NoteKind.CUT, NoteKind.UNCUT), (NoteKind.CUT, NoteKind.UNCUT)),
    NoteKind.WRAPPED: (NoteKind.WRAPPED,),
}
AREA_TOLERANCE: Final = 0.01  # [ha]
LINK_STYLE: Final = "display: inline-block; padding: 12px 16px; border: 1px solid; line-height: 20px"  # 46 px high


class AnswerTrouble(StrEnum):
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


class AnswerRejected(Exception):
    """An answer that was not taken; the text is for who typed something wrong."""

    def __init__(self, trouble: AnswerTrouble, detail: str = "") -> None:
        super().__init__(detail or trouble)
        self.trouble, self.detail = trouble, detail


@dataclass(frozen=True)
class Answer:
    """What a link says of a field on a day, and who it was given to: nobody in particular is who reads the page.

    `word` is the stage or the ground seen, or the area cut [ha] where that was not all of the field.
    """

    kind: NoteKind
    word: str
    field: str
    day: date
    person: str
    expires_at: datetime
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
        self._file, self._clock = AnswerFile(folder / AnswerFile.FILE_NAME), clock
        self._diary = Diary(folder / Diary.FILE_NAME)

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
            writer = _serializer(self._file.signing_key())
        except AnswersError as error:
            log.warning("there are no links to answer by: %s", error)
            return {}
        base, name = (farm.page.address, person.name) if person else ("", "")

        def link(field: str, choice: Choice) -> Link:
            answer = _new_answer(farm, field, morning.date, choice, name)
            return Link(choice_text(choice, farm.units), f"{base}/answer/{writer.dumps(_pack(answer))}")

        return {
            field: tuple(link(field, choice) for choice in found)
            for field, found in answer_choices(farm, morning, self._lying_fields(farm, now)).items()
        }

    def add_links(self, mail: Message, farm: Farm, morning: Morning, person: Person) -> Message:
        """Return the morning's email to a person with the links by which it can be answered."""
        links = self.links(farm, morning, person)
        if not links:
            return mail
        first = phrase("answers.answer")
        plain = ("\n".join([name, *(f"- {one.words}: {one.href}" for one in own)]) for name, own in links.items())
        marked = (f"<p>{escape(name)}</p>{''.join(map(_link_html, own))}" for name, own in links.items())
        html = None if mail.html is None else f"{mail.html}<p>{escape(first)}</p>{''.join(marked)}"
        return replace(mail, body="\n\n".join([mail.body, first, *plain]), html=html)

    def read_answer(self, farm: Farm, token: str) -> Answer:
        """Return what a link says, if it can still be answered.

        Raises
        ------
        NotTaken
        """
        answer = self._check_answer(farm, token)
        self._reject_repeat(farm, self.draft_note(farm, answer))
        return answer

    def _check_answer(self, farm: Farm, token: str) -> Answer:
        answer, now = self._decode(token), self._clock.now()
        if answer.expires_at <= now:
            raise AnswerRejected(AnswerTrouble.EXPIRED)
        told = {"", *(person.name for person in (*farm.alerts.people, *farm.alerts.second_ways))}
        if answer.person not in told:
            raise AnswerRejected(AnswerTrouble.GONE)
        if self._is_used(answer):
            raise AnswerRejected(AnswerTrouble.USED)
        if answer.day > now.astimezone(farm.place.timezone).date():
            raise AnswerRejected(AnswerTrouble.CLOCK)
        self.draft_note(farm, answer)
        return answer

    def _is_used(self, answer: Answer) -> bool:
        try:
            return self._file.is_used(answer.nonce)
        except AnswersError as error:
            raise _storage_failure(error) from error

    def draft_note(self, farm: Farm, answer: Answer, percent: str | None = None, *, sure: bool = False) -> Note:
        """Return the line that an answer is, before it is in the diary: number 0, and without a moisture not given.

        Raises
        ------
        NotTaken
            If it means nothing by the settings of now, or if the moisture given is none.
        """
        now, zone, timed = self._clock.now(), farm.place.timezone, answer.kind is NoteKind.MOISTURE
        field = next((one for one in farm.fields if one.name == answer.field), None)
        if field is None:
            raise AnswerRejected(AnswerTrouble.GONE)
        on = None if timed else answer.day.isoformat()
        try:
            at, _ = parse_time(None, on, zone, now, whole_day=not timed)
            stage, ground = _stage_and_ground(farm, field, answer)
            area = _cut_area(field, answer)
        except (UsageError, ValueError) as error:
            raise AnswerRejected(AnswerTrouble.GONE) from error
        try:
            moisture = None if percent is None else parse_moisture(percent, sure=sure)
        except ImplausibleMoisture as error:
            raise AnswerRejected(
                AnswerTrouble.DRY if error.is_dry else AnswerTrouble.WET, f"{error.percent:g}"
            ) from error
        except UsageError as error:
            raise AnswerRejected(AnswerTrouble.WRONG, str(error).removeprefix("note: ")) from error
        return Note(0, answer.kind, field.name, at, now, timed, area, moisture, stage=stage, ground=ground)

    def record(self, farm: Farm, token: str, percent: str = "", *, sure: bool = False) -> tuple[Note, tuple[str, ...]]:
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
        answer = self._check_answer(farm, token)
        line = self.draft_note(farm, answer, percent if answer.kind is NoteKind.MOISTURE else None, sure=sure)
        told = {"area": line.area, "moisture": line.moisture, "stage": line.stage, "ground": line.ground}
        try:
            with self._file.use_once(answer.nonce, answer.expires_at, line.written_at):
                self._reject_repeat(farm, line)  # only one at a time comes here
                kept = self._diary.add(line.kind, line.field, line.at, line.written_at, timed=line.timed, **told)  # type: ignore[arg-type]
        except AlreadyUsed as error:
            raise AnswerRejected(AnswerTrouble.USED) from error
        except (AnswersError, DiaryError) as error:
            raise _storage_failure(error) from error
        with suppress(DiaryError):  # it is noted, whatever the other lines are
            return kept, tuple(feedback(farm, self._diary.notes(), kept))
        return kept, ()

    def form_mark(self, token: str) -> str:
        """Return the mark of the form that a link opens: who has not opened it cannot send it."""
        return _serializer(self._signing_key(), "form").dumps(hashlib.sha256(token.encode()).hexdigest())

    def is_marked(self, token: str, mark: str) -> bool:
        """Return whether a form is the one that a link opened."""
        return secrets.compare_digest(self.form_mark(token).encode(), mark.encode())

    def _decode(self, token: str) -> Answer:
        if len(token) > MAX_TOKEN_LENGTH:
            raise AnswerRejected(AnswerTrouble.FORGED)
        try:
            return _unpack(_serializer(self._signing_key()).loads(token))
        except (BadData, ValueError, TypeError, OverflowError) as error:
            raise AnswerRejected(AnswerTrouble.FORGED) from error

    def _reject_repeat(self, farm: Farm, note: Note) -> None:
        """Refuse a line that says what the diary says already; one that cannot be read says nothing."""
        try:
            lines = self._diary.notes()
        except DiaryError:
            return
        if _is_recorded(lines, note, farm):
            raise AnswerRejected(AnswerTrouble.TOLD)

    def _signing_key(self) -> bytes:
        try:
            return self._file.signing_key()
        except AnswersError as error:
            raise _storage_failure(error) from error

    def _lying_fields(self, farm: Farm, now: datetime) -> dict[str, bool]:
        """Return the fields whose crop lies, and whether it was cut today."""
        try:
            lines = self._diary.notes()
        except DiaryError:
            return {}
        today = now.astimezone(farm.place.timezone).date()
        own = {field.name: cuts_from_notes(notes_of(lines, field, now), farm.place) for field in farm.fields}
        return {name: any(cut.day == today for cut in own[name]) for name in fields_lying(farm, lines, now)}


def _link_html(link: Link) -> str:
    """Return a link that a thumb hits, and not the next one."""
    return (
        f'<p style="margin: 0 0 12px"><a style="{LINK_STYLE}" href="{escape(link.href)}">{escape(link.words)}</a></p>'
    )


def _stage_and_ground(farm: Farm, field: Field, answer: Answer) -> tuple[str | None, str | None]:
    """Return the stage and the ground that an answer tells of."""
    stage = parse_stage(answer.word, field, farm.species) if answer.kind is NoteKind.STAGE else None
    return stage, parse_ground(answer.word, farm.units) if answer.kind is NoteKind.GROUND else None


def _cut_area(field: Field, answer: Answer) -> float | None:
    """Return how much was cut [ha], None for all of it."""
    return min(float(answer.word), field.area) if answer.kind is NoteKind.CUT and answer.word else None


def _is_recorded(notes: Sequence[Note], note: Note, farm: Farm) -> bool:
    """Return whether the diary says the same of that field and day, and nothing since took it back."""
    kinds, day = ONCE_A_DAY.get(note.kind, ()), local_day(note, farm.place)
    about = [one for one in notes if one.kind in kinds and local_day(one, farm.place) == day]
    own = [one for one in about if one.field.casefold() == note.field.casefold()]
    if not own or own[-1].kind is not note.kind:
        return False
    if note.kind is NoteKind.WRAPPED:
        return note.field not in fields_lying(farm, notes, note.written_at)
    return abs((own[-1].area or 0.0) - (note.area or 0.0)) < AREA_TOLERANCE


def _new_answer(farm: Farm, field: str, day: date, choice: Choice, person: str) -> Answer:
    kind, word = choice
    last = day + timedelta(days=1 if kind in ANSWERABLE_NEXT_DAY else 0)
    ends = datetime.combine(last + timedelta(days=1), time(0), tzinfo=farm.place.timezone).astimezone(UTC)
    return Answer(kind, str(word), field, day, person, ends, secrets.token_urlsafe(12))


def _serializer(key: bytes, salt: str = "answer") -> URLSafeSerializer:
    signed = {"key_derivation": "hmac", "digest_method": hashlib.sha256}
    return URLSafeSerializer(key, salt=f"forenoon {salt}", signer_kwargs=signed)


def _pack(answer: Answer) -> list[str | int]:
    day, ends = answer.day.isoformat(), int(answer.expires_at.timestamp())
    return [answer.kind, answer.word, answer.field, day, answer.person, ends, answer.nonce]


def _unpack(packed: object) -> Answer:
    """Return the answer in a token whose signature is ours; another form of it may be of an older program."""
    if not isinstance(packed, list):
        raise ValueError("no list")
    kind, word, field, day, person, ends, nonce = packed
    if not all(isinstance(one, str) for one in (word, field, person, nonce)):
        raise ValueError("no words")
    last = datetime.fromtimestamp(ends, UTC)
    return Answer(NoteKind(kind), word, field, date.fromisoformat(day), person, last, nonce)


def _storage_failure(error: Exception) -> AnswerRejected:
    log.error("an answer could not be kept: %s", error)
    return AnswerRejected(AnswerTrouble.NOT_KEPT)
