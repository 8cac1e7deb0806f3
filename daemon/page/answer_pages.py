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

from daemon.diary.answers.links import AnswerRejected, Answers, AnswerTrouble
from daemon.diary.answers.tokens import Answer
from daemon.diary.phrases import describe_note
from daemon.diary.store import NoteKind
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
LOCAL_SUFFIXES: Final = (".local", ".internal", ".home.arpa")  # RFC 6762, ICANN's resolution of 2024, RFC 8375
HTTP_STATUS: Final = {
    AnswerTrouble.FORGED: 400,
    AnswerTrouble.TOLD: 409,
    **dict.fromkeys((AnswerTrouble.WRONG, AnswerTrouble.DRY, AnswerTrouble.WET), 422),
    **dict.fromkeys((AnswerTrouble.NOT_KEPT, AnswerTrouble.CLOCK), 503),
    **dict.fromkeys((AnswerTrouble.USED, AnswerTrouble.EXPIRED, AnswerTrouble.GONE), 410),
}

_TEMPLATES: Final = jinja2.Environment(
    loader=jinja2.PackageLoader("daemon.page"), autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True
)
_TEMPLATES.globals["phrase"] = phrase


@dataclass(frozen=True)
class AnswerPage:
    """What the page says; with a `mark` it has a form, which where `asks_number` has a box, filled in with `number`."""

    lines: tuple[str, ...]
    mark: str = ""
    asks_number: bool = False
    number: str = ""


def answer_blueprint(answers: Answers, farm: Callable[[], Farm]) -> flask.Blueprint:
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
            return _page_response(now, _question_page(now, answers, token))
        except AnswerRejected as error:
            return _refusal_response(now, error)

    @pages.post("/answer/<token>")
    def take(token: str) -> flask.Response:
        now, form = farm(), flask.request.form
        try:
            if not (_is_same_origin(now) and answers.is_marked(token, form.get("mark", ""))):
                return _page_response(now, AnswerPage((_nothing_noted_text("elsewhere"),)), 403)
            percent = form.get("percent", "")
            line, more = answers.record(now, token, percent, sure=percent == form.get("shown", ""))
        except AnswerRejected as error:
            return (
                _ask_again(now, answers, token, error)
                if HTTP_STATUS[error.trouble] == 422
                else _refusal_response(now, error)
            )
        noted = phrase("answer_page.noted", line=describe_note(now, line))
        return _page_response(now, AnswerPage((noted, *more, phrase("answer_page.undo", number=line.id))))

    @pages.after_request
    def protect(response: flask.Response) -> flask.Response:
        response.headers.update(HEADERS)
        return response

    return pages


def _question_page(farm: Farm, answers: Answers, token: str) -> AnswerPage:
    """Return the page with the button; nothing is noted."""
    answer = answers.read_answer(farm, token)
    return AnswerPage(
        (_question_text(farm, answers, answer),), answers.form_mark(token), answer.kind is NoteKind.MOISTURE
    )


def _question_text(farm: Farm, answers: Answers, answer: Answer) -> str:
    if answer.kind is NoteKind.MOISTURE:
        return phrase("answer_page.ask_moisture", field=answer.field)
    return phrase("answer_page.ask", line=describe_note(farm, answers.draft_note(farm, answer)))


def _ask_again(farm: Farm, answers: Answers, token: str, error: AnswerRejected) -> flask.Response:
    """Return the form once more, with what was wrong in it; a number that is only unlikely stands in it again."""
    asked = _question_page(farm, answers, token)
    wrong = _nothing_noted_text(error.trouble.name.lower(), given=error.detail)
    given = "" if error.trouble is AnswerTrouble.WRONG else error.detail
    return _page_response(
        farm, AnswerPage((wrong, *asked.lines), asked.mark, asked.asks_number, given), HTTP_STATUS[error.trouble]
    )


def _refusal_response(farm: Farm, error: AnswerRejected) -> flask.Response:
    return _page_response(
        farm, AnswerPage((_nothing_noted_text(error.trouble.name.lower()),)), HTTP_STATUS[error.trouble]
    )


def _nothing_noted_text(why: str, **places: str) -> str:
    return phrase("answer_page.nothing", why=phrase(f"answer_troubles.{why}", **places))


def _page_response(farm: Farm, page: AnswerPage, status: int = 200) -> flask.Response:
    text = _TEMPLATES.get_template("answer.html").render(farm=farm.name, shown=page)
    return flask.Response(text, status, mimetype="text/html")


def _is_same_origin(farm: Farm) -> bool:
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
    if name == farm.page.host.lower() or _is_private_host(name):
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


def _is_private_host(name: str) -> bool:
    """Return whether a host's name is a number or one that nobody can have in public.

    >>> [_is_private_host(name) for name in ("192.168.1.5", "::1", "localhost", "farm.local", "farm.example.org")]
    [True, True, True, True, False]
    """
    try:
        ip_address(name)
    except ValueError:
        return "." not in name or name.endswith(LOCAL_SUFFIXES)
    return True
