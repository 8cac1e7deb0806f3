"""What may be typed: the commands with their options, help and exit codes."""

import argparse
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from importlib.metadata import version
from itertools import takewhile
from pathlib import Path
from typing import Any, Final

EXIT_OK: Final = 0
EXIT_PROBLEMS: Final = 1
EXIT_WRONG_USAGE: Final = 2
EXIT_INTERRUPTED: Final = 130
EXAMPLES: Final = """
examples:
  forenoon demo                          an invented farm, no network, nothing sent
  forenoon setup                         six questions, then the settings are there
  forenoon check --show                  what the settings mean
  forenoon once                          this morning's advice, printed
  forenoon explain "North meadow"        the numbers behind it; --json for programs
  forenoon note cut "North meadow"       it was cut today
  forenoon note moisture "North meadow" 52 --at 15:30
  forenoon note ground "North meadow" soft  how firm it was found to be
  forenoon run                           the service
  forenoon status                        how the service stands, whether it runs or not

exit codes:
  0    good
  1    trouble, which is named: mistakes in the settings; no advice, for the weather or the diary cannot be had; a
       message that did not go out; a file that cannot be used; of status also a service that does not run well
  2    wrong usage, named on standard error
  130  interrupted from the keyboard
"""
NOTE_COMMANDS: Final[Mapping[str, str]] = {"list": "note list", "undo": "note undo"}


class CommandParser(argparse.ArgumentParser):
    """A parser that tells what is left over by its command, and how a name of several words is typed."""

    def parse_known_args(  # type: ignore[override]
        self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> tuple[argparse.Namespace, list[str]]:
        """Refuse what a command leaves over, where argparse would have the whole line's usage told."""
        parsed, leftover = super().parse_known_args(args, namespace)
        if not leftover:
            return parsed, leftover
        field = getattr(parsed, "field", None)
        if field is not None and not any(word.startswith("-") for word in leftover):
            positionals = len(self._get_positional_actions())
            self.error(f"put the name of the field in quotes: {_quoted_field(args or (), field, positionals)}")
        if self._subparsers is None:
            self.error(f"given what means nothing here: {' '.join(leftover)}")
        return parsed, leftover


def _quoted_field(typed: Sequence[str], field: str, positionals: int) -> str:
    """Return a name of several words as it should have been typed, with what comes after it.

    >>> _quoted_field(["North", "meadow", "52", "--at", "15:30"], "North", 2)
    '"North meadow" 52'
    """
    words = list(takewhile(lambda word: not word.startswith("-"), typed[list(typed).index(field) :]))
    name_length = max(1, len(words) - positionals + 1)
    name = " ".join(words[:name_length])
    return " ".join([f'"{name}"', *words[name_length:]])


def build_parser() -> CommandParser:
    """Return the parser of the command line; what it gives holds the name of its command as `command`."""
    parser = CommandParser(
        prog="forenoon",
        description="Tells a grass farm which field to mow this morning, how much of it, and how sure that is.",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"forenoon {version('forenoon')}")
    config = CommandParser(add_help=False)
    config.add_argument("-c", "--config", type=Path, metavar="FILE", help="the farm's settings")
    config.add_argument("-v", "--verbose", action="store_true", help="tell each step on standard error")
    now = CommandParser(add_help=False)
    now.add_argument(
        "--now", type=_parse_time, metavar="ISO", help="the time to pretend, such as 2026-06-01T05:30-04:00"
    )
    commands = parser.add_subparsers(metavar="COMMAND", required=True)

    def add(name: str, text: str, *parents: CommandParser) -> CommandParser:
        command = commands.add_parser(name, **_help(text), parents=list(parents))
        command.set_defaults(command=name)
        return command

    setup = add("setup", "ask six questions, write the settings and offer a test message", config)
    setup.add_argument("--overwrite", action="store_true", help="replace settings that are there already")
    once = add("once", "make one pass and print the advice", config, now)
    once.add_argument("--send", action="store_true", help="also send it to the people in the settings")
    once.add_argument("--json", action="store_true", help="print one JSON object in SI units")
    run = add("run", "run the service until it is stopped", config, now)
    run.add_argument("--json-logs", action="store_true", help="log one JSON object a line")
    status = add("status", "tell how the service stands, from what it has on disk", config, now)
    status.add_argument("--json", action="store_true", help="print one JSON object")
    explain = add("explain", "print the numbers behind a field's advice", config, now)
    explain.add_argument("field", metavar="FIELD", help="its name in the settings")
    explain.add_argument("--json", action="store_true", help="print one JSON object in SI units")
    _add_note_commands(
        commands.add_parser("note", **_help("write into the diary what was measured or done")), config, now
    )
    check = add("check", "check the settings", config, now)
    check.add_argument("--show", action="store_true", help="print what they mean, secrets masked")
    add("test-alert", "send everybody a message through the real path", config)
    demo = add("demo", "show the whole way on an invented farm, with no network and nothing sent")
    demo.add_argument("--page", type=Path, metavar="FILE", help="where to write the page")
    return parser


def _help(text: str) -> dict[str, Any]:
    return {"help": text, "description": f"{text.capitalize()}."}


def _add_note_commands(note: CommandParser, config: CommandParser, now: CommandParser) -> None:
    kinds = note.add_subparsers(metavar="WHAT", required=True)
    about, timed, dated = (CommandParser(add_help=False) for _ in range(3))
    about.add_argument("field", metavar="FIELD", help="its name in the settings")
    about.set_defaults(at=None, on=None)
    timed.add_argument("--at", metavar="TIME", help="when: 14:30 on the farm's clock, or 2026-06-01T14:30; of a cut, "
                       "when mowing began")  # fmt: skip
    dated.add_argument("--on", metavar="DATE", help="2026-06-01, yesterday or today (the default)")

    def add(name: str, text: str, *parents: CommandParser) -> CommandParser:
        command = kinds.add_parser(name, **_help(text), parents=[*parents, config, now])
        command.set_defaults(command=NOTE_COMMANDS.get(name, "note"), kind=name)
        return command

    moisture = add("moisture", "a measured moisture of a swath, which teaches how fast it dries", about, timed)
    moisture.add_argument("moisture", metavar="PERCENT", help="water as share of the fresh weight, 5 to 95")
    sure: dict[str, Any] = {"action": "store_true", "help": "it is so, although it is under 15 or over 85"}
    moisture.add_argument("--sure", **sure)
    cut = add("cut", "a field, or a part of it, that was cut", about, timed, dated)
    cut.add_argument("--area", help="how much of it, in acres or hectares as in the settings; all of it if not given")
    add("uncut", "a field that was left uncut on a day, which ends its watch and takes back a cut noted before",
        about, dated)  # fmt: skip
    wrapped = add("wrapped", "a field that was baled and wrapped, advised or not", about, timed, dated)
    wrapped.add_argument("--moisture", metavar="PERCENT", help="water in the bales, 5 to 95")
    wrapped.add_argument("--sure", **sure)
    stage = add("stage", "how far a stand was seen to be, which corrects its stage clock", about, dated)
    stage.add_argument("stage", metavar="WORD", help="as under looks in the settings, such as boot or buds")
    height = add("height", "a height of the tallest stems, which corrects the clock of alfalfa", about, dated)
    height.add_argument("height", metavar="HEIGHT", help="in inches or centimetres, by the units of the settings")
    ground = add("ground", "how firm the ground was seen to be, which corrects its water", about, dated)
    ground.add_argument("ground", metavar="firm|soft|ruts", help="a heel leaves no mark, one of about half an inch "
                        "(1 cm), one of over an inch (2 cm)")  # fmt: skip
    add("lodged", "a crop that lies flat, which is mown before the others where the day allows it", about, dated)
    add("list", "print the lines of the diary with their numbers")
    undo = add("undo", "delete a line of the diary")
    undo.add_argument("number", metavar="NUMBER", type=int, help="as printed by note list")


def _parse_time(text: str) -> datetime:
    from daemon.diary.schema import YEARS

    with suppress(ValueError):
        moment = datetime.fromisoformat(text)
        if moment.utcoffset() is not None and moment.year in YEARS:
            return moment
    raise argparse.ArgumentTypeError(
        f"given {text!r}, allowed a time with its offset: 2026-06-01T05:30-04:00, of {YEARS[0]} to {YEARS[-1]}"
    )
