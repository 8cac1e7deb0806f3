from tests.faults.settings import files


def test_a_hundred_spoiled_settings_files_are_judged_rightly() -> None:
    found = files(100, seed=26)
    assert found.cases() == []
    assert all(count.of > 12 for count in found.counts())
