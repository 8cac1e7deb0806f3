"""A morning of which everything is known that may be told of a field, for tests."""

from dataclasses import replace
from datetime import date, datetime

from daemon.domain.advice import Advice, AdviceKind, Morning
from daemon.domain.field_history import CutHistory, FieldHistory
from daemon.domain.prospect import (
    AreaOdds,
    Band,
    DryingPicture,
    FieldProspect,
    LeftOvernight,
    Quality,
    TimedCaution,
    Urgency,
    Waiting,
)
from models.cautions import Caution
from models.quality import Figure
from tests.support.farms import (
    ACRE,
    DAY,
    ZONE,
    field_day,
    field_prospect,
    mow_morning,
    prospect,
    with_day_changes,
    with_field_changes,
)


def figure(low: float, mid: float, high: float, unit: str, what: str) -> Figure:
    return Figure(low, mid, high, unit, f"estimate: {what}")


def whole_morning() -> Morning:
    """One field to mow before a storm, with every number that a day and a field may have."""
    day = with_day_changes(
        field_day(),
        ground_firm_share=0.9,
        raw_odds=0.8,
        rake_from=datetime(2026, 6, 1, 14, 45, tzinfo=ZONE),
        film_rolls=2,
        hour_later=AreaOdds(8.0 * ACRE, 0.72),
        if_left=LeftOvernight(Band(0.31, 0.4, 0.53), 0.42, figure(3.8, 7.6, 15.2, "% of DM", "rain")),
        too_dry_share=0.25,
        cautions=(TimedCaution(Caution.MACHINE),),
        lost_by_waiting=0.0336,
        urgency=Urgency.STORM,
        storm_at=datetime(2026, 6, 1, 16, tzinfo=ZONE),
        respiration_loss=figure(0.4, 0.8, 1.6, "% of DM", "breath"),
    )
    field = with_field_changes(
        field_prospect("Long Meadow", 22.0, day),
        clock_spread=50.0,
        dry_matter=figure(3.6, 4.5, 5.4, "t/ha", "yield"),
        soil_factor=1.02,
        ground="firm",
        firm_from=DAY,
        history=FieldHistory(CutHistory(date(2026, 4, 14), (1,), None, (), 0.0)),
        quality=Quality(*(figure(mid - 2.0, mid, mid + 2.0, "% of DM", "feed") for mid in (49.0, 66.0, 14.0))),
        waiting=Waiting(
            ndf=figure(0.5, 0.75, 1.0, "% of DM", "fibre"),
            digestibility=figure(-0.6, -0.4, 0.0, "% of DM", "digestibility"),
            dry_matter=figure(0.05, 0.1, 0.15, "t/ha", "yield"),
            worth=figure(-0.08, -0.02, 0.04, "t/ha", "worth"),
        ),
    )
    return Morning(DAY, (Advice("Long Meadow", AdviceKind.MOW, 20 * ACRE, None, day),), prospect(field))


def drawn_field() -> FieldProspect:
    """Return the field to mow of the sample morning with the picture of its drying."""
    mids = (0.80, 0.73, 0.67, 0.60, 0.55, 0.50, 0.46, 0.43, 0.41, 0.40, 0.40, 0.40)
    shown = DryingPicture(
        date=DAY,
        begins=datetime(2026, 6, 1, 7, tzinfo=ZONE),
        mown=datetime(2026, 6, 1, 8, tzinfo=ZONE),
        water=(
            None,
            *(Band(mid - 0.02 - 0.06 * at / 11, mid, mid + 0.02 + 0.11 * at / 11) for at, mid in enumerate(mids)),
        ),
        rain=(*(0.0,) * 6, 0.1, 0.1, 0.2, 0.3, 0.4, 0.3, 0.2),
        water_at_mowing=Band(0.79, 0.81, 0.83),
        sun=(300.0, 450.0, 600.0, 700.0, 800.0, 850.0, 850.0, 800.0, 700.0, 550.0, 400.0, 200.0, 50.0),
    )
    field = mow_morning().prospect.fields[0]
    first = with_day_changes(field.days[0], rake_from=datetime(2026, 6, 1, 14, 45, tzinfo=ZONE))
    return replace(field, days=(first, *field.days[1:]), drying_picture=shown)


def drawn_morning() -> Morning:
    """Return the sample morning with that field."""
    morning, field = mow_morning(), drawn_field()
    others = tuple(one for one in morning.prospect.fields if one.name != field.name)
    advices = (replace(morning.advices[0], day=field.days[0]), *morning.advices[1:])
    return replace(morning, advices=advices, prospect=replace(morning.prospect, fields=(field, *others)))
