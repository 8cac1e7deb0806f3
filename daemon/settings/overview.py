"""Shows the options of the settings: the effective ones of a farm, and a table of all of them."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from daemon.domain.farm import Alerts, Baleage, Farm, Field, Look, Person, Units, WeatherSource, Work
from daemon.domain.year_days import fawn_days_by_latitude, frost_day_by_latitude, nesting_days_by_latitude
from daemon.settings.build import default_address, default_hears, default_season
from daemon.settings.reader import SECTIONS
from daemon.settings.sections.base import Section, nested_tables, option_kind
from daemon.settings.sections.farm import QUIET_FROM, QUIET_UNTIL, PersonSection
from daemon.settings.sections.fields import FieldSection, LookSection, SpeciesSection
from daemon.settings.sections.work import BALE_CYCLE, BALED_PER_HOUR, BALER_INTAKE, BREAK_HOURS
from daemon.settings.values.kinds import Kind
from daemon.settings.values.timezones import location_text
from daemon.words.year_days import span_text
from models.species import Species, species_table, stand_grass_share
from models.stages import ndf_target

MASK: Final = '"****"'


@dataclass(frozen=True)
class DefaultInWords:
    """Describes in words what holds where the file leaves an option out."""

    text: str


Values = Mapping[str, object]
OptionText = Callable[[type[Section], str, Units], str]


@dataclass(frozen=True)
class Option:
    """One option as the documentation lists it; `name` begins with its section, as ``work.hands``."""

    name: str
    unit: str
    default: str
    meaning: str


def options() -> tuple[Option, ...]:
    """Return every option of the settings file, in the order of the example file."""
    return tuple(option for name, section in SECTIONS.items() for option in _section_options(name, section))


def _section_options(name: str, section: type[Section]) -> Iterator[Option]:
    """Yield the options of a section, then those of the tables in it."""
    tables = nested_tables(section)
    for key, setting in section.model_fields.items():
        if key not in tables:
            unit = _in_both_units(_unit_text, section, key)
            default = _in_both_units(_default_text, section, key)
            yield Option(f"{name}.{key}", unit, default, str(setting.description))
    for key, table in tables.items():
        yield from _section_options(f"{name}.{key}", table)


def option_table() -> str:
    """Return a Markdown table of every option with its unit, default and meaning.

    Examples
    --------
    >>> print(next(row for row in option_table().splitlines() if "least_members" in row))
    | `weather.least_members` |  | 8 | fewer usable members lead to no advice; a file of records needs none |
    """
    rows = [f"| `{option.name}` | {option.unit} | {option.default} | {option.meaning} |" for option in options()]
    return "\n".join(["| option | unit | default | meaning |", "|---|---|---|---|", *rows])


def _in_both_units(option_text: OptionText, section: type[Section], key: str) -> str:
    """Return a text about an option in US and metric units, once if both are the same."""
    return " or ".join(dict.fromkeys(option_text(section, key, units) for units in Units))


def _unit_text(section: type[Section], key: str, units: Units) -> str:
    option = option_kind(section, key)
    return option.unit(units) if option else ""


def _default_text(section: type[Section], key: str, units: Units) -> str:
    setting, option = section.model_fields[key], option_kind(section, key)
    if setting.is_required():
        return "required"
    if setting.default in (None, "") or option is None:
        return "none"
    return f"{option.write(setting.default, units)} {option.unit(units)}".rstrip()


def effective_settings_text(farm: Farm) -> str:
    """Return the effective settings of a farm.

    Parameters
    ----------
    farm : Farm
        The farm, as loaded.

    Returns
    -------
    str
        TOML in the farm's units, where a comment beside each option has its unit and marks a default. Secrets are
        masked, and the mower's width, speed and efficiency are replaced by the rate that they give.
    """
    return "\n\n".join(_table_text(table, farm.units) for table in _effective_tables(farm))


@dataclass(frozen=True)
class _Table:
    """A table of the effective settings: its values, and the defaults that depend on other settings."""

    header: str
    section: type[Section]
    values: Values
    derived_defaults: Values
    remark: str = ""


def _effective_tables(farm: Farm) -> Iterator[_Table]:
    """Yield the tables of a farm's settings in the order of the file."""
    alerts = farm.alerts
    yield _farm_table(farm)
    yield _Table("[weather]", SECTIONS["weather"], _weather_values(farm.weather), _weather_defaults(farm.weather))
    yield _Table("[work]", SECTIONS["work"], _work_values(farm.work), _work_defaults(farm.work))
    yield _Table("[baleage]", SECTIONS["baleage"], _baleage_values(farm.baleage), {})
    yield _Table("[alerts]", SECTIONS["alerts"], _alerts_values(alerts), _quiet_defaults(alerts))
    for person in alerts.people:
        yield _Table("[[alerts.person]]", PersonSection, _person_values(person), _person_defaults(person))
    yield _Table("[page]", SECTIONS["page"], vars(farm.page), {})
    yield _Table("[estimates]", SECTIONS["estimates"], _estimates_values(farm), {})
    for species in farm.species.values():
        like = species_table().get(species.like)
        if like is not None:  # else it is a known species, which no section describes
            yield _Table("[[species]]", SpeciesSection, _species_values(species, like), _species_defaults(like))
    for field in farm.fields:
        yield _Table("[[field]]", FieldSection, _field_values(field, farm), {})


def _table_text(table: _Table, units: Units) -> str:
    lines = [_option_line(table, key, units) for key in table.section.model_fields if key in table.values]
    return "\n".join([table.header, *lines, *([table.remark] if table.remark else [])])


def _option_line(table: _Table, key: str, units: Units) -> str:
    option, value = option_kind(table.section, key), table.values[key]
    if value is None:
        return f"# {key} is left out"
    if isinstance(value, DefaultInWords):
        return f"# {key}: {value.text}"
    if option is None:
        return f"{key} = {value}"
    written = option.write(value, units)
    remarks = [option.unit(units)] if option.unit(units) else []
    if written == _written_default(table, key, option, units):
        remarks.append("the default")
    line = f"{key} = {MASK if option.secret else written}"
    return f"{line}  # {', '.join(remarks)}" if remarks else line


def _written_default(table: _Table, key: str, option: Kind[Any], units: Units) -> str | None:
    """Return the default of an option as TOML, None if it has none."""
    setting = table.section.model_fields[key]
    default = table.derived_defaults.get(key, setting.default)
    if setting.is_required() or default is None:
        return None
    return option.write(default, units)


def _farm_table(farm: Farm) -> _Table:
    """Return the section of the farm, with a remark that shows a wrong latitude or longitude at a glance."""
    latitude, longitude = farm.place.latitude, farm.place.longitude
    remark = f"# it lies {location_text(latitude, longitude, miles=farm.units is Units.US)}"
    defaults = {"season": default_season(latitude)}
    return _Table("[farm]", SECTIONS["farm"], _farm_values(farm), defaults, remark)


def _farm_values(farm: Farm) -> Values:
    place = farm.place
    return {
        "name": farm.name,
        "latitude": place.latitude,
        "longitude": place.longitude,
        "elevation": place.elevation,
        "timezone": place.timezone.key,
        "units": farm.units,
        "season": farm.season,
        "horses_fed": farm.horses_fed,
        "cows_kept": farm.cows_kept,
    }


def _weather_values(weather: WeatherSource) -> Values:
    path = None if weather.path is None else str(weather.path)
    return vars(weather) | {"source": weather.sources, "oldest_forecast": weather.oldest, "path": path}


def _weather_defaults(weather: WeatherSource) -> Values:
    """Return the public addresses, or those for customers with a key."""
    keys = ("forecast_address", "ensemble_address", "history_address")
    return {key: default_address(key, weather.api_key) for key in keys}


def _work_values(work: Work) -> Values:
    renamed = {"bale_size": work.bale_dry_matter, "worth_hitching_for": work.least_area}
    unused: list[str] = []  # another option decides in their place
    if work.bales_per_hour is not None:
        unused += ["baler_intake", "bale_cycle", "baled_per_hour"]
    if work.break_at is None:
        unused += ["break_hours"]
    return vars(work) | renamed | dict.fromkeys(unused)


def _work_defaults(work: Work) -> Values:
    """Return the defaults that the section itself leaves open."""
    return {
        "raked_per_hour": work.mown_per_hour,
        "baler_intake": BALER_INTAKE,
        "bale_cycle": BALE_CYCLE,
        "baled_per_hour": BALED_PER_HOUR,
        "break_hours": BREAK_HOURS,
    }


def _baleage_values(baleage: Baleage) -> Values:
    return vars(baleage) | {"swath_width": baleage.swath_share}


def _alerts_values(alerts: Alerts) -> Values:
    return vars(alerts) | {"odds_needed": round(10.0 * alerts.odds_needed)}


def _quiet_defaults(alerts: Alerts) -> Values:
    """Return the quiet hours that hold where the file leaves them out."""
    return {"quiet_from": max(QUIET_FROM, alerts.evening), "quiet_until": min(QUIET_UNTIL, alerts.morning)}


def _person_values(person: Person) -> Values:
    return vars(person) | {"by": person.channel}


def _person_defaults(person: Person) -> Values:
    return {"hears": default_hears(person.channel)}


def _species_values(species: Species, like: Species) -> Values:
    return {
        "name": species.name,
        "like": like.name,
        "fibre_mark": species.ndf_mark,
        "fibre_mark_regrowth": species.ndf_mark_regrowth,
        "stages_later": max(species.stages.values()) - max(like.stages.values()),
        "drying_factor": species.drying_factor,
    }


def _species_defaults(like: Species) -> Values:
    """Return the defaults of a species of the farm's own, those of the species that it is like."""
    marks = {"fibre_mark": like.ndf_mark, "fibre_mark_regrowth": like.ndf_mark_regrowth}
    return marks | {"drying_factor": like.drying_factor}


def _estimates_values(farm: Farm) -> Values:
    by_latitude = {
        "fawns": fawn_days_by_latitude(farm.place),
        "nests": nesting_days_by_latitude(farm.place),
        "killing_frost": frost_day_by_latitude(farm.place),
    }
    left_out = [key for key in by_latitude if getattr(farm.estimates, key) is None]
    defaults = {key: DefaultInWords(f"{span_text(by_latitude[key])}, by the latitude (estimate)") for key in left_out}
    return vars(farm.estimates) | defaults


def _field_values(field: Field, farm: Farm) -> Values:
    looks = f"[{', '.join(_look_text(look, farm.units) for look in field.looks)}]"
    target = ndf_target(stand_grass_share(field.stand, farm.species), field.purpose)
    fibre = field.cut_at_fibre or DefaultInWords(f"{target:.0f} %, by the stand and forage_for")
    return vars(field) | {"looks": looks, "forage_for": field.purpose, "cut_at_fibre": fibre}


def _look_text(look: Look, units: Units) -> str:
    """Return a look as an inline table."""
    pairs = []
    for key, value in vars(look).items():
        option = option_kind(LookSection, key)
        if value is not None and option is not None:
            pairs.append(f"{key} = {option.write(value, units)}")
    return f"{{ {', '.join(pairs)} }}"
