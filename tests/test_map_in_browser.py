"""The map in a real Chromium: opens from disk, asks for nothing, and search, filter, list and map work together."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import time

import made_up_result
import pytest
import shapely
from real_browser import chromium, complaints_of, faults_of, requests_of, resize, wait_until

from screening import colours
from screening.cli.main import main
from screening.columns import REASON_CODES
from screening.report.cautions import CAUTIONS, STANDING
from screening.write import write_package

pytestmark = pytest.mark.browser

HOSTILE = '</script><script>window.broken = 1</script><img src=x onerror="window.broken = 2">"\'&amp; {{data}}'
WIDE, PHONE, NARROW = (1400, 900), (390, 844), (320, 640)
HOMES = made_up_result.HOMES
N_OTHERS = 4


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """A page of the made-up result with an address that tries to be a script, and a plan."""
    from click.testing import CliRunner

    folder = tmp_path_factory.mktemp("map")
    layers = made_up_result.layers()
    others = layers["other_parcels"]
    others.loc[others["parcel_id"] == "0019", "address"] = HOSTILE
    others.loc[others["parcel_id"] == "0016", "address"] = "شارع الحديقة ١٥"  # noqa: RUF001 - another script
    layers["candidate_homes"].loc[1, "flags"] = None
    result = folder / "a & b.gpkg"
    write_package(result, layers, crs=made_up_result.CRS, record=made_up_result.record(), overwrite=True)
    plan = folder / "plan.csv"
    plan.write_text("day,stop,home_id\n1,1,h-0018\n", encoding="utf-8")
    made = CliRunner().invoke(main, ["map", str(result), "-o", str(folder / "map.html"), "--plan", str(plan)])
    assert made.exit_code == 0, made.output
    return folder / "map.html"


@pytest.fixture(scope="module")
def window():
    with chromium(*WIDE) as driver:
        yield driver


@pytest.fixture
def opened(window, page):
    """The page, freshly opened at desktop size."""
    return open_page(window, page)


def open_page(driver, page, size=WIDE, anchor=""):
    resize(driver, *size)
    driver.get("about:blank")
    requests_of(driver)
    complaints_of(driver)
    driver.get(page.as_uri() + anchor)
    wait_until(lambda: state(driver) != "opening", "the page to open")
    assert state(driver) == "ready", text(driver, "#opening")
    wait_until(lambda: n_undrawn(driver) == 0, "the map to be drawn")
    return driver


def state(driver):
    return driver.execute_script("return document.documentElement.dataset.state")


def n_undrawn(driver):
    """Squares of the map that wait to be drawn; 1 where there are none at all."""
    script = (
        "const all = [...document.querySelectorAll('.leaflet-tile')];"
        "return all.filter((c) => !c.classList.contains('leaflet-tile-loaded')).length + (all.length ? 0 : 1);"
    )
    return driver.execute_script(script)


def text(driver, selector):
    return driver.execute_script("return document.querySelector(arguments[0])?.innerText ?? null", selector)


def texts(driver, selector):
    return driver.execute_script(
        "return [...document.querySelectorAll(arguments[0])].map((e) => e.innerText)", selector
    )


def click(driver, selector):
    driver.find_element("css selector", selector).click()


def write(driver, selector, words):
    box = driver.find_element("css selector", selector)
    box.clear()
    box.send_keys(words)


def keys(driver, *names):
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    chain = ActionChains(driver)
    for name in names:
        chain.send_keys(getattr(Keys, name, name))
    chain.perform()


def is_seen(driver, selector):
    return driver.find_element("css selector", selector).is_displayed()


def picture(driver):
    """How many pixels of the map have each colour, by #rrggbb."""
    counted = driver.execute_script(
        """
        const frame = document.getElementById('map').getBoundingClientRect();
        const counts = {};
        for (const canvas of document.querySelectorAll('.leaflet-tile')) {
          const box = canvas.getBoundingClientRect();
          const isBeside = box.right < frame.left || box.left > frame.right;
          if (isBeside || box.bottom < frame.top || box.top > frame.bottom) continue;
          const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
          for (let i = 0; i < data.length; i += 4) {
            const name = '#' + [data[i], data[i + 1], data[i + 2]].map((v) => v.toString(16).padStart(2, '0')).join('');
            counts[name] = (counts[name] ?? 0) + 1;
          }
        }
        return JSON.stringify(counts);
        """
    )
    return json.loads(counted)


def n_purple(driver):
    """Pixels of the hatching of setbacks, however much of a pixel a line covers."""
    channels = {name: [int(name[i : i + 2], 16) for i in (1, 3, 5)] for name in picture(driver)}
    purple = {name for name, (red, green, blue) in channels.items() if red > green + 15 and blue > green + 10}
    return sum(n for name, n in picture(driver).items() if name in purple)


def settle(driver):
    """Wait until the map has stopped and is drawn."""
    time.sleep(0.4)
    wait_until(lambda: n_undrawn(driver) == 0, "the map to be drawn")
    driver.execute_async_script(
        "const done = arguments[arguments.length - 1]; requestAnimationFrame(() => requestAnimationFrame(done));"
    )


# --- no network, no complaints ---


def test_the_page_asks_for_nothing_and_the_console_stays_empty(opened, page):
    for selector in ("#whole", "#zoom-in", "#table tbody button", "#why-setbacks", "#print-open", "#print-back"):
        click(opened, selector)
        settle(opened)
    asked = [url for url in requests_of(opened) if not url.startswith("data:")]
    assert asked == [page.as_uri()]
    assert complaints_of(opened) == []


def test_the_look_for_requests_and_complaints_can_find_some(opened):
    opened.execute_script("const i = new Image(); i.src = 'http://localhost:9/x.png';")
    blocked = wait_until(lambda: complaints_of(opened), "the policy to refuse a picture")
    assert "Content Security Policy" in blocked[0]
    opened.get("data:text/html,<img src='http://localhost:9/y.png'>")
    wait_until(lambda: "http://localhost:9/y.png" in requests_of(opened), "a request to be seen")


def test_texts_of_the_result_are_never_markup(opened):
    click(opened, "#list-others")
    assert HOSTILE in texts(opened, "#table tbody th")
    write(opened, "#search-text", "</script>")
    click(opened, "#search button[type=submit]")
    assert text(opened, "#why-head") == HOSTILE
    assert opened.execute_script("return window.broken") is None
    assert complaints_of(opened) == []


# --- head and cautions ---


def test_standing_cautions_and_staff_are_on_the_page_at_every_size(opened, page):
    for size in (WIDE, PHONE, NARROW):
        open_page(opened, page, size)
        seen = text(opened, "body")
        assert STANDING in seen
        assert "For staff" in seen
        assert "approved" not in seen
        assert "suitable" not in seen
    open_page(opened, page, WIDE)
    assert texts(opened, "#care li") == list(CAUTIONS)
    click(opened, "#table tbody button")
    assert texts(opened, "#why .cautions li") == list(CAUTIONS)


def test_head_counts_what_is_in_the_file(opened):
    assert text(opened, "#counts").startswith(f"{len(HOMES)} candidates, {N_OTHERS} other parcels, 1 merged")
    assert "a & b.gpkg" in text(opened, "#counts")


# --- search ---


def test_search_by_address_and_by_identifier_selects_the_home(opened):
    write(opened, "#search-text", "19 alder")
    assert texts(opened, "#search-list button") == ["19 Alder Street · h-0018 · rank 2"]
    click(opened, "#search button[type=submit]")
    assert text(opened, "#why-head") == "19 Alder Street"
    assert "rank 2 of 2" in text(opened, "#why .status")
    write(opened, "#search-text", "h-0017")
    keys(opened, "ENTER")
    assert text(opened, "#why-head") == "17 Alder Street"
    assert texts(opened, "#table tr.selected th") == ["17 Alder Street"]


def test_search_finds_other_parcels_other_scripts_and_says_where_there_is_nothing(opened):
    write(opened, "#search-text", "الحديقة")
    click(opened, "#search button[type=submit]")
    assert text(opened, "#why .over") == "Why not here"
    assert "14.2 %" in text(opened, "#why")
    write(opened, "#search-text", "no such street")
    assert text(opened, "#search-count") == "Nothing found for “no such street”."
    assert texts(opened, "#search-list button") == []


def test_a_parcel_without_outline_can_be_read_though_not_seen(opened):
    write(opened, "#search-text", "00'20")
    click(opened, "#search button[type=submit]")
    assert "no outline" in text(opened, "#why")
    assert "'00'\\''20'" in text(opened, "#why .account code")


def test_an_anchor_opens_the_page_at_a_home(window, page):
    open_page(window, page, anchor="#h-0018")
    assert text(window, "#why-head") == "19 Alder Street"


# --- filter ---


def pick(driver, selector, label):
    from selenium.webdriver.support.select import Select

    Select(driver.find_element("css selector", selector)).select_by_visible_text(label)


def matches(driver):
    words = text(driver, "#matches").split()
    return int(words[0]), int(words[5])


def test_filter_by_volume_confidence_street_flag_reason_and_plan(opened):
    volumes = made_up_result.layers()["candidate_homes"]["diverted_m3_y"]
    between = f"{(volumes[0] + volumes[1]) / 2:.1f}"
    assert matches(opened) == (2, N_OTHERS)
    write(opened, "#filter-volume-least", between)
    assert matches(opened) == (int((volumes >= float(between)).sum()), N_OTHERS) == (1, N_OTHERS)
    assert texts(opened, "#table tbody th") == [HOMES[int(volumes.argmax())]["address"]]
    click(opened, "#filter button[type=reset]")
    wait_until(lambda: matches(opened) == (2, N_OTHERS), "the filter to be cleared", 5)
    write(opened, "#filter-volume-most", between)
    assert matches(opened)[0] == 1
    click(opened, "#filter button[type=reset]")
    write(opened, "#filter-confidence", "100")
    assert matches(opened)[0] == 0
    assert text(opened, "#rows") == "Nothing passes the filter."
    click(opened, "#filter button[type=reset]")
    pick(opened, "#filter-street", "Alder Street")
    # of the others only the one with a Latin address on that street would belong; it has another address here
    assert matches(opened) == (2, 0)
    click(opened, "#filter button[type=reset]")
    flag = next(
        label for label in texts(opened, "#filter-flag option") if label.startswith("without") and "neighbour" in label
    )
    pick(opened, "#filter-flag", flag)
    assert texts(opened, "#table tbody th") == ["19 Alder Street"]
    click(opened, "#filter button[type=reset]")
    click(opened, "#filter-planned")
    assert texts(opened, "#table tbody th") == ["19 Alder Street"]
    click(opened, "#filter button[type=reset]")
    click(opened, "#reasons-none")
    assert matches(opened) == (2, 0)
    click(opened, "#reason-list input[value=too_steep]")
    assert matches(opened) == (2, 1)
    click(opened, "#list-others")
    assert REASON_CODES["too_steep"] in texts(opened, "#table tbody td")


def test_the_filter_takes_homes_off_the_map(opened):
    gold = colours.GARDEN
    # the street of the plan is gold too
    opened.find_element("css selector", "[name=plan]").click()
    before = picture(opened)[gold]
    assert before > 100
    write(opened, "#filter-confidence", "100")
    settle(opened)
    assert gold not in picture(opened)


# --- list and map ---


def test_list_selects_on_the_map_and_map_selects_in_the_list(opened):
    click(opened, "#table tbody tr:nth-child(2) button")
    settle(opened)
    assert text(opened, "#why-head") == "19 Alder Street"
    # the list brought the lot into the middle of the map, so a click there meets it again
    click(opened, "#why .tools button:last-child")
    assert texts(opened, "#table tr.selected") == []
    assert "Select a lot" in text(opened, "#why")
    click(opened, "#map")
    assert text(opened, "#why-head") == "19 Alder Street"
    assert texts(opened, "#table tr.selected th") == ["19 Alder Street"]


def test_the_map_works_by_keys_alone(opened):
    click(opened, "#table tbody tr:nth-child(1) button")
    settle(opened)
    keys(opened, "ESCAPE")
    opened.execute_script("document.getElementById('map').focus()")
    keys(opened, "ENTER")
    assert text(opened, "#why-head") == "17 Alder Street"
    assert opened.execute_script("return document.activeElement.id") == "why-head"
    keys(opened, "ESCAPE")
    assert opened.execute_script("return document.activeElement.id") == "map"
    keys(opened, *["ARROW_RIGHT"] * 4)
    settle(opened)
    keys(opened, "ENTER")
    assert text(opened, "#why-head") != "17 Alder Street"
    keys(opened, "ESCAPE")
    before = text(opened, ".leaflet-control-scale-line")
    keys(opened, *"----")
    settle(opened)
    assert text(opened, ".leaflet-control-scale-line") != before


def test_every_control_can_be_reached_by_tab(opened):
    reached = set()
    opened.execute_script("document.querySelector('.skip').focus()")
    for _ in range(80):
        reached.add(opened.execute_script("const e = document.activeElement; return e.id || e.name || e.className"))
        keys(opened, "TAB")
    wanted = {
        "search-text",
        "filter-street",
        "filter-volume-least",
        "setbacks",
        "zoom-in",
        "map",
        "list-others",
        "link",
    }
    assert wanted <= reached


def test_sorting_turns_the_list_round(opened):
    assert texts(opened, "#table tbody th") == ["17 Alder Street", "19 Alder Street"]
    click(opened, "#table thead th:nth-child(3) button")
    click(opened, "#table thead th:nth-child(3) button")
    assert texts(opened, "#table tbody th") == ["19 Alder Street", "17 Alder Street"]
    sorted_by = opened.execute_script("return document.querySelector('#table [aria-sort]').getAttribute('aria-sort')")
    assert sorted_by == "descending"


def test_setbacks_show_on_demand(opened):
    click(opened, "#table tbody tr:nth-child(1) button")
    settle(opened)
    before = n_purple(opened)
    click(opened, "#why-setbacks")
    settle(opened)
    assert n_purple(opened) > before + 1000
    assert text(opened, "#why-setbacks") == "Hide setbacks"
    assert opened.execute_script("return document.querySelector('[name=setbacks]').checked")


def test_the_numbers_of_a_home_are_those_of_the_result(opened):
    home = made_up_result.layers()["candidate_homes"].iloc[0]
    garden = made_up_result.layers()["gardens"].iloc[0]
    click(opened, "#table tbody tr:nth-child(1) button")
    words = text(opened, "#why")
    assert f"{home['diverted_m3_y']:.1f} m³/y" in words
    rows = dict(
        zip(texts(opened, ".rules tbody th")[:8], texts(opened, ".rules tbody td:nth-child(2)")[:8], strict=True)
    )
    assert rows["To own buildings"] == f"{garden['own_building_dist_m']:.2f} m"
    assert rows["To the lot line"] == f"{garden['lot_line_dist_m']:.2f} m"
    assert "at least 3.05 m" in words
    assert "runs onto a neighbour's lot" in words
    assert "screening explain 'a & b.gpkg' h-0017" in words


def test_the_plan_marks_its_homes(opened):
    write(opened, "#search-text", "h-0018")
    keys(opened, "ENTER")
    assert "In the plan plan.csv: day 1, stop 1." in text(opened, "#why")
    assert texts(opened, "#table tbody td:first-child") == ["", "1\u00a0·\u00a01"]


def test_the_plan_says_why_each_street_is_in_or_out(window, page, tmp_path):
    from click.testing import CliRunner

    result = page.parent / "a & b.gpkg"
    plan = tmp_path / "season.gpkg"
    planned = CliRunner().invoke(main, ["streets", str(result), "--visits", "1", "--side-visits", "1", "-o", str(plan)])
    assert planned.exit_code == 0, planned.output
    made = CliRunner().invoke(main, ["map", str(result), "-o", str(tmp_path / "map.html"), "--plan", str(plan)])
    assert made.exit_code == 0, made.output
    with contextlib.closing(sqlite3.connect(plan)) as connection:
        rows = connection.execute("SELECT street_side, why_text, is_chosen FROM plan_streets").fetchall()
        ((home_id,),) = connection.execute("SELECT home_id FROM visits").fetchall()
    open_page(window, tmp_path / "map.html")
    click(window, "#plan-why summary")
    assert texts(window, "#plan-in dt") == [name for name, _, is_in in rows if is_in]
    words = {name: f"{why.partition(': ')[2][:1].upper()}{why.partition(': ')[2][1:]}." for name, why, _ in rows}
    assert texts(window, "#plan-in dd") == [words[name] for name, _, is_in in rows if is_in]
    assert faults_of(window) == []
    write(window, "#search-text", home_id)
    keys(window, "ENTER")
    name = next(name for name, _, is_in in rows if is_in)
    assert f"With {name}. {words[name]}" in text(window, "#why")


def test_a_plan_without_sentences_has_no_list_of_streets(opened):
    assert not is_seen(opened, "#plan-why")


# --- sizes ---


@pytest.mark.parametrize("size", [WIDE, PHONE, NARROW], ids=lambda size: str(size[0]))
def test_nothing_sticks_out_at_any_size_and_axe_finds_no_serious_fault(window, page, size):
    open_page(window, page, size)
    views = [None] if size is WIDE else ["map", "list", "filter"]
    found = []
    for view in views:
        if view is not None:
            click(window, f".views [data-view={view}]")
        settle(window)
        wide, has = window.execute_script("return [document.documentElement.scrollWidth, window.innerWidth]")
        assert wide <= has
        found += faults_of(window)
    if size is not WIDE:
        click(window, ".views [data-view=list]")
    click(window, "#table tbody tr:nth-child(1) button")
    settle(window)
    assert is_seen(window, "#why-head")
    assert is_seen(window, "#map")
    found += faults_of(window)
    click(window, "#print-open")
    found += faults_of(window)
    click(window, "#print-back")
    assert found == []


def test_axe_finds_a_fault_where_there_is_one(opened):
    opened.execute_script("document.getElementById('filter-street').labels[0].remove()")
    assert any(fault.startswith("select-name") for fault in faults_of(opened))


def test_print_view_has_map_signs_home_and_cautions_and_comes_back(opened):
    click(opened, "#table tbody tr:nth-child(1) button")
    settle(opened)
    click(opened, "#print-open")
    settle(opened)
    assert all(is_seen(opened, selector) for selector in ("#map", "#legend-list", "#why-head", ".care"))
    assert not any(is_seen(opened, selector) for selector in ("#filter", "#list", "#search", "#zoom-in"))
    assert picture(opened)[colours.GARDEN] > 100
    click(opened, "#print-back")
    assert is_seen(opened, "#filter")
    keys(opened, "ESCAPE")
    click(opened, "#print-open")
    assert is_seen(opened, "#table")
    assert texts(opened, "#table button") == []
    assert texts(opened, "#table tbody th") == ["17 Alder Street", "19 Alder Street"]


# --- other results ---


def make(tmp_path, layers, record=None, *options):
    from click.testing import CliRunner

    result = tmp_path / "result.gpkg"
    write_package(result, layers, crs=made_up_result.CRS, record=record or made_up_result.record(), overwrite=True)
    made = CliRunner().invoke(main, ["map", str(result), "-o", str(tmp_path / "map.html"), *options])
    assert made.exit_code == 0, made.output
    return tmp_path / "map.html"


def test_a_result_without_candidates_or_streets_still_opens(window, tmp_path):
    layers = made_up_result.layers()
    rest = {"other_parcels", "merged_parcels"}
    layers = {name: rows if name in rest else rows.iloc[:0] for name, rows in layers.items()}
    open_page(window, make(tmp_path, layers))
    assert "no candidates" in text(window, "#counts")
    assert len(texts(window, "#table tbody tr")) == N_OTHERS
    assert complaints_of(window) == []


def test_a_lean_result_without_addresses_opens(window, tmp_path):
    layers = made_up_result.layers()
    layers["candidate_homes"]["address"] = None
    layers["candidate_homes"]["street"] = None
    for name in ("buildings", "roof_parts", "open_ground"):
        del layers[name]
    open_page(window, make(tmp_path, layers, made_up_result.record(**{"output.detail": "lean"})))
    assert texts(window, "#table tbody th") == ["h-0017", "h-0018"]
    assert "(no street)" in texts(window, "#filter-street option")
    click(window, "#table tbody button")
    click(window, "#why-setbacks")
    settle(window)
    assert complaints_of(window) == []


def test_us_units_are_on_the_page(window, tmp_path):
    open_page(window, make(tmp_path, made_up_result.layers(), None, "--units", "us"))
    click(window, "#table tbody tr:nth-child(1) button")
    words = text(window, "#why")
    assert "gal/y" in words
    assert "at least 10 ft" in words
    assert " m³" not in words
    assert "ft" in text(window, ".leaflet-control-scale-line")


def test_a_page_that_was_cut_short_says_so(window, page, tmp_path):
    whole = page.read_text("utf-8")
    start = whole.index('<script id="data"')
    cut = tmp_path / "cut.html"
    cut.write_text(whole[: start + 2000] + whole[whole.index("</script>", start) :], encoding="utf-8")
    window.get(cut.as_uri())
    wait_until(lambda: state(window) == "failed", "the page to fail")
    assert "could not be opened" in text(window, "#opening")


def test_thousands_of_homes_open_and_move(window, tmp_path):
    """A street of 5,000 homes: opens, and the list has its pages."""
    n = 5000
    layers = made_up_result.layers()
    one = layers["candidate_homes"].iloc[[0]]
    many = one.loc[one.index.repeat(n)].reset_index(drop=True)
    many["home_id"] = many["parcel_id"] = [f"p{i:05}" for i in range(n)]
    many["rank"] = range(1, n + 1)
    many["address"] = [f"{i} Alder Street" for i in range(1, n + 1)]
    shift = [(25.0 * (i % 100), 45.0 * (i // 100)) for i in range(n)]
    lot = one.geometry.iloc[0]
    many = many.set_geometry(
        [shapely.transform(lot, lambda xy, by=by: xy + by) for by in shift], crs=made_up_result.CRS
    )
    layers = {name: rows.iloc[:0] for name, rows in layers.items() if name != "candidate_homes"} | {
        "candidate_homes": many
    }
    open_page(window, make(tmp_path, layers))
    assert text(window, "#rows") == "Rows 1 to 50 of 5,000"
    click(window, "#rows-next")
    assert texts(window, "#table tbody th")[0] == "51 Alder Street"
    write(window, "#search-text", "4321 alder street")
    keys(window, "ENTER")
    assert text(window, "#why-head") == "4321 Alder Street"
    assert text(window, "#rows") == "Rows 4,301 to 4,350 of 5,000"


def test_the_made_up_file_is_read_only(page):
    """The page comes from the result alone, and reading leaves it as it was."""
    result = page.with_name("a & b.gpkg")
    with contextlib.closing(sqlite3.connect(result)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert sorted(path.name for path in page.parent.iterdir()) == ["a & b.gpkg", "map.html", "plan.csv"]
