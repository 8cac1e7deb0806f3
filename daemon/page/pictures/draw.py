"""The pictures of the page and the email, drawn in a process of its own that ends with the picture.

``python -m daemon.page.pictures.draw`` reads one sheet as JSON and writes one SVG or PNG. The library that draws is
loaded here and only when something is drawn; it would stay in the service's memory for ever otherwise.
"""

import json
import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Points = tuple[float, float, float]  # low, middle, high
Tick = tuple[float, str]

SVG: Final = "svg"
PNG: Final = "png"
WIDTH: Final = 320.0  # [px] of the drawing: a narrow telephone's, so that its words are as large as there is room for
FONT_SIZE: Final = 15.0  # [px]
EMAIL_WIDTH: Final = 600.0  # [px]
COLOURS: Final = 32  # of an email's picture
INK, SOFT, LINE, BAND, MARK, WATER, PAPER = "#20211c", "#56554a", "#b9b5a5", "#dcd6c1", "#2f5230", "#3d6a8a", "#faf8f2"
#: The same inks by the names and on the ground of the page's dark dress.
DARK_INKS: Final = {
    INK: "#ecebe2",
    SOFT: "#b9b7aa",
    LINE: "#565749",
    BAND: "#444a3c",
    MARK: "#a9cda5",
    WATER: "#8fbcdc",
}
INK_NAMES: Final = {INK: "ink", SOFT: "soft", LINE: "line", BAND: "band", MARK: "mark", WATER: "water"}
WATER_TICKS: Final = (20.0, 40.0, 60.0, 80.0)  # % water
FIT_LABEL_HOURS: Final = 6.0  # [h] that the words beside the wanted water take
FULL_SUN: Final = 1000.0  # [W/m2]


@dataclass(frozen=True)
class DryingSheet:
    """What is drawn of a day's drying; hours are counted from the picture's left edge, `words` are the farm's.

    `water` [%] stands at the ends of the hours, None before anything is mown, `rain` [1] and `sun` [W/m2] are of the
    hours. `fit` [%] is the water at which bales are to be made, `baling` its hours and `raking` its beginning;
    `cut_with` [%] is the water at mowing.
    """

    water: Sequence[Points | None]
    rain: Sequence[float]
    sun: Sequence[float]
    ticks: Sequence[Tick]
    mown: float
    fit: tuple[float, float]
    raking: float | None
    baling: tuple[float, float] | None
    words: dict[str, str]
    cut_with: Points | None = None


@dataclass(frozen=True)
class GrowthSheet:
    """What is drawn of a stand's coming days.

    `days` are counted from today, `fibre` [% of DM] is that of each, `best` the span at which it should be cut, and
    `good` are those of the days on which it may be mown.
    """

    days: Sequence[float]
    fibre: Sequence[Points]
    ticks: Sequence[Tick]
    best: tuple[float, float]
    good: Sequence[float]
    words: dict[str, str]


Sheet = DryingSheet | GrowthSheet
SHEETS_BY_NAME: Final = {one.__name__: one for one in (DryingSheet, GrowthSheet)}


def sheet_json(sheet: Sheet, form: str) -> str:
    """Return what the drawing process reads."""
    return json.dumps({"kind": type(sheet).__name__, "form": form, "sheet": asdict(sheet)}, allow_nan=False)


def draw_picture(order: str) -> bytes:
    """Return the picture that was ordered.

    Parameters
    ----------
    order : str
        From `sheet_json`.

    Returns
    -------
    bytes
        An SVG that takes on the page's dark dress by itself, its words as text; or a PNG 600 px wide.
    """
    given = json.loads(order)
    sheet = SHEETS_BY_NAME[given["kind"]](**given["sheet"])
    figure = _draw_drying(sheet) if isinstance(sheet, DryingSheet) else _draw_growth(sheet)
    return _svg_bytes(figure) if given["form"] == SVG else _png_bytes(figure)


def _draw_drying(sheet: DryingSheet) -> "Figure":
    figure, (water, rain, sun) = _new_figure(280.0, (5.0, 1.1, 1.1))
    _draw_band(water, _water_curve(sheet), WATER)
    _draw_target(water, sheet.fit)
    # Where the curve is not, and beside the line of mowing.
    after = sheet.mown < FIT_LABEL_HOURS
    _draw_label(
        water, sheet.mown + 0.15 if after else 0.1, sheet.fit[0] - 1.0, sheet.words["fit"], MARK, ha="left", va="top"
    )
    _draw_work(water, sheet)
    water.set_ylim(15.0, 101.0)
    water.set_yticks(WATER_TICKS)
    hours = [hour + 0.5 for hour in range(len(sheet.rain))]
    rain.bar(hours, sheet.rain, width=0.8, color=WATER, edgecolor=WATER, hatch="////")
    shares = [min(one / FULL_SUN, 1.0) for one in sheet.sun]
    sun.bar(hours, shares, width=0.8, color=BAND, edgecolor=SOFT, linewidth=0.8)
    for axes, name in ((water, "water"), (rain, "rain"), (sun, "sun")):
        _set_title(axes, sheet.words[name])
        axes.set_xlim(0.0, float(len(sheet.rain)))
    for axes in (rain, sun):
        axes.set_ylim(0.0, 1.0)
    rain.set_yticks([0.5], [_escape_math(sheet.words["half"])])
    sun.set_yticks([])
    _set_ticks(sun, sheet.ticks)
    return figure


def _water_curve(sheet: DryingSheet) -> list[tuple[float, Points]]:
    """Return the water from mowing on, hour by hour."""
    ends = [(float(end), points) for end, points in enumerate(sheet.water, start=1) if points is not None]
    begun = ends and ends[0][0] <= sheet.mown
    return ends if begun or sheet.cut_with is None else [(sheet.mown, sheet.cut_with), *ends]


def _draw_work(axes: "Axes", sheet: DryingSheet) -> None:
    """Draw when it is mown, raked and baled."""
    marks = [(sheet.mown, "mow"), *([(sheet.raking, "rake")] if sheet.raking is not None else [])]
    for hour, name in marks:
        axes.axvline(hour, color=SOFT, linewidth=1.0, linestyle=(0, (4, 2)))
        _draw_label(axes, hour + 0.15, 101.0, sheet.words[name], SOFT, ha="left", va="top")
    if sheet.baling is not None:
        begin, end = sheet.baling
        axes.barh(18.0, end - begin, left=begin, height=5.0, color=MARK)
        _draw_label(axes, begin, 21.0, sheet.words["bale"], MARK, ha="left", va="bottom")


def _draw_growth(sheet: GrowthSheet) -> "Figure":
    figure, (axes,) = _new_figure(230.0, (1.0,))
    _draw_band(axes, list(zip(sheet.days, sheet.fibre, strict=True)), SOFT)
    _draw_target(axes, sheet.best)
    low = min(sheet.best[0], *(points[0] for points in sheet.fibre)) - 4.0
    high = max(sheet.best[1], *(points[2] for points in sheet.fibre)) + 3.0
    _draw_label(axes, sheet.days[0] - 0.4, sheet.best[1] + 0.2, sheet.words["best"], MARK, ha="left", va="bottom")
    axes.plot(sheet.good, [low + 1.0] * len(sheet.good), linestyle="none", marker="D", markersize=7.0, color=MARK)
    if sheet.good:
        side = "left" if sheet.good[0] < (sheet.days[0] + sheet.days[-1]) / 2.0 else "right"
        _draw_label(axes, sheet.good[0], low + 1.8, sheet.words["good"], MARK, ha=side, va="bottom")
    axes.set_ylim(low, high)
    axes.locator_params(axis="y", integer=True, nbins=5)
    axes.set_xlim(sheet.days[0] - 0.5, sheet.days[-1] + 0.5)
    _set_title(axes, sheet.words["fibre"])
    _set_ticks(axes, sheet.ticks)
    return figure


def _new_figure(height: float, parts: tuple[float, ...]) -> "tuple[Figure, Sequence[Axes]]":
    """Return a figure, in which one point is one pixel, and its panels from above."""
    import matplotlib as mpl  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    mpl.rcdefaults()
    mpl.rcParams.update(
        {"font.size": FONT_SIZE, "svg.fonttype": "none", "svg.hashsalt": "sheet", "hatch.linewidth": 0.8}
    )
    figure = Figure(figsize=(WIDTH / 72.0, height / 72.0), layout="constrained")
    panels = figure.subplots(len(parts), 1, sharex=True, squeeze=False, height_ratios=list(parts))[:, 0]
    for axes in panels:
        axes.spines[["top", "right"]].set_visible(False)
        axes.spines[["left", "bottom"]].set_color(LINE)
        axes.tick_params(colors=SOFT, length=0.0)
        axes.set_facecolor("none")
    return figure, list(panels)


def _draw_band(axes: "Axes", points: Sequence[tuple[float, Points]], ink: str) -> None:
    """Draw a range with its middle."""
    at = [where for where, _ in points]
    axes.fill_between(at, [one[0] for _, one in points], [one[2] for _, one in points], color=BAND, linewidth=0.0)
    for end in (0, 2):  # a line on either side, for the fill stands out little
        axes.plot(at, [one[end] for _, one in points], color=SOFT, linewidth=0.8)
    axes.plot(at, [one[1] for _, one in points], color=ink, linewidth=2.5)


def _draw_target(axes: "Axes", span: tuple[float, float]) -> None:
    """Draw the span in which a line should lie."""
    axes.axhspan(*span, facecolor="none", edgecolor=MARK, hatch="\\\\", linewidth=0.0)
    for edge in span:
        axes.axhline(edge, color=MARK, linewidth=1.0)


def _draw_label(axes: "Axes", x: float, y: float, words: str, ink: str, **where: Any) -> None:
    axes.text(x, y, _escape_math(words), color=ink, fontsize=FONT_SIZE, **where)


def _set_title(axes: "Axes", words: str) -> None:
    axes.set_title(_escape_math(words), loc="left", color=INK, fontsize=FONT_SIZE, pad=4.0)


def _set_ticks(axes: "Axes", ticks: Sequence[Tick]) -> None:
    axes.set_xticks([at for at, _ in ticks], [_escape_math(words) for _, words in ticks])


def _escape_math(words: str) -> str:
    """Return words without what would be set as mathematics."""
    return words.replace("$", r"\$")


def _svg_bytes(figure: "Figure") -> bytes:
    out = BytesIO()
    figure.savefig(
        out, format=SVG, transparent=True, metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
    )
    text = out.getvalue().decode()
    slim: tuple[tuple[str, str | Callable[[re.Match[str]], str]], ...] = (
        (r"<\?xml.*?\?>|<!DOCTYPE[^>]*>|<!--.*?-->|<metadata>.*?</metadata>", ""),
        (r"'DejaVu Sans'(, [^;\"]*)?", "system-ui, sans-serif"),
        (r" transform=\"rotate\(-?0 [^\"]*\"", ""),
        (r"(\d+\.\d)\d+", r"\1"),  # a tenth of a pixel is enough
        (r"<g id=\"[^\"]*\">", "<g>"),
        (r"\s*\n\s*", "\n"),
        ("|".join(INK_NAMES), lambda found: f"var(--{INK_NAMES[found[0]]})"),
    )
    for pattern, instead in slim:
        text = re.sub(pattern, instead, text, flags=re.DOTALL)
    return text.replace("<defs>", f"<style>{_ink_css()}</style><defs>", 1).strip().encode()


def _ink_css() -> str:
    light = "".join(f"--{name}:{ink};" for ink, name in INK_NAMES.items())
    dark = "".join(f"--{name}:{DARK_INKS[ink]};" for ink, name in INK_NAMES.items())
    return f":root{{{light}}}@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}"


def _png_bytes(figure: "Figure") -> bytes:
    from PIL import Image  # noqa: PLC0415

    out = BytesIO()
    figure.savefig(out, format=PNG, dpi=72.0 * EMAIL_WIDTH / WIDTH, facecolor=PAPER)
    slim = BytesIO()
    Image.open(out).convert("RGB").convert("P", palette=Image.Palette.ADAPTIVE, colors=COLOURS).save(
        slim, PNG, optimize=True
    )
    return slim.getvalue()


def main() -> None:
    """Draw what standard input orders to standard output."""
    sys.stdout.buffer.write(draw_picture(sys.stdin.read()))


if __name__ == "__main__":
    main()
