"""Measure the page of the map in a headless Chromium: size, time to open, frames while it is moved.

python benchmarks/map_page.py candidates.gpkg           # prints a table
python benchmarks/map_page.py candidates.gpkg --phone   # 390 x 844 points, three pixels a point

A frame is the time between two callbacks of the browser before it paints; 16.7 ms is what a screen of 60 Hz allows.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from click.testing import CliRunner
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from screening.cli.main import main as screening

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

WATCH = """
window.frames_ms = [];
let last = performance.now();
const watch = () => {
  const now = performance.now();
  window.frames_ms.push(now - last);
  last = now;
  requestAnimationFrame(watch);
};
requestAnimationFrame(watch);
"""


def browser(*, is_phone: bool) -> Any:
    """Start a browser with a page size of a desktop or a phone."""
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for argument in ("--headless=new", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    if os.geteuid() == 0:
        options.add_argument("--no-sandbox")
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    width, height, ratio = (390, 844, 3) if is_phone else (1400, 900, 1)
    metrics = {"width": width, "height": height, "deviceScaleFactor": ratio, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    return driver


def measure(driver: Any, page: Path) -> Iterator[tuple[str, str]]:
    """Yield what was done and how long it took."""
    yield "size of the page", f"{page.stat().st_size / 1e6:.1f} MB"
    begin = time.perf_counter()
    driver.get(page.as_uri())
    while driver.execute_script("return document.documentElement.dataset.state") == "opening":
        time.sleep(0.005)
    yield "open, until it answers", f"{time.perf_counter() - begin:.2f} s"
    time.sleep(1.0)
    driver.execute_script(WATCH)
    box = driver.execute_script("return document.getElementById('map').getBoundingClientRect().toJSON()")
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2

    def mouse(kind: str, dx: float = 0, dy: float = 0, **more: Any) -> None:
        driver.execute_cdp_cmd("Input.dispatchMouseEvent", {"type": kind, "x": x + dx, "y": y + dy, **more})

    def drag() -> None:
        mouse("mousePressed", button="left", clickCount=1)
        for step in range(40):
            mouse("mouseMoved", -3 * step, -2 * step, button="left", buttons=1)
        mouse("mouseReleased", -120, -80, button="left", clickCount=1)

    def wheel() -> None:
        for _ in range(4):
            mouse("mouseWheel", deltaX=0, deltaY=-120)
            time.sleep(0.4)

    def script(text: str) -> Callable[[], None]:
        return lambda: driver.execute_script(text)

    steps: tuple[tuple[str, Callable[[], None]], ...] = (
        ("drag, whole town", drag),
        ("zoom in, 4 turns", wheel),
        ("drag, some streets", drag),
        ("zoom in, 4 turns more", wheel),
        ("drag, some lots", drag),
        ("setbacks on", script("document.querySelector('[name=setbacks]').click()")),
        ("whole town again", script("document.getElementById('whole').click()")),
        (
            "filter by volume",
            script(
                "const e = document.getElementById('filter-volume-least'); e.value = 40;"
                "e.dispatchEvent(new Event('input', {bubbles: true}))"
            ),
        ),
        (
            "search",
            script(
                "const e = document.getElementById('search-text'); e.value = '12';"
                "e.dispatchEvent(new Event('input', {bubbles: true}))"
            ),
        ),
        ("select from the list", script("document.querySelector('#table tbody button').click()")),
    )
    for name, act in steps:
        driver.execute_script("window.frames_ms.length = 0")
        act()
        time.sleep(0.8)
        frames = sorted(driver.execute_script("return window.frames_ms"))
        middle, late = frames[len(frames) // 2], frames[int(0.95 * len(frames))]
        yield name, f"{middle:.0f} / {late:.0f} / {frames[-1]:.0f} ms"


def main() -> None:
    """Make the page and measure it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("result", type=Path)
    parser.add_argument("--phone", action="store_true")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "map.html"
        begin = time.perf_counter()
        made = CliRunner().invoke(screening, ["map", str(arguments.result), "-o", str(page)])
        if made.exit_code:
            sys.exit(made.output)
        print(f"| {made.output.splitlines()[0].split(': ', 1)[1]} | |")
        print("| --- | --- |")
        print(f"| make the page | {time.perf_counter() - begin:.1f} s |")
        driver = browser(is_phone=arguments.phone)
        try:
            for name, value in measure(driver, page):
                print(f"| {name} | {value} |")
        finally:
            driver.quit()


if __name__ == "__main__":
    main()
