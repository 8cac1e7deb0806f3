"""Reads a settings file into its sections and collects every problem on the way, each with its line."""

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
    """The sections of a settings file without problems; numbers are in SI units."""

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
    """One settings file: its tables, and the lines they stand on.

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
        table = self._tables.get("farm")
        try:
            return Units(cast(dict[str, Any], table)["units"].strip().casefold())
        except (TypeError, KeyError, ValueError, AttributeError):
            return Units.US  # reported with its section; until it is put right, limits are said in these

    def sections(self) -> Sections:
        """Return the sections.

        Raises
        ------
        SettingsError
            Something in them is not allowed; names all of it, in the order of the file.
        """
        for name in self._tables:
            if name not in SECTIONS:
                self._add_unknown_name((name,), list(SECTIONS))
        single = {name: self._read_single(name) for name in SECTIONS if name not in REPEATED_SECTIONS}
        species = self._read_repeated("species", SpeciesSection)
        fields = self._read_repeated("field", field_section({one.name: one.like for one in species}))
        if self._tables.get("field", []) == []:
            self._add_problem(
                ("field",), "no field", "one [[field]] or more", "write [[field]] above the keys of each field"
            )
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
        found = [self._read_section(model, (head, index), table) for index, table in enumerate(tables)]
        names = [table.get("name", index) if isinstance(table, dict) else index for index, table in enumerate(tables)]
        for index in duplicate_indices([str(name).strip() for name in names]):
            fix = f"write name = {toml_literal(f'{names[index]} 2')}"
            self._add_problem((head, index, "name"), f"{toml_excerpt(names[index])} again", "each name once", fix)
        return tuple(one for one in found if one)

    def _read_section(self, model: type[S], path: KeyPath, table: object) -> S | None:
        if not isinstance(table, dict):
            head = f"[[{path[0]}]]" if len(path) > 1 else f"[{path[0]}]"
            self._add_problem(
                path, toml_excerpt(table), "a section with keys", f"write {head} on a line of its own above its keys"
            )
            return None
        bad: set[object] = set()
        try:
            section = model.model_validate(table, context=self._units)
        except ValidationError as error:
            for item in error.errors(include_url=False):
                bad.add(item["loc"][0])
                self._add_validation_error(model, path, cast(Mapping[str, Any], item))
            section = self._fill_with_examples(model, table, bad)
        for quarrel in section.conflicts(self._units):
            if not bad & {quarrel.key_path[0], *quarrel.other_keys}:
                self._problems.append(self._conflict_problem(quarrel, path))
        return section

    def _fill_with_examples(self, model: type[S], table: Mapping[str, object], bad: set[object]) -> S:
        """Return the section with examples for its bad keys, so that the good ones can be held together."""
        rest = {key: value for key, value in table.items() if key not in bad}
        required = {key: option for key, option in model.model_fields.items() if option.is_required()}
        for key in required.keys() & bad:
            rest |= tomllib.loads(f"{key} = {_example_of(model, key)}")
        return model.model_validate(rest, context=self._units)

    def _add_validation_error(self, model: type[Section], path: KeyPath, item: Mapping[str, Any]) -> None:
        where, owner, key = (*path, *item["loc"]), owner_of(model, item["loc"]), str(item["loc"][-1])
        if item["type"] == "extra_forbidden":
            self._add_unknown_name(where, list(owner.model_fields))
        elif item["type"] == "missing":
            option = option_kind(owner, key)
            allowed = option.allowed(self._units) if option else "a value"
            self._add_problem(
                where, "nothing", allowed, f"add {key} = {_example_of(owner, key)}, with this farm's own value"
            )
        elif item["type"] == "not_allowed":
            said = item["ctx"]
            given = said.get("given") or (
                _masked_text(item["input"]) if said["secret"] else toml_excerpt(item["input"])
            )
            fix = f"write {key} = {said['fix']}" if said["fix"] else said.get("way_out") or self._fix_for(owner, key)
            self._add_problem(where, given, said["allowed"], fix)
        else:
            self._add_problem(
                where, "something else", "a list of tables", "see config.example.toml for how it is written"
            )

    def _fix_for(self, owner: type[Section], key: str) -> str:
        option, setting = option_kind(owner, key), owner.model_fields[key]
        if setting.is_required():
            return f"write {key} = {_example_of(owner, key)}, with this farm's own value"
        if option is None or setting.default in (None, ""):
            return f"take {key} out to leave it open"
        return f"write {key} = {option.write(setting.default, self._units)}, the default"

    def _add_unknown_name(self, where: KeyPath, known: list[str]) -> None:
        like = nearest_word(str(where[-1]), known)
        fix = f"write {like} instead or take it out" if like else "take it out"
        allowed = f"{like}, which is nearest to it" if like else "one of " + ", ".join(known)
        self._add_problem(where, "an unknown name", allowed, fix)

    def is_written(self, where: KeyPath) -> bool:
        """Return whether the file has a key, and does not leave it at its default."""
        return where in self._lines

    def exposed_secrets(self) -> Iterator[Problem]:
        """Yield each secret that everybody on the machine may read, in this file or in one that it names."""
        for where, value in self._secrets():
            file = world_readable_file(value)
            if file is None and not is_reference(value) and is_world_readable(self._path):
                file = self._path
            if file is not None:
                allowed = "a file that only its owner and the group of the service may read"
                yield self._locate_problem(
                    where, f"a secret in {file}, which everybody may read", allowed, f"type chmod o= {quote(str(file))}"
                )

    def unavailable_secrets(self) -> Iterator[Problem]:
        """Yield each secret that only the service is given, where this is not the service."""
        for where, value in self._secrets():
            if is_only_in_service(value):
                name = str(value).strip().partition(":")[2]
                yield self._locate_problem(
                    where,
                    f"{value}, where no credentials are given",
                    "a credential in a service started by systemd",
                    f"write LoadCredential={name}:FILE into its unit; nothing is to be done where the unit has it",
                )

    def _secrets(self) -> Iterator[tuple[KeyPath, object]]:
        """Yield the secrets as they stand in the file, with their keys."""
        weather, alerts = (cast(dict[str, Any], self._tables.get(name, {})) for name in ("weather", "alerts"))
        people = enumerate(alerts.get("person", []))
        tables: list[tuple[KeyPath, type[Section], Mapping[str, Any]]] = [
            (("weather",), SECTIONS["weather"], weather),
            (("alerts",), SECTIONS["alerts"], alerts),
            *((("alerts", "person", index), PersonSection, person) for index, person in people),
        ]
        for where, section, table in tables:
            for key, value in table.items():
                option = option_kind(section, key)
                if option is not None and option.secret:
                    yield (*where, key), value

    def problem_of(self, conflict: Conflict) -> Problem:
        """Return a quarrel with the line it stands on; its `at` starts at the section."""
        return self._conflict_problem(conflict, ())

    def _conflict_problem(self, conflict: Conflict, path: KeyPath) -> Problem:
        return self._locate_problem((*path, *conflict.key_path), conflict.given, conflict.allowed, conflict.fix)

    def _add_problem(self, where: KeyPath, given: str, allowed: str, fix: str) -> None:
        self._problems.append(self._locate_problem(where, given, allowed, fix))

    def _locate_problem(self, where: KeyPath, given: str, allowed: str, fix: str) -> Problem:
        parents = [where[:depth] for depth in range(len(where), 0, -1)]
        line = next((self._lines[path] for path in parents if path in self._lines), None)
        return Problem(self._file, line, key_path_text(where), given, allowed, fix)


def key_path_text(where: KeyPath) -> str:
    """Return a path in words, counting from 1.

    >>> key_path_text(("work", "hands")), key_path_text(("field", 1, "looks", 0, "stage"))
    ('[work] hands', '[field 2] looks 1 stage')
    """
    numbered = [
        str(part + 1) if isinstance(part, int) else part if part.isprintable() else toml_literal(part) for part in where
    ]
    head = 2 if len(where) > 1 and isinstance(where[1], int) else 1
    return " ".join([f"[{' '.join(numbered[:head])}]", *numbered[head:]])


def _masked_text(value: object) -> str:
    """Return where a secret comes from that cannot be used, and nothing of itself."""
    return f"{value}, whose text is not shown" if is_reference(value) else "something that is not shown"


def _example_of(owner: type[Section], key: str) -> str:
    return str((owner.model_fields[key].examples or [""])[0])
