"""The desk's pages, worked in a real browser as a user works them."""

import dataclasses
import os
import re
import shutil
from importlib.util import find_spec
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from barpath.analysis import pipeline
from barpath.analysis.store import read_results, write_results
from barpath.block.plan import plan_folder
from barpath.page.desk import guesses, labels, naming, shelf
from barpath.page.desk.queue import DONE, FAILED, STOPPED
from barpath.page.desk.tasks import SET
from tests.browser import complaints, sized, until
from tests.made_detections import made_result
from tests.opened_desk import HOSTILE, ask, opened, settled, waited


@pytest.fixture(scope="module")
def axe() -> str:
    """The rules engine axe-core as one script; "" where it is not installed."""
    found = find_spec("axe_playwright_python")
    if found is None:
        return ""
    return Path(found.submodule_search_locations[0], "axe.min.js").read_text("utf-8")


def faults(browser: Any, axe: str) -> list[str]:
    """What axe-core finds amiss: WCAG 2.2 at levels A and AA, and what it holds for good practice.

    Source: W3C, Web Content Accessibility Guidelines 2.2, by the rules of axe-core.
    """
    browser.execute_script(axe)
    found = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa',"
        " 'best-practice']}).then((r) => done(r.violations.map((v) => v.id + ': ' +"
        " v.nodes.map((n) => n.target.join(' ')).join('; '))))"
    )
    return list(found)


def dressed(browser: Any, scheme: str) -> None:
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})


def go(browser: Any, page: SimpleNamespace, path: str = "") -> None:
    browser.get("about:blank")
    browser.get_log("browser")
    browser.get(page.address + path)


def element(browser: Any, css: str) -> Any:
    return browser.find_element("css selector", css)


def pressed(browser: Any, identifier: str) -> None:
    """Press a button in the middle of the window, as soon as it is there."""
    until(browser, f"return document.getElementById({identifier!r}) !== null")
    browser.execute_script(
        "const e = document.getElementById(arguments[0]);"
        "e.scrollIntoView({block: 'center'}); e.click();",
        identifier,
    )


def picked(browser: Any, *stems: str) -> None:
    for stem in stems:
        pressed(browser, f"pick-{stem}")


def measured_sets(page: SimpleNamespace, films: dict[str, Path], **names: str) -> None:
    """Clips on the desk that are measured already: by name, the view."""
    for name, view in names.items():
        target = page.home / "clips" / f"{name}.mp4"
        target.write_bytes(films[view].read_bytes() + name.encode())
        page.desk.queue.add(SET, page.desk.own, [target.name])
    assert {j.state for j in settled(page)} == {DONE}


def link_of(stem: str, name: str) -> str:
    return f'document.querySelector(\'[id="{stem}"] a[href*="{name}"]\')'


def test_from_the_first_clip_to_the_first_report(
    browser: Any, axe: str, tmp_path: Path, films: dict[str, Path]
) -> None:
    clip = tmp_path / "IMG_0412.mp4"
    shutil.copy(films["side"], clip)
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk", as_for_users=True) as page:
        go(browser, page)
        assert "No clips yet" in element(browser, "#sum").text
        element(browser, "#files").send_keys(str(clip))
        until(browser, "return document.getElementById('IMG_0412-mp4') !== null")
        row = "document.getElementById('IMG_0412-mp4').textContent"
        assert "Guessed from the file's date: day" in browser.execute_script(f"return {row}")
        # The film check comes by itself, with what to change.
        until(browser, f"return {row}.includes('Film check, from the side: 2 things to change')")
        assert "Set the phone to 60 frames a second" in browser.execute_script(f"return {row}")
        pressed(browser, "details-IMG_0412-mp4")
        until(browser, "return document.getElementById('save-measure') !== null")
        element(browser, "#lifter").send_keys("Mara of Quarry Lane")
        element(browser, "#load_kg").send_keys("82,5")
        element(browser, "#technique").send_keys("tucked")
        pressed(browser, "save-measure")
        until(browser, f"return {link_of('IMG_0412-mp4', 'report.html')} !== null")
        text = element(browser, "#IMG_0412-mp4").text
        assert "Mara of Quarry Lane" in text
        assert "82.5 kg" in text
        assert "Guessed" not in text
        assert "1 clip, 1 measured" in element(browser, "#sum").text
        assert complaints(browser) == []
        browser.get(browser.execute_script(f"return {link_of('IMG_0412-mp4', 'report')}.href"))
        assert "IMG_0412.mp4" in element(browser, "h1").text
        assert complaints(browser) == []
    result = read_results(page.home / "sets" / "IMG_0412-mp4")
    assert (result.source_name, result.options["load_kg"]) == ("IMG_0412.mp4", 82.5)
    (entry,) = plan_folder(page.home / "clips")
    assert (entry.lifter, entry.load_kg) == ("Mara of Quarry Lane", 82.5)


def test_clips_are_dropped_on_the_page(
    browser: Any, tmp_path: Path, films: dict[str, Path]
) -> None:
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        go(browser, page)
        browser.execute_script(
            "const data = new DataTransfer();"
            "for (const name of ['one.mp4', 'notes.txt', 'two.mp4'])"
            " data.items.add(new File(['no film'], name));"
            "const event = new Event('drop', {cancelable: true, bubbles: true});"
            "Object.defineProperty(event, 'dataTransfer', {value: data});"
            "document.getElementById('drop').dispatchEvent(event);"
        )
        until(browser, "return document.querySelectorAll('li.clip').length === 2")
        until(browser, "return document.querySelectorAll('#coming li').length === 1")
        said = element(browser, "#coming").text
        assert "notes.txt" in said
        assert "does not end as the name of a clip does" in said
        # What cannot be read says so at once.
        row = "document.getElementById('one-mp4').textContent"
        until(browser, f"return {row}.includes('is no video that can be read')")
        assert str(tmp_path) not in browser.execute_script(f"return {row}")


def test_a_report_is_printed_and_saved_from_the_page(
    browser: Any, tmp_path: Path, films: dict[str, Path]
) -> None:
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        measured_sets(page, films, one="side")
        go(browser, page, "own/")
        browser.execute_script(
            "window.prints = 0; new MutationObserver(() => { const f ="
            " document.getElementById('printed'); if (f) f.addEventListener('load', () => {"
            " f.contentWindow.print = () => { window.prints += 1; }; }, {capture: true}); })"
            ".observe(document.body, {childList: true});"
            "document.querySelector('a[data-print]').click()"
        )
        until(browser, "return document.getElementById('printed') !== null")
        title = "document.getElementById('printed').contentDocument.querySelector('h1')"
        until(browser, f"return {title} !== null")
        assert "one.mp4" in browser.execute_script(f"return {title}.textContent")
        saved = ask(page, "own/out/sets/one-mp4/report.html?save=1")
        assert saved.headers["Content-Disposition"].startswith("attachment")
        assert saved.body == (page.home / "sets" / "one-mp4" / "report.html").read_text("utf-8")


def test_stopping_and_going_on(browser: Any, tmp_path: Path, films: dict[str, Path]) -> None:
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        for name in ("a_slow_side.mp4", "one_side.mp4"):
            target = page.home / "clips" / name
            target.write_bytes(films["side"].read_bytes() + name.encode())
        go(browser, page)
        pressed(browser, "do-all")
        until(
            browser,
            "return [...document.querySelectorAll('#work li')].some((li) =>"
            " li.textContent.includes('Looking for the bar') &&"
            " li.textContent.includes('slow_side') && li.querySelector('progress').value === 0.25)",
        )
        key = next(j.task.key for j in page.desk.queue.jobs() if "a_slow_side.mp4" in j.task.clips)
        pressed(browser, f"stop-{key}")
        until(browser, f"return document.getElementById('go-{key}') !== null")
        assert "Stopped. What was finished is kept." in element(browser, "#work").text
        # The other goes on without it.
        until(browser, f"return {link_of('one_side-mp4', 'report.html')} !== null")
        states = {j.task.clips[0]: j.state for j in page.desk.queue.jobs()}
        assert states == {"a_slow_side.mp4": STOPPED, "one_side.mp4": DONE}
        assert not (page.home / "sets" / "a_slow_side-mp4").exists()
    # Opened anew, it is still stopped, until it is told to go on.
    (page.home / "go").touch()
    with opened(tmp_path / "desk") as page:
        go(browser, page)
        assert "Stopped" in element(browser, "#work").text
        pressed(browser, f"go-{key}")
        until(browser, f"return {link_of('a_slow_side-mp4', 'report.html')} !== null")
        assert complaints(browser) == []


def test_what_failed_says_why_on_the_first_screen(
    browser: Any, tmp_path: Path, films: dict[str, Path]
) -> None:
    sized(browser, 390, 844)
    with opened(tmp_path / "desk") as page:
        (page.home / "clips").mkdir(exist_ok=True)
        shutil.copy(films["side"], page.home / "clips" / "empty_side.mp4")
        go(browser, page)
        pressed(browser, "do-all")
        until(browser, "return document.querySelector('.failed') !== null")
        said = element(browser, ".failed")
        assert "empty_side.mp4" in said.text
        assert "no repetition in its height" in said.text
        browser.execute_script("window.scrollTo(0, 0)")
        assert said.rect["y"] + said.rect["height"] < 844
        assert not browser.find_elements("css selector", "#empty_side-mp4 a[href*=report]")


def test_a_correction_from_the_desk(
    browser: Any, tmp_path: Path, films: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    from selenium.webdriver.common.keys import Keys

    def remeasure(result: Any, config: Any, *_: Any) -> Any:
        return dataclasses.replace(result, corrections=config.corrections)

    monkeypatch.setattr(pipeline, "remeasure", remeasure)
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        measured_sets(page, films, one="side")
        go(browser, page, "own/")
        browser.execute_script(f"{link_of('one-mp4', 'fix/')}.click()")
        until(browser, "return document.querySelectorAll('.point').length > 0")
        element(browser, "[data-name=left_elbow]").send_keys(Keys.ARROW_RIGHT * 3)
        pressed(browser, "save")
        until(browser, "return !document.getElementById('report').hidden")
        corrections = read_results(page.home / "sets" / "one-mp4").corrections
        assert [point.joint for point in corrections.joints] == ["left_elbow"]
        # The block's tables count it, for it is kept beside the clip.
        assert shelf.entries_of(page.desk.own)[0].corrections == corrections
        until(browser, "return document.getElementById('status').textContent.includes('is drawn')")
        element(browser, "#back a").click()
        until(browser, "return document.getElementById('bench') !== null")
        # Measured once more, with another load, it stays in force.
        mark = labels.labels_mark(shelf.entries_of(page.desk.own)[0])
        ask(page, "own/clip/one-mp4", {"load_kg": "90", "view": "auto", "mark": mark})
        settled(page)
        again = read_results(page.home / "sets" / "one-mp4")
        assert again.corrections == corrections
        assert again.options["load_kg"] == 90.0
        assert complaints(browser) == []


def test_sets_side_by_side_by_picking(browser: Any, tmp_path: Path, films: dict[str, Path]) -> None:
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        names = {"Ada_side_flared": "side", "Ada_side_tucked": "side"}
        measured_sets(page, films, **names)
        go(browser, page, "own/")
        picked(browser, *(f"{name}-mp4" for name in names))
        pressed(browser, "do-beside")
        until(browser, "return document.querySelector('#beside a[href*=beside]') !== null")
        link = element(browser, "#beside li a")
        assert link.text == "flared and tucked"
        browser.get(link.get_attribute("href"))
        assert "flared" in element(browser, "h1").text
        assert complaints(browser) == []


def test_two_clips_of_one_set(browser: Any, tmp_path: Path, films: dict[str, Path]) -> None:
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        for view in ("front", "side"):
            name = f"Ada_2026-03-02_{view}_110kg_tucked.mp4"
            shutil.copy(films[view], page.home / "clips" / name)
            result = made_result(f"ql_tucked_{view}", noise_px=0.1, joint_px=1.0)
            stand_in = {"report.html": "<!DOCTYPE html><title>A report</title>"}
            write_results(result, page.desk.own.set_folder(name), artefacts=stand_in)
        go(browser, page)
        picked(browser, *(f"Ada_2026-03-02_{v}_110kg_tucked-mp4" for v in ("front", "side")))
        pressed(browser, "do-pair")
        until(browser, "return document.querySelector('#pairs a[href*=report]') !== null")
        assert "Ada 2026-03-02, set 1" in element(browser, "#pairs").text
        browser.get(element(browser, "#pairs a[href*=report]").get_attribute("href"))
        text = element(browser, "body").text
        assert re.search(r"one set from the feet and from the lifter's (left|right), ", text)
        assert re.search(r"\d ± \d+°", text)
        assert complaints(browser) == []
        # The command line's block takes them for one set too.
        assert {entry.set_id for entry in plan_folder(page.home / "clips")} == {
            "Ada 2026-03-02 pair 1"
        }
        # One of them measured anew: the pair is out of date, and says so.
        (folder,) = (page.home / "pairs").iterdir()
        summary = page.desk.own.set_folder(name) / "summary.json"
        later = (folder / "summary.json").stat().st_mtime + 60
        os.utime(summary, (later, later))
        go(browser, page)
        assert "measured or put right since" in element(browser, "#pairs").text


def test_two_windows_do_no_harm(browser: Any, tmp_path: Path, films: dict[str, Path]) -> None:
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        shutil.copy(films["side"], page.home / "clips" / "one_side.mp4")
        go(browser, page, "own/clip/one_side-mp4")
        first = browser.current_window_handle
        browser.switch_to.new_window("tab")
        browser.get(page.address + "own/clip/one_side-mp4")
        element(browser, "#lifter").clear()
        element(browser, "#lifter").send_keys("Mara")
        pressed(browser, "save")
        until(browser, "return document.getElementById('bench') !== null")
        browser.switch_to.window(first)
        element(browser, "#technique").clear()
        element(browser, "#technique").send_keys("tucked")
        pressed(browser, "save")
        until(browser, "return document.getElementById('problem') !== null")
        assert "another window" in element(browser, "#problem").text
        assert element(browser, "#lifter").get_attribute("value") == "Mara"
        # Both windows ask for the same set; it is measured once, and both show it.
        browser.get(page.address + "own/")
        for window in browser.window_handles:
            browser.switch_to.window(window)
            pressed(browser, "do-all")
        for window in browser.window_handles:
            browser.switch_to.window(window)
            until(browser, f"return {link_of('one_side-mp4', 'report.html')} !== null")
        assert (page.home / "calls.txt").read_text().split() == ["one_side.mp4"]
        browser.close()
        browser.switch_to.window(browser.window_handles[0])


def test_a_hostile_name_in_a_browser(browser: Any, tmp_path: Path, films: dict[str, Path]) -> None:
    clip = tmp_path / HOSTILE
    shutil.copy(films["side"], clip)
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        go(browser, page)
        element(browser, "#files").send_keys(str(clip))
        until(browser, "return document.querySelector('li.clip') !== null")
        assert browser.execute_script("return document.querySelectorAll('img').length") == 0
        picked(browser, browser.execute_script("return document.querySelector('li.clip').id"))
        pressed(browser, "do-measure")
        until(browser, "return document.querySelector('li.clip a[href*=report]') !== null")
        browser.get(element(browser, "li.clip a[href*=report]").get_attribute("href"))
        assert "_img src_x onerror_alert(1)_.mp4" in element(browser, "h1").text
        assert complaints(browser) == []


def test_pages_can_be_worked_by_keyboard(
    browser: Any, tmp_path: Path, films: dict[str, Path]
) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    def tab_to(identifier: str) -> None:
        for _ in range(60):
            ActionChains(browser).send_keys(Keys.TAB).perform()
            if browser.execute_script("return document.activeElement.id") == identifier:
                ring = "return getComputedStyle(document.activeElement).outlineStyle"
                assert browser.execute_script(ring) != "none"
                return
        raise AssertionError(f"{identifier} is not reached")

    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        for name in ("one_side.mp4", "slow_side.mp4"):
            (page.home / "clips" / name).write_bytes(films["side"].read_bytes() + name.encode())
        go(browser, page)
        tab_to("files")
        tab_to("pick-one_side-mp4")
        ActionChains(browser).send_keys(Keys.SPACE).perform()
        tab_to("details-one_side-mp4")
        tab_to("do-measure")
        ActionChains(browser).send_keys(Keys.ENTER).perform()
        until(browser, f"return {link_of('one_side-mp4', 'report.html')} !== null")
        until(browser, "return document.getElementById('told').textContent.includes('measured')")
        # What is shown anew does not take the focus away.
        tab_to("details-one_side-mp4")
        page.desk.queue.add(SET, page.desk.own, ["slow_side.mp4"])
        until(browser, "return !document.getElementById('work').hidden")
        (page.home / "go").touch()
        until(browser, f"return {link_of('slow_side-mp4', 'report.html')} !== null")
        focused = browser.execute_script("return document.activeElement.id")
        assert focused == "details-one_side-mp4"


def test_every_page_is_accessible_and_fits(
    browser: Any, axe: str, tmp_path: Path, films: dict[str, Path]
) -> None:
    if not axe:
        pytest.skip("axe-core is not installed")
    side, front, slow, empty = (
        f"{name}.mp4"
        for name in ("Ada_side_flared_pair1", "Ada_front_flared_pair1", "slow", "empty")
    )
    with opened(tmp_path / "desk") as page:
        go(browser, page)
        assert faults(browser, axe) == []
        measured_sets(page, films, **{Path(side).stem: "side"})
        for name in (front, slow, empty):
            (page.home / "clips" / name).write_bytes(films["side"].read_bytes() + name.encode())
        shelf.keep_known(page.desk.own, slow, guessed={"lifter": guesses.FROM_NAME})
        for kind, name in (("check", side), (SET, empty), (SET, slow)):
            page.desk.queue.add(kind, page.desk.own, [name])
        waited(lambda: any(j.state == FAILED for j in page.desk.queue.jobs()))
        waited(lambda: any(j.stage == "looking for the bar" for j in page.desk.queue.jobs()))
        waited(lambda: any(clip.check for clip in shelf.clips_of(page.desk.own)))
        stem = naming.stem_of(side)
        pages = {
            "own/": "document.querySelector('progress') && document.querySelector('.failed')",
            f"own/clip/{stem}": "document.getElementById('save')",
            f"own/fix/{stem}/": "document.querySelector('.point')",
            f"folders?at={os.fsencode(tmp_path).hex()}": "document.getElementById('open')",
            "own/none": "document.querySelector('h1')",
        }
        looks = [(scheme, width) for scheme in ("light", "dark") for width in (390, 1280)]
        try:
            for scheme, width in looks:
                dressed(browser, scheme)
                sized(browser, width, 844)
                for path, ready in pages.items():
                    browser.get(page.address + path)
                    until(browser, f"return Boolean({ready})")
                    browser.execute_script(
                        "for (const d of document.querySelectorAll('details')) d.open = true;"
                    )
                    assert faults(browser, axe) == [], (path, scheme, width)
                    wide = browser.execute_script("return document.documentElement.scrollWidth")
                    assert wide <= width, path
        finally:
            dressed(browser, "")
