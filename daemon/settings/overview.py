"""Shows the options: the effective ones of a farm, and the table of all of them."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from daemon.domain.farm import Alerts, Baleage, Farm, Field, Look, Person, Place, Units, WeatherSource, Work
from daemon.domain.year_days import fawn_days_by_latitude, frost_day_by_latitude, nesting_days_by_latitude
from daemon.settings.build import default_address, default_hears, default_season
from daemon.settings.reader import SECTIONS
from daemon.settings.sections.base import Section, nested_tables, option_kind
from daemon.settings.sections.farm import QUIET_FROM, QUIET_UNTIL, PersonSection
from daemon.settings.sections.fields import FieldSection, LookSection, SpeciesSection
from daemon.settings.sections.work import BALE_CYCLE, BALED_PER_HOUR, BALER_INTAKE, BREAK_HOURS
from daemon.settings.values.timezones import location_text
from daemon.words.year_days import span_text
from models.species import Species, species_table, stand_grass_share
from models.stages import ndf_target

MASK: Final = '"****"'


@dataclass(frozen=True)
class DefaultInWords:
    """What is taken where the file leaves an option out, in words."""

    text: str


Values = Mapping[str, object]
OptionText = Callable[[type[Section], str, Units], str]


@dataclass(frozen=True)
class Option:
    """One option as the documentation lists it; `name` starts with its section, as ``work.hands``."""

    name: str
    unit: str
    default: str
    meaning: str


def options() -> tuple[Option, ...]:
    """Return every option of the settings file, in the order of the example file."""
    return tuple(option for name, section in SECTIONS.items() for option in _section_options(name, section))


def _section_options(name: str, section: type[Section]) -> Iterator[Option]:
    tables = nested_tables(section)
    for key, setting in section.model_fields.items():
        if key not in tables:
            meaning = str(setting.description)
            yield Option(
                f"{name}.{key}",
                _in_both_units(_unit_text, section, key),
                _in_both_units(_default_text, section, key),
                meaning,
            )
    for key, table in tables.items():
        yield from _section_options(f"{name}.{key}", table)


def option_table() -> str:
    """Return a Markdown table of every option with its unit, default and meaning.

    Examples
    --------
    >>> print(next(row for row in option_table().splitlines() if "least_members" in row))
    | `weather.least_members` |  | 8 | fewer usable members lead to no advice; a file of records needs none |
    """
    rows = [f"| `{o.name}` | {o.unit} | {o.default} | {o.meaning} |" for o in options()]
    return "\n".join(["| option | unit | default | meaning |", "|---|---|---|---|", *rows])


def _in_both_units(option_text: OptionText, section: type[Section], key: str) -> str:
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
    written = option.write(setting.default, units)
    return f"{written} {option.unit(units)}".rstrip()


def effective_settings_text(farm: Farm) -> str:
    """Return the effective settings of a farm.

    Parameters
    ----------
    farm : Farm
        The farm, as loaded.

    Returns
    -------
    str
        TOML in the farm's units, with the unit and a mark beside what is the default; secrets are masked, and width,
        speed and efficiency of the mower have become its rate.
    """
    alerts, weather = farm.alerts, farm.weather
    addresses = ("forecast_address", "ensemble_address", "history_address")
    public: Values = {key: default_address(key, weather.api_key) for key in addresses}
    usual_season: Values = {"season": default_season(farm.place.latitude)}
    where = location_text(farm.place.latitude, farm.place.longitude, miles=farm.units is Units.US)
    parts = [
        "\n".join(
            [
                _table_text("[farm]", SECTIONS["farm"], _farm_values(farm), usual_season, farm.units),
                f"# it lies {where}",
            ]
        ),
        _table_text("[weather]", SECTIONS["weather"], _weather_values(weather), public, farm.units),
        _table_text("[work]", SECTIONS["work"], _work_values(farm.work), _work_defaults(farm.work), farm.units),
        _table_text("[baleage]", SECTIONS["baleage"], _baleage_values(farm.baleage), {}, farm.units),
        _table_text("[alerts]", SECTIONS["alerts"], _alerts_values(alerts), _quiet_defaults(alerts), farm.units),
        *(
            _table_text(
                "[[alerts.person]]", PersonSection, _person_values(p), {"hears": default_hears(p.channel)}, farm.units
            )
            for p in alerts.people
        ),
        _table_text("[page]", SECTIONS["page"], vars(farm.page), {}, farm.units),
        _table_text("[estimates]", SECTIONS["estimates"], _estimates_values(farm), {}, farm.units),
        *(
            _table_text("[[species]]", SpeciesSection, _species_values(row, like), _species_defaults(like), farm.units)
            for row in farm.species.values()
            if (like := species_table().get(row.like))
        ),
        *(_table_text("[[field]]", FieldSection, _field_values(field, farm), {}, farm.units) for field in farm.fields),
    ]
    return "\n\n".join(parts)


def _table_text(head: str, section: type[Section], values: Values, derived: Values, units: Units) -> str:
    keys = [key for key in section.model_fields if key in values]
    return "\n".join([head, *(_option_line(section, key, values[key], derived, units) for key in keys)])


def _option_line(section: type[Section], key: str, value: object, derived: Values, units: Units) -> str:
    option, setting = option_kind(section, key), section.model_fields[key]
    if value is None:
        return f"# {key} is left out"
    if isinstance(value, DefaultInWords):
        return f"# {key}: {value.text}"
    if option is None:
        return f"{key} = {value}"
    usual = derived.get(key, setting.default)
    written = option.write(value, units)
    default = not setting.is_required() and usual is not None and written == option.write(usual, units)
    remarks = [part for part in (option.unit(units), "the default" if default else "") if part]
    return f"{key} = {MASK if option.secret else written}" + (f"  # {', '.join(remarks)}" if remarks else "")


def _farm_values(farm: Farm) -> Values:
    place: Place = farm.place
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


def _work_values(work: Work) -> Values:
    reckoned = ("baler_intake", "bale_cycle", "baled_per_hour") if work.bales_per_hour is not None else ()
    unused = (*reckoned, *(("break_hours",) if work.break_at is None else ()))
    said = {"bale_size": work.bale_dry_matter, "worth_hitching_for": work.least_area}
    return vars(work) | said | dict.fromkeys(unused)


def _work_defaults(work: Work) -> Values:
    """Return what is taken where the file leaves it out."""
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
    """Return from when to when nothing is sent where the file leaves it out."""
    return {"quiet_from": max(QUIET_FROM, alerts.evening), "quiet_until": min(QUIET_UNTIL, alerts.morning)}


def _person_values(person: Person) -> Values:
    return vars(person) | {"by": person.channel}


def _species_values(row: Species, like: Species) -> Values:
    return {
        "name": row.name,
        "like": like.name,
        "fibre_mark": row.ndf_mark,
        "fibre_mark_regrowth": row.ndf_mark_regrowth,
        "stages_later": max(row.stages.values()) - max(like.stages.values()),
        "drying_factor": row.drying_factor,
    }


def _species_defaults(like: Species) -> Values:
    """Return what is taken where the file leaves it out."""
    marks = {"fibre_mark": like.ndf_mark, "fibre_mark_regrowth": like.ndf_mark_regrowth}
    return marks | {"drying_factor": like.drying_factor}


def _estimates_values(farm: Farm) -> Values:
    by_latitude = {
        "fawns": fawn_days_by_latitude(farm.place),
        "nests": nesting_days_by_latitude(farm.place),
        "killing_frost": frost_day_by_latitude(farm.place),
    }
    taken = {
        key: DefaultInWords(f"{span_text(days)}, by the latitude (estimate)")
        for key, days in by_latitude.items()
        if getattr(farm.estimates, key) is None
    }
    return vars(farm.estimates) | taken


def _field_values(field: Field, farm: Farm) -> Values:
    looks = f"[{', '.join(_look_text(look, farm.units) for look in field.looks)}]"
    target = ndf_target(stand_grass_share(field.stand, farm.species), field.purpose)
    fibre = field.cut_at_fibre or DefaultInWords(f"{target:.0f} %, by the stand and forage_for")
    return vars(field) | {"looks": looks, "forage_for": field.purpose, "cut_at_fibre": fibre}


def _look_text(look: Look, units: Units) -> str:
    written = [
        f"{key} = {option.write(value, units)}"
        for key, value in vars(look).items()
        if value is not None and (option := option_kind(LookSection, key))
    ]
    return f"{{ {', '.join(written)} }}"
