"""A real Chromium without a window, for tests of the pages that the program writes."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import time
from pathlib import Path

import pytest

AXE = Path(__file__).resolve().parent / "data" / "axe-core" / "axe.min.js"
OPENS_WITHIN_S = 30.0


def _programs():
    """Browser and driver; None where one is missing."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    driver = shutil.which("chromedriver")
    return (browser, driver) if browser and driver else None


@contextlib.contextmanager
def chromium(width=1400, height=900):
    """Start a browser; skip the test where there is none, or fail where one must be (SCREENING_NEEDS_BROWSER)."""
    programs = _programs()
    if programs is None:
        reason = "no chromium with its chromedriver on this machine (Debian: apt install chromium chromium-driver)"
        if os.environ.get("SCREENING_NEEDS_BROWSER"):
            pytest.fail(reason)
        pytest.skip(reason)
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = programs[0]
    for argument in ("--headless=new", "--disable-gpu", f"--window-size={width},{height}"):
        options.add_argument(argument)
    # Chromium refuses its sandbox to root, which is who runs a container.
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        options.add_argument("--no-sandbox")
    # Shared memory is small in containers.
    options.add_argument("--disable-dev-shm-usage")
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(programs[1]))
    try:
        resize(driver, width, height)
        yield driver
    finally:
        driver.quit()


def resize(driver, width, height, *, ratio=1, is_phone=False):
    """Give the page a size, to the pixel."""
    metrics = {"width": width, "height": height, "deviceScaleFactor": ratio, "mobile": is_phone}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def wait_until(found, what, seconds=OPENS_WITHIN_S):
    """Wait for something to become true and return it."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = found()
        if value:
            return value
        time.sleep(0.02)
    raise AssertionError(f"waited {seconds:g} s for {what}")


def requests_of(driver):
    """Addresses that the page has asked for since the last look."""
    found = []
    for entry in driver.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] in {"Network.requestWillBeSent", "Network.webSocketCreated"}:
            found.append(message["params"].get("request", message["params"])["url"])
    return found


def complaints_of(driver):
    """What stands in the console since the last look."""
    return [entry["message"] for entry in driver.get_log("browser")]


def faults_of(driver):
    """Faults of accessibility that axe-core calls serious or critical, as text."""
    driver.execute_script(AXE.read_text("utf-8"))
    found = driver.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {resultTypes: ['violations']}).then((r) => done(r), (e) => done(String(e)));"
    )
    assert isinstance(found, dict), found
    assert found["testEngine"]["version"] == "4.14.1"
    return [
        f"{fault['id']} ({fault['impact']}): {node['html'][:200]}"
        for fault in found["violations"]
        if fault["impact"] in {"serious", "critical"}
        for node in fault["nodes"]
    ]
