"""A whole settings file from a few answers: every other option stands in it with its meaning, commented out."""

from collections.abc import Iterator, Mapping
from textwrap import wrap
from typing import Final

from daemon.domain.farm import Units
from daemon.settings.reader import REPEATED_SECTIONS, SECTIONS
from daemon.settings.sections.base import Section, nested_tables, option_kind
from daemon.settings.sections.fields import FieldSection

LINE_WIDTH: Final = 100  # characters of a line: what an editor on a small screen holds

Answers = Mapping[str, str]  # TOML values by their keys


def settings_file_text(answers: Mapping[str, Answers], units: Units) -> str:
    """Return the text of a settings file.

    Parameters
    ----------
    answers : Mapping[str, Mapping[str, str]]
        TOML values by key, by section, such as ``{"farm": {"name": '"Home farm"'}}``.
    units : Units
        Of the file.

    Returns
    -------
    str
        TOML. What is not given stands behind a ``#`` without a space, with its default where it has one.

    Examples
    --------
    >>> text = settings_file_text({"work": {"mown_per_hour": "4"}}, Units.US)
    >>> print(text[text.index("# area mown"):].partition("# cut width")[0], end="")
    # area mown in an hour of work; give this, or cut_width and speed [acres/h]
    mown_per_hour = 4
    """
    return "\n\n".join("\n".join(_table_lines(name, model, answers, units)) for name, model in _named_sections()) + "\n"


def _named_sections() -> Iterator[tuple[str, type[Section]]]:
    for name, model in SECTIONS.items():
        yield name, model
        if name not in REPEATED_SECTIONS:
            yield from ((f"{name}.{key}", table) for key, table in nested_tables(model).items())


def _table_lines(
    name: str, model: type[Section], answers_by_section: Mapping[str, Answers], units: Units
) -> Iterator[str]:
    """Yield the lines of a table; one of those that may be left out is commented as a whole."""
    several = name in REPEATED_SECTIONS or "." in name
    answers = answers_by_section.get(name, {})
    yield ("#" if several and not answers else "") + (f"[[{name}]]" if several else f"[{name}]")
    for key in model.model_fields:
        option, written = option_kind(model, key), answers.get(key)
        if option is None and model is not FieldSection:
            continue  # tables of their own
        unit = option.unit(units) if option else ""
        yield from _comment_lines(f"{model.model_fields[key].description}{f' [{unit}]' if unit else ''}")
        yield f"#{key} = {_default_or_example(model, key, units)}".rstrip() if written is None else f"{key} = {written}"


def _comment_lines(words: str) -> list[str]:
    return wrap(words, LINE_WIDTH, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False)


def _default_or_example(model: type[Section], key: str, units: Units) -> str:
    """Return the default of an option or an example of it, nothing where it has neither."""
    setting, option = model.model_fields[key], option_kind(model, key)
    if option is None:
        return _example_of_list(nested_tables(model)[key])
    if setting.is_required():
        return str((setting.examples or [""])[0])
    return "" if setting.default in (None, "") else option.write(setting.default, units)


def _example_of_list(table: type[Section]) -> str:
    shown = ((key, one.examples) for key, one in table.model_fields.items())
    return f"[{{ {', '.join(f'{key} = {examples[0]}' for key, examples in shown if examples)} }}]"
