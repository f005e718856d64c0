"""The pages in a real browser: pointing, clicking, keys, cautions, and that nothing goes wrong in it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from pipeline.planning.advice import plan_flight
from pipeline.planning.page import plan_page
from pipeline.planning.waypoints import Waypoint
from pipeline.planning.wishes import wished
from pipeline.report.html import write_page
from pipeline.report.schema import write_text
from tests.report.invented import FRAMES, MISSING, TORN, invented_results, put
from tests.report.pictured import add_diagnosis, add_pictures, after_grey, before_grey

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

# Debian's Chromium as root and offline, without looking for anything outside.
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Headless Chromium, the system's own."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        pytest.skip("there is no Chromium on this machine")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=list(ARGUMENTS))
        yield browser
        browser.close()


class Watched:
    """Opens files in fresh windows and notes what goes wrong: console, errors, calls for a network."""

    def __init__(self, browser: Browser) -> None:
        self.browser, self.troubles = browser, list[str]()

    def open(self, path: Path, **options: Any) -> Page:
        page = self.browser.new_page(viewport={"width": 1280, "height": 900}, **options)
        page.on("console", lambda message: self.troubles.append(message.text))
        page.on("pageerror", lambda error: self.troubles.append(str(error)))
        page.on("request", lambda request: self._asked(request.url))
        page.goto(path.as_uri())
        return page

    def _asked(self, url: str) -> None:
        if not url.startswith(("file:", "data:", "blob:")):
            self.troubles.append(f"asked for {url}")


@pytest.fixture
def watched(browser: Browser) -> Iterator[Watched]:
    """For pages of a test's own; at its end nothing has gone wrong in them."""
    watched = Watched(browser)
    yield watched
    assert watched.troubles == []


@pytest.fixture(scope="module")
def flight(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Page of a finished flight with pictures, video and findings."""
    folder = tmp_path_factory.mktemp("out") / "20260501-101500_HERON_0001"
    for stage, result in invented_results().items():
        put(folder, stage, result)
    add_pictures(folder)
    add_diagnosis(folder)
    return write_page(folder)


@pytest.fixture(scope="module")
def page(browser: Browser, flight: Path) -> Iterator[Page]:
    """That page in one window, which the tests use one after the other."""
    watched = Watched(browser)
    yield watched.open(flight)
    assert watched.troubles == []


GREY = """selector => {
  const image = document.querySelector(selector), canvas = document.createElement("canvas");
  canvas.width = canvas.height = 1;
  canvas.getContext("2d").drawImage(image, 0, 0, 1, 1);
  return canvas.getContext("2d").getImageData(0, 0, 1, 1).data[0];
}"""


def grey(page: Page, side: str) -> int:
    """Grey of the small picture that the page shows on a side."""
    selector = f"[data-small='{side}'] img"
    page.wait_for_function("s => document.querySelector(s).complete", arg=selector)
    return int(page.evaluate(GREY, selector))


def hover(page: Page, chart: str, frame: int) -> None:
    """Point at a frame of a curve."""
    page.locator(f"#chart-{chart}").scroll_into_view_if_needed()
    place = page.evaluate(
        """([id, frame]) => { const plot = document.getElementById(id), box = plot.getBoundingClientRect();
        const {xaxis, yaxis} = plot._fullLayout, value = plot.data[0].y[plot.data[0].x.indexOf(frame)];
        return [box.left + xaxis._offset + xaxis.l2p(frame),
          box.top + yaxis._offset + yaxis.l2p(value)]; }""",
        [f"chart-{chart}", frame],
    )
    page.mouse.move(place[0] - 3, place[1])
    page.mouse.move(*place)


def test_pointing_at_a_curve_shows_that_photo_before_and_after(page: Page) -> None:
    for chart, frame in (("exposure", 4), ("yaw", 22)):
        hover(page, chart, frame)
        page.wait_for_function(f"() => document.getElementById('scrub').value === '{frame}'")
        assert f"Frame {frame}, DCIM/100SALT/HERON_{frame:04}.DNG" in page.inner_text("#frame-name")
        assert grey(page, "before") == pytest.approx(before_grey(frame), abs=3)
        assert grey(page, "after") == pytest.approx(after_grey(frame), abs=6)
        assert "White balance, blue to amber (mired)" in page.inner_text("#frame-numbers")


def test_a_finding_leads_to_its_frame(page: Page) -> None:
    page.click(".to-frame >> nth=0")
    assert page.inner_text("#frame-name").startswith("Frame 9,")
    assert page.evaluate("document.activeElement.id") == "frame-name"
    assert "the shot jerks right" in page.inner_text("#frame-findings")
    assert page.locator("#contact-sheet .chosen").get_attribute("title") == "DCIM/100SALT/HERON_0009.DNG"
    page.wait_for_function("() => document.getElementById('told').textContent.includes('frame 9')")


def test_names_with_markup_stay_text(page: Page, flight: Path) -> None:
    page.locator("#scrub").fill("7")
    assert "<script>alert(1)</script>&" in page.inner_text("#frame-name")
    hover(page, "exposure", 7)
    page.wait_for_selector("#chart-exposure .hoverlayer text")
    assert "<script>alert(1)" in (page.text_content("#chart-exposure .hoverlayer") or "")
    assert "<script>document.title" in page.inner_text("#findings")
    assert page.title() == flight.parent.name
    assert page.locator("script").count() == 3


def test_the_keyboard_reaches_every_frame(page: Page) -> None:
    page.focus("#scrub")
    page.keyboard.press("Home")
    page.keyboard.press("ArrowRight")
    assert page.inner_text("#frame-name").startswith("Frame 1,")
    assert page.get_attribute("#scrub", "aria-valuetext") == "frame 1, DCIM/100SALT/HERON_0001.DNG"
    page.focus("#on")
    page.keyboard.press("Enter")
    assert page.inner_text("#frame-name").startswith("Frame 2,")
    unnamed = page.evaluate(
        "() => [...document.querySelectorAll('button, input, a')].filter(e => !e.closest('.plot') && "
        "!(e.textContent.trim() || e.getAttribute('aria-label'))).length"
    )
    assert unnamed == 0


def test_missing_photos_are_named_where_they_would_be(page: Page) -> None:
    sheet = page.locator("#contact-sheet button")
    assert sheet.count() == FRAMES
    assert "no photo within half an interval" in sheet.nth(MISSING).inner_text()
    sheet.nth(TORN).click()
    assert page.inner_text("#frame-name").startswith(f"Frame {TORN},")
    assert page.inner_text("[data-small='before'] .none") == "data end early <b>"


def test_zooming_one_curve_zooms_all(page: Page) -> None:
    page.evaluate("() => Plotly.relayout('chart-exposure', {'xaxis.range[0]': 5, 'xaxis.range[1]': 15})")
    page.wait_for_function("() => document.getElementById('chart-yaw')._fullLayout.xaxis.range[0] === 5")
    page.evaluate("() => Plotly.relayout('chart-yaw', {'xaxis.autorange': true})")
    page.wait_for_function("() => document.getElementById('chart-exposure')._fullLayout.xaxis.range[0] < 0")


def test_nothing_plays_by_itself_and_a_button_plays(page: Page) -> None:
    page.wait_for_timeout(300)
    assert page.locator("canvas:visible").count() == 0
    assert page.locator("video[autoplay]").count() == 0
    page.click("figure[data-side='after'] .play")
    page.wait_for_selector("figure[data-side='after'] canvas:visible")
    seen = {
        page.evaluate(GREY, "figure[data-side='after'] canvas")
        for _ in range(6)
        if page.wait_for_timeout(70) is None
    }
    assert len(seen) > 2, "the picture moves"
    assert page.locator("figure[data-side='before'] canvas:visible").count() == 0
    page.click("figure[data-side='after'] .play")
    assert page.locator("canvas:visible").count() == 0
    page.click("#play-both")
    page.wait_for_selector("figure[data-side='before'] canvas:visible")
    assert page.locator("canvas:visible").count() == 2
    page.click("#play-both")
    assert page.locator("canvas:visible").count() == 0


def test_a_caution_stands_before_flashing_until_it_is_confirmed(finished: Path, watched: Watched) -> None:
    add_pictures(finished, flashing=True)
    page = watched.open(write_page(finished))
    before = page.locator("figure[data-side='before']")
    assert "seizures" in before.inner_text() and not before.locator(".play").is_visible()
    assert page.locator("figure[data-side='after'] .play").is_visible(), "the video does not flash"
    assert not page.locator("#play-both").is_visible()
    before.locator(".confirm").click()
    assert before.locator(".play").is_visible() and "seizures" not in before.inner_text()
    assert page.evaluate("document.activeElement.className").startswith("play")
    assert page.locator("#play-both").is_visible()


def test_pointing_quickly_does_not_flash_either(finished: Path, watched: Watched) -> None:
    add_pictures(finished, flashing=True)
    page = watched.open(write_page(finished))
    changes = page.evaluate(
        """async () => { const image = document.querySelector("[data-small='before'] img"); let changes = 0;
        new MutationObserver(all => { changes += all.filter(one => one.attributeName === "src").length; })
          .observe(image, {attributes: true});
        for (let i = 0; i < 40; i += 1) { select(i % 30); await new Promise(done => setTimeout(done, 25)); }
        return changes; }"""
    )
    assert 1 <= changes <= 4


def test_less_motion_is_obeyed(page: Page) -> None:
    page.emulate_media(reduced_motion="reduce")
    page.wait_for_selector("#less-motion:visible")
    assert page.locator(".play:visible").count() == 0 and not page.locator("#play-both").is_visible()
    assert "less motion" in page.inner_text("#less-motion")
    page.click("#play-anyway")
    assert page.locator(".play:visible").count() == 2
    page.emulate_media(reduced_motion="no-preference")


def test_the_page_fits_and_follows_the_scheme(page: Page) -> None:
    for scheme, width in (("dark", 390), ("light", 390), ("dark", 1280), ("light", 1280)):
        page.set_viewport_size({"width": width, "height": 844})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        plot = "document.getElementById('chart-exposure')"
        page.wait_for_function(f"() => Math.abs({plot}._fullLayout.width - {plot}.clientWidth) < 2")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        ink = "#1b2127" if scheme == "light" else "#e5e9ec"  # curves have the colours of the scheme
        page.wait_for_function(f"() => {plot}._fullLayout.font.color === '{ink}'")


def test_it_prints_dark_on_white(page: Page) -> None:
    page.emulate_media(color_scheme="dark")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.evaluate("document.getElementById('chart-exposure')._fullLayout.font.color") == "#000000"
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert not page.locator(".inspector").is_visible() and page.locator("#contact-sheet").is_visible()
    page.emulate_media(media="screen", color_scheme="light")
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")


def test_a_plan_opens(tmp_path: Path, watched: Watched) -> None:
    course = (Waypoint(54.5, 3.2, 60.0), Waypoint(54.5018, 3.2, 60.0), Waypoint(54.5018, 3.2031, 80.0))
    write_text(tmp_path / "plan.html", plan_page(plan_flight(wished(clip_s=8.0), course)))
    page = watched.open(tmp_path / "plan.html")
    assert page.locator("#plot-course .scatterlayer .trace").count() == 3, "legs, path and jerky turns"
    assert "not a clearance to fly" in page.inner_text("header")


def test_a_page_without_frames_opens(tmp_path: Path, watched: Watched) -> None:
    assert "Nothing has been measured yet." in watched.open(write_page(tmp_path)).inner_text("#state")
