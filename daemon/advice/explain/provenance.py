"""Where the numbers of the advice come from, what their ranges are and what would put them right."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from daemon.domain.farm import DEFAULT_ESTIMATES, Farm, Field, Traction, Units
from daemon.words.year_days import year_days_text
from models import coefficients as c
from models.coefficients import CONSTANTS
from models.losses import RAIN_LOSS_SOURCE, RESPIRATION_SOURCE
from models.stages import Purpose

MILE_PER_HOUR: Final = 0.44704  # [m/s]
BESIDE_EACH_FIGURE: Final = "beside each figure"

NoteCommand = Callable[[str, str], str]  # the command that notes something of a field


@dataclass(frozen=True)
class Provenance:
    """What stands behind some numbers: their range, where they come from and what would put them right.

    `report_keys` are their names in the report.
    """

    spread: str
    source: str
    put_right_by: str
    report_keys: tuple[str, ...]

    def lines(self, figure_sources: str = "") -> Iterator[str]:
        """Yield what the text says of them; `figure_sources` are the sources of figures that each have their own."""
        source = figure_sources if self.source == BESIDE_EACH_FIGURE else self.source
        yield f"    range: {self.spread}"
        if source:
            yield f"    source: {source}"
        yield f"    put right by: {self.put_right_by}"


def provenance_by_topic(farm: Farm, field: str = "FIELD", *, is_recorded: bool = False) -> dict[str, Provenance]:
    """Return what stands behind the numbers of a field, by what they tell of.

    Parameters
    ----------
    farm : Farm
        Its own estimates are named as such.
    field : str
        The name that stands in the commands.
    is_recorded : bool
        Whether the hours are those of a record, of which nothing is uncertain but the crop.
    """

    def note(kind: str, what: str) -> str:
        return f'forenoon note {kind} "{field}" {what}'

    return {
        **_work_provenance(farm, note, is_recorded=is_recorded),
        **_lying_provenance(),
        **_stand_provenance(farm, note),
        **_choice_provenance(farm),
    }


def _work_provenance(farm: Farm, note: NoteCommand, *, is_recorded: bool) -> dict[str, Provenance]:
    return {
        "odds": Provenance(
            f"odds already say how unsure it is; never told as under {100 * c.MIN_ODDS:.0f} or over "
            f"{100 * c.MAX_ODDS:.0f} in 100",
            _odds_source(is_recorded=is_recorded),
            "the farm's own record of odds against what came; it grows by itself",
            ("odds", "raw_odds", "curve", "hour_later", "spoiled", "rain"),
        ),
        "hours": Provenance(
            "dry enough to rake and bale by then in half of the cases, wrapped by then in four of five; bales as "
            f"unsure as the yield, by {c.YIELD_SPREAD:.0%}",
            f"the speeds, hands and bales of the settings, and the drying{_team_text(farm)}",
            "[work] in the settings",
            ("start", "mow_until", "rake_from", "bale_from", "wrapped_by", "bales", "film_rolls"),
        ),
        "drying": Provenance(
            f"two times in three the drying is within {c.K400_SPREAD:.0%} of this until a sample is measured, the "
            f"moisture at mowing within {100 * c.START_MOISTURE_SPREAD:.0f} points and the yield within "
            f"{c.YIELD_SPREAD:.0%} (the last two: {CONSTANTS['YIELD_SPREAD'].mark})",
            _drying_source(),
            note("moisture", "PERCENT"),
            (
                *("moisture_at_baling", "too_dry", "if_left", "moisture", "drying_factor", "drying_spread"),
                *("soil_factor", "hours_ahead"),
            ),
        ),
    }


def _lying_provenance() -> dict[str, Provenance]:
    return {
        "breathed": Provenance(
            "half to twice the rate",
            RESPIRATION_SOURCE,
            "a measured sample, for how long it lies wet; nothing here for the rate",
            ("breathed",),
        ),
        "rained_on": Provenance(
            "half to twice the loss, where it rains",
            RAIN_LOSS_SOURCE,
            "your own eye after the rain; nothing here yet",
            ("rained_on",),
        ),
    }


def _stand_provenance(farm: Farm, note: NoteCommand) -> dict[str, Provenance]:
    return {
        "growth": Provenance(
            "from how unsure the stage is",
            f"{CONSTANTS['CLOCK_SPREAD'].mark}: species curves by the sum of warmth, good to about four days, about "
            "two after a look",
            f"{note('stage', 'WORD')}, or looks in the settings; nothing yet for a regrowth of grass",
            ("clock", "ndf", "ndf_target", "ndf_ripe", "days_left", "days_left_band"),
        ),
        "yield": Provenance(
            f"two times in three within {c.YIELD_SPREAD:.0%}, and as the stage is unsure where it is reckoned by that",
            BESIDE_EACH_FIGURE,
            "expected_yield in the settings",
            ("dry_matter_t_per_ha", "dry_matter"),
        ),
        "feed": Provenance(
            "from how unsure the stage and each figure itself are",
            BESIDE_EACH_FIGURE,
            "a look at the field; expected_yield in the settings for the protein",
            ("quality",),
        ),
        "waiting": Provenance(
            "from how unsure the stage and each figure itself are",
            BESIDE_EACH_FIGURE,
            "a look at the field; expected_yield in the settings for yield and worth",
            ("waiting",),
        ),
        "ground": Provenance(
            "the share of the forecast in which it carries",
            _ground_source(farm),
            f"{note('ground', 'firm|soft|ruts')}; firm_below and firm_deficit in [estimates]",
            ("carried",),
        ),
    }


def _choice_provenance(farm: Farm) -> dict[str, Provenance]:
    return {
        "order": Provenance(
            f"as wide as that of a day of waiting; a later day must bring {farm.estimates.worth_waiting:.0%} more to "
            f"be waited for{_estimate_mark(farm, 'worth_waiting', 'MIN_WAITING_GAIN')}",
            _order_source(farm),
            "spoiled_loss, next_window, worth_waiting in [estimates]; forage_for of the field",
            ("lost_by_waiting_t_per_ha", "better_in"),
        ),
        "storm": Provenance(
            f"the earliest tenth of the cases that have one, where {c.STORM_SHARE:.0%} of the forecast or more do",
            _storm_source(farm),
            "storm_gust and storm_rain in [estimates]; your own eye",
            ("hurry", "storm_at"),
        ),
        "cautions": Provenance(
            f"is likely: in {c.LIKELY_SHARE:.0%} of the forecast or more; may come: in {c.POSSIBLE_SHARE:.0%}, thunder "
            f"from {farm.estimates.thunder_from:.0%}{_estimate_mark(farm, 'thunder_from', 'THUNDER_CHANCE')}",
            f"{_caution_source()}; {year_days_text(farm)}",
            "your own eye, the vet and local rules; [estimates] in the settings",
            ("cautions",),
        ),
    }


def _odds_source(*, is_recorded: bool) -> str:
    if is_recorded:
        return "the share of what is not known of the crop alone: the hours are recorded"
    return (
        f"{CONSTANTS['PRIOR_CHANCE'].mark}: pulled towards an ordinary day's {10 * c.PRIOR_CHANCE:.0f} in 10, because "
        "forecasts resemble one another"
    )


def _drying_source() -> str:
    drying, ground = CONSTANTS["K400"], CONSTANTS["SOIL_FACTOR_WET"]
    return (
        f"{drying.mark}: {drying.value} per mm of evaporation at {c.DENSITY_REFERENCE:.0f} g/m2, {drying.source}; "
        f"the ground's part: {ground.source}; rain and sun: the forecast; water at baling: as raked"
    )


def _team_text(farm: Farm) -> str:
    if farm.work.traction is not Traction.HORSES:
        return ""
    return f"; a team's pace in heat: {CONSTANTS['TEAM_PACE_WARM'].mark}"


def _ground_source(farm: Farm) -> str:
    estimates, topsoil = farm.estimates, CONSTANTS["WETNESS_BALER"]
    return (
        f"{topsoil.mark}: carries with topsoil under {estimates.firm_below:.0%} of what it holds when drained"
        f"{_estimate_mark(farm, 'firm_below', 'WETNESS_BALER')} and {estimates.firm_deficit:g} mm lacking in the root "
        f"zone{_estimate_mark(farm, 'firm_deficit', 'DEFICIT_FIRM')}"
    )


def _order_source(farm: Farm) -> str:
    estimates = farm.estimates
    return (
        f"estimate: cost and loss; a crop not wrapped in time loses {estimates.spoiled_loss:.0%} of its worth"
        f"{_estimate_mark(farm, 'spoiled_loss', 'SPOILED_LOSS')}, "
        f"the next chance comes {estimates.next_window:g} days after the forecast ends"
        f"{_estimate_mark(farm, 'next_window', 'NEXT_WINDOW')}"
    )


def _storm_source(farm: Farm) -> str:
    estimates = farm.estimates
    gust = f"{estimates.storm_gust / MILE_PER_HOUR:.0f} mph"
    if farm.units is Units.METRIC:
        gust = f"{3.6 * estimates.storm_gust:.0f} km/h"
    return (
        f"{CONSTANTS['STORM_GUST'].mark}: a gust of {gust}{_estimate_mark(farm, 'storm_gust', 'STORM_GUST')} "
        f"with {estimates.storm_rain:g} mm of rain"
        f"{_estimate_mark(farm, 'storm_rain', 'STORM_RAIN')} lays a tall crop flat"
    )


def _caution_source() -> str:
    horses, cows, people = CONSTANTS["HORSE_SUM_WARM"], CONSTANTS["COW_STRESS"], CONSTANTS["PEOPLE_CAUTION"]
    dry, wet = CONSTANTS["BALE_MOISTURE_DRY"], CONSTANTS["BALE_MOISTURE_WET"]
    return (
        f"heat: {horses.mark} limits for horses ({horses.source}) and cows ({cows.source}), "
        f"{people.mark} for people ({people.source}); bales: {dry.mark} and {wet.mark}"
    )


def _estimate_mark(farm: Farm, name: str, constant: str) -> str:
    """Return whether an estimate is the farm's own, or else what the constant it begins as is founded on."""
    own = getattr(farm.estimates, name) != getattr(DEFAULT_ESTIMATES, name)
    return f" ({'the settings' if own else CONSTANTS[constant].provenance})"


def aim_source(field: Field) -> str:
    """Return where the fibre comes from at which a field should be cut."""
    if field.cut_at_fibre:
        return "as cut_at_fibre in the settings says"
    milk, coarser = CONSTANTS["NDF_TARGET_GRASS"], CONSTANTS["NDF_TARGET_COARSER"]
    advised = f"{milk.source} advice" if field.purpose is Purpose.MILK else coarser.mark
    return f"for {field.purpose} ({advised})"
