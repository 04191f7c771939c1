"""The page in a real browser: what a person clicks, drags, types and decides, and who else sees it.

Needs Debian's Chromium, Playwright and a bundle built with `python -m terrain.page.build --dev`; without them these
tests are skipped. The hand-made map has a floor at 0 (steppable), a block of 0.5 m square 0.1 m high around (-0.25, 0),
and a ramp of 20 degrees, past the biped's limit of 18, from x = 0.6. Accessibility is checked by axe-core, whose rules
follow WCAG 2; "serious" is axe's own word.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from terrain.maps.overrules import read_overrules
from terrain.maps.store import open_map
from terrain.maps.write import write_map
from terrain.page.app import make_app
from terrain.page.build import DEV, is_built
from tests.support.listening import listening
from tests.support.map_contents import CELL_M, NX, NY, X0_M, Y0_M, make_contents, make_raster

sync_api = pytest.importorskip("playwright.sync_api", reason="Playwright is missing: pip install playwright")

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = ["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
AXE = DEV / "axe.min.js"
pytestmark = [
    pytest.mark.skipif(not CHROMIUM.is_file(), reason="Chromium is missing: apt-get install chromium"),
    pytest.mark.skipif(not is_built(dev=True), reason="no fresh bundle: python -m terrain.page.build --dev"),
]

WAIT_MS = 15_000


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield made
        made.close()


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("page") / "map"
    raster = make_raster()
    level = replace(raster, height_m=np.where(np.isnan(raster.height_m), np.nan, 0.0).astype(np.float32))
    write_map(out, make_contents(points=3000, rasters=(level,)), replace=False)
    return out


@pytest.fixture
def folder(shared: Path, tmp_path: Path) -> Path:
    """Return a map of the test's own, to decide on."""
    return Path(shutil.copytree(shared, tmp_path / "map"))


@pytest.fixture(scope="module")
def shared_address(shared: Path) -> Iterator[str]:
    with listening(make_app(shared)) as url:
        yield url


@pytest.fixture
def look(browser: Any, shared_address: str) -> Iterator[Callable[..., Any]]:
    """Open the page on a map that nobody decides on."""
    yield from visiting(browser, shared_address)


@pytest.fixture
def visit(browser: Any, folder: Path) -> Iterator[Callable[..., Any]]:
    """Open the page on the test's own map."""
    with listening(make_app(folder)) as url:
        yield from visiting(browser, url)


def visiting(browser: Any, address: str) -> Iterator[Callable[..., Any]]:
    """Open pages in browsers of their own; a script error or anything loaded from elsewhere fails the test."""
    wrong: list[str] = []
    contexts = []

    def opened(where: str = "#x=0.9&y=1&yaw=0", **options: Any) -> Any:
        context = browser.new_context(viewport={"width": 1280, "height": 860}, **options)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.on("pageerror", lambda error: wrong.append(f"script: {error}"))
        page.on("request", lambda r: wrong.append(r.url) if not r.url.startswith((address, "data:", "blob:")) else None)
        page.goto(f"{address}/{where}")
        page.wait_for_selector("body[data-ready=yes]")
        settle(page)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert wrong == []


def settle(page: Any) -> None:
    """Wait until the verdict is that of the sole where it is."""
    page.wait_for_function(SETTLED)


SETTLED = """() => {
  const { answer, sole } = terrainPage.state;
  if (!answer) return false;
  const turn = answer.verdict.yaw_deg * Math.PI / 180 - sole.yaw;
  return Math.hypot(answer.verdict.x_m - sole.x, answer.verdict.y_m - sole.y, Math.sin(turn)) < 1e-4;
}"""


def label(page: Any) -> str:
    settle(page)
    return str(page.inner_text("#label-word"))


def becomes(page: Any, word: str) -> None:
    page.wait_for_function("(word) => document.getElementById('label-word').textContent === word", arg=word)


def sole(page: Any) -> tuple[float, float, float]:
    x, y, yaw = page.evaluate("() => { const s = terrainPage.state.sole; return [s.x, s.y, s.yaw]; }")
    return x, y, math.degrees(yaw)


def at(page: Any, x: float, y: float) -> tuple[float, float]:
    """Return where a spot of the map is on the screen."""
    box = page.locator("#over").bounding_box()
    px, py = page.evaluate("([x, y]) => terrainPage.plan.toScreen(x, y)", [x, y])
    return box["x"] + px, box["y"] + py


def click(page: Any, x: float, y: float) -> None:
    page.mouse.click(*at(page, x, y))


def drag(page: Any, start: tuple[float, float], end: tuple[float, float]) -> None:
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move(*end, steps=6)
    page.mouse.up()


def show_all(page: Any) -> None:
    page.click("#fit")


# --------------------------------------------------------------------------- why


def test_a_click_puts_the_sole_there_and_says_why(look: Callable[..., Any]) -> None:
    page = look()
    assert label(page) == "Steppable"
    show_all(page)
    click(page, -0.02, 0.0)  # the toe stands out over the block's end by 15 cm, over a floor 10 cm lower
    page.wait_for_function("() => terrainPage.state.answer && terrainPage.state.answer.verdict.x_m < 0.1")
    assert label(page) == "Unsteppable"
    assert "over an edge" in page.inner_text("#verdict")
    click(page, 1.05, 0.1)
    page.wait_for_function("() => terrainPage.state.answer && terrainPage.state.answer.verdict.x_m > 0.9")
    assert "Too steep: 20.0°" in page.inner_text("#verdict")
    assert "limit is 18.0°" in page.inner_text("#verdict")


def test_the_sole_is_dragged_and_turned_with_the_mouse(look: Callable[..., Any]) -> None:
    page = look()
    drag(page, at(page, 0.9, 1.0), at(page, 0.8, 1.05))
    x, y, yaw = sole(page)
    assert (x, y) == pytest.approx((0.8, 1.05), abs=0.004)
    assert yaw == 0.0
    handle = page.evaluate("() => terrainPage.plan.handle()")
    drag(page, at(page, *handle), at(page, 0.8, 1.30))
    assert sole(page)[2] == pytest.approx(90.0, abs=1.0)
    assert label(page) == "Steppable"
    assert page.input_value("#in-yaw") == f"{sole(page)[2]:.1f}"


def test_dragging_the_sheet_moves_the_sheet_and_not_the_sole(look: Callable[..., Any]) -> None:
    page = look()
    before, there = sole(page), at(page, 0.9, 1.0)
    drag(page, at(page, 0.6, 1.2), at(page, 0.7, 1.2))
    assert sole(page) == before
    now = at(page, 0.9, 1.0)
    assert now[0] - there[0] == pytest.approx(90, abs=20)


def test_keys_move_and_turn_the_sole(look: Callable[..., Any]) -> None:
    page = look()
    page.focus("#over")
    for key in ("ArrowRight", "ArrowRight", "ArrowUp", "Shift+ArrowLeft", "q", "q", "Shift+E"):
        page.keyboard.press(key)
    x, y, yaw = sole(page)
    assert (x, y, yaw) == pytest.approx((0.82, 1.01, 9.0), abs=1e-6)
    page.fill("#in-x", "1.1")
    page.press("#in-x", "Enter")
    assert sole(page)[0] == 1.1
    page.wait_for_function("() => document.getElementById('spoken').textContent.length > 0")
    assert page.inner_text("#spoken").split(".")[0] == label(page)


def test_touch_puts_the_sole_there(look: Callable[..., Any]) -> None:
    page = look(has_touch=True)
    page.touchscreen.tap(*at(page, 0.8, 1.1))
    assert sole(page)[:2] == pytest.approx((0.8, 1.1), abs=0.005)


INSIDE = """([points]) => points.every(([x, y]) => {
  const [px, py] = terrainPage.plan.toScreen(x, y), box = document.getElementById("over");
  return px > 0 && py > 0 && px < box.clientWidth && py < box.clientHeight;
})"""


def test_the_whole_site_is_in_sight_at_first(look: Callable[..., Any]) -> None:
    page = look("")
    assert page.evaluate(INSIDE, [[[X0_M, Y0_M], [X0_M + NX * CELL_M, Y0_M + NY * CELL_M]]])


def test_to_the_sole_shows_all_of_it_on_a_phone(look: Callable[..., Any]) -> None:
    """The biped's sole reaches 0.182 m from its ankle; so does what is looked at, whichever way it points."""
    page = look("", has_touch=True, is_mobile=True, screen={"width": 390, "height": 844})
    page.set_viewport_size({"width": 390, "height": 844})
    page.click("#to-sole")
    x, y = page.evaluate("[terrainPage.state.sole.x, terrainPage.state.sole.y]")
    assert page.evaluate(INSIDE, [[[x + dx, y + dy] for dx in (-0.182, 0.182) for dy in (-0.182, 0.182)]])
    assert page.evaluate("document.documentElement.scrollWidth") == 390


def test_what_is_no_number_is_named_until_one_is_given(look: Callable[..., Any]) -> None:
    page = look()
    page.fill("#in-x", "2,5m")
    page.press("#in-x", "Enter")
    assert page.inner_text("#notice") == 'x is "2,5m": expected a number'
    page.fill("#in-x", "0,5")
    page.press("#in-x", "Enter")
    settle(page)
    assert page.evaluate("terrainPage.state.sole.x") == 0.5
    assert page.text_content("#notice") == ""


def test_every_layer_and_level_is_drawn(look: Callable[..., Any]) -> None:
    page = look()
    show_all(page)
    for key in page.eval_on_selector_all("#layer option", "options => options.map((o) => o.value)"):
        page.select_option("#layer", key)
        page.wait_for_function(
            "(key) => terrainPage.state.layer.key === key && terrainPage.state.scales.has(key)", arg=key
        )
        page.wait_for_function(COLOURS)
    page.select_option("#level", "0")
    assert label(page) == "Steppable"


COLOURS = """() => {
  const base = document.getElementById("base"), seen = new Set();
  const data = new Uint32Array(base.getContext("2d").getImageData(0, 0, base.width, base.height).data.buffer);
  for (const pixel of data) seen.add(pixel);
  return seen.size > 2;  // paper and dots are what nobody saw
}"""


def test_a_section_shows_the_block_and_the_sole_on_it(look: Callable[..., Any]) -> None:
    page = look()
    show_all(page)
    page.click("[data-tool=section]")
    click(page, -0.9, 0.0)
    click(page, 0.5, 0.0)
    page.wait_for_selector("#cut svg .sole")
    assert "1.40 m" in page.inner_text("#cut strong")
    heights = page.get_attribute("#cut svg", "aria-label")
    assert "from 0.00 to 0.10 metres high" in heights
    page.fill("#cut-at", "0.65")  # in the middle of the block's top
    page.wait_for_function("() => document.getElementById('cut-words').textContent.includes('0.100 m')")
    page.select_option("#cut-stretch", "5")
    page.click("text=Close the section")
    assert page.locator("#cut svg").count() == 0


def test_the_site_in_3d_is_drawn_and_takes_clicks(look: Callable[..., Any]) -> None:
    page = look()
    page.click("#view-solid")
    page.wait_for_selector("#solid[data-ready=yes]")
    page.wait_for_timeout(300)
    box = page.locator("#solid canvas").bounding_box()
    before = sole(page)
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_function("(x) => terrainPage.state.sole.x !== x", arg=before[0])
    x, y, _ = sole(page)
    assert -1.0 <= x <= 2.0
    assert -0.5 <= y <= 1.5
    page.focus("#solid canvas")
    page.keyboard.press("ArrowLeft")
    page.click("#view-plan")
    assert page.is_visible("#over")


# --------------------------------------------------------------------------- overrule


def decide(page: Any, name: str = "Ines Example", reason: str = "hose across") -> None:
    page.fill("#form textarea[name=reason]", reason)
    page.fill("#form input[name=name]", name)
    page.press("#form input[name=name]", "Enter")


def keep_out_here(page: Any, **signed: str) -> None:
    page.click("[data-tool=keep-out]")
    page.click("#draw-square")
    page.click("#draw-done")
    decide(page, **signed)
    page.wait_for_selector("#decisions li.keep-out")


def test_an_area_is_kept_out_with_the_mouse_and_holds_after_a_reload(visit: Callable[..., Any], folder: Path) -> None:
    page = visit()
    page.click("[data-tool=keep-out]")
    for x, y in ((0.7, 0.9), (1.1, 0.9), (1.1, 1.1), (0.7, 1.1)):
        click(page, x, y)
    click(page, 0.7, 0.9)  # the first corner again closes the area
    decide(page)
    page.wait_for_selector("#decisions li.keep-out")
    becomes(page, "Unsteppable")
    assert "Kept out by Ines Example: hose across" in page.inner_text("#verdict")
    assert "Measured: steppable" in page.inner_text("#verdict")
    page.reload()
    page.wait_for_selector("body[data-ready=yes]")
    assert label(page) == "Unsteppable"
    (record,) = read_overrules(folder).records
    assert (record.kind, record.name, record.reason) == ("keep-out", "Ines Example", "hose across")
    np.testing.assert_allclose(record.area_m, [[0.7, 0.9], [1.1, 0.9], [1.1, 1.1], [0.7, 1.1]], atol=0.005)
    assert open_map(folder).judge([[0.9, 1.0, 0.0]]).reasons(0)[0] == "kept-out"


def test_an_area_is_kept_out_and_undone_by_keyboard_alone(visit: Callable[..., Any], folder: Path) -> None:
    page = visit()
    page.focus("[data-tool=keep-out]")
    page.keyboard.press("Enter")
    page.focus("#over")
    for moves in ((), ("Shift+ArrowRight",), ("Shift+ArrowUp",)):
        for key in moves:
            page.keyboard.press(key)
        page.keyboard.press("Enter")
    page.keyboard.press("f")
    page.wait_for_selector("#form textarea")
    page.keyboard.press("Tab")
    page.keyboard.type("wet paint")
    page.keyboard.press("Tab")
    page.keyboard.type("Bo Example")
    page.keyboard.press("Enter")
    page.wait_for_selector("#decisions li.keep-out")
    becomes(page, "Unsteppable")
    page.focus("[aria-label='Undo decision 1']")
    page.keyboard.press("Enter")
    page.wait_for_selector("#form textarea")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.type("Ines Example")
    page.keyboard.press("Enter")
    page.wait_for_selector("#decisions li.undone")
    becomes(page, "Steppable")
    assert [record.kind for record in read_overrules(folder).records] == ["keep-out", "undo"]


def test_past_a_limit_takes_the_limit_typed_by_name(visit: Callable[..., Any], folder: Path) -> None:
    page = visit("#x=1.05&y=0&yaw=0")
    assert label(page) == "Unsteppable"
    page.click("[data-tool=accept]")
    page.click("#draw-square")
    page.click("#draw-done")
    decide(page, reason="mats laid")
    page.wait_for_selector("#form .limits")
    settle(page)
    assert label(page) == "Unsteppable", "the first decision does not reach past a limit"
    page.fill("[aria-label^='Type slope']", "yes")
    page.fill("#form textarea[name=reason]", "mats laid and nailed")
    page.click("text=Accept past the limits named")
    assert 'expected "slope"' in page.inner_text("#form .wrong")
    page.fill("[aria-label^='Type slope']", "slope")
    page.click("text=Accept past the limits named")
    becomes(page, "Steppable")
    text = page.inner_text("#verdict")
    assert "accepted by a person" in text
    assert "Measured: unsteppable" in text
    assert "Past the limit too: slope up to" in text
    assert [record.kind for record in read_overrules(folder).records] == ["accept", "accept-past-limit"]


def test_two_browsers_see_each_others_decisions(visit: Callable[..., Any]) -> None:
    one, other = visit(), visit()
    assert label(other) == "Steppable"
    keep_out_here(one, name="Ines Example")
    becomes(other, "Unsteppable")
    assert "Ines Example made decision 1" in other.inner_text("#notice")
    other.click("[aria-label='Undo decision 1']")
    other.fill("#form input[name=name]", "Bo Example")
    other.press("#form input[name=name]", "Enter")
    becomes(one, "Steppable")
    assert "undone by Bo Example" in one.inner_text("#decisions")


def test_a_replaced_map_is_shown_anew(visit: Callable[..., Any], folder: Path) -> None:
    page = visit()
    keep_out_here(page)
    write_map(folder, make_contents(points=500, survey_name="second pass"), replace=True)
    page.wait_for_function("() => document.getElementById('survey').textContent === 'second pass'")
    page.wait_for_function("() => document.getElementById('decisions').textContent.includes('made on an earlier map')")
    settle(page)
    assert label(page) == "Unsteppable", "what was kept out stays so"


def test_names_and_notes_are_shown_as_text(visit: Callable[..., Any]) -> None:
    page = visit()
    mark = "<img src=x onerror=\"document.title='taken'\"><script>document.title='taken'</script>"
    keep_out_here(page, name="Ines <b>bold</b>", reason=mark)
    becomes(page, "Unsteppable")
    assert mark in page.inner_text("#decisions")
    assert page.locator("#decisions img, #decisions b, #verdict img, #verdict b").count() == 0
    assert page.title() != "taken"


def test_pressing_twice_decides_once(visit: Callable[..., Any], folder: Path) -> None:
    page = visit()
    page.click("[data-tool=keep-out]")
    page.click("#draw-square")
    page.click("#draw-done")
    page.fill("#form textarea[name=reason]", "hose across")
    page.fill("#form input[name=name]", "Ines Example")
    page.evaluate("() => { const f = document.querySelector('#form form'); f.requestSubmit(); f.requestSubmit(); }")
    page.wait_for_selector("#decisions li.keep-out")
    page.wait_for_timeout(300)
    assert len(read_overrules(folder).records) == 1


def test_what_the_service_refuses_is_said_in_the_form(visit: Callable[..., Any], folder: Path) -> None:
    page = visit()
    page.click("[data-tool=keep-out]")
    for x, y in ((0.7, 0.9), (1.1, 1.1), (1.1, 0.9), (0.7, 1.1)):
        click(page, x, y)
    page.click("#draw-done")
    decide(page)
    page.wait_for_function("() => document.querySelector('#form .wrong').textContent.includes('crosses itself')")
    assert read_overrules(folder).records == ()


# --------------------------------------------------------------------------- for everybody


def test_axe_finds_no_serious_violation(visit: Callable[..., Any]) -> None:
    page = visit()
    keep_out_here(page)
    page.click("#cautions >> xpath=../summary")
    page.click("[data-tool=accept]")
    page.click("#draw-square")
    page.click("#draw-done")
    page.wait_for_selector("#form textarea")
    page.evaluate(AXE.read_text(encoding="utf-8"))
    for theme in ("paper", "sun", "night"):
        page.select_option("#theme", theme)
        found = page.evaluate("() => axe.run()")
        bad = [
            (violation["id"], violation["impact"], [node["html"][:120] for node in violation["nodes"]])
            for violation in found["violations"]
            if violation["impact"] in ("serious", "critical")
        ]
        assert bad == [], theme
        assert len(found["passes"]) > 10


def test_what_was_not_seen_is_listed_with_stops_on_the_plan(look: Callable[..., Any]) -> None:
    """The route starts on the map's corner that nobody saw."""
    page = look()
    show_all(page)
    page.click("[data-tool=route]")
    click(page, -0.8, -0.3)
    click(page, 0.3, 1.0)
    page.click("#draw-done")
    page.wait_for_selector("#unseen h3")
    assert "m of the route" in page.inner_text("#unseen")
    assert page.evaluate("() => terrainPage.state.marks.length") == 1
