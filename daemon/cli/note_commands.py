"""What `forenoon note` does: add a note to the diary, list the notes, and take one back."""

import argparse
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from daemon.cli.parser import EXIT_OK
from daemon.cli.wiring import find_field, load_farm, make_clock, open_diary

if TYPE_CHECKING:
    from daemon.domain.farm import Farm, Field


def add_note(args: argparse.Namespace) -> int:
    """Add what was typed to the diary and say what it means."""
    from daemon.diary.feedback import feedback
    from daemon.diary.parse import parse_time
    from daemon.diary.phrases import describe_note
    from daemon.diary.store import LOOKS, DiaryError, NoteKind

    farm = load_farm(args.config)
    now = make_clock(args.now).now()
    field = find_field(farm, args.field, "note")
    kind = NoteKind(args.kind)
    is_whole_day = kind in (NoteKind.CUT, NoteKind.UNCUT, *LOOKS)
    at, timed = parse_time(args.at, args.on, farm.place.timezone, now, whole_day=is_whole_day)
    values = _parse_values(args, farm, field)
    diary = open_diary()
    note = diary.add(kind, field.name, at, now, timed=timed, **values)
    print(f"Noted {describe_note(farm, note)}; to undo it: forenoon note undo {note.id}")
    with suppress(DiaryError):  # a note that cannot be read is named by whoever reads them all
        for sentence in feedback(farm, diary.notes(), note):
            print(sentence)
    return EXIT_OK


def _parse_values(args: argparse.Namespace, farm: "Farm", field: "Field") -> dict[str, Any]:
    """Return the values of a note that were typed, by their names in the diary."""
    from daemon.diary import parse

    parsers: Mapping[str, Callable[[str], Any]] = {
        "area": lambda text: parse.parse_area(text, field, farm.units),
        "moisture": lambda text: parse.parse_moisture(text, sure=args.sure),
        "stage": lambda text: parse.parse_stage(text, field, farm.species),
        "height": lambda text: parse.parse_height(text, farm.units),
        "ground": lambda text: parse.parse_ground(text, farm.units),
    }
    values = {}
    for name, text in vars(args).items():
        if name in parsers and text is not None:
            values[name] = parsers[name](text)
    return values


def list_notes(args: argparse.Namespace) -> int:
    """Print the notes of the diary with their numbers."""
    from daemon.diary.phrases import describe_note

    farm = load_farm(args.config)
    names = {field.name.casefold() for field in farm.fields}
    for note in open_diary().notes():
        unknown = "" if note.field.casefold() in names else " (no field of the settings has this name)"
        print(f"{note.id:4}  {describe_note(farm, note)}{unknown}")
    return EXIT_OK


def undo_note(args: argparse.Namespace) -> int:
    """Delete a note and say what follows."""
    from daemon.diary.feedback import undo_feedback
    from daemon.diary.parse import UsageError
    from daemon.diary.phrases import describe_note
    from daemon.diary.store import DiaryError

    farm, diary = load_farm(args.config), open_diary()
    description, sentences = "a line that could not be read", tuple[str, ...]()
    with suppress(DiaryError):  # a note that cannot be read can be deleted all the same
        note = diary.note(args.number)
        if note is not None:
            description = describe_note(farm, note)
            sentences = tuple(undo_feedback(farm, diary.notes(), note))
    if not diary.delete(args.number):
        raise UsageError(f"note: given line {args.number}, allowed a number that `forenoon note list` prints")
    print(f"Taken back: {description}")
    for sentence in sentences:
        print(sentence)
    return EXIT_OK
