"""What several test files share."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser import FLAGS

LONG = """
    advice answer armfit arms3d barline benchmark beside block blockpages calibrate cli compare desk
    desk_pages finder frames generator jointnet kills lens list measures notebooks on_clips pairset
    photo kinds_of_bar pipeline placemap places plate report setrows stills touchup training
"""
"""Test modules that read clips, make many bodies, or start browsers and programs."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark as quick what is neither slow nor in a long module; those mark some by themselves.

    Long modules come first, so that short ones are left for the worker that is done earlier.
    """

    def is_short(item: pytest.Item) -> bool:
        return item.path.stem.removeprefix("test_") not in LONG.split()

    for item in filter(is_short, items):
        if not item.get_closest_marker("slow"):
            item.add_marker(pytest.mark.quick)
    items.sort(key=is_short)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    programs = [
        next(filter(None, map(shutil.which, names)), None)
        for names in (("chromium", "chromium-browser", "google-chrome"), ("chromedriver",))
    ]
    if None in programs:
        pytest.skip("no browser: install chromium and chromium-driver")
    options = webdriver.ChromeOptions()
    options.binary_location = programs[0]
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('browser')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    service = webdriver.ChromeService(executable_path=programs[1])
    driver = webdriver.Chrome(options=options, service=service)
    driver.set_page_load_timeout(240)
    yield driver
    driver.quit()


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Small clips of one repetition, by view."""
    # Only here, for it needs much that other tests do not.
    from tests.fake_desk import film

    folder = tmp_path_factory.mktemp("films")
    return {view: film(view, folder / f"{view}.mp4") for view in ("front", "side")}
