"""The small server of the status page, and the same page written to a file."""

import socket
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import flask
import jinja2
import waitress
from waitress import wasyncore

from daemon.answers import Link, Links
from daemon.farm import Farm
from daemon.outlook import Morning
from daemon.page.view import (
    PageView,
    age_line,
    care_lines,
    field_cards,
    headline,
    message_rows,
    next_step,
    season_line,
    watch_lines,
)
from daemon.sentences import joined, said
from daemon.units import clock_time, named_day

HEADERS: Final = {
    "Cache-Control": "no-store",  # an advice of yesterday must not come out of a browser's cache
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}

LONGEST_FORM: Final = 1 << 16  # bytes; ours have a few hundred

_TEMPLATES: Final = jinja2.Environment(
    loader=jinja2.PackageLoader("daemon.page"),
    autoescape=True,
    undefined=jinja2.StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_TEMPLATES.globals["said"] = said


def render(view: PageView, links: Mapping[str, Sequence[Link]] = MappingProxyType({})) -> str:
    """Return the status page as HTML, with the links under each field by which it can be answered."""
    here = view.now.astimezone(view.farm.place.timezone)
    weather = view.morning.prospect.weather if view.morning else None
    return _TEMPLATES.get_template("page.html").render(
        farm=view.farm.name,
        headline=headline(view),
        next_step=next_step(view),
        watched=watch_lines(view),
        season=season_line(view),
        beware=care_lines(view),
        age=age_line(view),
        made=joined([named_day(here.date()), clock_time(here, view.farm.units)]),
        made_at=here.isoformat(timespec="minutes"),
        problems=view.problems,
        fields=field_cards(view),
        links=links,
        messages=message_rows(view),
        credit=weather.credit if weather else "",
        note=weather.note if weather else "",
    )


def write_page(view: PageView, path: Path) -> None:
    """Write the status page to a file, whole or not at all."""
    draft = path.with_name(f"{path.name}.new")
    draft.write_text(render(view), encoding="utf-8")
    draft.replace(path)


def create_app(
    view: Callable[[], PageView],
    health: Callable[[], Sequence[str]] | None = None,
    links: Callable[[Farm, Morning], Links] | None = None,
) -> flask.Flask:
    """Return the web application.

    Parameters
    ----------
    view : callable
        Called at each request for what there is to show.
    health : callable, optional
        Called for what is wrong. Left out: the problems of the view.
    links : callable, optional
        Called for the links under each field; see `daemon.answers.Answers.links`. Left out: none.

    Returns
    -------
    flask.Flask
        With ``/``, the page, and ``/health``: 200 and "ok", or 503 and one problem a line.
    """
    app = flask.Flask("daemon.page", static_folder=None)

    @app.get("/")
    def page() -> str:
        shown = view()
        return render(shown, links(shown.farm, shown.morning) if links and shown.morning else {})

    @app.get("/health")
    def tell_health() -> flask.Response:
        problems = health() if health else view().problems
        text = "\n".join(problems or ("ok",)) + "\n"
        return flask.Response(text, status=503 if problems else 200, mimetype="text/plain")

    @app.after_request
    def protect(response: flask.Response) -> flask.Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        return response

    return app


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
            app, map=self._open, sockets=[listener], threads=4, max_request_body_size=LONGEST_FORM
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
