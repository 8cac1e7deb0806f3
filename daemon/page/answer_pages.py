"""The pages that a link for an answer opens: one sentence and one button; only the button changes anything.

Notes
-----
Programs that look through mail open every link in it, so that opening one changes nothing. The form that it opens is
sent with a mark which only who opened it has, and only from that page.

References
----------
RFC 9110, HTTP Semantics, 9.2.1. W3C, Fetch Metadata Request Headers.
"""

from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import ip_address
from typing import Final
from urllib.parse import urlsplit

import flask
import jinja2

from daemon.diary.answers.links import Answer, Answers, NotTaken, Trouble
from daemon.diary.phrases import line_words
from daemon.diary.store import LineKind
from daemon.domain.farm import Farm
from daemon.words.catalog import phrase

HEADERS: Final = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    # Not "no-referrer", by which a browser hides from us too where a form came from.
    "Referrer-Policy": "same-origin",
    "X-Frame-Options": "DENY",
    "X-Robots-Tag": "noindex",
}
HOUSE_NAMES: Final = (".local", ".internal", ".home.arpa")  # RFC 6762, ICANN's resolution of 2024, RFC 8375
STATUS: Final = {
    Trouble.FORGED: 400,
    Trouble.TOLD: 409,
    **dict.fromkeys((Trouble.WRONG, Trouble.DRY, Trouble.WET), 422),
    **dict.fromkeys((Trouble.NOT_KEPT, Trouble.CLOCK), 503),
    **dict.fromkeys((Trouble.USED, Trouble.EXPIRED, Trouble.GONE), 410),
}

_TEMPLATES: Final = jinja2.Environment(
    loader=jinja2.PackageLoader("daemon.page"), autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True
)
_TEMPLATES.globals["phrase"] = phrase


@dataclass(frozen=True)
class Shown:
    """What the page says; with a `mark` it has the form, and `asks` in it for a number, which may be `given` before."""

    lines: tuple[str, ...]
    mark: str = ""
    asks: bool = False
    given: str = ""


def answering(answers: Answers, farm: Callable[[], Farm]) -> flask.Blueprint:
    """Return what is served below ``/answer/``.

    Parameters
    ----------
    answers : Answers
    farm : callable
        Called at each request for the settings of now; without an address in them there is nothing here.

    Returns
    -------
    flask.Blueprint
        ``/answer/<token>``: GET shows what would be noted and a button, POST notes it. 200; 400 for a token that is not
        ours, 403 for a form from elsewhere, 404 without an address, 409 for what the diary says already, 410 for one
        that is used or too old, 422 for a number that is none, 503 where the diary takes nothing or the clock is
        behind.
    """
    pages = flask.Blueprint("answering", __name__)

    @pages.before_request
    def only_with_an_address() -> None:
        if farm().page.address is None:
            flask.abort(404)

    @pages.get("/answer/<token>")
    def ask(token: str) -> flask.Response:
        now = farm()
        try:
            return _page(now, _asked(now, answers, token))
        except NotTaken as error:
            return _refused(now, error)

    @pages.post("/answer/<token>")
    def take(token: str) -> flask.Response:
        now, form = farm(), flask.request.form
        try:
            if not (_is_from_here(now) and answers.is_marked(token, form.get("mark", ""))):
                return _page(now, Shown((_nothing("elsewhere"),)), 403)
            percent = form.get("percent", "")
            line, more = answers.note(now, token, percent, sure=percent == form.get("shown", ""))
        except NotTaken as error:
            return _again(now, answers, token, error) if STATUS[error.trouble] == 422 else _refused(now, error)
        noted = phrase("answer_page.noted", line=line_words(now, line))
        return _page(now, Shown((noted, *more, phrase("answer_page.undo", number=line.id))))

    @pages.after_request
    def protect(response: flask.Response) -> flask.Response:
        response.headers.update(HEADERS)
        return response

    return pages


def _asked(farm: Farm, answers: Answers, token: str) -> Shown:
    """Return the page with the button; nothing is noted."""
    answer = answers.read(farm, token)
    return Shown((_question(farm, answers, answer),), answers.mark(token), answer.kind is LineKind.MOISTURE)


def _question(farm: Farm, answers: Answers, answer: Answer) -> str:
    if answer.kind is LineKind.MOISTURE:
        return phrase("answer_page.ask_moisture", field=answer.field)
    return phrase("answer_page.ask", line=line_words(farm, answers.line(farm, answer)))


def _again(farm: Farm, answers: Answers, token: str, error: NotTaken) -> flask.Response:
    """Return the form once more, with what was wrong in it; a number that is only unlikely stands in it again."""
    asked = _asked(farm, answers, token)
    wrong = _nothing(error.trouble.name.lower(), given=error.why)
    given = "" if error.trouble is Trouble.WRONG else error.why
    return _page(farm, Shown((wrong, *asked.lines), asked.mark, asked.asks, given), STATUS[error.trouble])


def _refused(farm: Farm, error: NotTaken) -> flask.Response:
    return _page(farm, Shown((_nothing(error.trouble.name.lower()),)), STATUS[error.trouble])


def _nothing(why: str, **places: str) -> str:
    return phrase("answer_page.nothing", why=phrase(f"answer_troubles.{why}", **places))


def _page(farm: Farm, shown: Shown, status: int = 200) -> flask.Response:
    text = _TEMPLATES.get_template("answer.html").render(farm=farm.name, shown=shown)
    return flask.Response(text, status, mimetype="text/html")


def _is_from_here(farm: Farm) -> bool:
    """Return whether a request may come from a page of ours; what says nothing of it has the form's mark to show.

    Notes
    -----
    A name that somebody else made lead to this machine is none of ours: only the settings', numbers and such as nobody
    can have in public.
    """
    headers = flask.request.headers
    if headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
        return False
    source, own = headers.get("Origin") or headers.get("Referer"), _own_origins(farm)
    return flask.request.host.lower() in {host for _, host in own} if source is None else _origin(source) in own


def _own_origins(farm: Farm) -> set[tuple[str, str]]:
    """Return the origins under which the form is reached: the public one, and where the page is bound."""
    request, own = flask.request, {_origin(farm.page.address or "")}
    name = urlsplit(f"//{request.host}").hostname or ""
    if name == farm.page.host.lower() or _is_of_the_house(name):
        own.add((request.scheme, request.host.lower()))
    return own


def _origin(address: str) -> tuple[str, str]:
    """Return the scheme and the host of an address, with its port unless that is the usual one.

    >>> _origin("https://Mowing.example.org:443/answer"), _origin("null")
    (('https', 'mowing.example.org'), ('', ''))
    """
    try:
        parts = urlsplit(address.lower())
        usual = {"http": 80, "https": 443}.get(parts.scheme)
        return parts.scheme, parts.netloc.removesuffix(f":{usual}") if parts.port == usual else parts.netloc
    except ValueError:
        return "", ""


def _is_of_the_house(name: str) -> bool:
    """Return whether a host's name is a number or one that nobody can have in public.

    >>> [_is_of_the_house(name) for name in ("192.168.1.5", "::1", "localhost", "farm.local", "farm.example.org")]
    [True, True, True, True, False]
    """
    try:
        ip_address(name)
    except ValueError:
        return "." not in name or name.endswith(HOUSE_NAMES)
    return True
