"""Make the pictures of the pages in docs/images from the sample town: map, report and a visit sheet.

``python docs/make_page_images.py``; needs chromium with its chromedriver, and pdftoppm. The sample town is invented.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

from click.testing import CliRunner
from PIL import Image
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from screening.cli.demo import MAP, REPORT, SHEETS
from screening.cli.main import main

IMAGES = Path(__file__).resolve().parent / "images"
WIDE = (1280, 820)
PHONE = (390, 780)
REPORT_WIDE = 1000
SHEET_DPI = 110


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


def whole_page(driver: Any, page: Path, wide: int) -> Path:
    """Take a picture of a page from top to bottom."""
    take(driver, page, (wide, 800))
    tall = driver.execute_script("return document.documentElement.scrollHeight")
    return take(driver, page, (wide, tall))


def make(folder: Path) -> None:
    """Run the demo, and take the pictures of what it made."""
    runner = CliRunner()
    runner.invoke(main, ["demo", "--out", str(folder), "--no-progress"], catch_exceptions=False)
    page = folder / MAP
    # the fourth home: both of its overflows end well, and the lot is not the largest
    select = "document.querySelectorAll('#table tbody button')[3].click(); document.activeElement.blur()"
    driver = browser()
    try:
        save(take(driver, page, WIDE, select, "document.getElementById('why-setbacks').click()"), IMAGES / "map.png")
        save(take(driver, page, PHONE, select), IMAGES / "map-phone.png")
        save(whole_page(driver, folder / REPORT, REPORT_WIDE), IMAGES / "report.png")
    finally:
        driver.quit()
    renderer = shutil.which("pdftoppm") or "pdftoppm"
    command = [renderer, "-r", str(SHEET_DPI), "-f", "1", "-l", "1", "-png", "-singlefile"]
    subprocess.run([*command, str(folder / SHEETS), str(folder / "sheet")], check=True)  # noqa: S603 - our own file
    save(folder / "sheet.png", IMAGES / "sheet.png")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as temporary:
        make(Path(temporary) / "demo")
