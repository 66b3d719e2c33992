"""A real browser for the tests of pages; see the fixture `browser`."""

import time
from typing import Any

FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
)


def sized(browser: Any, width: int, height: int) -> None:
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)


def until(browser: Any, script: str, limit_s: float = 240.0) -> Any:
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        if value := browser.execute_script(script):
            return value
        time.sleep(0.05)
    shown = browser.execute_script("return document.body.innerText")
    raise AssertionError(f"never came true: {script}\nwhere the page reads:\n{shown}")


def complaints(browser: Any) -> list[str]:
    found = [entry["message"] for entry in browser.get_log("browser")]
    return [message for message in found if "favicon" not in message]
