import re
from pathlib import Path

from daemon.domain.farm import Channel, Traction
from daemon.settings import check, effective_settings_text, load, option_table, options

ROOT = Path(__file__).parents[3]
EXAMPLE = ROOT / "config.example.toml"
README = ROOT / "README.md"


def options_in(text: str) -> set[str]:
    """Return the options that an example names, whether they are given or left out with a # in front."""
    found, section = set(), ""
    for line in text.splitlines():
        if head := re.match(r"(?:# )?\[+([a-z.]+)\]+$", line):
            section = head[1]
        elif option := re.match(r"(?:# )?([a-z_]+) = ", line):
            found.add(f"{section}.{option[1]}")
            inner = re.findall(r"[{,] ([a-z]+) = ", line) if option[1] == "looks" else []
            found.update(f"{section}.looks.{key}" for key in inner)
        elif line.startswith("  {"):
            found.update(f"{section}.looks.{key}" for key in re.findall(r"[{,] ([a-z]+) = ", line))
    return found - {"field.looks"}


def test_the_example_is_clean(tmp_path: Path) -> None:
    path = tmp_path / "config.toml"
    path.write_bytes(EXAMPLE.read_bytes())
    path.chmod(0o640)  # as it is to be installed: others may not read its secrets
    assert str(check(path)) == ""


def test_the_example_farm() -> None:
    farm = load(EXAMPLE)
    assert [field.name for field in farm.fields] == ["North meadow", "Creek flat", "Hill piece"]
    assert [person.channel for person in farm.alerts.people] == [Channel.TEXT, Channel.EMAIL]
    assert farm.work.traction is Traction.HORSES
    assert "password" not in effective_settings_text(farm)


def test_a_species_of_the_example_may_be_taken_in(tmp_path: Path) -> None:
    before, head, rest = EXAMPLE.read_text(encoding="utf-8").partition("# [[species]]\n")
    species, gap, fields = rest.partition("\n\n")
    path = tmp_path / "config.toml"
    text = before + head[2:] + species.replace("# ", "", 1).replace("\n# ", "\n") + gap + fields
    path.write_text(text.replace('stand = "orchardgrass"', 'stand = "late timothy"'), encoding="utf-8")
    farm = load(path)
    assert farm.fields[0].stand == {"late timothy": 1.0}
    assert farm.species["late timothy"].ndf_mark == 540.0


def test_the_example_holds_every_option_and_no_other() -> None:
    assert options_in(EXAMPLE.read_text(encoding="utf-8")) == {option.name for option in options()}


def test_the_example_says_the_default_of_every_option_that_has_one() -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    for option in options():
        key = option.name.rpartition(".")[2]
        if option.default not in ("required", "none", "[]"):
            line = next(line for line in text.splitlines() if re.match(rf"(# )?{key} = ", line))
            number = re.sub(r'[":]|:00', "", option.default.split(" or ")[0].split(" ")[0])
            after = text[text.index(line) :].split("\n\n")[0].replace(":", "").replace('"', "")
            assert re.search(rf"Default {re.escape(number)}", after), option


def test_the_table_has_a_row_for_every_option() -> None:
    rows = option_table().splitlines()
    assert rows[:2] == ["| option | unit | default | meaning |", "|---|---|---|---|"]
    assert len(rows) == 2 + len(options())
    assert all(row.count("|") == 5 for row in rows)
    assert (
        "| `work.worth_hitching_for` | acres or ha | 2 acres or 0.8094 ha "
        "| less is not worth mowing, unless it is the whole of a field |" in rows
    )


def test_the_readme_holds_the_same_table() -> None:
    if not README.exists():
        return  # nothing to drift from yet
    text = README.read_text(encoding="utf-8")
    assert text.split("<!-- options -->")[1].strip() == option_table()
