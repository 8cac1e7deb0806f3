import tomllib

import pytest

from daemon.settings.text.lines import KeyPath, key_lines

TEXT = '''\
# [comment]
top = 1
[farm]  # = "x"
name = "a = [b] # \\" c"
"odd key".'other' = 2.5
notes = """
[work]
hands = 1 ""\\""""
raw = \'\'\'
[[field]]\'\'\'

[work]
season = [
  5, # five
  6,
]
[[field]]
name = 'a'
looks = [{ on = 2026-05-20, stage = "b}" }, { on = 2026-05-21 },
         { on = 2026-05-22T07:00:00 }]
[[field]]
name = "b"
stand = { "tall fescue" = 60.5, mix.alfalfa = 39.5 }
[[field.looks]]
on = 2026-05-20
[[field.looks]]
on = 2026-05-21
[alerts]
[[ alerts . "person" ]]
by = "text"
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("top",), 2),
        (("farm",), 3),
        (("farm", "name"), 4),
        (("farm", "odd key", "other"), 5),
        (("farm", "notes"), 6),
        (("farm", "raw"), 9),
        (("work",), 12),
        (("work", "season", 1), 15),
        (("field", 0), 17),
        (("field", 0, "looks", 0, "stage"), 19),
        (("field", 0, "looks", 2, "on"), 20),
        (("field", 1, "name"), 22),
        (("field", 1, "stand", "tall fescue"), 23),
        (("field", 1, "stand", "mix", "alfalfa"), 23),
        (("field", 1, "looks", 1, "on"), 27),
        (("alerts", "person", 0, "by"), 30),
    ],
)
def test_the_line_of_a_key(path: KeyPath, line: int) -> None:
    assert key_lines(TEXT)[path] == line


def paths(value: object, path: KeyPath = ()) -> set[KeyPath]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {path}.union(*(paths(item, (*path, key)) for key, item in inner))


def test_every_key_of_the_parsed_text_has_a_line_and_no_other() -> None:
    assert set(key_lines(TEXT)) == paths(tomllib.loads(TEXT)) - {(), ("alerts", "person"), ("field",)} - {
        ("field", 1, "looks")
    }


def test_line_ends_of_other_systems() -> None:
    assert key_lines("[a]\r\nb = 1\r\nc = 2\r\n") == {("a",): 1, ("a", "b"): 2, ("a", "c"): 3}
