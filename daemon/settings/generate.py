"""Generates a complete settings file from a few answers, with every other option commented out beside its meaning."""

from collections.abc import Iterator, Mapping
from textwrap import wrap
from typing import Final

from daemon.domain.farm import Units
from daemon.settings.reader import REPEATED_SECTIONS, SECTIONS
from daemon.settings.sections.base import Section, nested_tables, option_kind
from daemon.settings.sections.fields import FieldSection

LINE_WIDTH: Final = 100  # characters of a comment line, so that it fits into an editor on a small screen

Answers = Mapping[str, str]  # TOML values by their keys


def settings_file_text(answers: Mapping[str, Answers], units: Units) -> str:
    """Return the text of a settings file.

    Parameters
    ----------
    answers : Mapping[str, Mapping[str, str]]
        TOML values by section and key, such as ``{"farm": {"name": '"Home farm"'}}``.
    units : Units
        The units of the file.

    Returns
    -------
    str
        TOML. An option without an answer stands behind a ``#`` without a space, with its default if it has one.

    Examples
    --------
    >>> text = settings_file_text({"work": {"mown_per_hour": "4"}}, Units.US)
    >>> print(text[text.index("# area mown"):].partition("# cut width")[0], end="")
    # area mown in an hour of work; give this, or cut_width and speed [acres/h]
    mown_per_hour = 4
    """
    tables = ["\n".join(_table_lines(name, model, answers, units)) for name, model in _named_sections()]
    return "\n\n".join(tables) + "\n"


def _named_sections() -> Iterator[tuple[str, type[Section]]]:
    """Yield every section, and every list of tables in one that is not itself repeated, with its full name."""
    for name, model in SECTIONS.items():
        yield name, model
        if name not in REPEATED_SECTIONS:
            for key, table in nested_tables(model).items():
                yield f"{name}.{key}", table


def _table_lines(
    name: str, model: type[Section], answers_by_section: Mapping[str, Answers], units: Units
) -> Iterator[str]:
    """Yield the lines of a table; one without answers that may be left out has its header commented out too."""
    answers = answers_by_section.get(name, {})
    yield _header(name, has_answers=bool(answers))
    for key in model.model_fields:
        option = option_kind(model, key)
        if option is None and model is not FieldSection:
            continue  # a list of tables, which `_named_sections` yields by itself
        unit = option.unit(units) if option else ""
        meaning = str(model.model_fields[key].description)
        yield from _comment_lines(f"{meaning} [{unit}]" if unit else meaning)
        if key in answers:
            yield f"{key} = {answers[key]}"
        else:
            yield f"#{key} = {_default_or_example(model, key, units)}".rstrip()


def _header(name: str, *, has_answers: bool) -> str:
    """Return the header of a table, commented out if the table is a repeated one without answers."""
    is_repeated = name in REPEATED_SECTIONS or "." in name
    if not is_repeated:
        return f"[{name}]"
    return f"[[{name}]]" if has_answers else f"#[[{name}]]"


def _comment_lines(text: str) -> list[str]:
    return wrap(text, LINE_WIDTH, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False)


def _default_or_example(model: type[Section], key: str, units: Units) -> str:
    """Return the default of an option or else an example of it, empty if it has neither."""
    setting, option = model.model_fields[key], option_kind(model, key)
    if option is None:
        return _example_of_list(nested_tables(model)[key])
    if setting.is_required():
        return str((setting.examples or [""])[0])
    return "" if setting.default in (None, "") else option.write(setting.default, units)


def _example_of_list(table: type[Section]) -> str:
    """Return a list of one table that has the options with an example."""
    examples_by_key = {key: setting.examples for key, setting in table.model_fields.items()}
    pairs = [f"{key} = {examples[0]}" for key, examples in examples_by_key.items() if examples]
    return f"[{{ {', '.join(pairs)} }}]"
