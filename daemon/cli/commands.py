"""What each command does; `daemon/cli/parser.py` holds how it is typed."""

import argparse
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from daemon.cli.parser import EXIT_INTERRUPTED, EXIT_OK, EXIT_PROBLEMS, EXIT_WRONG_USAGE, build_parser
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
    given = build_parser().parse_args(arguments)
    typed, verbose = given.command != "run", getattr(given, "verbose", False)
    set_up_logging(as_json=getattr(given, "json_logs", False), for_command=typed, verbose=verbose)
    try:
        code = COMMANDS[given.command](given)
    except BrokenPipeError:
        return EXIT_PROBLEMS
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    except Exception as error:
        from daemon.cli.setup import SetupError  # noqa: PLC0415
        from daemon.diary.parse import UsageError  # noqa: PLC0415
        from daemon.diary.store import DiaryError  # noqa: PLC0415
        from daemon.messages.outbox.store import OutboxError  # noqa: PLC0415
        from daemon.settings import SettingsError  # noqa: PLC0415
        from daemon.system.lock import AlreadyRunning  # noqa: PLC0415

        if isinstance(error, UsageError):
            print(error, file=sys.stderr)
            return EXIT_WRONG_USAGE
        if not isinstance(error, AlreadyRunning | DiaryError | OutboxError | SettingsError | SetupError | OSError):
            raise
        report_problem(error, as_json=getattr(given, "json_logs", False))
        return EXIT_PROBLEMS
    return code


def _once(args: argparse.Namespace) -> int:
    from daemon.domain.schedule import TaskKind  # noqa: PLC0415

    farm = _load_farm(args.config)
    now = _clock(args.now).now()
    morning = _advise_with_progress(farm, now)
    if args.json:
        from daemon.advice.explain.report import morning_report  # noqa: PLC0415

        _print_json(morning_report(farm, morning))
    else:
        _print_morning(farm, morning)
    sent = EXIT_OK
    if args.send:
        from daemon.diary.answers.links import Answers  # noqa: PLC0415
        from daemon.service.compose import compose_with_picture  # noqa: PLC0415

        answers = Answers(_state_folder(), _clock(args.now))
        sent = _send(
            farm, compose_with_picture(farm, morning, TaskKind.MORNING, answers.add_links), TaskKind.MORNING, now
        )
    if morning.is_unknown:
        why = dict.fromkeys(advice.detail or str(advice.reason) for advice in morning.advices)
        print(f"no advice, because: {'; '.join(why)}", file=sys.stderr)
        return EXIT_PROBLEMS
    return sent


def _run(args: argparse.Namespace) -> int:
    from functools import partial  # noqa: PLC0415

    from daemon.advice.advise import advise  # noqa: PLC0415
    from daemon.diary.answers.links import Answers  # noqa: PLC0415
    from daemon.service.compose import compose_with_picture  # noqa: PLC0415
    from daemon.service.process import serve  # noqa: PLC0415
    from daemon.settings import find_settings_file  # noqa: PLC0415
    from daemon.settings.reload import SettingsFile  # noqa: PLC0415

    settings, memory = SettingsFile(find_settings_file(args.config)), _open_stores(keeping=args.now is None)
    folder, clock = _state_folder(), _clock(args.now)
    tell = partial(compose_with_picture, add=Answers(folder, clock).add_links)
    serve(settings, folder, clock, partial(advise, stores=memory), tell)
    return EXIT_OK


def _status(args: argparse.Namespace) -> int:
    from daemon.service.status import read_status, status_json, status_text  # noqa: PLC0415
    from daemon.settings import find_settings_file  # noqa: PLC0415

    found = read_status(find_settings_file(args.config), _state_folder(), _clock(args.now).now())
    if args.json:
        _print_json(status_json(found))
    else:
        print(status_text(found))
    return EXIT_PROBLEMS if found.problems else EXIT_OK


def _explain(args: argparse.Namespace) -> int:
    farm = _load_farm(args.config)
    name = _find_field(farm, args.field, "explain").name
    morning = _advise_with_progress(farm, _clock(args.now).now())
    if args.json:
        from daemon.advice.explain.report import field_report  # noqa: PLC0415

        _print_json(field_report(farm, morning, name))
    else:
        from daemon.advice.explain.text import explanation_text  # noqa: PLC0415

        print(explanation_text(farm, morning, name))
    if morning.prospect.trouble is None:
        return EXIT_OK
    print(f"no advice, because: {morning.prospect.detail or morning.prospect.trouble}", file=sys.stderr)
    return EXIT_PROBLEMS


def _note(args: argparse.Namespace) -> int:
    from daemon.diary import parse as noting  # noqa: PLC0415
    from daemon.diary.feedback import feedback  # noqa: PLC0415
    from daemon.diary.phrases import describe_note  # noqa: PLC0415
    from daemon.diary.store import LOOKS, DiaryError, NoteKind  # noqa: PLC0415

    farm = _load_farm(args.config)
    now = _clock(args.now).now()
    field = _find_field(farm, args.field, "note")
    kind = NoteKind(args.kind)
    whole_day = kind in (NoteKind.CUT, NoteKind.UNCUT, *LOOKS)
    at, timed = noting.parse_time(args.at, args.on, farm.place.timezone, now, whole_day=whole_day)
    meant: dict[str, Callable[[str], Any]] = {
        "area": lambda said: noting.parse_area(said, field, farm.units),
        "moisture": lambda said: noting.parse_moisture(said, sure=args.sure),
        "stage": lambda said: noting.parse_stage(said, field, farm.species),
        "height": lambda said: noting.parse_height(said, farm.units),
        "ground": lambda said: noting.parse_ground(said, farm.units),
    }
    said = {name: words for name, words in vars(args).items() if name in meant and words is not None}
    told = {name: meant[name](words) for name, words in said.items()}
    diary = _open_diary()
    line = diary.add(kind, field.name, at, now, timed=timed, **told)
    print(f"Noted {describe_note(farm, line)}; to undo it: forenoon note undo {line.id}")
    with suppress(DiaryError):  # a line that cannot be read is named by whoever reads them all
        for words in feedback(farm, diary.notes(), line):
            print(words)
    return EXIT_OK


def _note_list(args: argparse.Namespace) -> int:
    from daemon.diary.phrases import describe_note  # noqa: PLC0415

    farm = _load_farm(args.config)
    known = {field.name.casefold() for field in farm.fields}
    for line in _open_diary().notes():
        unknown = "" if line.field.casefold() in known else " (no field of the settings has this name)"
        print(f"{line.id:4}  {describe_note(farm, line)}{unknown}")
    return EXIT_OK


def _note_undo(args: argparse.Namespace) -> int:
    from daemon.diary.feedback import undo_feedback  # noqa: PLC0415
    from daemon.diary.parse import UsageError  # noqa: PLC0415
    from daemon.diary.phrases import describe_note  # noqa: PLC0415
    from daemon.diary.store import DiaryError  # noqa: PLC0415

    farm, diary = _load_farm(args.config), _open_diary()
    words, more = "a line that could not be read", tuple[str, ...]()
    with suppress(DiaryError):  # a line that cannot be read can be deleted all the same
        line = diary.note(args.number)
        if line is not None:
            words = describe_note(farm, line)
            more = tuple(undo_feedback(farm, diary.notes(), line))
    if not diary.delete(args.number):
        raise UsageError(f"note: given line {args.number}, allowed a number that `forenoon note list` prints")
    print(f"Taken back: {words}")
    for one in more:
        print(one)
    return EXIT_OK


def _setup(args: argparse.Namespace) -> int:
    """Ask, write, check, and where somebody is to be told, offer the test message; always say what comes next."""
    from daemon.cli.setup import check_writable, settings_text, write_private_file  # noqa: PLC0415
    from daemon.settings import load, new_settings_file  # noqa: PLC0415

    path = new_settings_file(args.config)
    if not args.overwrite:
        check_writable(path)
    now = _clock(None).now()
    write_private_file(path, settings_text(input, print, now), overwrite=args.overwrite)
    print()
    code = _check_settings(path, now, with_options=False)
    if code == EXIT_OK:
        people = load(path).alerts.people
        if people and _confirm(f"Send {people[0].name} a test message now? [y/N] "):
            code = _test_alert(argparse.Namespace(config=path))
        print(f"Next: put the other fields into {path}, then try: forenoon once")
    else:
        print(f"Next: the settings are in {path}; put in what is named above, then type: forenoon check")
    return code


def _confirm(question: str) -> bool:
    try:
        return input(question).strip().casefold() in ("y", "yes")
    except (EOFError, UnicodeDecodeError):
        print()
        return False


def _check(args: argparse.Namespace) -> int:
    from daemon.settings import find_settings_file  # noqa: PLC0415

    return _check_settings(find_settings_file(args.config), _clock(args.now).now(), with_options=args.show)


def _check_settings(path: Path, now: datetime, *, with_options: bool) -> int:
    with Stages("reading the settings"):
        from daemon.settings import check, effective_settings_text, load  # noqa: PLC0415

        report = check(path, now)
    if report.problems:
        print(report, file=sys.stderr)
        return EXIT_PROBLEMS
    if report.warnings:
        print(report, file=sys.stderr)
    print(effective_settings_text(load(path)) if with_options else f"{path}: good")
    return EXIT_OK


def _test_alert(args: argparse.Namespace) -> int:
    from daemon.domain.farm import Channel  # noqa: PLC0415
    from daemon.domain.message import Message  # noqa: PLC0415

    farm = _load_farm(args.config)
    now = _clock(None).now()
    words = f"{farm.name}: a test. If you read this, the mowing advice can reach you."
    text, email = Message("", words), Message("Test of the mowing advice", words, f"<p>{words}</p>")
    everyone = (*farm.alerts.people, *farm.alerts.second_ways)
    told = {person: text if person.channel is Channel.TEXT else email for person in everyone}
    # One that fails is over: it must not go out hours later, with something else.
    return _send(farm, told, f"test {now:%H:%M:%S}", now, tried_for=timedelta(0))


def _demo(args: argparse.Namespace) -> int:
    with Stages("loading the program", "reckoning the fields") as stages:
        from daemon.cli.demo import invented_morning, show_demo  # noqa: PLC0415

        stages.next_stage()
        farm, morning = invented_morning()
    show_demo(farm, morning, args.page)
    return EXIT_OK


def _send(
    farm: "Farm",
    messages: "Mapping[Person, Message]",
    kind: str,
    now: datetime,
    tried_for: timedelta = timedelta(hours=4),
) -> int:
    """Put messages in the postbag, deliver them once and say what became of each."""
    from daemon.domain.message import MessageState, NewMessage  # noqa: PLC0415
    from daemon.messages.outbox.store import DATABASE, Outbox  # noqa: PLC0415

    words = {
        MessageState.NEW: "not sent yet",
        MessageState.FAILED: "not sent",
        MessageState.UNKNOWN: "may not have arrived",
    }
    postbag = Outbox(_state_folder() / DATABASE)
    day = now.astimezone(farm.place.timezone).date()
    for person, message in messages.items():
        if postbag.enqueue(NewMessage(day, kind, person, message, now, now + tried_for), now) is None:
            print(f"{person.name} ({person.channel}): already told today")
    with Stages("sending"):
        tried = postbag.deliver(now, (*farm.alerts.people, *farm.alerts.second_ways))
    for row in tried:
        why = f", {row.reason}" if row.reason else ""
        print(f"{row.person} ({row.channel}): {words.get(row.state, row.state)}{why}")
    if not messages:
        print("nobody to tell")
    return EXIT_OK if all(row.state is MessageState.SENT for row in tried) else EXIT_PROBLEMS


def _advise_with_progress(farm: "Farm", now: datetime) -> "Morning":
    """Return the advice of one look, which a terminal is shown the stages of."""
    with Stages("loading the program", "fetching the weather", "reckoning the fields") as stages:
        from daemon.advice.advise import advise  # noqa: PLC0415

        memory = _open_stores()
        stages.next_stage()
        return advise(farm, now, stores=memory, on_weather_ready=stages.next_stage)


def _print_json(data: Mapping[str, Any]) -> None:
    print(json.dumps(data, ensure_ascii=False, allow_nan=False, indent=1))


def _print_morning(farm: "Farm", morning: "Morning") -> None:
    """Print how the fields stand that are cut, then the text message and the email as they would be sent."""
    from daemon.messages.daily import morning_email, morning_text  # noqa: PLC0415
    from daemon.words.watch import watch_text  # noqa: PLC0415

    at = morning.prospect.at
    stands = [watch_text(farm, one, at, at) for one in morning.watched]
    if stands:
        print("\n".join(["Under way", *stands]), end="\n\n")
    email = morning_email(farm, morning)
    print(f"Text\n{morning_text(farm, morning)}\n\nEmail: {email.title}\n{email.body}")


def _load_farm(config: Path | None) -> "Farm":
    with Stages("reading the settings"):
        from daemon.settings import find_settings_file, load  # noqa: PLC0415

        return load(find_settings_file(config))


def _open_diary() -> "Diary":
    from daemon.diary.store import DATABASE, Diary  # noqa: PLC0415

    return Diary(_state_folder() / DATABASE)


def _state_folder() -> Path:
    """Return the folder for what is remembered; what a command makes there is for its group too."""
    from daemon.settings import share_with_group, state_folder  # noqa: PLC0415

    folder = state_folder()
    share_with_group(folder)
    return folder


def _open_stores(*, keeping: bool = False) -> "Stores":
    from daemon.advice.advise import Stores  # noqa: PLC0415
    from daemon.learning import record as ledger  # noqa: PLC0415
    from daemon.weather import archive  # noqa: PLC0415

    folder = _state_folder()
    return Stores(
        _open_diary(),
        ledger.ForecastRecord(folder / ledger.DATABASE),
        archive.Archive(folder / archive.DATABASE),
        folder / "replies",
        keeping,
    )


def _find_field(farm: "Farm", name: str, command: str) -> "Field":
    """Return the field of a name, in whatever case."""
    from daemon.diary.parse import UsageError  # noqa: PLC0415
    from daemon.settings.problems import nearest_word  # noqa: PLC0415

    for field in farm.fields:
        if field.name.casefold() == name.casefold():
            return field
    names = [field.name for field in farm.fields]
    like = nearest_word(name, names)
    fix = f'; the nearest is "{like}"' if like else ""
    raise UsageError(f"{command}: given {name!r}, allowed one of: {', '.join(names)}{fix}")


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
