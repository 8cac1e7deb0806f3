"""Reads a settings file into its sections, and collects every problem with its line."""

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from shlex import quote
from typing import Any, Final, TypeVar, cast

from pydantic import ValidationError

from daemon.domain.farm import Units
from daemon.settings.problems import Problem, SettingsError, nearest_word, parse_toml, read_text
from daemon.settings.sections.base import Conflict, Section, duplicate_indices, option_kind, owner_of
from daemon.settings.sections.estimates import EstimatesSection
from daemon.settings.sections.farm import AlertsSection, BaleageSection, FarmSection, PageSection, PersonSection
from daemon.settings.sections.fields import FieldSection, SpeciesSection, field_section
from daemon.settings.sections.weather import WeatherSection
from daemon.settings.sections.work import WorkSection
from daemon.settings.text.lines import KeyPath, key_lines
from daemon.settings.text.literals import toml_excerpt, toml_literal
from daemon.system.secrets import is_only_in_service, is_reference, is_world_readable, world_readable_file

S = TypeVar("S", bound=Section)

SECTIONS: Final[Mapping[str, type[Section]]] = {
    "farm": FarmSection,
    "weather": WeatherSection,
    "work": WorkSection,
    "baleage": BaleageSection,
    "alerts": AlertsSection,
    "page": PageSection,
    "estimates": EstimatesSection,
    "species": SpeciesSection,
    "field": FieldSection,
}
REPEATED_SECTIONS: Final = ("species", "field")  # sections in double brackets


@dataclass(frozen=True)
class Sections:
    """The sections of a settings file without problems, with numbers in SI units."""

    farm: FarmSection
    weather: WeatherSection
    work: WorkSection
    baleage: BaleageSection
    alerts: AlertsSection
    page: PageSection
    estimates: EstimatesSection
    species: tuple[SpeciesSection, ...]
    fields: tuple[FieldSection, ...]


class Reader:
    """Reads one settings file.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    SettingsError
        The file cannot be read or is not TOML.
    """

    def __init__(self, path: Path) -> None:
        parsed = parse_toml(read_text(path), path.name)
        self._file, self._path = path.name, path
        self._tables = parsed.tables
        self._lines = key_lines(parsed.text)
        self._units = self._find_units()
        self._problems = list(parsed.problems)

    def _find_units(self) -> Units:
        """Return the units of the file; without valid ones, which its section reports, messages use US units."""
        table = self._tables.get("farm")
        try:
            return Units(cast(dict[str, Any], table)["units"].strip().casefold())
        except (TypeError, KeyError, ValueError, AttributeError):
            return Units.US

    def sections(self) -> Sections:
        """Return the sections.

        Raises
        ------
        SettingsError
            Something in them is not allowed; names every problem, in the order of the file.
        """
        for name in self._tables:
            if name not in SECTIONS:
                self._add_unknown_name((name,), list(SECTIONS))
        single = {name: self._read_single(name) for name in SECTIONS if name not in REPEATED_SECTIONS}
        species = self._read_repeated("species", SpeciesSection)
        like_by_name = {section.name: section.like for section in species}
        fields = self._read_repeated("field", field_section(like_by_name))
        if self._tables.get("field", []) == []:
            fix = "write [[field]] above the keys of each field"
            self._add_problem(("field",), "no field", "one [[field]] or more", fix)
        if self._problems:
            raise SettingsError(sorted(self._problems, key=lambda problem: problem.line or 0))
        return Sections(**cast(dict[str, Any], single), species=species, fields=fields)

    def _read_single(self, name: str) -> Section | None:
        table = self._tables.get(name, {})
        return self._read_section(SECTIONS[name], (name,), table)

    def _read_repeated(self, head: str, model: type[S]) -> tuple[S, ...]:
        tables = self._tables.get(head, [])
        if not isinstance(tables, list):
            fix = f"write [[{head}]] above the keys of each {head}"
            self._add_problem((head,), f"a {head} in single brackets", f"one [[{head}]] or more", fix)
            return ()
        sections = [self._read_section(model, (head, index), table) for index, table in enumerate(tables)]
        self._add_duplicates(head, tables)
        return tuple(section for section in sections if section is not None)

    def _add_duplicates(self, head: str, tables: list[object]) -> None:
        """Add a problem for each table whose name an earlier one has."""
        names = [_name_of(table, index) for index, table in enumerate(tables)]
        for index in duplicate_indices([str(name).strip() for name in names]):
            fix = f"write name = {toml_literal(f'{names[index]} 2')}"
            self._add_problem((head, index, "name"), f"{toml_excerpt(names[index])} again", "each name once", fix)

    def _read_section(self, model: type[S], path: KeyPath, table: object) -> S | None:
        """Return a section, None if it is no table; examples stand in for its bad values, which are problems."""
        if not isinstance(table, dict):
            head = f"[[{path[0]}]]" if len(path) > 1 else f"[{path[0]}]"
            fix = f"write {head} on a line of its own above its keys"
            self._add_problem(path, toml_excerpt(table), "a section with keys", fix)
            return None
        bad_keys: set[object] = set()
        try:
            section = model.model_validate(table, context=self._units)
        except ValidationError as error:
            for item in error.errors(include_url=False):
                bad_keys.add(item["loc"][0])
                self._add_validation_error(model, path, cast(Mapping[str, Any], item))
            section = self._fill_with_examples(model, table, bad_keys)
        for conflict in section.conflicts(self._units):
            if bad_keys.isdisjoint((conflict.key_path[0], *conflict.other_keys)):
                self._problems.append(self._conflict_problem(conflict, path))
        return section

    def _fill_with_examples(self, model: type[S], table: Mapping[str, object], bad_keys: set[object]) -> S:
        """Return the section with examples for its bad keys, so that conflicts of the good ones can be found."""
        values = {key: value for key, value in table.items() if key not in bad_keys}
        for key, setting in model.model_fields.items():
            if key in bad_keys and setting.is_required():
                values |= tomllib.loads(f"{key} = {_example_of(model, key)}")
        return model.model_validate(values, context=self._units)

    def _add_validation_error(self, model: type[Section], path: KeyPath, item: Mapping[str, Any]) -> None:
        """Add the problem that an error of pydantic stands for."""
        where, owner, key = (*path, *item["loc"]), owner_of(model, item["loc"]), str(item["loc"][-1])
        match item["type"]:
            case "extra_forbidden":
                self._add_unknown_name(where, list(owner.model_fields))
            case "missing":
                self._add_missing(where, owner, key)
            case "not_allowed":
                context = item["ctx"]
                fix = self._fix_in(context, owner, key)
                self._add_problem(where, _given_text(item["input"], context), context["allowed"], fix)
            case _:
                fix = "see config.example.toml for how it is written"
                self._add_problem(where, "something else", "a list of tables", fix)

    def _add_missing(self, where: KeyPath, owner: type[Section], key: str) -> None:
        option = option_kind(owner, key)
        allowed = option.allowed(self._units) if option else "a value"
        fix = f"add {key} = {_example_of(owner, key)}, with this farm's own value"
        self._add_problem(where, "nothing", allowed, fix)

    def _fix_in(self, context: Mapping[str, Any], owner: type[Section], key: str) -> str:
        """Return what to do about a value that is not allowed, by the context of its error."""
        if context["fix"]:
            return f"write {key} = {context['fix']}"
        return context.get("way_out") or self._fix_for(owner, key)

    def _fix_for(self, owner: type[Section], key: str) -> str:
        """Return what to do about a value to which no allowed one is near."""
        option, setting = option_kind(owner, key), owner.model_fields[key]
        if setting.is_required():
            return f"write {key} = {_example_of(owner, key)}, with this farm's own value"
        if option is None or setting.default in (None, ""):
            return f"take {key} out to leave it open"
        return f"write {key} = {option.write(setting.default, self._units)}, the default"

    def _add_unknown_name(self, where: KeyPath, names: list[str]) -> None:
        allowed, fix = f"one of {', '.join(names)}", "take it out"
        nearest = nearest_word(str(where[-1]), names)
        if nearest:
            allowed, fix = f"{nearest}, which is nearest to it", f"write {nearest} instead or take it out"
        self._add_problem(where, "an unknown name", allowed, fix)

    def is_written(self, where: KeyPath) -> bool:
        """Return whether the file has a key, so that its value is not the default."""
        return where in self._lines

    def exposed_secrets(self) -> Iterator[Problem]:
        """Yield a problem for each secret that everybody may read, in this file or in one that it refers to."""
        allowed = "a file that only its owner and the group of the service may read"
        for where, value in self._secrets():
            file = world_readable_file(value)
            if file is None and not is_reference(value) and is_world_readable(self._path):
                file = self._path
            if file is not None:
                given = f"a secret in {file}, which everybody may read"
                yield self._locate_problem(where, given, allowed, f"type chmod o= {quote(str(file))}")

    def unavailable_secrets(self) -> Iterator[Problem]:
        """Yield a problem for each secret that only the service can read, when this is not the service."""
        allowed = "a credential in a service started by systemd"
        for where, value in self._secrets():
            if is_only_in_service(value):
                name = str(value).strip().partition(":")[2]
                given = f"{value}, where no credentials are given"
                fix = f"write LoadCredential={name}:FILE into its unit; nothing is to be done where the unit has it"
                yield self._locate_problem(where, given, allowed, fix)

    def _secrets(self) -> Iterator[tuple[KeyPath, object]]:
        """Yield the key and the value of each secret, as the file has it."""
        for where, section, table in self._tables_with_secrets():
            for key, value in table.items():
                option = option_kind(section, key)
                if option is not None and option.secret:
                    yield (*where, key), value

    def _tables_with_secrets(self) -> Iterator[tuple[KeyPath, type[Section], Mapping[str, Any]]]:
        """Yield the tables that may hold a secret, with their paths and sections."""
        weather, alerts = (cast(dict[str, Any], self._tables.get(name, {})) for name in ("weather", "alerts"))
        yield ("weather",), SECTIONS["weather"], weather
        yield ("alerts",), SECTIONS["alerts"], alerts
        for index, person in enumerate(alerts.get("person", [])):
            yield ("alerts", "person", index), PersonSection, person

    def problem_of(self, conflict: Conflict) -> Problem:
        """Return a conflict as a problem with its line; its key path must begin with the section."""
        return self._conflict_problem(conflict, ())

    def _conflict_problem(self, conflict: Conflict, path: KeyPath) -> Problem:
        return self._locate_problem((*path, *conflict.key_path), conflict.given, conflict.allowed, conflict.fix)

    def _add_problem(self, where: KeyPath, given: str, allowed: str, fix: str) -> None:
        self._problems.append(self._locate_problem(where, given, allowed, fix))

    def _locate_problem(self, where: KeyPath, given: str, allowed: str, fix: str) -> Problem:
        return Problem(self._file, self._nearest_line(where), key_path_text(where), given, allowed, fix)

    def _nearest_line(self, where: KeyPath) -> int | None:
        """Return the line of a key, or else of the innermost table around it that the file has."""
        for depth in range(len(where), 0, -1):
            if where[:depth] in self._lines:
                return self._lines[where[:depth]]
        return None


def key_path_text(where: KeyPath) -> str:
    """Return a key path in words, with indices counted from 1.

    >>> key_path_text(("work", "hands")), key_path_text(("field", 1, "looks", 0, "stage"))
    ('[work] hands', '[field 2] looks 1 stage')
    """
    parts = [_path_part_text(part) for part in where]
    head_length = 2 if len(where) > 1 and isinstance(where[1], int) else 1
    return " ".join([f"[{' '.join(parts[:head_length])}]", *parts[head_length:]])


def _path_part_text(part: str | int) -> str:
    if isinstance(part, int):
        return str(part + 1)
    return part if part.isprintable() else toml_literal(part)


def _name_of(table: object, index: int) -> object:
    """Return the name that a repeated section gives, its index if it gives none."""
    return table.get("name", index) if isinstance(table, dict) else index


def _given_text(value: object, context: Mapping[str, Any]) -> str:
    """Return a value that is not allowed as a message may show it, by the context of its error."""
    if context.get("given"):
        return str(context["given"])
    return _masked_text(value) if context["secret"] else toml_excerpt(value)


def _masked_text(value: object) -> str:
    """Return the reference to a secret that cannot be used, and nothing of the secret itself."""
    return f"{value}, whose text is not shown" if is_reference(value) else "something that is not shown"


def _example_of(owner: type[Section], key: str) -> str:
    """Return the first example of an option as TOML, empty if it has none."""
    return str((owner.model_fields[key].examples or [""])[0])
