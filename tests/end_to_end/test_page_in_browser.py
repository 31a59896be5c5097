"""A page in a real browser, opened from the disk: it draws, answers the keyboard, fits a phone, and runs no stranger's
script. Wanted: Debian's chromium and chromium-driver, and selenium (tests/reference/PACKAGES.txt)."""

import importlib.util
import io
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from liftwright.evidence.page import page
from liftwright.evidence.picture import draw
from liftwright.evidence.script import script
from unit.page_jobs import GIVEN, HOSTILE, leaning_job, rules

BROWSER, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
pytestmark = pytest.mark.skipif(
    not (BROWSER and DRIVER and importlib.util.find_spec("selenium")), reason="no chromium, chromedriver or selenium"
)
FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-dev-shm-usage"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync", "--window-size=1200,900"),
)
LAYERS = 8


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page of a job whose name and comments mean harm, and one whose script is not there."""
    place: Path = tmp_path_factory.mktemp("pages")
    text = leaning_job(LAYERS).replace(b";material = PETG", b"; model: " + HOSTILE.encode() + b"\n;material = PETG")
    picture = draw(io.BytesIO(text), io.BytesIO(), rules(), GIVEN)
    drawing = script()
    (place / drawing.name).write_bytes(drawing.data)
    (place / "pot.html").write_bytes(page(picture, HOSTILE, drawing.name))
    (place / "alone.html").write_bytes(page(picture, "pot", "gone.js"))
    return place


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER or ""
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('browser')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    driver.set_page_load_timeout(120)
    driver.set_script_timeout(60)
    yield driver
    driver.quit()


@pytest.fixture
def pot(browser: Any, folder: Path) -> Any:
    """The page, freshly drawn; what the browser had to say before is forgotten."""
    browser.get_log("browser")
    browser.get((folder / "pot.html").as_uri())
    return browser


def by_id(browser: Any, name: str) -> Any:
    return browser.find_element("id", name)


def press(browser: Any, *keys: str) -> None:
    """Keys go to whatever has the focus, as from a keyboard."""
    for key in keys:
        browser.switch_to.active_element.send_keys(key)


def tab_to(browser: Any, name: str) -> None:
    """Tab from the top of the page until the control has the focus."""
    from selenium.webdriver.common.keys import Keys

    browser.execute_script("document.activeElement.blur(); window.scrollTo(0, 0)")
    for _ in range(60):
        press(browser, Keys.TAB)
        if browser.switch_to.active_element.get_attribute("id") == name:
            return
    raise AssertionError(f"{name} can't be reached by Tab")


def traces(browser: Any, name: str) -> list[str]:
    found: list[str] = browser.execute_script(f"return document.getElementById('{name}').data.map((d) => d.name)")
    return found


def test_a_page_draws_from_the_disk_without_a_word_in_the_console(pot: Any) -> None:
    assert pot.execute_script("return document.documentElement.dataset.drawn") == "yes"
    assert {"bead", "travel, rewritten", "chosen travel"} <= set(traces(pot, "plan"))
    assert traces(pot, "side") == ["printed", "allowance for curl", "nozzle, as it came", "nozzle, rewritten"]
    assert len(traces(pot, "strip")) == 5
    for name in ("plan", "side", "strip"):
        assert by_id(pot, name).find_elements("css selector", "svg.main-svg"), name
    assert pot.get_log("browser") == []


def test_a_name_that_means_harm_is_shown_and_not_run(pot: Any) -> None:
    from selenium.common.exceptions import NoAlertPresentException

    with pytest.raises(NoAlertPresentException):
        _ = pot.switch_to.alert
    assert "<script>alert(1)</script>" in pot.find_element("tag name", "h1").text
    assert pot.find_elements("tag name", "img") == []


def test_the_layer_bar_is_reached_and_moved_by_keyboard(pot: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    tab_to(pot, "layer")
    press(pot, Keys.HOME)
    assert by_id(pot, "layer-said").text.startswith("Layer 1 of 8, Z 0.20 mm")
    press(pot, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    assert by_id(pot, "layer-said").text.startswith("Layer 3 of 8, Z 0.60 mm")
    assert by_id(pot, "layer-number").get_attribute("value") == "3"
    assert by_id(pot, "layer").get_attribute("aria-valuetext") == "layer 3"
    press(pot, Keys.END)
    assert by_id(pot, "layer-said").text.startswith("Layer 8 of 8")
    assert pot.get_log("browser") == []


def test_a_layer_is_chosen_by_its_number_and_a_travel_by_its_list(pot: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    tab_to(pot, "layer-number")
    press(pot, Keys.CONTROL + "a", "5", Keys.ENTER)
    assert by_id(pot, "layer-said").text.startswith("Layer 5 of 8")
    by_id(pot, "travel-before").click()
    tab_to(pot, "travel")
    press(pot, Keys.HOME)
    first = by_id(pot, "travel-said").text
    press(pot, Keys.ARROW_DOWN)
    second = by_id(pot, "travel-said").text
    assert first.startswith("From line ")
    assert first != second
    tab_to(pot, "travel-next")
    press(pot, Keys.ENTER)
    assert by_id(pot, "travel-said").text != second


def test_travels_are_shown_as_they_came_when_that_is_asked_for(pot: Any) -> None:
    assert "travel that would strike" not in traces(pot, "plan")
    pot.find_element("css selector", "input[name=side][value=before]").click()
    assert "travel that would strike" in traces(pot, "plan")
    assert "nozzle, rewritten" not in traces(pot, "side")


def test_a_phone_needs_no_sideways_scrolling(browser: Any, folder: Path) -> None:
    """390 × 844 points, a common phone's; the whole page is as wide as the screen."""
    metrics = {"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    try:
        browser.get((folder / "pot.html").as_uri())
        assert browser.execute_script("return document.documentElement.scrollWidth") <= 390
        assert by_id(browser, "plan").size["width"] <= 390
        assert by_id(browser, "layer").size["height"] >= 30, "a finger must find it"
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_a_page_without_its_script_says_so(browser: Any, folder: Path) -> None:
    browser.get((folder / "alone.html").as_uri())
    assert by_id(browser, "missing").is_displayed()
    assert "gone.js" in by_id(browser, "missing").text
