"""What settings, diary and samples tell of a field, in sentences."""

from collections.abc import Iterable, Iterator
from datetime import date
from typing import assert_never

from daemon.domain.causes import GrowthGap, ImpossibleLook, StatedCause
from daemon.domain.farm import Units
from daemon.domain.field_history import (
    CutHistory,
    DryingSummary,
    FieldHistory,
    KeptFactor,
    ModelWater,
    NotedLook,
    PriorReport,
    SampleBasis,
    SampleFlaw,
    SampleReport,
    SamplesOfField,
)
from daemon.domain.prospect import FieldProspect
from daemon.words.catalog import join, phrase, with_aside
from daemon.words.growth import growth_cause_text, look_text
from daemon.words.numbers import date_text, field_size_text, measured_moisture_text, time_text
from models.coefficients import K400_SPREAD


def field_sentences(field: FieldProspect, units: Units) -> list[str]:
    """Return all that is told of a field beside the forecast, nothing where nothing was looked up."""
    return [] if field.history is None else history_sentences(field.history, field.area, units)


def history_sentences(history: FieldHistory, whole: float, units: Units) -> list[str]:
    """Return what is held for cut of a field of `whole` [ha], what was seen there, and what its samples taught."""
    return [
        *_cut_sentences(history.cuts, whole, units),
        *_look_sentences(history, units),
        *prior_sentences(history.priors),
        *sample_sentences(history.samples, units),
    ]


def prior_sentences(priors: Iterable[PriorReport]) -> list[str]:
    """Return what last season's looks do to the clocks of a first growth.

    Examples
    --------
    >>> prior_sentences([PriorReport("grasses", -12.0)])
    ['Last season its grasses were later than the model by looks: their clock is set back by 12 degC days (estimate).']
    """
    return [
        phrase(
            "season_priors.ahead" if prior.offset > 0.0 else "season_priors.behind",
            plants=prior.plants,
            offset=f"{abs(prior.offset):.0f}",
        )
        for prior in priors
    ]


def sample_sentences(told: SamplesOfField, units: Units) -> list[str]:
    """Return what each sample of a field told and did, and what all of them come to."""
    sentences = [_sample_sentence(sample, units) for sample in told.samples]
    return sentences if told.drying is None else [*sentences, _drying_sentence(told.drying)]


def noted_look_text(look: NotedLook, units: Units) -> str:
    """Return what was seen."""
    if look.is_lodged:
        return phrase("diary.flat")
    if look.ground is not None:
        return phrase(f"ground_seen.{look.ground}")
    return look_text(look.stage, look.height, units)


def sample_flaw_text(flaw: SampleFlaw, units: Units) -> str:
    """Return why a sample teaches nothing."""
    return phrase(
        f"sample_flaws.{flaw.flaw.name.lower()}",
        time=flaw.at and time_text(flaw.at, units),
        day=flaw.day and date_text(flaw.day),
        until=flaw.until and time_text(flaw.until, units),
    )


def _cut_sentences(cuts: CutHistory, whole: float, units: Units) -> Iterator[str]:
    yield _last_cut_sentence(cuts)
    if cuts.parts:
        parts = join(_noted_text(field_size_text(cut.area, units), cut.day, cut.note) for cut in cuts.parts)
        left = field_size_text(cuts.standing, units)
        yield phrase("diary.standing", left=left, whole=field_size_text(whole, units), cuts=parts)


def _last_cut_sentence(cuts: CutHistory) -> str:
    if cuts.last_cut is None:
        return phrase("diary.no_whole_cut" if cuts.parts else "diary.no_cut")
    day = date_text(cuts.last_cut)
    if not cuts.last_cut_notes:
        return phrase("diary.cut_by_settings", day=day)
    lines = join(phrase("diary.line_number", number=number) for number in cuts.last_cut_notes)
    if cuts.cut_in_settings:
        return phrase("diary.cut_by_both", day=day, lines=lines, older=date_text(cuts.cut_in_settings))
    return phrase("diary.cut_by_lines", day=day, lines=lines)


def _look_sentences(history: FieldHistory, units: Units) -> Iterator[str]:
    """Yield what was seen of the growth that stands now, and what was seen last of the ground."""
    if history.looks:
        looks = (_noted_text(noted_look_text(look, units), look.day, look.note) for look in history.looks)
        yield phrase("diary.seen", looks=join(looks))
    if history.ground is not None:
        ground = history.ground
        yield phrase("diary.seen_last", look=_noted_text(noted_look_text(ground, units), ground.day, ground.note))


def _noted_text(words: str, day: date, number: int) -> str:
    """Return what was noted with its day and the number of the note."""
    return with_aside(phrase("diary.on", words=words, day=date_text(day)), phrase("diary.line_number", number=number))


def _sample_sentence(sample: SampleReport, units: Units) -> str:
    """Return what a sample told and did, or why it is set aside."""
    reading = phrase(
        "samples.reading",
        water=measured_moisture_text(sample.water),
        day=date_text(sample.at.date()),
        time=time_text(sample.at, units),
        number=sample.note,
    )
    basis = _basis_text(sample.basis, units)
    if sample.moved is None:
        return phrase("samples.set_aside", reading=reading, why=_with_expected_range(basis, sample))
    before, after = (f"{factor:.2f}" for factor in sample.moved)
    moved = phrase(
        "samples.moved", reading=reading, basis=basis, factor=_factor_text(sample), before=before, after=after
    )
    return phrase("samples.old", sample=moved) if sample.is_old else moved


def _with_expected_range(basis: str, sample: SampleReport) -> str:
    """Return why a sample is set aside; of one far off what was expected, what to do about it."""
    if sample.expected is None:
        return basis
    least, most = (f"{end:.2f}" for end in sample.expected)
    return phrase("samples.far_off", basis=basis, factor=_factor_text(sample), least=least, most=most)


def _factor_text(sample: SampleReport) -> str:
    return f"{sample.factor or 0.0:.2f}"


def _basis_text(basis: SampleBasis, units: Units) -> str:
    match basis:
        case ModelWater():
            return _model_water_text(basis, units)
        case KeptFactor():
            return phrase("samples.kept")
        case SampleFlaw():
            return sample_flaw_text(basis, units)
        case GrowthGap() | ImpossibleLook():
            return growth_cause_text(basis, units)
        case StatedCause():
            return basis.text
        case _:
            assert_never(basis)


def _model_water_text(model: ModelWater, units: Units) -> str:
    key = "samples.mown_day_before" if model.is_mown_day_before else "samples.mown"
    mown = phrase(key, time=time_text(model.mown, units))
    mown = mown if model.is_hour_noted else phrase("samples.mown_at_earliest", mown=mown)
    return phrase("samples.model", water=measured_moisture_text(model.water), mown=mown)


def _drying_sentence(drying: DryingSummary) -> str:
    return phrase(
        "samples.drying",
        factor=f"{drying.factor:.2f}",
        spread=f"{100.0 * drying.spread:.0f}",
        before=f"{100.0 * K400_SPREAD:.0f}",
        own=drying.own,
        others=drying.others,
    )
