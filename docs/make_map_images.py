"""Make the pictures of the map in docs/images from the sample town, in a headless Chromium.

``python docs/make_map_images.py``; needs chromium and chromedriver. The sample town is invented.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from pathlib import Path
from typing import Any

from click.testing import CliRunner
from PIL import Image
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from screening.cli.demo import RESULT
from screening.cli.main import main

IMAGES = Path(__file__).resolve().parent / "images"
WIDE = (1280, 820)
PHONE = (390, 780)


def browser() -> Any:
    """Start a browser."""
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for argument in ("--headless=new", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    if os.geteuid() == 0:
        options.add_argument("--no-sandbox")
    return webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))


def take(driver: Any, page: Path, size: tuple[int, int], *scripts: str) -> Path:
    """Open the page at a size, run scripts one after the other, and take a picture."""
    metrics = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    driver.get("about:blank")
    driver.get(page.as_uri())
    for script in ("", *scripts):
        driver.execute_script(script)
        time.sleep(1.0)
    target = page.with_name(f"{size[0]}.png")
    driver.save_screenshot(str(target))
    return target


def save(source: Path, target: Path) -> None:
    """Save a picture small, with all its colours."""
    with Image.open(source) as picture:
        picture.convert("RGB").save(target, optimize=True)
    print(f"{target}: {target.stat().st_size / 1000:.0f} kB")


def make(folder: Path) -> None:
    """Run the demo, make its map, and take the pictures."""
    runner = CliRunner()
    runner.invoke(main, ["demo", "--out", str(folder), "--no-progress"], catch_exceptions=False)
    page = folder / "map.html"
    runner.invoke(main, ["map", str(folder / RESULT), "-o", str(page), "--overwrite"], catch_exceptions=False)
    # the fourth home: both of its overflows end well, and the lot is not the largest
    select = "document.querySelectorAll('#table tbody button')[3].click(); document.activeElement.blur()"
    driver = browser()
    try:
        save(take(driver, page, WIDE, select, "document.getElementById('why-setbacks').click()"), IMAGES / "map.png")
        save(take(driver, page, PHONE, select), IMAGES / "map-phone.png")
    finally:
        driver.quit()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as temporary:
        make(Path(temporary) / "demo")
