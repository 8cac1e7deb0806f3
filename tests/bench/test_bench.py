"""The bench runs and prints what it promises; how fast it is, no test asks."""

import pytest

from tests.bench.__main__ import show_here


def test_figures_are_printed(capsys: pytest.CaptureFixture[str]) -> None:
    show_here((2400,), fields=1, members=5, days=1)
    printed = capsys.readouterr().out
    for what in ("a*b+c", "refet", "pyfao56", "pyet", "swath", "whole pass", "field days with an area, mark"):
        assert what in printed, what
