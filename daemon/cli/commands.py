"""What each command does; `daemon/cli/parser.py` holds how it is typed, `daemon/cli/wiring.py` what it works on."""

import argparse
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from daemon.cli.note_commands import add_note, list_notes, undo_note
from daemon.cli.parser import EXIT_INTERRUPTED, EXIT_OK, EXIT_PROBLEMS, EXIT_WRONG_USAGE, build_parser
from daemon.cli.progress_line import Stages
from daemon.cli.send import send_morning, send_test
from daemon.cli.wiring import (
    expected_errors,
    find_field,
    load_farm,
    make_clock,
    make_composer,
    open_state_folder,
    open_stores,
)
from daemon.system.logs import report_problem, set_up_logging

# Everything else is loaded by the command that needs it: `--help` must answer at once on a small board.
if TYPE_CHECKING:
    from daemon.domain.advice import Morning
    from daemon.domain.farm import Farm

Command = Callable[[argparse.Namespace], int]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    args = build_parser().parse_args(arguments)
    as_json = getattr(args, "json_logs", False)
    set_up_logging(as_json=as_json, for_command=args.command != "run", verbose=getattr(args, "verbose", False))
    try:
        return COMMANDS[args.command](args)
    except BrokenPipeError:
        return EXIT_PROBLEMS
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    except Exception as error:
        if not isinstance(error, expected_errors()):
            raise
        return _report_error(error, as_json=as_json)


def _report_error(error: Exception, *, as_json: bool) -> int:
    from daemon.diary.parse import UsageError

    if isinstance(error, UsageError):
        print(error, file=sys.stderr)
        return EXIT_WRONG_USAGE
    report_problem(error, as_json=as_json)
    return EXIT_PROBLEMS


def _once(args: argparse.Namespace) -> int:
    farm = load_farm(args.config)
    now = make_clock(args.now).now()
    morning = _advise_with_progress(farm, now)
    if args.json:
        from daemon.advice.explain.report import morning_report

        _print_json(morning_report(farm, morning))
    else:
        _print_morning(farm, morning)
    code = send_morning(farm, morning, args.now, now) if args.send else EXIT_OK
    if not morning.is_unknown:
        return code
    from daemon.words.causes import cause_text

    why = dict.fromkeys(cause_text(advice.cause, farm.units) or str(advice.reason) for advice in morning.advices)
    print(f"no advice, because: {'; '.join(why)}", file=sys.stderr)
    return EXIT_PROBLEMS


def _run(args: argparse.Namespace) -> int:
    from daemon.advice.advise import advise
    from daemon.service.process import serve
    from daemon.settings import find_settings_file
    from daemon.settings.reload import SettingsFile

    settings, stores = SettingsFile(find_settings_file(args.config)), open_stores(is_recording=args.now is None)
    folder, clock = open_state_folder(), make_clock(args.now)
    serve(settings, folder, clock, partial(advise, stores=stores), make_composer(clock))
    return EXIT_OK


def _status(args: argparse.Namespace) -> int:
    from daemon.service.status import read_status, status_json, status_text
    from daemon.settings import find_settings_file

    status = read_status(find_settings_file(args.config), open_state_folder(), make_clock(args.now).now())
    if args.json:
        _print_json(status_json(status))
    else:
        print(status_text(status))
    return EXIT_PROBLEMS if status.problems else EXIT_OK


def _explain(args: argparse.Namespace) -> int:
    farm = load_farm(args.config)
    name = find_field(farm, args.field, "explain").name
    morning = _advise_with_progress(farm, make_clock(args.now).now())
    if args.json:
        from daemon.advice.explain.report import field_report

        _print_json(field_report(farm, morning, name))
    else:
        from daemon.advice.explain.text import explanation_text

        print(explanation_text(farm, morning, name))
    trouble = morning.prospect.trouble
    if trouble is None:
        return EXIT_OK
    from daemon.words.causes import unknown_detail_text

    print(f"no advice, because: {unknown_detail_text(trouble, farm.units) or trouble.reason}", file=sys.stderr)
    return EXIT_PROBLEMS


def _setup(args: argparse.Namespace) -> int:
    """Ask, write, check, and where somebody is to be told, offer the test message; always say what comes next."""
    from daemon.cli.setup import check_writable, settings_text, write_private_file
    from daemon.settings import new_settings_file

    path = new_settings_file(args.config)
    if not args.overwrite:
        check_writable(path)
    now = make_clock(None).now()
    write_private_file(path, settings_text(input, print, now), overwrite=args.overwrite)
    print()
    code = _check_settings(path, now, with_options=False)
    if code != EXIT_OK:
        print(f"Next: the settings are in {path}; put in what is named above, then type: forenoon check")
        return code
    code = _offer_test_message(path)
    print(f"Next: put the other fields into {path}, then try: forenoon once")
    return code


def _offer_test_message(path: Path) -> int:
    from daemon.settings import load

    people = load(path).alerts.people
    if not people or not _confirm(f"Send {people[0].name} a test message now? [y/N] "):
        return EXIT_OK
    return _test_alert(argparse.Namespace(config=path))


def _confirm(question: str) -> bool:
    try:
        return input(question).strip().casefold() in ("y", "yes")
    except (EOFError, UnicodeDecodeError):
        print()
        return False


def _check(args: argparse.Namespace) -> int:
    from daemon.settings import find_settings_file

    return _check_settings(find_settings_file(args.config), make_clock(args.now).now(), with_options=args.show)


def _check_settings(path: Path, now: datetime, *, with_options: bool) -> int:
    with Stages("reading the settings"):
        from daemon.settings import check, effective_settings_text, load

        report = check(path, now)
    if report.problems:
        print(report, file=sys.stderr)
        return EXIT_PROBLEMS
    if report.warnings:
        print(report, file=sys.stderr)
    print(effective_settings_text(load(path)) if with_options else f"{path}: good")
    return EXIT_OK


def _test_alert(args: argparse.Namespace) -> int:
    return send_test(load_farm(args.config), make_clock(None).now())


def _demo(args: argparse.Namespace) -> int:
    with Stages("loading the program", "reckoning the fields") as stages:
        from daemon.cli.demo import invented_morning, show_demo

        stages.next_stage()
        farm, morning = invented_morning()
    show_demo(farm, morning, args.page)
    return EXIT_OK


def _advise_with_progress(farm: "Farm", now: datetime) -> "Morning":
    """Return the advice of one look, which a terminal is shown the stages of."""
    with Stages("loading the program", "fetching the weather", "reckoning the fields") as stages:
        from daemon.advice.advise import advise

        stores = open_stores()
        stages.next_stage()
        return advise(farm, now, stores=stores, on_weather_ready=stages.next_stage)


def _print_json(data: Mapping[str, Any]) -> None:
    print(json.dumps(data, ensure_ascii=False, allow_nan=False, indent=1))


def _print_morning(farm: "Farm", morning: "Morning") -> None:
    """Print how the fields stand that are cut, then the text message and the email as they would be sent."""
    from daemon.messages.daily import morning_email, morning_text
    from daemon.words.watch import watch_text

    at = morning.prospect.at
    watch_texts = [watch_text(farm, watched, at, at) for watched in morning.watched]
    if watch_texts:
        print("\n".join(["Under way", *watch_texts]), end="\n\n")
    email = morning_email(farm, morning)
    print(f"Text\n{morning_text(farm, morning)}\n\nEmail: {email.title}\n{email.body}")


COMMANDS: Final[Mapping[str, Command]] = {
    "setup": _setup,
    "check": _check,
    "once": _once,
    "explain": _explain,
    "run": _run,
    "status": _status,
    "note": add_note,
    "note list": list_notes,
    "note undo": undo_note,
    "test-alert": _test_alert,
    "demo": _demo,
}


if __name__ == "__main__":
    sys.exit(main())
