"""What the farm's own record of odds holds, in sentences."""

from daemon.domain.record_summary import OddsBand, RecordSummary
from daemon.words.catalog import join, phrase, plural
from daemon.words.numbers import odds_text


def record_sentences(summary: RecordSummary | None) -> list[str]:
    """Return what the record holds, how honest the odds were and what it does to them; nothing without a record."""
    if summary is None:
        return []
    if not summary.is_readable:
        return [phrase("record.unreadable")]
    if not summary.cases:
        return [phrase("record.empty")]
    bands = join((_band_text(band) for band in summary.bands), by="lists.apart")
    cases, days = plural("record.cases", summary.cases), plural("time.days", summary.days)
    now, example = odds_text(summary.corrected_example), odds_text(summary.example)
    return [
        phrase("record.holds", cases=cases, days=days, bands=bands),
        phrase("record.makes", now=now, odds=example),
    ]


def _band_text(band: OddsBand) -> str:
    return phrase(
        "record.band",
        band=_span_text(band),
        odds=f"{100 * band.odds:.0f}",
        outcome=f"{100 * band.outcome:.0f}",
        cases=plural("record.cases", band.cases),
    )


def _span_text(band: OddsBand) -> str:
    low, high = (f"{10 * end:.0f}" for end in (band.low, band.high))
    if band.low <= 0.0:
        return phrase("record.below", high=high)
    return phrase("record.above", low=low) if band.high >= 1.0 else phrase("record.between", low=low, high=high)
