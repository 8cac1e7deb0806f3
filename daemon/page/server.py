"""The small server of the status page, and the same page written to a file."""

import socket
import threading
from base64 import b64encode
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final
from wsgiref.types import StartResponse, WSGIEnvironment

import flask
import jinja2
import waitress
from waitress import wasyncore

from daemon.diary.answers.links import Link, Links
from daemon.domain.advice import Morning
from daemon.domain.farm import Farm
from daemon.domain.snapshot import Snapshot
from daemon.domain.underway import first_pictured_field
from daemon.page.field import drying_section, field_cards, field_page, field_sheet
from daemon.page.message_rows import message_rows
from daemon.page.pictures.draw import SVG, sheet_json
from daemon.page.pictures.render import DrawingFailed, PictureCache, run_drawing
from daemon.page.pictures.sheets import drying_sheet
from daemon.page.today import (
    as_of_line,
    caution_lines,
    next_step,
    order_lines,
    season_line,
    watch_lines,
    weather_age_line,
    work_rows,
)
from daemon.words.catalog import Catalog, capitalize_first, english, join, phrase, use_catalog
from daemon.words.no_break import add_no_break_spaces
from daemon.words.numbers import day_text, time_text
from daemon.words.today import headline

HEADERS: Final = {
    "Cache-Control": "no-store",  # an advice of yesterday must not come out of a browser's cache
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'unsafe-inline'; img-src 'self'; "
        "form-action 'none'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}

MAX_FORM_BYTES: Final = 1 << 16  # bytes; ours have a few hundred
IDLE_TIMEOUT: Final = 20  # [s] after which a visitor who says nothing makes room; waitress takes a hundred at once

_TEMPLATES: Final = jinja2.Environment(
    loader=jinja2.PackageLoader("daemon.page"),
    autoescape=True,
    undefined=jinja2.StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_TEMPLATES.globals["phrase"] = phrase
_TEMPLATES.filters["capital"] = capitalize_first


def render_page(
    snapshot: Snapshot,
    links: Mapping[str, Sequence[Link]] = MappingProxyType({}),
    *,
    drying_source: str = "",
    served: bool = False,
) -> str:
    """Return the status page as HTML.

    Parameters
    ----------
    snapshot : PageView
    links : mapping, optional
        By which what is on today can be answered, for each field.
    drying_source : str, optional
        Where the picture of the first field to mow is. Left out: the page goes without, and says the same in words.
    served : bool, optional
        Whether there is a page for each field.
    """
    first = first_pictured_field(snapshot.morning) if snapshot.morning and work_rows(snapshot) else None
    html = _TEMPLATES.get_template("page.html").render(
        **_common_context(snapshot),
        headline=headline(snapshot),
        next_step=next_step(snapshot),
        told=(*order_lines(snapshot), *watch_lines(snapshot)),
        work=work_rows(snapshot),
        season=season_line(snapshot),
        stood=as_of_line(snapshot),
        beware=caution_lines(snapshot),
        problems=snapshot.problems,
        drying=drying_section(snapshot, first) if first else None,
        drying_source=drying_source,
        fields=field_cards(snapshot),
        links=links,
        messages=message_rows(snapshot.farm, snapshot.messages),
        served=served,
    )
    return add_no_break_spaces(html)


def render_field(
    snapshot: Snapshot, number: int, links: Mapping[str, Sequence[Link]] = MappingProxyType({})
) -> str | None:
    """Return the page of a field as HTML, by its place in the settings from 1 on; None if there is none."""
    shown = field_page(snapshot, number)
    if shown is None:
        return None
    return add_no_break_spaces(
        _TEMPLATES.get_template("field.html").render(**_common_context(snapshot), field=shown, links=links)
    )


def _common_context(snapshot: Snapshot) -> dict[str, str]:
    """Return what stands on every page."""
    here = snapshot.now.astimezone(snapshot.farm.place.timezone)
    weather = snapshot.morning.prospect.weather if snapshot.morning else None
    return {
        "farm": snapshot.farm.name,
        "age": weather_age_line(snapshot),
        "made": join([day_text(here.date()), time_text(here, snapshot.farm.units)]),
        "made_at": here.isoformat(timespec="minutes"),
        "credit": weather.credit if weather else "",
        "note": weather.note if weather else "",
    }


def write_page(snapshot: Snapshot, path: Path) -> None:
    """Write the status page to a file, whole or not at all, with its picture in it."""
    draft = path.with_name(f"{path.name}.new")
    draft.write_text(render_page(snapshot, drying_source=_picture_data_url(snapshot)), encoding="utf-8")
    draft.replace(path)


def _picture_data_url(snapshot: Snapshot) -> str:
    """Return the picture of the first field to mow as an address that holds it, empty where there is none."""
    field = first_pictured_field(snapshot.morning) if snapshot.morning else None
    sheet = drying_sheet(snapshot.farm, field) if field else None
    if sheet is None:
        return ""
    try:
        return f"data:image/svg+xml;base64,{b64encode(run_drawing(sheet_json(sheet, SVG))).decode()}"
    except DrawingFailed:
        return ""


def create_app(
    current_snapshot: Callable[[], Snapshot],
    health: Callable[[], Sequence[str]] | None = None,
    links: Callable[[Farm, Morning], Links] | None = None,
    pictures: PictureCache | None = None,
    catalog: Catalog | None = None,
) -> flask.Flask:
    """Return the web application.

    Parameters
    ----------
    current_snapshot : callable
        Called at each request for what there is to show.
    health : callable, optional
        Called for what is wrong. Left out: the problems of the view.
    links : callable, optional
        Called for the links under each field; see `daemon.diary.answers.links.Answers.links`. Left out: none.
    pictures : PictureCache, optional
        What draws.
    catalog : Catalog, optional
        The farm's sentences, for whatever a request makes of them. Left out: English.

    Returns
    -------
    flask.Flask
        With ``/``, the page; ``/field/3``, the page of the third field, and ``/field/3/drying.svg`` and
        ``/field/3/growth.svg``, its pictures: 503 where one cannot be drawn; ``/health``: 200 and "ok", or 503 and one
        problem a line.
    """
    app = flask.Flask("daemon.page", static_folder=None)
    _answer_in_language(app, catalog or english())

    def answers(shown: Snapshot) -> Links:
        return links(shown.farm, shown.morning) if links and shown.morning else {}

    @app.get("/")
    def page() -> str:
        shown = current_snapshot()
        first = first_pictured_field(shown.morning) if shown.morning else None
        names = [field.name for field in shown.morning.prospect.fields] if shown.morning else []
        drying = f"field/{names.index(first.name) + 1}/drying.svg" if first else ""
        return render_page(shown, answers(shown), drying_source=drying, served=True)

    app.register_blueprint(_field_blueprint(current_snapshot, answers, pictures or PictureCache()))

    @app.errorhandler(404)
    def gone(error: Exception) -> tuple[str, int]:
        nothing = dict.fromkeys(("farm", "age", "made", "made_at", "credit", "note"), "")
        return _TEMPLATES.get_template("gone.html").render(nothing), 404

    @app.get("/health")
    def tell_health() -> flask.Response:
        problems = health() if health else current_snapshot().problems
        text = "\n".join(problems or ("ok",)) + "\n"
        return flask.Response(text, status=503 if problems else 200, mimetype="text/plain")

    @app.after_request
    def protect(response: flask.Response) -> flask.Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        return response

    return app


def _answer_in_language(app: flask.Flask, catalog: Catalog) -> None:
    """Let every request take its sentences from a catalog, whichever thread answers it."""
    answer = app.wsgi_app

    def wsgi_app(environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        with use_catalog(catalog):
            return answer(environ, start_response)

    app.wsgi_app = wsgi_app  # type: ignore[method-assign]


def _field_blueprint(
    current_snapshot: Callable[[], Snapshot], answers: Callable[[Snapshot], Links], pictures: PictureCache
) -> flask.Blueprint:
    """Return what is served below ``/field/``."""
    pages = flask.Blueprint("fields", __name__)

    @pages.get("/field/<int:number>")
    def field(number: int) -> str:
        shown = current_snapshot()
        return render_field(shown, number, answers(shown)) or flask.abort(404)

    @pages.get("/field/<int:number>/<any(drying, growth):kind>.svg")
    def picture(number: int, kind: str) -> flask.Response:
        shown = current_snapshot()
        sheet = field_sheet(shown, number, kind)
        if sheet is None:
            flask.abort(404)
        try:
            return flask.Response(pictures.svg(sheet, shown.now), mimetype="image/svg+xml")
        except DrawingFailed:
            flask.abort(503)

    return pages


class PageServer:
    """The page on its own thread, from the moment it is made.

    Parameters
    ----------
    app : flask.Flask
        What is served.
    host, port
        Where; port 0 takes a free one.

    Raises
    ------
    OSError
        If the address cannot be had.
    """

    def __init__(self, app: flask.Flask, host: str, port: int) -> None:
        # Bound here, because waitress leaves its socket open when it cannot bind.
        six = ":" in host
        listener = socket.create_server((host, port), family=socket.AF_INET6 if six else socket.AF_INET)
        self._open: dict[int, Any] = {}
        self._server = waitress.create_server(
            app,
            map=self._open,
            sockets=[listener],
            threads=4,
            max_request_body_size=MAX_FORM_BYTES,
            channel_timeout=IDLE_TIMEOUT,
            cleanup_interval=IDLE_TIMEOUT // 2,
        )
        self.address = f"http://{f'[{host}]' if six else host}:{listener.getsockname()[1]}/"
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop serving and close every connection."""
        self._stop.set()
        self._server.pull_trigger()
        self._thread.join()
        self._server.task_dispatcher.shutdown()
        wasyncore.close_all(self._open)

    def _run(self) -> None:
        # One turn at a time, since waitress's own loop ends only when its last visitor has gone.
        while not self._stop.is_set():
            wasyncore.loop(timeout=1.0, use_poll=True, map=self._open, count=1)
