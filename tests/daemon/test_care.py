from pathlib import Path

from daemon.settings import load, show

EXAMPLE = Path(__file__).parents[2] / "config.example.toml"


def test_whom_the_bales_and_the_heat_touch_is_read_and_shown(tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8").replace("cows_kept = false", "cows_kept = true")
    path = tmp_path / "config.toml"
    path.write_text(text, encoding="utf-8")
    farm = load(path)
    assert (farm.horses_fed, farm.cows_kept) == (True, True)
    assert "horses_fed = true\ncows_kept = true\n" in show(farm)
    path.write_text(text.replace("horses_fed = true", "").replace("cows_kept = true", ""), encoding="utf-8")
    assert (load(path).horses_fed, load(path).cows_kept) == (False, False)
    assert "horses_fed = false  # the default\n" in show(load(path))
