"""The command line: `forenoon run`, `status`, `once`, `explain`, `note`, `check`, `test-alert` and `demo`."""

import argparse
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from daemon.logs import set_up, tell_problem

# Everything else is loaded by the command that needs it: `--help` must answer at once on a small board.
if TYPE_CHECKING:
    from daemon.clock import Clock
    from daemon.diary import Diary
    from daemon.farm import Farm, Field, Message, Person
    from daemon.look import Memory
    from daemon.outlook import Morning

GOOD: Final = 0
PROBLEMS: Final = 1
WRONG_USAGE: Final = 2
EXAMPLES: Final = """
examples:
  forenoon demo                          an invented farm, no network, nothing sent
  forenoon check --show                  what the settings mean
  forenoon once                          this morning's advice, printed
  forenoon explain "North meadow"        the numbers behind it
  forenoon note cut "North meadow"       it was cut today
  forenoon note moisture "North meadow" 52 --at 15:30
  forenoon note ground "North meadow" soft  how firm it was found to be
  forenoon run                           the service
  forenoon status                        how the service stands, whether it runs or not

exit codes: 0 good, 1 problems (named on standard error), 2 wrong usage
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    given = _parser().parse_args(arguments)
    set_up(as_json=getattr(given, "json_logs", False))
    try:
        code: int = given.command(given)
    except BrokenPipeError:
        return PROBLEMS
    except KeyboardInterrupt:
        return 130
    except Exception as error:
        from daemon.diary import DiaryError  # noqa: PLC0415
        from daemon.noting import WrongUsage  # noqa: PLC0415
        from daemon.postbag import PostbagError  # noqa: PLC0415
        from daemon.settings import SettingsError  # noqa: PLC0415

        if isinstance(error, WrongUsage):
            print(error, file=sys.stderr)
            return WRONG_USAGE
        if not isinstance(error, DiaryError | PostbagError | SettingsError | OSError):
            raise
        tell_problem(error, as_json=getattr(given, "json_logs", False))
        return PROBLEMS
    return code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="forenoon",
        description="Tells a grass farm which field to mow this morning, how much of it, and how sure that is.",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"forenoon {version('forenoon')}")
    config = argparse.ArgumentParser(add_help=False)
    config.add_argument("-c", "--config", type=Path, metavar="FILE", help="the farm's settings")
    now = argparse.ArgumentParser(add_help=False)
    now.add_argument("--now", type=_moment, metavar="ISO", help="the time to pretend, such as 2026-06-01T05:30-04:00")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)

    def add(name: str, command: object, text: str, *parents: argparse.ArgumentParser) -> argparse.ArgumentParser:
        one = commands.add_parser(name, **_help(text), parents=list(parents))
        one.set_defaults(command=command)
        return one

    once = add("once", _once, "make one pass and print the advice", config, now)
    once.add_argument("--send", action="store_true", help="also send it to the people in the settings")
    once.add_argument("--json", action="store_true", help="print one JSON object in SI units")
    run = add("run", _run, "run the service until it is stopped", config, now)
    run.add_argument("--json-logs", action="store_true", help="log one JSON object a line")
    stands = add("status", _status, "tell how the service stands, from what it has on disk", config, now)
    stands.add_argument("--json", action="store_true", help="print one JSON object")
    one_field = add("explain", _explain, "print the numbers behind a field's advice", config, now)
    one_field.add_argument("field", metavar="FIELD", help="its name in the settings")
    _add_note(commands.add_parser("note", **_help("write into the diary what was measured or done")), config, now)
    check = add("check", _check, "check the settings", config)
    check.add_argument("--show", action="store_true", help="print what they mean, secrets masked")
    add("test-alert", _test_alert, "send everybody a message through the real path", config)
    demo = add("demo", _demo, "show the whole way on an invented farm, with no network and nothing sent")
    demo.add_argument("--page", type=Path, metavar="FILE", help="where to write the page")
    return parser


def _help(text: str) -> dict[str, Any]:
    return {"help": text, "description": f"{text.capitalize()}."}


def _add_note(note: argparse.ArgumentParser, config: argparse.ArgumentParser, now: argparse.ArgumentParser) -> None:
    kinds = note.add_subparsers(metavar="WHAT", required=True)
    about, timed, dated = (argparse.ArgumentParser(add_help=False) for _ in range(3))
    about.add_argument("field", metavar="FIELD", help="its name in the settings")
    about.set_defaults(at=None, on=None)
    timed.add_argument("--at", metavar="TIME", help="when: 14:30 on the farm's clock, or 2026-06-01T14:30; of a cut, "
                       "when mowing began")  # fmt: skip
    dated.add_argument("--on", metavar="DATE", help="2026-06-01, yesterday or today (the default)")

    def add(name: str, command: object, text: str, *parents: argparse.ArgumentParser) -> argparse.ArgumentParser:
        one = kinds.add_parser(name, **_help(text), parents=[*parents, config, now])
        one.set_defaults(command=command, kind=name)
        return one

    moisture = add("moisture", _note, "a measured moisture of a swath, which teaches how fast it dries", about, timed)
    moisture.add_argument("moisture", metavar="PERCENT", help="water as share of the fresh weight, 5 to 95")
    cut = add("cut", _note, "a field, or a part of it, that was cut", about, timed, dated)
    cut.add_argument("--area", help="how much of it, in acres or hectares as in the settings; all of it if not given")
    add("uncut", _note, "a field that was left uncut on a day, which ends its watch and takes back a cut noted before",
        about, dated)  # fmt: skip
    wrapped = add("wrapped", _note, "a field that was baled and wrapped, advised or not", about, timed, dated)
    wrapped.add_argument("--moisture", metavar="PERCENT", help="water in the bales, 5 to 95")
    stage = add("stage", _note, "how far a stand was seen to be, which corrects its stage clock", about, dated)
    stage.add_argument("stage", metavar="WORD", help="as under looks in the settings, such as boot or buds")
    height = add("height", _note, "a height of the tallest stems, which corrects the clock of alfalfa", about, dated)
    height.add_argument("height", metavar="HEIGHT", help="in inches or centimetres, by the units of the settings")
    ground = add("ground", _note, "how firm the ground was seen to be, which corrects its water", about, dated)
    ground.add_argument("ground", metavar="firm|soft|ruts", help="a heel leaves no mark, one of about half an inch "
                        "(1 cm), one of over an inch (2 cm)")  # fmt: skip
    add("lodged", _note, "a crop that lies flat, which is mown before the others where the day allows it", about, dated)
    add("list", _note_list, "print the lines of the diary with their numbers")
    undo = add("undo", _note_undo, "delete a line of the diary")
    undo.add_argument("number", metavar="NUMBER", type=int, help="as printed by note list")


def _once(given: argparse.Namespace) -> int:
    from daemon.due import TaskKind  # noqa: PLC0415
    from daemon.look import look  # noqa: PLC0415
    from daemon.outlook import Kind  # noqa: PLC0415

    farm = _farm(given.config)
    now = _clock(given.now).now()
    morning = look(farm, now, memory=_memory())
    if given.json:
        from daemon.report import report  # noqa: PLC0415

        print(json.dumps(report(farm, morning), ensure_ascii=False, allow_nan=False, indent=1))
    else:
        _print_morning(farm, morning)
    sent = GOOD
    if given.send:
        from daemon.answers import Answers  # noqa: PLC0415
        from daemon.wording import say  # noqa: PLC0415

        answers = Answers(_state_folder(), _clock(given.now))
        sent = _send(farm, say(farm, morning, TaskKind.MORNING, answers.add), TaskKind.MORNING, now)
    if all(advice.kind is Kind.NONE for advice in morning.advices):
        why = dict.fromkeys(advice.detail or str(advice.reason) for advice in morning.advices)
        print(f"no advice, because: {'; '.join(why)}", file=sys.stderr)
        return PROBLEMS
    return sent


def _run(given: argparse.Namespace) -> int:
    from functools import partial  # noqa: PLC0415

    from daemon.answers import Answers  # noqa: PLC0415
    from daemon.look import look  # noqa: PLC0415
    from daemon.serving import serve  # noqa: PLC0415
    from daemon.settings import find  # noqa: PLC0415
    from daemon.settings_file import SettingsFile  # noqa: PLC0415
    from daemon.wording import say  # noqa: PLC0415

    settings, memory = SettingsFile(find(given.config)), _memory(keeping=given.now is None)
    folder, clock = _state_folder(), _clock(given.now)
    tell = partial(say, add=Answers(folder, clock).add)
    serve(settings, folder, clock, partial(look, memory=memory), tell)
    return GOOD


def _status(given: argparse.Namespace) -> int:
    from daemon.settings import find  # noqa: PLC0415
    from daemon.status import data, status, words  # noqa: PLC0415

    found = status(find(given.config), _state_folder(), _clock(given.now).now())
    print(json.dumps(data(found), ensure_ascii=False, indent=1) if given.json else words(found))
    return PROBLEMS if found.problems else GOOD


def _explain(given: argparse.Namespace) -> int:
    from daemon.explain import explain  # noqa: PLC0415
    from daemon.look import look  # noqa: PLC0415

    farm = _farm(given.config)
    name = _field(farm, given.field, "explain").name
    morning = look(farm, _clock(given.now).now(), memory=_memory())
    print(explain(farm, morning, name))
    return GOOD if morning.prospect.trouble is None else PROBLEMS


def _note(given: argparse.Namespace) -> int:
    from daemon import noting  # noqa: PLC0415
    from daemon.diary import LOOKS, DiaryError, LineKind  # noqa: PLC0415
    from daemon.told import line_words  # noqa: PLC0415

    farm = _farm(given.config)
    now = _clock(given.now).now()
    field = _field(farm, given.field, "note")
    kind = LineKind(given.kind)
    whole_day = kind in (LineKind.CUT, LineKind.UNCUT, *LOOKS)
    at, timed = noting.moment_meant(given.at, given.on, farm.place.timezone, now, whole_day=whole_day)
    meant: dict[str, Callable[[str], Any]] = {
        "area": lambda said: noting.area_meant(said, field, farm.units),
        "moisture": noting.moisture_meant,
        "stage": lambda said: noting.stage_meant(said, field, farm.species),
        "height": lambda said: noting.height_meant(said, farm.units),
        "ground": lambda said: noting.ground_meant(said, farm.units),
    }
    said = {name: words for name, words in vars(given).items() if name in meant and words is not None}
    told = {name: meant[name](words) for name, words in said.items()}
    diary = _diary()
    line = diary.add(kind, field.name, at, now, timed=timed, **told)
    print(f"Noted {line_words(farm, line)}; to undo it: forenoon note undo {line.id}")
    with suppress(DiaryError):  # a line that cannot be read is named by whoever reads them all
        for words in noting.at_once(farm, diary.lines(), line):
            print(words)
    return GOOD


def _note_list(given: argparse.Namespace) -> int:
    from daemon.told import line_words  # noqa: PLC0415

    farm = _farm(given.config)
    known = {field.name.casefold() for field in farm.fields}
    for line in _diary().lines():
        unknown = "" if line.field.casefold() in known else " (no field of the settings has this name)"
        print(f"{line.id:4}  {line_words(farm, line)}{unknown}")
    return GOOD


def _note_undo(given: argparse.Namespace) -> int:
    from daemon.diary import DiaryError  # noqa: PLC0415
    from daemon.noting import WrongUsage  # noqa: PLC0415
    from daemon.told import line_words  # noqa: PLC0415

    farm, diary = _farm(given.config), _diary()
    words = "it could not be read"
    with suppress(DiaryError):  # a line that cannot be read can be deleted all the same
        line = diary.line(given.number)
        words = line_words(farm, line) if line else words
    if not diary.strike(given.number):
        raise WrongUsage(f"note: given line {given.number}, allowed a number that `forenoon note list` prints")
    print(f"Deleted line {given.number}: {words}")
    return GOOD


def _check(given: argparse.Namespace) -> int:
    from daemon.settings import check, find, load, show  # noqa: PLC0415

    path = find(given.config)
    report = check(path)
    if report.problems:
        print(report, file=sys.stderr)
        return PROBLEMS
    if report.warnings:
        print(report, file=sys.stderr)
    print(show(load(path)) if given.show else f"{path}: good")
    return GOOD


def _test_alert(given: argparse.Namespace) -> int:
    from daemon.farm import Channel, Message  # noqa: PLC0415

    farm = _farm(given.config)
    now = _clock(None).now()
    words = f"{farm.name}: a test. If you read this, the mowing advice can reach you."
    text, email = Message("", words), Message("Test of the mowing advice", words, f"<p>{words}</p>")
    everyone = (*farm.alerts.people, *farm.alerts.seconds)
    told = {person: text if person.channel is Channel.TEXT else email for person in everyone}
    return _send(farm, told, f"test {now:%H:%M:%S}", now)


def _demo(given: argparse.Namespace) -> int:
    from daemon.demo import show_demo  # noqa: PLC0415

    show_demo(given.page)
    return GOOD


def _send(farm: "Farm", told: "Mapping[Person, Message]", kind: str, now: datetime) -> int:
    """Put messages in the postbag, deliver them once and say what became of each."""
    from daemon.postbag import DATABASE, Postbag  # noqa: PLC0415
    from daemon.posted import Outgoing, State  # noqa: PLC0415

    postbag = Postbag(_state_folder() / DATABASE)
    day = now.astimezone(farm.place.timezone).date()
    for person, message in told.items():
        if postbag.put(Outgoing(day, kind, person, message, now, now + timedelta(hours=4)), now) is None:
            print(f"{person.name} ({person.channel}): already told today")
    tried = postbag.deliver(now, (*farm.alerts.people, *farm.alerts.seconds))
    for row in tried:
        print(f"{row.person} ({row.channel}): {row.state}{f', {row.reason}' if row.reason else ''}")
    if not told:
        print("nobody to tell")
    return GOOD if all(row.state is State.SENT for row in tried) else PROBLEMS


def _print_morning(farm: "Farm", morning: "Morning") -> None:
    """Print how the fields stand that are cut, then the text message and the email as they would be sent."""
    from daemon.watch_words import watched_words  # noqa: PLC0415
    from daemon.wording import email_of, text_body  # noqa: PLC0415

    at = morning.prospect.at
    stands = [watched_words(farm, one, at, at) for one in morning.watched]
    if stands:
        print("\n".join(["Under way", *stands]), end="\n\n")
    email = email_of(farm, morning)
    print(f"Text\n{text_body(farm, morning)}\n\nEmail: {email.title}\n{email.body}")


def _farm(config: Path | None) -> "Farm":
    from daemon.settings import find, load  # noqa: PLC0415

    return load(find(config))


def _diary() -> "Diary":
    from daemon.diary import DATABASE, Diary  # noqa: PLC0415

    return Diary(_state_folder() / DATABASE)


def _state_folder() -> Path:
    """Return the folder for what is remembered; what a command makes there is for its group too."""
    from daemon.settings import share, state_folder  # noqa: PLC0415

    folder = state_folder()
    share(folder)
    return folder


def _memory(*, keeping: bool = False) -> "Memory":
    from daemon import ledger  # noqa: PLC0415
    from daemon.look import Memory  # noqa: PLC0415
    from daemon.weather import archive  # noqa: PLC0415

    folder = _state_folder()
    return Memory(
        _diary(),
        ledger.Ledger(folder / ledger.DATABASE),
        archive.Archive(folder / archive.DATABASE),
        folder / "replies",
        keeping,
    )


def _field(farm: "Farm", given: str, command: str) -> "Field":
    """Return the field of a name, in whatever case."""
    from daemon.noting import WrongUsage  # noqa: PLC0415

    for field in farm.fields:
        if field.name.casefold() == given.casefold():
            return field
    names = ", ".join(field.name for field in farm.fields)
    raise WrongUsage(f"{command}: given {given!r}, allowed one of: {names}")


def _clock(now: datetime | None) -> "Clock":
    from daemon.clock import FixedClock, SystemClock  # noqa: PLC0415

    return SystemClock() if now is None else FixedClock(now)


def _moment(text: str) -> datetime:
    from daemon.diary_file import YEARS  # noqa: PLC0415

    with suppress(ValueError):
        moment = datetime.fromisoformat(text)
        if moment.utcoffset() is not None and moment.year in YEARS:
            return moment
    raise argparse.ArgumentTypeError(
        f"given {text!r}, allowed a time with its offset: 2026-06-01T05:30-04:00, of {YEARS[0]} to {YEARS[-1]}"
    )


if __name__ == "__main__":
    sys.exit(main())
