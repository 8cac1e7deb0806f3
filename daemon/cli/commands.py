"""What each command does; `daemon/cli/parser.py` holds how it is typed."""

import argparse
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from daemon.cli.parser import GOOD, INTERRUPTED, PROBLEMS, WRONG_USAGE, parser
from daemon.cli.progress_line import Stages
from daemon.system.logs import report_problem, set_up_logging

# Everything else is loaded by the command that needs it: `--help` must answer at once on a small board.
if TYPE_CHECKING:
    from daemon.advice.advise import Stores
    from daemon.diary.store import Diary
    from daemon.domain.advice import Morning
    from daemon.domain.farm import Farm, Field, Person
    from daemon.domain.message import Message
    from daemon.system.clock import Clock

Command = Callable[[argparse.Namespace], int]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    given = parser().parse_args(arguments)
    typed, verbose = given.command != "run", getattr(given, "verbose", False)
    set_up_logging(as_json=getattr(given, "json_logs", False), for_command=typed, verbose=verbose)
    try:
        code = COMMANDS[given.command](given)
    except BrokenPipeError:
        return PROBLEMS
    except KeyboardInterrupt:
        return INTERRUPTED
    except Exception as error:
        from daemon.cli.setup import SetupError  # noqa: PLC0415
        from daemon.diary.parse import UsageError  # noqa: PLC0415
        from daemon.diary.store import DiaryError  # noqa: PLC0415
        from daemon.messages.outbox.store import PostbagError  # noqa: PLC0415
        from daemon.settings import SettingsError  # noqa: PLC0415
        from daemon.system.lock import AlreadyRunning  # noqa: PLC0415

        if isinstance(error, UsageError):
            print(error, file=sys.stderr)
            return WRONG_USAGE
        if not isinstance(error, AlreadyRunning | DiaryError | PostbagError | SettingsError | SetupError | OSError):
            raise
        report_problem(error, as_json=getattr(given, "json_logs", False))
        return PROBLEMS
    return code


def _once(given: argparse.Namespace) -> int:
    from daemon.domain.schedule import TaskKind  # noqa: PLC0415

    farm = _farm(given.config)
    now = _clock(given.now).now()
    morning = _morning(farm, now)
    if given.json:
        from daemon.advice.explain.report import morning_report  # noqa: PLC0415

        _print_json(morning_report(farm, morning))
    else:
        _print_morning(farm, morning)
    sent = GOOD
    if given.send:
        from daemon.diary.answers.links import Answers  # noqa: PLC0415
        from daemon.service.compose import say_with_picture  # noqa: PLC0415

        answers = Answers(_state_folder(), _clock(given.now))
        sent = _send(farm, say_with_picture(farm, morning, TaskKind.MORNING, answers.add_links), TaskKind.MORNING, now)
    if morning.is_unknown:
        why = dict.fromkeys(advice.detail or str(advice.reason) for advice in morning.advices)
        print(f"no advice, because: {'; '.join(why)}", file=sys.stderr)
        return PROBLEMS
    return sent


def _run(given: argparse.Namespace) -> int:
    from functools import partial  # noqa: PLC0415

    from daemon.advice.advise import advise  # noqa: PLC0415
    from daemon.diary.answers.links import Answers  # noqa: PLC0415
    from daemon.service.compose import say_with_picture  # noqa: PLC0415
    from daemon.service.process import serve  # noqa: PLC0415
    from daemon.settings import find_settings_file  # noqa: PLC0415
    from daemon.settings.reload import SettingsFile  # noqa: PLC0415

    settings, memory = SettingsFile(find_settings_file(given.config)), _memory(keeping=given.now is None)
    folder, clock = _state_folder(), _clock(given.now)
    tell = partial(say_with_picture, add=Answers(folder, clock).add_links)
    serve(settings, folder, clock, partial(advise, stores=memory), tell)
    return GOOD


def _status(given: argparse.Namespace) -> int:
    from daemon.service.status import data, status, words  # noqa: PLC0415
    from daemon.settings import find_settings_file  # noqa: PLC0415

    found = status(find_settings_file(given.config), _state_folder(), _clock(given.now).now())
    if given.json:
        _print_json(data(found))
    else:
        print(words(found))
    return PROBLEMS if found.problems else GOOD


def _explain(given: argparse.Namespace) -> int:
    farm = _farm(given.config)
    name = _field(farm, given.field, "explain").name
    morning = _morning(farm, _clock(given.now).now())
    if given.json:
        from daemon.advice.explain.report import field_report  # noqa: PLC0415

        _print_json(field_report(farm, morning, name))
    else:
        from daemon.advice.explain.text import explanation_text  # noqa: PLC0415

        print(explanation_text(farm, morning, name))
    if morning.prospect.trouble is None:
        return GOOD
    print(f"no advice, because: {morning.prospect.detail or morning.prospect.trouble}", file=sys.stderr)
    return PROBLEMS


def _note(given: argparse.Namespace) -> int:
    from daemon.diary import parse as noting  # noqa: PLC0415
    from daemon.diary.feedback import feedback  # noqa: PLC0415
    from daemon.diary.phrases import describe_note  # noqa: PLC0415
    from daemon.diary.store import LOOKS, DiaryError, NoteKind  # noqa: PLC0415

    farm = _farm(given.config)
    now = _clock(given.now).now()
    field = _field(farm, given.field, "note")
    kind = NoteKind(given.kind)
    whole_day = kind in (NoteKind.CUT, NoteKind.UNCUT, *LOOKS)
    at, timed = noting.parse_time(given.at, given.on, farm.place.timezone, now, whole_day=whole_day)
    meant: dict[str, Callable[[str], Any]] = {
        "area": lambda said: noting.parse_area(said, field, farm.units),
        "moisture": lambda said: noting.parse_moisture(said, sure=given.sure),
        "stage": lambda said: noting.parse_stage(said, field, farm.species),
        "height": lambda said: noting.parse_height(said, farm.units),
        "ground": lambda said: noting.parse_ground(said, farm.units),
    }
    said = {name: words for name, words in vars(given).items() if name in meant and words is not None}
    told = {name: meant[name](words) for name, words in said.items()}
    diary = _diary()
    line = diary.add(kind, field.name, at, now, timed=timed, **told)
    print(f"Noted {describe_note(farm, line)}; to undo it: forenoon note undo {line.id}")
    with suppress(DiaryError):  # a line that cannot be read is named by whoever reads them all
        for words in feedback(farm, diary.notes(), line):
            print(words)
    return GOOD


def _note_list(given: argparse.Namespace) -> int:
    from daemon.diary.phrases import describe_note  # noqa: PLC0415

    farm = _farm(given.config)
    known = {field.name.casefold() for field in farm.fields}
    for line in _diary().notes():
        unknown = "" if line.field.casefold() in known else " (no field of the settings has this name)"
        print(f"{line.id:4}  {describe_note(farm, line)}{unknown}")
    return GOOD


def _note_undo(given: argparse.Namespace) -> int:
    from daemon.diary.feedback import undo_feedback  # noqa: PLC0415
    from daemon.diary.parse import UsageError  # noqa: PLC0415
    from daemon.diary.phrases import describe_note  # noqa: PLC0415
    from daemon.diary.store import DiaryError  # noqa: PLC0415

    farm, diary = _farm(given.config), _diary()
    words, more = "a line that could not be read", tuple[str, ...]()
    with suppress(DiaryError):  # a line that cannot be read can be deleted all the same
        line = diary.note(given.number)
        if line is not None:
            words = describe_note(farm, line)
            more = tuple(undo_feedback(farm, diary.notes(), line))
    if not diary.delete(given.number):
        raise UsageError(f"note: given line {given.number}, allowed a number that `forenoon note list` prints")
    print(f"Taken back: {words}")
    for one in more:
        print(one)
    return GOOD


def _setup(given: argparse.Namespace) -> int:
    """Ask, write, check, and where somebody is to be told, offer the test message; always say what comes next."""
    from daemon.cli.setup import refuse_taken, settings_text, write  # noqa: PLC0415
    from daemon.settings import load, new_settings_file  # noqa: PLC0415

    path = new_settings_file(given.config)
    if not given.overwrite:
        refuse_taken(path)
    now = _clock(None).now()
    write(path, settings_text(input, print, now), overwrite=given.overwrite)
    print()
    code = _checked(path, now, shown=False)
    if code == GOOD:
        people = load(path).alerts.people
        if people and _agreed(f"Send {people[0].name} a test message now? [y/N] "):
            code = _test_alert(argparse.Namespace(config=path))
        print(f"Next: put the other fields into {path}, then try: forenoon once")
    else:
        print(f"Next: the settings are in {path}; put in what is named above, then type: forenoon check")
    return code


def _agreed(question: str) -> bool:
    try:
        return input(question).strip().casefold() in ("y", "yes")
    except (EOFError, UnicodeDecodeError):
        print()
        return False


def _check(given: argparse.Namespace) -> int:
    from daemon.settings import find_settings_file  # noqa: PLC0415

    return _checked(find_settings_file(given.config), _clock(given.now).now(), shown=given.show)


def _checked(path: Path, now: datetime, *, shown: bool) -> int:
    with Stages("reading the settings"):
        from daemon.settings import check, effective_settings_text, load  # noqa: PLC0415

        report = check(path, now)
    if report.problems:
        print(report, file=sys.stderr)
        return PROBLEMS
    if report.warnings:
        print(report, file=sys.stderr)
    print(effective_settings_text(load(path)) if shown else f"{path}: good")
    return GOOD


def _test_alert(given: argparse.Namespace) -> int:
    from daemon.domain.farm import Channel  # noqa: PLC0415
    from daemon.domain.message import Message  # noqa: PLC0415

    farm = _farm(given.config)
    now = _clock(None).now()
    words = f"{farm.name}: a test. If you read this, the mowing advice can reach you."
    text, email = Message("", words), Message("Test of the mowing advice", words, f"<p>{words}</p>")
    everyone = (*farm.alerts.people, *farm.alerts.second_ways)
    told = {person: text if person.channel is Channel.TEXT else email for person in everyone}
    # One that fails is over: it must not go out hours later, with something else.
    return _send(farm, told, f"test {now:%H:%M:%S}", now, tried_for=timedelta(0))


def _demo(given: argparse.Namespace) -> int:
    with Stages("loading the program", "reckoning the fields") as stages:
        from daemon.cli.demo import invented_morning, show_demo  # noqa: PLC0415

        stages.next()
        farm, morning = invented_morning()
    show_demo(farm, morning, given.page)
    return GOOD


def _send(
    farm: "Farm", told: "Mapping[Person, Message]", kind: str, now: datetime, tried_for: timedelta = timedelta(hours=4)
) -> int:
    """Put messages in the postbag, deliver them once and say what became of each."""
    from daemon.domain.message import MessageState, NewMessage  # noqa: PLC0415
    from daemon.messages.outbox.store import DATABASE, Postbag  # noqa: PLC0415

    words = {
        MessageState.NEW: "not sent yet",
        MessageState.FAILED: "not sent",
        MessageState.UNKNOWN: "may not have arrived",
    }
    postbag = Postbag(_state_folder() / DATABASE)
    day = now.astimezone(farm.place.timezone).date()
    for person, message in told.items():
        if postbag.put(NewMessage(day, kind, person, message, now, now + tried_for), now) is None:
            print(f"{person.name} ({person.channel}): already told today")
    with Stages("sending"):
        tried = postbag.deliver(now, (*farm.alerts.people, *farm.alerts.second_ways))
    for row in tried:
        why = f", {row.reason}" if row.reason else ""
        print(f"{row.person} ({row.channel}): {words.get(row.state, row.state)}{why}")
    if not told:
        print("nobody to tell")
    return GOOD if all(row.state is MessageState.SENT for row in tried) else PROBLEMS


def _morning(farm: "Farm", now: datetime) -> "Morning":
    """Return the advice of one look, which a terminal is shown the stages of."""
    with Stages("loading the program", "fetching the weather", "reckoning the fields") as stages:
        from daemon.advice.advise import advise  # noqa: PLC0415

        memory = _memory()
        stages.next()
        return advise(farm, now, stores=memory, on_weather_ready=stages.next)


def _print_json(told: Mapping[str, Any]) -> None:
    print(json.dumps(told, ensure_ascii=False, allow_nan=False, indent=1))


def _print_morning(farm: "Farm", morning: "Morning") -> None:
    """Print how the fields stand that are cut, then the text message and the email as they would be sent."""
    from daemon.messages.daily import email_of, text_body  # noqa: PLC0415
    from daemon.words.watch import watch_text  # noqa: PLC0415

    at = morning.prospect.at
    stands = [watch_text(farm, one, at, at) for one in morning.watched]
    if stands:
        print("\n".join(["Under way", *stands]), end="\n\n")
    email = email_of(farm, morning)
    print(f"Text\n{text_body(farm, morning)}\n\nEmail: {email.title}\n{email.body}")


def _farm(config: Path | None) -> "Farm":
    with Stages("reading the settings"):
        from daemon.settings import find_settings_file, load  # noqa: PLC0415

        return load(find_settings_file(config))


def _diary() -> "Diary":
    from daemon.diary.store import DATABASE, Diary  # noqa: PLC0415

    return Diary(_state_folder() / DATABASE)


def _state_folder() -> Path:
    """Return the folder for what is remembered; what a command makes there is for its group too."""
    from daemon.settings import share_with_group, state_folder  # noqa: PLC0415

    folder = state_folder()
    share_with_group(folder)
    return folder


def _memory(*, keeping: bool = False) -> "Stores":
    from daemon.advice.advise import Stores  # noqa: PLC0415
    from daemon.learning import record as ledger  # noqa: PLC0415
    from daemon.weather import archive  # noqa: PLC0415

    folder = _state_folder()
    return Stores(
        _diary(),
        ledger.ForecastRecord(folder / ledger.DATABASE),
        archive.Archive(folder / archive.DATABASE),
        folder / "replies",
        keeping,
    )


def _field(farm: "Farm", given: str, command: str) -> "Field":
    """Return the field of a name, in whatever case."""
    from daemon.diary.parse import UsageError  # noqa: PLC0415
    from daemon.settings.problems import nearest_word  # noqa: PLC0415

    for field in farm.fields:
        if field.name.casefold() == given.casefold():
            return field
    names = [field.name for field in farm.fields]
    like = nearest_word(given, names)
    fix = f'; the nearest is "{like}"' if like else ""
    raise UsageError(f"{command}: given {given!r}, allowed one of: {', '.join(names)}{fix}")


def _clock(now: datetime | None) -> "Clock":
    from daemon.system.clock import FixedClock, SystemClock  # noqa: PLC0415

    return SystemClock() if now is None else FixedClock(now)


COMMANDS: Final[Mapping[str, Command]] = {
    "setup": _setup,
    "check": _check,
    "once": _once,
    "explain": _explain,
    "run": _run,
    "status": _status,
    "note": _note,
    "note list": _note_list,
    "note undo": _note_undo,
    "test-alert": _test_alert,
    "demo": _demo,
}


if __name__ == "__main__":
    sys.exit(main())
