from pathlib import Path

import pytest

from daemon.settings import SettingsError
from daemon.settings.reload import SettingsFile

ROOT = Path(__file__).parents[3]
GOOD = (ROOT / "config.example.toml").read_text(encoding="utf-8")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "config.toml"
    file.write_text(GOOD, encoding="utf-8")
    return file


def test_a_file_that_stays_the_same_is_read_once(path: Path) -> None:
    settings = SettingsFile(path)
    assert not settings.reload_if_changed()
    settings.request_reload()
    assert settings.reload_if_changed(), "asked for by a signal"
    assert not settings.reload_if_changed()


def settled(settings: SettingsFile) -> bool:
    """Look at the file until it has stayed the same from one look to the next."""
    return settings.reload_if_changed() or settings.reload_if_changed()


def test_a_file_that_is_being_written_is_not_read_until_it_stays_the_same(path: Path) -> None:
    settings = SettingsFile(path)
    for half in ("", GOOD[:100], GOOD[:2000]):
        path.write_text(half, encoding="utf-8")
        assert not settings.reload_if_changed()
    path.write_text(GOOD.replace("area = 12 ", "area = 13 "), encoding="utf-8")
    assert not settings.reload_if_changed()
    assert settings.reload_if_changed()
    assert settings.mistakes == ()


def test_a_good_edit_is_taken_up(path: Path) -> None:
    settings = SettingsFile(path)
    path.write_text(GOOD.replace("area = 12 ", "area = 13 "), encoding="utf-8")
    assert settled(settings)
    assert settings.farm.fields[0].area == pytest.approx(13 * 0.40468564224)
    assert settings.mistakes == ()


def test_a_bad_edit_keeps_the_former_farm_and_names_the_mistakes_until_it_is_put_right(path: Path) -> None:
    settings = SettingsFile(path)
    before = settings.farm
    path.write_text(GOOD.replace("hands = 2", "hands = -3").replace("area = 12 ", 'area = "big" '), encoding="utf-8")
    assert settled(settings)
    assert settings.farm is before
    assert len(settings.mistakes) == 2
    assert "hands: given -3" in settings.mistakes[0]
    assert not settled(settings), "it is told once"
    path.write_text(GOOD, encoding="utf-8")
    assert settled(settings)
    assert settings.farm == before
    assert not settings.mistakes


def test_a_file_that_is_gone_for_a_moment_is_a_mistake_and_no_end(path: Path) -> None:
    settings = SettingsFile(path)
    path.unlink()
    assert settled(settings)
    assert "a path where there is no file" in settings.mistakes[0]
    beside = path.with_name("new.toml")
    beside.write_text(GOOD, encoding="utf-8")
    beside.replace(path)  # as editors save
    assert settled(settings)
    assert settings.mistakes == ()


def test_mistakes_at_the_start_are_an_end(path: Path) -> None:
    path.write_text("[farm]\n", encoding="utf-8")
    with pytest.raises(SettingsError):
        SettingsFile(path)
