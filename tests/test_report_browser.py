"""Reports in a real browser: Chromium without a screen, driven by Playwright. Where CI is set it must be there."""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import threading
from pathlib import Path

import pytest
from report_pages import HOSTILE, compare_report, mend_report, recordings, survey_report, trial_report

KINDS = ["survey", "mend", "rescale", "compare", "trial"]
WIDTHS = {"phone": 360, "tablet": 768, "desktop": 1280}


# A browser now and then stands still with a call that has no time limit of its own: it is ended, and the test is asked again in a new one.
STANDS_STILL = 60.0
pytestmark = pytest.mark.flaky(reruns=2, only_rerun="TargetClosedError")


class Chromium:
    """The browser of these tests, started anew where it has gone."""

    def __init__(self, playwright, program):
        self.playwright, self.program, self.started = playwright, program, None
        self.mark = f"--footroom-tests={os.getpid()}"

    def running(self):
        if self.started is None or not self.started.is_connected():
            # No sandbox: the superuser of a container has none. The pages are our own, from the disk.
            arguments = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-sync", self.mark]
            self.started = self.playwright.chromium.launch(executable_path=self.program, args=arguments)
        return self.started

    def kill(self):
        """End its process: a call under way then fails with TargetClosedError."""
        for process in Path("/proc").glob("[0-9]*"):
            try:
                words = (process / "cmdline").read_bytes().split(b"\0")
                if self.mark.encode() in words and not any(word.startswith(b"--type=") for word in words):
                    os.kill(int(process.name), signal.SIGKILL)
            except OSError:  # it has ended meanwhile
                continue


@pytest.fixture(scope="module")
def chromium():
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("CI is set but there is no chromium (Debian: apt-get install chromium)")
        pytest.skip("there is no chromium program (Debian: apt-get install chromium)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        held = Chromium(playwright, program)
        yield held
        if held.started is not None:
            held.started.close()


@pytest.fixture
def browser(chromium):
    running = chromium.running()
    watch = threading.Timer(STANDS_STILL, chromium.kill)
    watch.daemon = True
    watch.start()
    yield running
    watch.cancel()


def test_a_browser_that_stands_still_is_ended_and_started_anew(chromium):
    from playwright.sync_api import Error

    page = chromium.running().new_page()
    watch = threading.Timer(0.5, chromium.kill)
    watch.start()
    with pytest.raises(Error, match="closed"):
        page.evaluate("new Promise(() => {})")  # never answered
    assert chromium.running().new_page().evaluate("1 + 1") == 2


@pytest.fixture(scope="module")
def reports(tmp_path_factory):
    """The reports by kind."""
    folder = tmp_path_factory.mktemp("pages")
    rushes = recordings(folder / "rushes")
    survey_report(rushes, folder / "survey.html")
    mend_report(rushes, folder / "retagged", folder / "mend.html")
    mend_report(rushes / "kestrel.mov", folder / "rescaled", folder / "rescale.html", "rescale")
    compare_report(folder, folder / "compare.html")
    trial_report(folder / "trial.html")
    return {name: folder / f"{name}.html" for name in KINDS}


class Opened:
    """A page, and all that it said and asked for."""

    def __init__(self, browser, path, **options):
        self.said, self.asked = [], []
        self.page = browser.new_page(**{"viewport": {"width": 1280, "height": 900}, **options})
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("dialog", lambda dialog: (self.said.append(f"dialog {dialog.message}"), dialog.dismiss()))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(path.as_uri())

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.page.close()


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_asked_for_and_nothing_complains(browser, reports, kind):
    with Opened(browser, reports[kind]) as opened:
        opened.page.evaluate("scrollTo(0, document.body.scrollHeight)")
        opened.page.wait_for_timeout(200)
        assert opened.said == []
        outside = [url for url in opened.asked if not url.startswith("data:")]
        assert outside == [reports[kind].as_uri()]
        broken = "[...document.images].filter(image => !image.complete || !image.naturalWidth).length"
        assert opened.page.evaluate(broken) == 0


def test_a_hostile_name_is_only_text(browser, reports):
    for kind in ("survey", "mend"):
        with Opened(browser, reports[kind]) as opened:
            opened.page.wait_for_timeout(200)
            assert opened.said == []
            assert opened.page.title() != "ran"
            assert opened.page.locator("img:not([src^='data:image/'])").count() == 0
            assert opened.page.locator("script").count() == 1
            names = opened.page.locator("h2 bdi").all_inner_texts()
            shown = HOSTILE.replace("\u202e", "\\u202e").replace("\n", " ")
            assert shown in [" ".join(name.split()) for name in names]


def test_a_script_that_slipped_in_would_not_run(browser, tmp_path, reports):
    """The policy is a second wall: markup put into the page by hand is dead."""
    page = tmp_path / "r.html"
    added = "<script>document.title='ran'</script><img src='x' onerror=\"document.title='ran'\"><img src='https://kestrel.invalid/x.png'>"
    page.write_text(reports["survey"].read_text().replace("<main", added + "<main", 1))
    with Opened(browser, page) as opened:
        opened.page.wait_for_timeout(300)
        assert opened.page.title() != "ran"
        assert any("Content Security Policy" in text for text in opened.said)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("width", WIDTHS.values(), ids=WIDTHS.keys())
def test_nothing_scrolls_sideways(browser, reports, kind, width):
    with Opened(browser, reports[kind], viewport={"width": width, "height": 700}) as opened:
        opened.page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
        assert opened.page.evaluate("document.documentElement.scrollWidth") == width
        over = """[...document.querySelectorAll('main *')].filter(each => {
            const box = each.getBoundingClientRect();
            return box.width && box.right > innerWidth + 1 && !each.closest('.scroll') && !each.closest('svg');
        }).map(each => each.className || each.tagName)"""
        assert opened.page.evaluate(over) == []


def test_the_slider_is_a_slider_for_keys(browser, reports):
    with Opened(browser, reports["mend"]) as opened:
        page = opened.page
        slider = page.get_by_role("slider").first
        for _ in range(60):  # reached as a person without a mouse reaches it
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.type") == "range":
                break
        assert slider.evaluate("each => each === document.activeElement")
        at = "getComputedStyle(document.querySelector('.live .after')).clipPath"
        assert page.evaluate(at) == "inset(0px 0px 0px 50%)"
        for key, value in (("ArrowRight", 51), ("Home", 0), ("End", 100), ("ArrowLeft", 99), ("PageDown", 89)):
            page.keyboard.press(key)
            assert slider.input_value() == str(value), key
            assert page.evaluate(at).endswith(f" {value}%)")
        assert "as it came, read as narrow" in slider.get_attribute("aria-valuetext")
        assert slider.evaluate("each => getComputedStyle(each).outlineStyle") == "solid"


def test_the_slider_shows_both_pictures(browser, reports):
    """At its ends the slider shows the one picture, then the other: they differ where the flag clipped."""
    with Opened(browser, reports["mend"]) as opened:
        stage = opened.page.locator(".stage").first
        slider = opened.page.get_by_role("slider").first
        shots = []
        for value in ("0", "100", "0"):
            slider.fill(value)
            shots.append(stage.screenshot())
        assert shots[0] == shots[2] != shots[1]


def test_the_slider_follows_a_pointer(browser, reports):
    with Opened(browser, reports["mend"]) as opened:
        page = opened.page
        box = page.locator(".stage").first.bounding_box()
        page.mouse.move(box["x"] + box["width"] * 0.25, box["y"] + 20)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.8, box["y"] + 30)
        page.mouse.up()
        page.mouse.move(box["x"] + 5, box["y"] + 30)
        assert page.get_by_role("slider").first.input_value() == "80"


def test_without_scripts_and_on_paper_both_pictures_are_there(browser, reports):
    with Opened(browser, reports["mend"], java_script_enabled=False) as opened:
        boxes = [each.bounding_box() for each in opened.page.locator(".pair").first.locator("img").all()]
        assert boxes[0]["x"] + boxes[0]["width"] <= boxes[1]["x"]
        assert opened.page.get_by_role("slider").count() == 0
    with Opened(browser, reports["mend"]) as opened:
        opened.page.emulate_media(media="print")
        assert opened.page.evaluate("getComputedStyle(document.querySelector('.live .after')).clipPath") == "none"
        boxes = [each.bounding_box() for each in opened.page.locator(".pair").first.locator("img").all()]
        assert boxes[0]["x"] + boxes[0]["width"] <= boxes[1]["x"]
        assert not opened.page.get_by_role("slider").first.is_visible()


@pytest.mark.parametrize("kind", KINDS)
def test_dark_where_the_system_is_dark_light_on_paper(browser, reports, kind):
    from footroom.host_adapter.headless.report.palette import COLOURS

    def ground(page):
        red, green, blue = page.evaluate(
            "getComputedStyle(document.documentElement).backgroundColor.match(/\\d+/g).map(Number)"
        )
        return f"#{red:02x}{green:02x}{blue:02x}"

    for scheme, at in (("light", 0), ("dark", 1)):
        with Opened(browser, reports[kind], color_scheme=scheme) as opened:
            assert ground(opened.page) == COLOURS["paper"][at]
            if kind != "trial":
                trace = opened.page.evaluate("getComputedStyle(document.querySelector('.trace')).filter")
                assert trace == ("none" if scheme == "light" else "invert(1)")
            opened.page.emulate_media(media="print", color_scheme=scheme)
            assert ground(opened.page) == COLOURS["paper"][0]


@pytest.mark.parametrize("kind", KINDS)
def test_landmarks_headings_and_text_alternatives(browser, reports, kind):
    with Opened(browser, reports[kind]) as opened:
        page = opened.page
        for role in ("banner", "main", "contentinfo"):
            assert page.get_by_role(role).count() == 1
        assert page.get_by_role("navigation").count() == (1 if kind in ("survey", "mend") else 0)
        assert page.locator("h1").count() == 1
        levels = page.evaluate("[...document.querySelectorAll('h1,h2,h3')].map(each => +each.tagName[1])")
        assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
        pictures = page.get_by_role("img").all()
        assert pictures
        names = [each.get_attribute("alt") or each.get_attribute("aria-label") for each in pictures]
        assert all(len(name) > 20 for name in names)
        assert page.evaluate("document.documentElement.lang") == "en"
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "main"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280], ids=["phone", "desktop"])
def test_axe_finds_nothing(browser, reports, kind, scheme, width):
    """axe-core's rules for WCAG 2.1 A and AA, and its best practices."""
    from axe_playwright_python.sync_playwright import Axe

    with Opened(browser, reports[kind], viewport={"width": width, "height": 900}, color_scheme=scheme) as opened:
        opened.page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
        found = Axe().run(opened.page)
        assert found.violations_count == 0, found.generate_report()
        assert any(rule["id"] == "color-contrast" for rule in found.response["passes"])


@pytest.mark.parametrize("kind", KINDS)
def test_text_is_readable_on_a_phone(browser, reports, kind):
    with Opened(browser, reports[kind], viewport={"width": 360, "height": 700}) as opened:
        small = """[...document.querySelectorAll('main *, footer *')].filter(each => each.childNodes.length &&
            [...each.childNodes].some(node => node.nodeType === 3 && node.data.trim()) &&
            parseFloat(getComputedStyle(each).fontSize) < 12).length"""
        assert opened.page.evaluate(small) == 0
        crowded = """[...document.querySelectorAll('.field')].flatMap(plot => {
            const boxes = [...plot.querySelectorAll('text')].map(each => each.getBoundingClientRect());
            return boxes.flatMap((one, at) => boxes.slice(at + 1).filter(other =>
                one.left < other.right && other.left < one.right && one.top + 2 < other.bottom && other.top + 2 < one.bottom));
        }).length"""
        assert opened.page.evaluate(crowded) == 0
