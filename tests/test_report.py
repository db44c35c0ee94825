"""The page for a council: no home on it, the numbers of the copy for publication, one page, and the cautions."""

from __future__ import annotations

import html
import re
import sqlite3
from html.parser import HTMLParser

import numpy as np
import pypdf
import pytest
import shapely
from made_season import X0_M, Y0_M, Town
from made_towns import districts, made_layers, town, write
from real_browser import chromium, complaints_of, faults_of, requests_of, resize

from screening.cli.main import main
from screening.council.facts import STANDING, read_facts
from screening.council.place_map import draw_map
from screening.council.season import read_season
from screening.report.cautions import CAUTIONS
from screening.report.publication import PUBLIC, read_publication

HOSTILE = '</title><script>window.broken = 1</script><img src=x onerror="window.broken = 2">"\'&amp; Lane'
ARABIC = "شارع الحديقة"  # another script, from right to left


def season_town():
    """Four streets: three with more than ten homes, one with three."""
    return (
        Town()
        .street("Alder Street", south=[80] * 8, north=[30] * 9, text="Secret Place")
        .street("Birch Lane", south=[60] * 6, north=[20] * 5, text="Secret Place")
        .street("Cedar Court", south=[50] * 3, text="Secret Place")
        .street("Dogwood Road", south=[90] * 12, text="Secret Place")
    )


def plain(path):
    """The words of a page, on one line."""
    if path.suffix == ".pdf":
        return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())
    text = re.sub(r"<style>.*?</style>", "", path.read_text("utf-8"), flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", text)).split())


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    path = season_town().write(tmp_path_factory.mktemp("town") / "result.gpkg")
    with sqlite3.connect(path) as connection:
        connection.execute("INSERT OR REPLACE INTO run_record (key, value) VALUES ('n_parcels_merged', '0')")
        connection.execute("UPDATE run_record SET value = '43' WHERE key = 'n_parcels_read'")
    connection.close()
    return path


@pytest.fixture
def report(runner, tmp_path):
    """Write a page, and ask for success."""

    def run(path, *options, name="page.html"):
        done = runner.invoke(main, ["report", str(path), "-o", str(tmp_path / name), *map(str, options)])
        assert done.exit_code == 0, done.output
        assert PUBLIC in done.stdout
        return tmp_path / name

    return run


def refused(runner, exit_code, path, *options):
    """The one sentence with which the command refuses."""
    done = runner.invoke(main, ["report", str(path), *map(str, options)])
    assert done.exit_code == exit_code, done.output
    sentence = done.stderr.strip()
    assert sentence.startswith("screening: ")
    assert "\n" not in sentence
    return sentence


@pytest.fixture
def plan(runner, result, tmp_path):
    """A plan of visits for the town."""

    def run(n_visits, *options):
        path = tmp_path / f"plan{n_visits}.gpkg"
        done = runner.invoke(main, ["streets", str(result), "--visits", str(n_visits), "-o", str(path), *options])
        assert done.exit_code == 0, done.output
        return path

    return run


@pytest.mark.parametrize("name", ["page.html", "page.pdf"])
def test_the_page_says_what_was_asked_and_found_and_what_it_is_not(report, result, name):
    words = plain(report(result, "--place", "Ferrowick", name=name))
    assert "Rain gardens in Ferrowick: what a screening found" in words
    assert STANDING in words
    for caution in CAUTIONS:
        assert caution in words
    for head in ("What was asked", "Which data", "What this is not", "Where", "How much water", "What became of"):
        assert head in words
    publication = read_publication(result)
    homes = publication.totals["n_candidate_homes"]["value"]
    assert re.search(rf"\b{homes:.0f} ?candidate homes|candidate homes {homes:.0f}\b", words)
    water = publication.totals["diverted_m3_y"]
    facts = read_facts(result)
    assert facts.figures[1][0] == facts.units.rough(water["value"], "m3/y")
    assert facts.figures[1][0] in words
    assert facts.units.rough_span(water["low"], water["high"], "m3/y") in words
    for row in publication.tables["streets"].to_pylist():
        if row["diverted_m3_y"] is not None:
            assert row["street"] in words
    assert "at least 3.05 m from buildings" in words


@pytest.mark.parametrize("name", ["page.html", "page.pdf"])
@pytest.mark.parametrize("kind", ["streets", "squares"])
def test_no_home_and_no_small_street_is_on_the_page(report, result, plan, name, kind):
    path = report(result, "--plan", plan(20), "--by", kind, name=name)
    text = plain(path) + (path.read_text("utf-8") if name.endswith("html") else "")
    for secret in ("Secret", "Cedar", "h000", "p000", "b000", f"{X0_M:.0f}.", f"{Y0_M:.0f}."):
        assert secret not in text, secret


def test_no_corner_of_a_lot_is_on_the_map(result):
    # the background is whole blocks: nowhere on it stands a line between two lots
    drawn = draw_map(read_facts(result), result, wide=900.0, most_tall=560.0)
    areas = [shape for shape in drawn.shapes if shape.fill is not None]
    assert areas
    frame_lots = season_town().layers()["candidate_homes"].geometry.to_numpy()
    per_point = (drawn.wide / (shapely.total_bounds(frame_lots)[2] - shapely.total_bounds(frame_lots)[0])) * 0.5
    for area in areas:
        box = np.ptp(np.vstack(area.parts), axis=0)
        # ten lots of 20 m by 30 m at least
        assert box[0] * box[1] > 10 * 20 * 30 * (0.2 * per_point) ** 2
        assert sum(len(part) for part in area.parts) <= 12


def test_blocks_of_few_lots_are_left_out(tmp_path):
    layers, record = town([("Alder Street", 20)])
    homes = layers["candidate_homes"]
    x, y = shapely.get_coordinates(homes.geometry.iloc[0])[0]
    homes["geometry"] = [shapely.MultiPolygon([shapely.box(x + 20 * k, y, x + 20 * k + 20, y + 30)]) for k in range(20)]
    homes.loc[19, "geometry"] = shapely.MultiPolygon([shapely.box(x + 5000, y, x + 5020, y + 30)])
    homes["geometry"] = homes["geometry"].set_crs(layers["gardens"].crs, allow_override=True)
    path = write(tmp_path / "a.gpkg", layers, record)
    drawn = draw_map(read_facts(path, kind="streets"), path, wide=900.0, most_tall=560.0)
    # one block of 19 lots; that of the lonely lot would be a home
    assert len([shape for shape in drawn.shapes if shape.fill is not None]) == 1


def test_the_pdf_is_one_page_with_title_language_and_embedded_fonts(report, result, plan):
    plan_file = plan(20)
    for paper, size in (("letter", (612, 792)), ("a4", (595, 842))):
        for kind in ("streets", "squares"):
            path = report(result, "--plan", plan_file, "--paper", paper, "--by", kind, name=f"{paper}-{kind}.pdf")
            document = pypdf.PdfReader(path)
            assert len(document.pages) == 1
            assert tuple(round(float(one)) for one in document.pages[0].mediabox[2:]) == size
            assert document.metadata.title.startswith("Rain gardens")
            assert document.trailer["/Root"]["/Lang"] == "en"
            fonts = document.pages[0]["/Resources"]["/Font"].values()
            used = [
                one.get_object() for one in fonts if "Screening" in str(one.get_object().get("/BaseFont", "DejaVu"))
            ]
            assert all("/FontFile2" in one["/FontDescriptor"] for one in used)


def test_nothing_leaves_the_page_and_all_is_above_its_edge(report, result, plan):
    low = []
    path = report(result, "--plan", plan(20), name="page.pdf")

    def visit(text, _, matrix, *rest):
        if text.strip():
            low.append((matrix[4], matrix[5]))

    pypdf.PdfReader(path).pages[0].extract_text(visitor_text=visit)
    x, y = np.array(low).T
    assert x.min() >= 20.0
    assert x.max() <= 595 - 30
    assert y.min() >= 20.0


def test_the_numbers_of_a_plan_are_sums_with_its_own_rates(report, result, plan):
    plan_file = plan(20, "--response-pct", "10,25,40")
    season = read_season(plan_file, result)
    assert season.response == pytest.approx((0.1, 0.25, 0.4))
    words = plain(report(result, "--plan", plan_file))
    # to tens: a street of 23 homes less 20 visits would tell of 3
    assert season.n_visits > 10
    n_visits = 10 * round(season.n_visits / 10)
    assert f"About {n_visits} visits." in words
    assert f"about {n_visits * 0.25:.0f} gardens" in words
    assert "Kept if 25 of 100 do" in words
    assert "Shepherd Creek" not in words
    assert "marked on the map" in words
    # without a plan the published rates and where they are from
    assert "Shepherd Creek" in plain(report(result, name="other.html"))


def test_a_plan_of_a_few_homes_is_not_shown(report, result, plan):
    page = report(result, "--plan", plan(6))
    words = plain(page)
    assert "edged in gold" not in page.read_text("utf-8")
    assert "fewer than 10 homes, so nothing of it is shown" in words
    assert "6 visits" not in words


def test_a_plan_for_another_result_is_refused(runner, result, plan, tmp_path):
    plan_file = plan(20)
    other = tmp_path / "other.gpkg"
    other.write_bytes(result.read_bytes())
    with sqlite3.connect(other) as connection:
        connection.execute("UPDATE run_record SET value = '9' WHERE key = 'param.rules.lot_line_m'")
    connection.close()
    out = tmp_path / "page.html"
    assert "another result" in refused(runner, 3, other, "--plan", plan_file, "-o", out)
    assert "no plan of visits" in refused(runner, 3, result, "--plan", result, "-o", out)
    assert "there is no plan" in refused(runner, 3, result, "--plan", tmp_path / "none.gpkg", "-o", out)
    (tmp_path / "text.gpkg").write_text("x", encoding="utf-8")
    assert "no readable GeoPackage" in refused(runner, 3, result, "--plan", tmp_path / "text.gpkg", "-o", out)
    assert not out.exists()


def test_us_units_stand_everywhere(report, result):
    words = plain(report(result, "--units", "us"))
    assert "gal/y" in words
    assert "at least 10 ft from buildings" in words
    assert not re.search(r"\d m[²³]?(/y)?\b", words.replace("50 m ", ""))


def test_a_town_of_few_homes_shows_none_of_their_figures(report, tmp_path):
    path = write(tmp_path / "a.gpkg", *town([("Alder Street", 5), ("Birch Street", 4)], [("too_steep", 40)]))
    for name in ("few.html", "few.pdf"):
        words = plain(report(path, name=name))
        assert "not shown (fewer than 10 homes)" in words
        assert "Alder" not in words


@pytest.mark.parametrize("name", ["none.html", "none.pdf"])
def test_a_result_without_candidates_has_a_page(runner, tmp_path, name):
    layers = {one: frame.iloc[:0] for one, frame in made_layers().items()}
    path = write(tmp_path / "a.gpkg", layers, {"n_parcels_read": "0", "n_parcels_merged": "0"})
    done = runner.invoke(main, ["report", str(path), "-o", str(tmp_path / name)])
    assert done.exit_code == 0, done.output
    assert "no candidates" in done.stderr
    assert re.search(r"\b0 ?candidate homes|candidate homes 0\b", plain(tmp_path / name))


def test_districts_have_their_outlines(report, tmp_path):
    layers, record = town([("Alder Street", 40)])
    path = write(tmp_path / "a.gpkg", layers | {"districts": districts(("Mill Hill", 25), ("Quay", 15))}, record)
    page = report(path)
    assert "Mill Hill" in plain(page)
    assert page.read_text("utf-8").count("fill-rule") >= 2


def test_the_same_result_gives_the_same_page(report, result):
    for ending in ("html", "pdf"):
        assert report(result, name=f"a.{ending}").read_bytes() == report(result, name=f"b.{ending}").read_bytes()


def test_outputs_are_checked_before_anything_is_read(runner, result, tmp_path):
    assert ".html or .pdf" in refused(runner, 2, result, "-o", tmp_path / "a.txt")
    (tmp_path / "a.html").write_text("mine", encoding="utf-8")
    assert "--overwrite" in refused(runner, 3, result, "-o", tmp_path / "a.html")
    assert (tmp_path / "a.html").read_text("utf-8") == "mine"
    assert "there is no file" in refused(runner, 3, tmp_path / "none.gpkg", "-o", tmp_path / "b.html")
    assert not (tmp_path / "b.html").exists()


class Elements(HTMLParser):
    """Tags of a page."""

    def __init__(self, text):
        super().__init__()
        self.tags = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    layers, record = town([(HOSTILE, 15), (ARABIC, 12)])
    return write(tmp_path_factory.mktemp("hostile") / "a & b.gpkg", layers, record)


def test_names_are_text_and_never_markup(report, hostile):
    page = report(hostile, "--place", HOSTILE)
    tags = Elements(page.read_text("utf-8")).tags
    assert not {"script", "img", "link", "iframe"} & {tag for tag, _ in tags}
    assert not [
        name for _, attributes in tags for name in attributes if name.startswith("on") or name in {"src", "href"}
    ]
    assert "window.broken = 1" in plain(page)
    assert ARABIC in plain(page)
    # the PDF takes them too
    report(hostile, "--place", ARABIC, name="page.pdf")


@pytest.mark.browser
def test_in_a_browser_nothing_is_asked_for_and_everybody_can_read_it(report, hostile, result, plan):
    pages = [report(hostile, "--place", HOSTILE, name="hostile.html")]
    pages.append(report(result, "--plan", plan(20), name="season.html"))
    with chromium() as driver:
        for page in pages:
            requests_of(driver)
            complaints_of(driver)
            for width in (1280, 320):
                resize(driver, width, 900)
                driver.get(page.as_uri())
                assert driver.execute_script("return window.broken ?? null") is None
                assert faults_of(driver) == []
                wide = driver.execute_script("return document.documentElement.scrollWidth")
                assert wide <= width
            assert complaints_of(driver) == []
            assert set(requests_of(driver)) == {page.as_uri()}
