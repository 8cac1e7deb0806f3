"""Every constant of the models once, with its unit and its source.

Marks: *published* is printed in the source named; *remembered* is well known but was not read for this project;
*derived* follows from the published figures named; *estimate* is this project's own and should be questioned first.

The models take plain numbers. Constants whose source is printed with the advice are also in `CONSTANTS`, by their name.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Mark(StrEnum):
    """How well a constant is founded."""

    PUBLISHED = "published"
    REMEMBERED = "remembered"
    DERIVED = "derived"
    ESTIMATE = "estimate"


@dataclass(frozen=True)
class Constant:
    """A constant with its unit, how well it is founded, and on which source."""

    value: float
    unit: str
    mark: Mark
    source: str = ""

    @property
    def provenance(self) -> str:
        """Its mark, and its source where it has one."""
        return f"{self.mark}: {self.source}" if self.source else str(self.mark)


CONSTANTS: Final[dict[str, Constant]] = {}


def _register(name: str, value: float, unit: str, mark: Mark, source: str = "") -> float:
    """Enter a constant in `CONSTANTS` and return its plain value."""
    CONSTANTS[name] = Constant(value, unit, mark, source)
    return value


# --- Air and sun -----------------------------------------------------------------------------------------------
SATURATION_AT_ZERO: Final = 0.6108  # saturation vapour pressure at 0 degC [kPa], published: FAO-56 eq. 11
TETENS_FACTOR: Final = 17.27  # of the same equation [1]
TETENS_OFFSET: Final = 237.3  # of the same equation [degC]
SEA_LEVEL_PRESSURE: Final = 101.3  # [kPa], published: FAO-56 eq. 7
PSYCHROMETRIC_FACTOR: Final = 0.000665  # [K-1] times pressure in kPa, published: FAO-56 eq. 8
SOLAR_CONSTANT: Final = 0.0820  # Gsc [MJ m-2 min-1], published: FAO-56 eq. 21
CLEAR_SKY_SHARE: Final = 0.75  # of the extraterrestrial radiation at sea level [1], published: FAO-56 eq. 37
CLEAR_SKY_RISE: Final = 2e-5  # what it gains with elevation [m-1], the same
SUNRISE_ELEVATION: Final = -0.833  # [deg] centre of the sun when its upper edge is seen on the horizon, remembered
SIGMA_ASCE_HOURLY: Final = 2.042e-10  # Stefan-Boltzmann [MJ m-2 h-1 K-4], published: ASCE 2005
SIGMA_FAO_DAILY: Final = 4.903e-9  # Stefan-Boltzmann [MJ m-2 d-1 K-4], published: FAO-56 eq. 39
ALBEDO: Final = 0.23  # of the reference grass [1], published: FAO-56 eq. 38
MIN_CLOUD_FACTOR: Final = 0.05  # least fcd [1], published: ASCE 2005 eq. 45
INITIAL_CLOUD_FACTOR: Final = 0.8  # fcd before any usable sun [1], estimate
MIN_SUN_ELEVATION: Final = 17.0  # [deg] below it the cloud factor is held, published: ASCE 2005 (0.3 rad)
DAYLIGHT_SHORTWAVE: Final = 0.01  # more than this makes an hour day [MJ m-2 h-1], estimate
NUMERATOR_HOURLY: Final = 37.0  # Cn, short reference [K mm s3 Mg-1 h-1], published: ASCE 2005 table 1
NUMERATOR_DAILY: Final = 900.0  # Cn, short reference [K mm s3 Mg-1 d-1], published: FAO-56 eq. 6
DENOMINATOR_DAY: Final = 0.24  # Cd of a daylight hour [s m-1], published: ASCE 2005 table 1
DENOMINATOR_NIGHT: Final = 0.96  # Cd of a night hour [s m-1], the same
DENOMINATOR_FAO: Final = 0.34  # Cd of a whole day, and of every hour in 1998 [s m-1], published: FAO-56 eqs 6, 53
GROUND_DAY: Final = 0.1  # ground heat flux of a daylight hour in terms of Rn [1], published: FAO-56 eq. 45
GROUND_NIGHT: Final = 0.5  # and of a night hour [1], published: FAO-56 eq. 46

# --- Swath (evaporation-based drying) ---------------------------------------------------------------------------
# Drying constant at 400 g DM/m2 of swath, for each mm of ET0:
K400: Final = _register("K400", 0.30, "mm-1", Mark.DERIVED, "the middle of Pitt 1985 and Savoie 1994")
# Its relative standard deviation:
K400_SPREAD: Final = _register("K400_SPREAD", 0.22, "1", Mark.DERIVED, "the range 0.22-0.38")
DENSITY_EXPONENT: Final = 0.60  # [1], derived: six sources between 0.42 and 0.73
DENSITY_REFERENCE: Final = 400.0  # [g DM/m2 of swath]
MAX_DENSITY: Final = 800.0  # [g DM/m2 of swath] above it the model dries too fast, derived from published narrow rows
CONDITIONING_FACTOR: Final = 1.2  # drying of a conditioned crop [1], published range 1.1-1.35
LATER_DAY_FACTOR: Final = 0.87  # drying on the days after mowing [1], derived from Rotz & Chen 1985
WIND_FLOOR: Final = 0.5  # [m/s] at 2 m, ASCE 2005
WIND_CAP: Final = 3.0  # [m/s] at 2 m: stronger wind cools a resistant swath (Thompson 1981), estimate
SURFACE_STORE: Final = 1.5  # dew and rain that a swath can hold [kg/kg DM], remembered, 1-2.5
ABSORPTION_HOURS: Final = 15.0  # surface water into tissue [h], published: rain on part-dried grass, c. 1990
ABSORPTION_LIMIT: Final = 3.5  # wetter tissue than this takes up nothing [kg/kg DM], estimate
DEW_CAP: Final = 0.06  # most dew in an hour [mm], published: Garratt & Segal 1988
CROP_DEW_CAP: Final = 0.2  # most dew on a standing crop [mm], published
WETTEST_HOUR: Final = 6.0  # of the standing crop's tissue [h, mean solar time], estimate
DRIEST_HOUR: Final = 15.0  # the same
DAY_SWING: Final = 0.01  # half of what lies between the two [wet basis], remembered: 1-3 points, estimate: 2
WET_GROUND_NIGHT: Final = 0.2  # night ground flux under a wet surface, share of net radiation [1], estimate
EVAPORATION_CAP: Final = 1.1  # swath evaporation in terms of ET0 [1], estimate
OSWIN_A: Final = 0.1145  # equilibrium moisture [kg/kg], derived from Nash 1978
OSWIN_B: Final = 0.649  # [1], the same

MIN_DRY_MATTER: Final = 1.0  # a lighter crop is reckoned as this [t/ha]: the model was not tried below 200 g/m2

# --- What is not known about the crop ---------------------------------------------------------------------------
# Standard deviation of the moisture at mowing:
START_MOISTURE_SPREAD: Final = _register("START_MOISTURE_SPREAD", 0.02, "wet basis", Mark.ESTIMATE)
YIELD_SPREAD: Final = _register("YIELD_SPREAD", 0.15, "1", Mark.ESTIMATE)  # relative standard deviation of the yield
DRAWS_PER_MEMBER: Final = 4
MIN_CASES: Final = 64  # members times draws: a lone member gets this many draws

# --- Learning from a measured sample -----------------------------------------------------------------------------
FARM_SHARE: Final = 0.5  # of the variance of the drying factor that all fields of a farm share [1], estimate
SAMPLE_ERROR: Final = 0.12  # of the log of a factor told by one sample [1], derived: 2 points of moisture at
# mowing and 2 of reading, from 80 to 55 % water
MOWING_SHARE: Final = 0.7  # of that error's variance that samples of one mowing share [1], derived, the same
MIN_DRYING_SPREAD: Final = 0.06  # between the mowings of one field, however many were measured [1], estimate
MIN_DRYING_FACTOR: Final = 0.3  # a sample that asks for a lower one is not believed [1], estimate
MAX_DRYING_FACTOR: Final = 3.0  # nor one that asks for a higher one [1], estimate
OUTLIER_SDS: Final = 3.0  # standard deviations from the expected at which one sample is not believed [1], estimate
AGREEMENT_SDS: Final = 2.0  # standard deviations of their errors within which two samples agree [1], estimate
MIN_WILTING_HOURS: Final = 1.0  # a sample taken sooner after mowing is not believed [h], estimate

# --- Growth ------------------------------------------------------------------------------------------------------
SEASON_START_MEAN: Final = 5.0  # three 5-day means above it start the season [degC], published: Norwegian rule
SEASON_START_SUM: Final = 200.0  # and not before this temperature sum [degC d], published: temperature sum 200
SEASON_START_DAY: Final = 5.6  # five daily means above it are another rule [degC], published (Britain)
NDF_FLOOR: Final = 40.0  # grass NDF, lower asymptote [% of DM], estimate
NDF_RISE: Final = 28.0  # first growth, asymptote difference [% of DM], estimate
NDF_REGROWTH_CEILING: Final = 62.0  # regrowth, upper asymptote [% of DM], estimate
NDF_SCALE: Final = 100.0  # width of the curve [degC d], estimate
# For milking cows, at cutting:
NDF_TARGET_GRASS: Final = _register("NDF_TARGET_GRASS", 50.0, "% of DM", Mark.PUBLISHED, "extension")
NDF_TARGET_LEGUME: Final = 38.0  # the same
# More for dry cows and working horses:
NDF_TARGET_COARSER: Final = _register("NDF_TARGET_COARSER", 8.0, "% of DM", Mark.ESTIMATE)
RIPE_HALF_WIDTH: Final = 3.0  # a field is ripe within this of its target [% of DM], estimate
# Standard deviation of a stage clock in its first year:
CLOCK_SPREAD: Final = _register("CLOCK_SPREAD", 60.0, "degC d", Mark.ESTIMATE)
CLOCK_NOISE: Final = 7.0  # added spread [degC d per square root of a day], estimate
LOOK_SPREAD: Final = 35.0  # standard deviation of a stage seen by the farmer [degC d], estimate
LEGUME_START_HIGH: Final = 5.0  # five highs of it start a legume's count [degC], published (41 degF)
LEGUME_NDF_RATE: Final = 0.0409  # alfalfa NDF [% of DM per degC d], derived: Michigan's 40 and 45 %
LEGUME_NDF_MIN: Final = 20.0  # the line is not followed below this [% of DM], estimate
LEGUME_NDF_MAX: Final = 52.0  # nor above this; full bloom has 50 [% of DM], estimate
LEGUME_CLOCK_SPREAD: Final = 86.0  # as CLOCK_SPREAD, for legumes [degC d], derived: 3.5 % NDF over the rate
LEGUME_REGROWTH_SPREAD: Final = 120.0  # after a cut, when water rules more than warmth [degC d], estimate
MAX_LOOK_MISFIT: Final = 5.0  # a look more spreads away than this has a wrong date [1], estimate
HEIGHT_NDF_RATE: Final = 27.07  # by the tallest stem [% of DM per m], derived: Ohio's table, alfalfa
HEIGHT_NDF_VEGETATIVE: Final = 17.55  # the line at no height, late vegetative [% of DM], derived, the same
HEIGHT_NDF_BUD: Final = 18.75  # most mature stem in bud, the same
HEIGHT_NDF_FLOWER: Final = 20.3  # most mature stem in flower, the same
MIN_ALFALFA_HEIGHT: Final = 0.40  # shortest alfalfa the line holds for [m], published (16 in)
MAX_ALFALFA_HEIGHT: Final = 1.20  # tallest [m], estimate: the table ends at 36 in
HEIGHT_NDF_SPREAD: Final = 2.2  # error of the line in pure alfalfa [% of DM], published: Poland 2014
HEIGHT_NDF_SPREAD_MIXED: Final = 3.0  # in a mixed stand [% of DM], estimate
ALFALFA_HEIGHT_RATE: Final = 0.002032  # growth in height [m per degC d], estimate: 1 in for 22.5 degF d
ALFALFA_HEIGHT_START: Final = 66.7  # from this clock on [degC d], estimate: 120 degF d
MAX_YIELD_FIRST_GROWTH: Final = 6.5  # most dry matter of the first growth [t/ha], estimate
MAX_YIELD_REGROWTH: Final = 3.5  # and of a regrowth [t/ha], estimate
YIELD_CENTRE: Final = 500.0  # clock at half of it, grass [degC d], estimate
YIELD_WIDTH: Final = 150.0  # width of the curve, grass [degC d], estimate
YIELD_CENTRE_REGROWTH: Final = 400.0  # grass regrowth [degC d], estimate
YIELD_WIDTH_REGROWTH: Final = 130.0  # grass regrowth [degC d], estimate
LEGUME_YIELD_CENTRE: Final = 300.0  # legumes, any growth [degC d], derived: 500 less 5 degC for 40 days
LEGUME_YIELD_WIDTH: Final = 97.0  # [degC d], derived: the grass widths at 9 / 14 and 15 / 20 a day
GRASS_HEAT_CAP: Final = 22.0  # warmer daily means add stage but no growth [degC], estimate
LEGUME_HEAT_CAP: Final = 30.0  # the same, legumes [degC], estimate
DROUGHT_KS: Final = 0.2  # with less water stress factor Ks nothing grows [1], estimate
HARD_FROST: Final = -3.0  # colder nights make the clock of a tall crop doubtful [degC], estimate
FROST_SPREAD: Final = 30.0  # added spread of a clock after one [degC d], estimate
FROST_TALL_GRASS: Final = 200.0  # clock from which grass is tall enough to be hurt [degC d], estimate
FROST_TALL_LEGUME: Final = 165.0  # and legumes [degC d], derived: 0.2 m by the height line of alfalfa
KILLING_FROST: Final = -4.0  # ends the growth of legumes for the year [degC], published: Ontario; others -2 to -4
MONTHS_TO_AUTUMN: Final = 7  # from the season's origin to when a killing frost is looked for, estimate: 1 August
CARRIED_SHARE: Final = 0.5  # of a clock's offset that holds next year [1], estimate
MAX_PRIOR_OFFSET: Final = 500.0  # what a season's looks can have told at most [degC d], estimate
CARRIED_SPREAD: Final = 0.75  # of the clock's spread in a first year that is left then [1], estimate
REGROWTH_DRIER: Final = 0.03  # regrowth is drier than first growth by this [wet basis], remembered

# --- Quality -----------------------------------------------------------------------------------------------------
DIGESTIBILITY_LEAFY: Final = 76.0  # grass until its heads show [% of DM], estimate
DIGESTIBILITY_FLOOR: Final = 50.0  # no stand falls below it [% of DM], estimate
# From the first heads on, at 14 degC:
DIGESTIBILITY_FALL: Final = _register("DIGESTIBILITY_FALL", 0.50, "% of DM per day", Mark.PUBLISHED, "Minson 1960")
# More per degC warmer (0.047 in the field):
DIGESTIBILITY_FALL_WARMTH: Final = _register(
    "DIGESTIBILITY_FALL_WARMTH", 0.060, "1", Mark.PUBLISHED, "Thorvaldsson 1992"
)
DIGESTIBILITY_FALL_AT: Final = 14.0  # [degC], estimate
DIGESTIBILITY_SPREAD: Final = 2.5  # standard deviation of a level [% of DM], estimate
DIGESTIBILITY_FALL_RANGE: Final = (0.5, 2.0)  # 10 and 90 % points of a fall, as factors, estimate: 0.5 to 0.93 is read
REGROWTH_FALL_FROM: Final = 45.0  # fibre from which a regrowth of grass gets less digestible [% of DM], estimate
REGROWTH_FALL: Final = 0.5  # what it loses for each % of fibre above [% of DM], estimate
LEGUME_ADF_AT_TARGET: Final = 28.0  # acid detergent fibre of alfalfa at an NDF of 38 % [% of DM], published: Penn State
LEGUME_ADF_RATE: Final = 0.667  # more for each % of NDF, derived: the same table, 31 at 42.5 and 36 at 50 remembered
DIGESTIBLE_WITHOUT_FIBRE: Final = 88.9  # of a legume by its ADF [% of DM], remembered: Rohweder 1978, as in RFV
DIGESTIBLE_LOST_BY_ADF: Final = 0.779  # for each % of ADF, the same
# Of what is not NDF:
SOLUBLES_DIGESTIBILITY: Final = _register(
    "SOLUBLES_DIGESTIBILITY", 0.98, "1", Mark.REMEMBERED, "Goering & Van Soest 1970"
)
METABOLIC_LOSS: Final = 12.9  # the animal's own matter in its dung [% of DM eaten], the same
# Of alfalfa at an NDF of 40 %: a line through four rows of a table, two of them remembered:
LEGUME_PROTEIN_AT_BUD: Final = _register("LEGUME_PROTEIN_AT_BUD", 20.6, "% of DM", Mark.DERIVED, "Penn State")
LEGUME_PROTEIN_LOSS_RATE: Final = 0.611  # for each % of NDF more [% of DM], derived: the same line
LEGUME_PROTEIN_RANGE: Final = (13.0, 26.0)  # the line is followed within [% of DM], estimate
# At 1 t/ha:
CRITICAL_NITROGEN: Final = _register("CRITICAL_NITROGEN", 4.8, "% of DM", Mark.REMEMBERED, "Lemaire & Salette 1984")
DILUTION_GRASS: Final = 0.32  # exponent of its decline with dry matter [1], the same
DILUTION_MIN_YIELD: Final = 1.0  # lighter crops have no more nitrogen than this yield's [t/ha], remembered
NITROGEN_NUTRITION_INDEX: Final = (
    0.75  # nitrogen of a fertilised or clovery sward over the critical [1], estimate; poor: 0.65
)
PROTEIN_SPREAD: Final = 0.12  # relative standard deviation of protein [1], estimate: 0.65 to 0.77 from one trial
NDF_RATE_RANGE: Final = (0.8, 1.2)  # 10 and 90 % points of a rise in fibre, as factors, published: Cornell, grass
# For each % of digestibility:
MILK_PER_DIGESTIBILITY: Final = _register(
    "MILK_PER_DIGESTIBILITY", 0.61, "kg ECM per cow and day", Mark.PUBLISHED, "Kuoppala 2008"
)
WORTH_LOSS_MILK: Final = 0.067  # of the worth of a tonne for each % of NDF past the target [1], derived: a fall of 0.5
# in digestibility and a rise of 0.9 in fibre a day are 30 kg of milk to the tonne, $12 of $200
WORTH_LOSS_COARSE: Final = 0.02  # the same, for dry cows and working horses, estimate
WORTH_LOSS_RANGE: Final = (0.5, 1.5)  # 10 and 90 % points, as factors, estimate
MIN_WORTH: Final = 0.2  # of the worth of a tonne at the target, however coarse [1], estimate
NEXT_CUT_DELAY: Final = (0.7, 0.85, 1.0)  # by a day of waiting, 10, 50 and 90 % points [d], estimate: later days are
# warmer
SUMMER_GROWTH: Final = (0.030, 0.045, 0.060)  # of a day that the season lacks then [t/ha], remembered: 30-60 kg
# Of a fresh crop at 15 degC; the range is of crops in the dark:
RESPIRATION: Final = _register(
    "RESPIRATION", 0.10, "% of DM per hour", Mark.ESTIMATE, "within 0.055 to 0.25% an hour at 15 degC (Robson)"
)
RESPIRATION_Q10: Final = 2.0  # times for 10 degC more [1], published: Robson, up to 20 degC
RESPIRATION_CAP: Final = 35.0  # warmer crops breathe no more than at this [degC], estimate
RESPIRATION_FULL: Final = 0.75  # wetter crops breathe fully [wet basis], estimate
RESPIRATION_NONE: Final = 0.37  # drier ones not at all [wet basis], published: 0.30-0.40, Wood & Parker 1971
# Of alfalfa at 18 mm an hour:
RAIN_LOSS: Final = _register("RAIN_LOSS", 0.1, "% of DM per mm", Mark.PUBLISHED, "Rotz, Davis & Abrams 1991")
RAIN_LOSS_INTENSITY: Final = 18.0  # [mm/h], the same
RAIN_LOSS_PER_HOUR: Final = 1.1  # more for each hour over which 18 mm are spread [% of DM per hour], the same
# Of what alfalfa loses:
RAIN_LOSS_GRASS: Final = _register("RAIN_LOSS_GRASS", 0.5, "1", Mark.DERIVED, "near-dry orchardgrass, 4.9 % for 25 mm")
RAIN_LOSS_FRESH: Final = _register("RAIN_LOSS_FRESH", 0.3, "1", Mark.ESTIMATE)  # of it in a crop just cut: "little"
RAIN_LOSS_MOISTURES: Final = (0.65, 0.80)  # at and under the one all, at the other a fresh crop's [wet basis], estimate
MAX_RAIN_LOSS: Final = 50.0  # [% of DM], published (extension): 5-50
LOSS_RANGE: Final = (0.5, 2.0)  # 10 and 90 % points of losses, as factors, estimate

# --- Ground ------------------------------------------------------------------------------------------------------
# Water at field capacity and at wilting point by texture [m3/m3], remembered, within FAO-56 table 19:
SOIL_WATER: Final = {
    "sand": (0.12, 0.05),
    "sandy loam": (0.23, 0.11),
    "loam": (0.28, 0.13),
    "silt loam": (0.32, 0.14),
    "clay loam": (0.34, 0.20),
    "clay": (0.38, 0.24),
}
# What leaves the topsoil above field capacity [mm d-1], remembered from Schulte 2005 but "moderate", an estimate:
SURPLUS_DRAINAGE: Final = {"well": float("inf"), "moderate": 4.0, "poor": 0.5}
MAX_SURPLUS: Final = 10.0  # most that the topsoil holds above field capacity [mm], remembered: Schulte 2005
TOPSOIL_DEPTH: Final = 0.15  # Ze [m], published: FAO-56 has 0.10-0.15, and this where it is unknown
ROOT_DEPTH: Final = 0.8  # Zr [m], middle of ryegrass hay, published: FAO-56 table 22
DEPLETION_FRACTION: Final = 0.55  # p [1], alfalfa; grass has 0.60, clover 0.50, published: FAO-56 table 22
ROOT_DECLINE: Final = 0.943  # of the roots below a depth, per cm deeper [1], remembered: Jackson 1996, grassland
MIN_RELATIVE_WATER: Final = 0.001  # of the root zone, under the topsoil's share [1], remembered: Allen 2005
CROP_COEFFICIENT_CUT: Final = 0.40  # Kc just after a cut [1], published: FAO-56 table 12
CROP_COEFFICIENT_FULL: Final = 1.05  # Kc at full cover, ryegrass hay [1], published: FAO-56 table 12
DAYS_TO_FULL_COVER: Final = 21.0  # from the one to the other [d], remembered
WETNESS_RUTS: Final = 1.0  # wetter topsoil takes no wheels [1 = field capacity], estimate
WETNESS_MOWER: Final = 0.90  # wettest topsoil for a tractor that mows or rakes [1], estimate
# And for a loaded baler and bales, as a share of field capacity:
WETNESS_BALER: Final = _register("WETNESS_BALER", 0.75, "1", Mark.ESTIMATE)
DEFICIT_RUTS: Final = 5.0  # with less lacking in the root zone nothing goes over it [mm], estimate
# With less no machine does:
DEFICIT_FIRM: Final = _register("DEFICIT_FIRM", 10.0, "mm", Mark.REMEMBERED, "Schulte 2005")
WETNESS_SEEN_FIRM: Final = 0.7  # topsoil on which a heel leaves no mark [1], estimate
WETNESS_SEEN_SOFT: Final = 0.95  # a mark of about 1 cm [1], estimate
WETNESS_SEEN_RUTS: Final = 1.1  # over 2 cm [1], estimate
# Topsoil at which a swath dries by the factors below, derived: Rotz & Chen 1985 at 11.5, 15 and 25 % of dry weight
WETNESS_DRY: Final = 0.21  # [1]
WETNESS_MOIST: Final = 0.53  # [1]
WETNESS_WET: Final = 1.47  # [1]
SOIL_FACTOR_DRY: Final = _register("SOIL_FACTOR_DRY", 1.05, "1", Mark.DERIVED, "Rotz & Chen 1985")
SOIL_FACTOR_WET: Final = _register("SOIL_FACTOR_WET", 0.88, "1", Mark.DERIVED, "Rotz & Chen 1985")

# --- Which field first -------------------------------------------------------------------------------------------
# Of a crop's worth if it is not wrapped in time, with the rework:
SPOILED_LOSS: Final = _register("SPOILED_LOSS", 0.25, "1", Mark.DERIVED, "$50 of $200")
# From the end of a forecast to the next day that will do:
NEXT_WINDOW: Final = _register("NEXT_WINDOW", 3.0, "d", Mark.ESTIMATE)
# Of the worth that a later day must bring more to be waited for:
MIN_WAITING_GAIN: Final = _register("MIN_WAITING_GAIN", 0.03, "1", Mark.ESTIMATE)
STORM_GUST: Final = _register("STORM_GUST", 15.0, "m/s", Mark.ESTIMATE)  # that lays a tall ripe crop flat
# Together with so much rain in the hours around it:
STORM_RAIN: Final = _register("STORM_RAIN", 5.0, "mm", Mark.ESTIMATE)
# Of the forecast that must have a storm for a field to be hurried:
STORM_SHARE: Final = _register("STORM_SHARE", 0.3, "1", Mark.ESTIMATE)
STORM_HORIZON: Final = 48  # from the start of work, that a storm is looked for [h], estimate
STORM_MARGIN: Final = 2.0  # that the last bale is wrapped before a storm if a field is hurried for it [h], estimate
LODGING_DRY_MATTER: Final = 2.5  # a lighter crop stands up to a storm [t/ha], estimate

# --- Odds --------------------------------------------------------------------------------------------------------
MEMBER_CORRELATION: Final = 0.10  # how much weather members repeat each other [1], estimate
SYNTHETIC_INDEPENDENT_MEMBERS: Final = (
    3.0  # forecasts that members drawn from one forecast's chances are worth [1], estimate
)
PRIOR_CHANCE: Final = _register("PRIOR_CHANCE", 0.30, "1", Mark.ESTIMATE)  # how often an ordinary summer day works out
PRIOR_WEIGHT: Final = 1.0  # in independent members [1], estimate
# How far a farm's own record is expected to move the odds above, as standard deviations:
BIAS_SD: Final = 0.5  # of all odds [logit], estimate
SLOPE_SD: Final = 0.3  # of the slope, about 1 [1], estimate
LEAD_SD: Final = 0.1  # of what a day of lead adds [logit day-1], estimate
RAIN_SD: Final = 0.3  # of what a unit of root rain adds [logit mm-1/2], estimate
FREE_LIFT_ODDS: Final = 0.45  # up to it a record may raise any odds [1]: the least that settings take for a mow is 0.5
MAX_LIFT: Final = 1.0  # a record raises no odds by more [logit], estimate: two BIAS_SD, so that 7 in 10 takes 0.46
MIN_ODDS: Final = 0.03  # nobody is told never
MAX_ODDS: Final = 0.97  # and nobody is told certain

# --- Heat --------------------------------------------------------------------------------------------------------
# From which a horse cools itself less well (Connecticut):
HORSE_SUM_WARM: Final = _register("HORSE_SUM_WARM", 130.0, "degF + %", Mark.PUBLISHED, "Nadeau")
HORSE_SUM_HARD: Final = 150.0  # and badly, the same
HORSE_SUM_STOP: Final = 180.0  # and may die under stress, the same
HORSE_COOL: Final = 21.0  # [degC] below it the sum is not heeded, derived: a foggy dawn of 13 degC has 155
HORSE_HOT: Final = 35.0  # [degC] no team works, however dry the air, estimate
# Of the usual pace:
TEAM_PACE_WARM: Final = _register(
    "TEAM_PACE_WARM", 0.85, "1", Mark.REMEMBERED, "5 to 10 minutes' breath in each 30 to 45"
)
TEAM_PACE_HARD: Final = 0.75  # the same, at its longer end
COW_SLIGHT: Final = 68.0  # THI from which milk falls, published: newer work than the next
COW_STRESS: Final = _register("COW_STRESS", 72.0, "THI", Mark.PUBLISHED, "extension")  # of heat stress, after NRC 1971
COW_DANGER: Final = 79.0  # THI, remembered: livestock weather safety index, "danger"
COW_EMERGENCY: Final = 84.0  # the same, "emergency"
# Rothfusz' regression on degF (down) and % (across), each to the powers 0, 1, 2; published: Rothfusz 1990, from metpy
ROTHFUSZ: Final = (
    (-42.379, 10.14333127, -0.05481717),
    (2.04901523, -0.22475541, 0.00085282),
    (-0.00683783, 0.00122874, -0.00000199),
)
PEOPLE_CAUTION: Final = _register("PEOPLE_CAUTION", 26.7, "degC", Mark.REMEMBERED, "NWS")  # heat index, 80 degF
PEOPLE_EXTREME_CAUTION: Final = 32.2  # 90 degF, the same
PEOPLE_DANGER: Final = 39.4  # 103 degF, the same
PEOPLE_EXTREME_DANGER: Final = 51.7  # 125 degF, the same
LIKELY_SHARE: Final = 0.5  # of the members in which it is so [1]: likely
# The same: perhaps, but to be reckoned with:
POSSIBLE_SHARE: Final = _register("POSSIBLE_SHARE", 0.1, "1", Mark.ESTIMATE)

# --- Cautions ----------------------------------------------------------------------------------------------------
MAX_CAUTIONS: Final = 7  # to a day, estimate: a caution nobody reads is none
# Of thunder in the work block from which it is told of:
THUNDER_CHANCE: Final = _register("THUNDER_CHANCE", 0.20, "1", Mark.ESTIMATE)
# Wetter in the middle needs more than ordinary luck:
BALE_MOISTURE_WET: Final = _register("BALE_MOISTURE_WET", 0.57, "wet basis", Mark.ESTIMATE, "45-55 % is best")
BALE_MOISTURE_TOO_WET: Final = 0.62  # no bale may have this [wet basis], estimate: 60 and 65 are published
# Drier in the middle hardly ferments:
BALE_MOISTURE_DRY: Final = _register("BALE_MOISTURE_DRY", 0.45, "wet basis", Mark.PUBLISHED, "lower end of the best")
BALE_MOISTURE_TOO_DRY: Final = (
    0.40  # a drier bale is no baleage and heats where air gets in [wet basis], published: 40-60
)
WRAP_LATE: Final = 8.0  # a longer wait for film is warned of [h], estimate: published advice is 2 to 48
WRAP_TOO_LATE: Final = 24.0  # after a longer one damage is real [h], published
NITRATE_DROUGHT_DAYS: Final = 7  # days without growth after which nitrate is feared [d], estimate
NITRATE_WAIT_DAYS: Final = 5  # days after the rain that ended the drought, published: 3 to 5, this is the stricter
# First and last day (month, day) of wildlife in tall grass, northern hemisphere; the south has them half a year later:
FAWNS_FIRST: Final = (5, 15)  # estimate: the peak is from late May to early June, published
FAWNS_LAST: Final = (6, 30)  # the same
NESTS_FIRST: Final = (4, 15)  # estimate: New York has 14 May, published; mild coasts are earlier
NESTS_LAST: Final = (8, 1)  # published: New York has 22 July, and asks to wait until 1 August; this is the stricter
WILDLIFE_DAYS_PER_DEGREE: Final = 4.0  # at both ends, for each degree nearer the equator than the next [d], estimate
WILDLIFE_LATITUDE: Final = 40.0  # [deg], estimate
MIN_ALFALFA_SHARE: Final = 0.2  # of the dry matter from which alfalfa is spared in fall [1], estimate
KILLING_FROST_DAY: Final = (10, 10)  # mean day at the next latitude, at -4 degC for hours, estimate
KILLING_FROST_LATITUDE: Final = 43.0  # [deg]
KILLING_FROST_DAYS_PER_DEGREE: Final = 4.0  # later for each degree nearer the equator [d], remembered: Hopkins
FROST_FREE_LATITUDE: Final = 28.0  # nearer the equator no killing frost is reckoned with [deg], estimate
# Rest before it [d], derived: 500 degC d (Wisconsin, the stricter) where 450 (Ontario) are six weeks
FALL_REST_DAYS: Final = 47

# --- Weather that a source lacks ---------------------------------------------------------------------------------
HAURWITZ: Final = 1098.0  # radiation of a clear sky, of the sine of the sun's height [W m-2], published: Haurwitz 1945
HAURWITZ_AIR: Final = 0.059  # what the air takes of it [1], the same
KASTEN_SKY: Final = 910.0  # the same of a hazier sky [W m-2], remembered: Kasten and Czeplak 1980
KASTEN_AIR: Final = 30.0  # what the air takes of it [W m-2], the same
CLOUD_DIMMING: Final = 0.75  # what a covered sky takes of the sun [1], the same
CLOUD_EXPONENT: Final = 3.4  # of the share that is covered [1], the same
SCENARIO_SEED: Final = 1
SCENARIO_MEMBERS: Final = 20
RAIN_PERSISTENCE: Final = 0.9  # likeness of rain in two hours, to the power of hours apart [1], estimate: 0.8 to 0.9
MIN_CHANCE_WITH_AMOUNT: Final = 0.05  # least odds of a period in which rain is expected [1], estimate
MAX_WET_PERIOD_RAIN: Final = 50.0  # mean rain of a wet period, above which the chance told is too small [mm], estimate
UNFORECAST_RAIN_FACTOR: Final = (
    2.0  # mean of a wet period in which none is expected, times what is called wet [1], estimate
)
# Derived from periods of 6 and 12 hours, April to October, of a London roof and a typical year in Carolina:
DEFAULT_WET_PERIOD_RAIN: Final = 4.0  # mean rain of a wet period [mm]: 2.2 and 3.1, 6.3 and 7.8
SPELL_HOURS: Final = 2.0  # from its first wet hour to its last, with 1 mm [h]
SPELL_EXPONENT: Final = 1.0 / 3.0  # of its rain [1]: 0.4 mm take 1.3 to 2.2 h, 5 mm 2.4 to 7.4 h
MIN_RAIN_HUMIDITY: Final = 0.9  # least relative humidity of an hour with rain [1]: the means are 0.81 and 0.92
