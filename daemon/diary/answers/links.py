"""Signed links by which the advice is answered; an answer becomes a note in the diary, as if it were typed."""

import logging
import secrets
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum
from html import escape
from pathlib import Path
from typing import Final

from daemon.diary.answers.choices import Choice, answer_choices, choice_text
from daemon.diary.answers.store import AlreadyUsed, AnswerFile, AnswersError
from daemon.diary.answers.tokens import (
    MAX_TOKEN_LENGTH,
    Answer,
    InvalidToken,
    new_answer,
    read_token,
    sign_answer,
    sign_form,
)
from daemon.diary.cuts import cuts_from_notes, fields_lying
from daemon.diary.feedback import feedback
from daemon.diary.parse import ImplausibleMoisture, UsageError, parse_ground, parse_moisture, parse_stage, parse_time
from daemon.diary.store import Diary, DiaryError, Note, NoteKind, local_day, notes_about_day, notes_of
from daemon.domain.advice import Morning
from daemon.domain.farm import Farm, Field, Person
from daemon.domain.message import Message
from daemon.system.clock import Clock
from daemon.words.catalog import phrase

log = logging.getLogger(__name__)

# Kinds that an answer must not note twice on a day, with the kinds that may change that in between: a part would
# count as cut twice, and a second `wrapped` would be taken as about another cut.
ONCE_A_DAY: Final[Mapping[NoteKind, tuple[NoteKind, ...]]] = {
    **dict.fromkeys((NoteKind.CUT, NoteKind.UNCUT), (NoteKind.CUT, NoteKind.UNCUT)),
    NoteKind.WRAPPED: (NoteKind.WRAPPED,),
}
AREA_TOLERANCE: Final = 0.01  # [ha]
LINK_STYLE: Final = "display: inline-block; padding: 12px 16px; border: 1px solid; line-height: 20px"  # 46 px high


class AnswerTrouble(StrEnum):
    """Why an answer was not noted."""

    FORGED = "forged"
    USED = "used"
    TOLD = "told"  # the diary already says so, as when two people answer the same question
    EXPIRED = "expired"
    CLOCK = "clock"  # the machine's clock is behind, as after a start without a network
    GONE = "gone"  # the settings no longer have the field, the person or the word
    NOT_KEPT = "not kept"  # it could not be stored
    WRONG = "wrong"  # what was typed is no moisture
    DRY = "dry"  # the moisture is implausible and not confirmed
    WET = "wet"


class AnswerRejected(Exception):
    """An answer was not noted; the text is for somebody who typed something wrong."""

    def __init__(self, trouble: AnswerTrouble, detail: str = "") -> None:
        super().__init__(detail or trouble)
        self.trouble, self.detail = trouble, detail


@dataclass(frozen=True)
class Link:
    """The text and the address of a link."""

    words: str
    href: str


Links = Mapping[str, tuple[Link, ...]]  # by the name of the field


class Answers:
    """Makes the links of a farm, and writes the answers to them into the diary.

    Parameters
    ----------
    folder : Path
        The folder of the diary; the file with the key is in it too.
    clock : Clock
        The clock that says when a link expires.
    """

    def __init__(self, folder: Path, clock: Clock) -> None:
        self._file, self._clock = AnswerFile(folder / AnswerFile.FILE_NAME), clock
        self._diary = Diary(folder / Diary.FILE_NAME)

    def links(self, farm: Farm, morning: Morning, person: Person | None = None) -> Links:
        """Return the links for each field by which it can be answered today.

        Parameters
        ----------
        farm : Farm
        morning : Morning
        person : Person, optional
            The person who gets the links. Without one they are for the page, and are relative to it.

        Returns
        -------
        mapping
            Empty if the settings give no address, if the morning is not today's, and if no link can be signed, which
            is logged: a message goes out without its links rather than not at all.
        """
        now = self._clock.now()
        if farm.page.address is None or morning.date != now.astimezone(farm.place.timezone).date():
            return {}
        try:
            key = self._file.signing_key()
        except AnswersError as error:
            log.warning("there are no links to answer by: %s", error)
            return {}
        choices_by_field = answer_choices(farm, morning, self._lying_fields(farm, now))
        return {
            field: tuple(_new_link(key, farm, field, morning.date, choice, person) for choice in choices)
            for field, choices in choices_by_field.items()
        }

    def add_links(self, mail: Message, farm: Farm, morning: Morning, person: Person) -> Message:
        """Return the morning's email to a person with the links by which it can be answered."""
        links = self.links(farm, morning, person)
        if not links:
            return mail
        invitation = phrase("answers.answer")
        lists = [_plain_list(field, field_links) for field, field_links in links.items()]
        html = None
        if mail.html is not None:
            html_lists = "".join(_html_list(field, field_links) for field, field_links in links.items())
            html = f"{mail.html}<p>{escape(invitation)}</p>{html_lists}"
        return replace(mail, body="\n\n".join([mail.body, invitation, *lists]), html=html)

    def read_answer(self, farm: Farm, token: str) -> Answer:
        """Return the answer that a link stands for, if it can still be given.

        Raises
        ------
        AnswerRejected
        """
        answer = self._check_answer(farm, token)
        self._reject_repeat(farm, self.draft_note(farm, answer))
        return answer

    def _check_answer(self, farm: Farm, token: str) -> Answer:
        """Return the answer of a link that is valid by itself, whatever the diary says."""
        answer, now = self._decode(token), self._clock.now()
        if answer.expires_at <= now:
            raise AnswerRejected(AnswerTrouble.EXPIRED)
        people = (*farm.alerts.people, *farm.alerts.second_ways)
        if answer.person and answer.person not in {person.name for person in people}:
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
        """Return the note that an answer makes, as yet without a number; it has a moisture only if one is given.

        Raises
        ------
        AnswerRejected
            If the settings no longer have what it is about, or if the moisture is none.
        """
        now, zone, timed = self._clock.now(), farm.place.timezone, answer.kind is NoteKind.MOISTURE
        field = next((field for field in farm.fields if field.name == answer.field), None)
        if field is None:
            raise AnswerRejected(AnswerTrouble.GONE)
        on = None if timed else answer.day.isoformat()
        try:
            at, _ = parse_time(None, on, zone, now, whole_day=not timed)
            stage, ground = _stage_and_ground(farm, field, answer)
            area = _cut_area(field, answer)
        except (UsageError, ValueError) as error:
            raise AnswerRejected(AnswerTrouble.GONE) from error
        moisture = None if percent is None else _moisture(percent, sure=sure)
        return Note(0, answer.kind, field.name, at, now, timed, area, moisture, stage=stage, ground=ground)

    def record(self, farm: Farm, token: str, percent: str = "", *, sure: bool = False) -> tuple[Note, tuple[str, ...]]:
        """Write an answer into the diary, and return its note with the feedback on it.

        Parameters
        ----------
        farm : Farm
        token : str
            The token of the link.
        percent : str
            The moisture as typed, if the link asks for one.
        sure : bool
            Whether the moisture is confirmed.

        Raises
        ------
        AnswerRejected
            Then nothing is noted, and the link stays valid.
        """
        answer = self._check_answer(farm, token)
        draft = self.draft_note(farm, answer, percent if answer.kind is NoteKind.MOISTURE else None, sure=sure)
        try:
            with self._file.use_once(answer.nonce, answer.expires_at, draft.written_at):
                self._reject_repeat(farm, draft)  # the transaction lets in one answer at a time
                note = self._store(draft)
        except AlreadyUsed as error:
            raise AnswerRejected(AnswerTrouble.USED) from error
        except (AnswersError, DiaryError) as error:
            raise _storage_failure(error) from error
        with suppress(DiaryError):  # the answer is noted, even if an older note cannot be read
            return note, tuple(feedback(farm, self._diary.notes(), note))
        return note, ()

    def _store(self, draft: Note) -> Note:
        return self._diary.add(
            draft.kind,
            draft.field,
            draft.at,
            draft.written_at,
            timed=draft.timed,
            area=draft.area,
            moisture=draft.moisture,
            stage=draft.stage,
            ground=draft.ground,
        )

    def form_mark(self, token: str) -> str:
        """Return a mark for the form of a link, without which nobody can send that form who has not opened it."""
        return sign_form(self._signing_key(), token)

    def is_marked(self, token: str, mark: str) -> bool:
        """Return whether a form has the mark of a link."""
        return secrets.compare_digest(self.form_mark(token).encode(), mark.encode())

    def _decode(self, token: str) -> Answer:
        if len(token) > MAX_TOKEN_LENGTH:  # not worth a look at the key
            raise AnswerRejected(AnswerTrouble.FORGED)
        try:
            return read_token(self._signing_key(), token)
        except InvalidToken as error:
            raise AnswerRejected(AnswerTrouble.FORGED) from error

    def _reject_repeat(self, farm: Farm, note: Note) -> None:
        """Reject a note that the diary already has; a diary that cannot be read counts as having none."""
        try:
            notes = self._diary.notes()
        except DiaryError:
            return
        if _is_recorded(notes, note, farm):
            raise AnswerRejected(AnswerTrouble.TOLD)

    def _signing_key(self) -> bytes:
        try:
            return self._file.signing_key()
        except AnswersError as error:
            raise _storage_failure(error) from error

    def _lying_fields(self, farm: Farm, now: datetime) -> dict[str, bool]:
        """Return the fields whose crop lies, and whether it was cut today."""
        try:
            notes = self._diary.notes()
        except DiaryError:
            return {}
        today = now.astimezone(farm.place.timezone).date()
        lying = fields_lying(farm, notes, now)
        return {field.name: _is_cut_on(today, farm, field, notes, now) for field in farm.fields if field.name in lying}


def _is_cut_on(day: date, farm: Farm, field: Field, notes: Sequence[Note], now: datetime) -> bool:
    """Return whether the diary has a cut of a field on a day."""
    return any(cut.day == day for cut in cuts_from_notes(notes_of(notes, field, now), farm.place))


def _plain_list(field: str, links: Sequence[Link]) -> str:
    """Return the links of a field for the plain text of an email."""
    return "\n".join([field, *(f"- {link.words}: {link.href}" for link in links)])


def _html_list(field: str, links: Sequence[Link]) -> str:
    """Return the links of a field for the HTML of an email, each so large that a thumb does not hit the next."""
    return f"<p>{escape(field)}</p>{''.join(map(_link_html, links))}"


def _link_html(link: Link) -> str:
    anchor = f'<a style="{LINK_STYLE}" href="{escape(link.href)}">{escape(link.words)}</a>'
    return f'<p style="margin: 0 0 12px">{anchor}</p>'


def _moisture(percent: str, *, sure: bool) -> float:
    """Return a moisture [wet basis, 1] that was typed in percent; raises AnswerRejected if it is none."""
    try:
        return parse_moisture(percent, sure=sure)
    except ImplausibleMoisture as error:
        trouble = AnswerTrouble.DRY if error.is_dry else AnswerTrouble.WET
        raise AnswerRejected(trouble, f"{error.percent:g}") from error
    except UsageError as error:
        raise AnswerRejected(AnswerTrouble.WRONG, str(error).removeprefix("note: ")) from error


def _stage_and_ground(farm: Farm, field: Field, answer: Answer) -> tuple[str | None, str | None]:
    """Return the stage and the ground of an answer, None for what it is not about."""
    stage = parse_stage(answer.word, field, farm.species) if answer.kind is NoteKind.STAGE else None
    ground = parse_ground(answer.word, farm.units) if answer.kind is NoteKind.GROUND else None
    return stage, ground


def _cut_area(field: Field, answer: Answer) -> float | None:
    """Return the area that was cut [ha], None for all of the field."""
    if answer.kind is not NoteKind.CUT or not answer.word:
        return None
    return min(float(answer.word), field.area)


def _is_recorded(notes: Sequence[Note], note: Note, farm: Farm) -> bool:
    """Return whether the diary already says the same about a field and day, and no later note takes it back."""
    kinds = ONCE_A_DAY.get(note.kind, ())
    same_day = notes_about_day(notes, note.field, local_day(note, farm.place), farm.place)
    decisive = [other for other in same_day if other.kind in kinds]
    if not decisive or decisive[-1].kind is not note.kind:
        return False
    if note.kind is NoteKind.WRAPPED:
        return note.field not in fields_lying(farm, notes, note.written_at)
    return abs((decisive[-1].area or 0.0) - (note.area or 0.0)) < AREA_TOLERANCE


def _new_link(key: bytes, farm: Farm, field: str, day: date, choice: Choice, person: Person | None) -> Link:
    """Return a link that gives an answer; without a person it is for the page, and relative to it."""
    base, name = (farm.page.address, person.name) if person else ("", "")
    token = sign_answer(key, new_answer(farm, field, day, choice, name))
    return Link(choice_text(choice, farm.units), f"{base}/answer/{token}")


def _storage_failure(error: Exception) -> AnswerRejected:
    log.error("an answer could not be kept: %s", error)
    return AnswerRejected(AnswerTrouble.NOT_KEPT)
