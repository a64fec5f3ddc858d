"""The review page in a real browser: hearing, correcting, signing, printing, and who can use it."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from dictate.findings.finding import Quantity
from dictate.outputs.arrangement import arrange
from dictate.session.entries import Correction
from dictate.session.journal import JOURNAL_NAME, read_journal
from tests.review.browser import TABLET, WINDOW, chromium, opened
from tests.review.conftest import Page, running
from tests.review.invented import HOSTILE, Said, write_session
from tests.review.test_changes import held, plain, the, work

if TYPE_CHECKING:
    from playwright.sync_api import Browser
    from playwright.sync_api import Page as Tab


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as held_open:
        yield held_open


@pytest.fixture
def tab(browser: Browser, page: Page) -> Iterator[Tab]:
    with opened(browser, page) as held_open:
        yield held_open


def told(tab: Tab, sentence: str) -> None:
    """Wait until the page says that something was done."""
    tab.wait_for_function(
        "text => document.querySelector('#told').textContent.includes(text)", arg=sentence
    )


def focused(tab: Tab, expression: str) -> Any:
    return tab.evaluate(f"(e => {expression})(document.activeElement)")


def sound_at(tab: Tab) -> float:
    return float(tab.evaluate("document.querySelector('#sound').currentTime"))


def test_the_sound_plays_and_the_words_follow_it(tab: Tab, page: Page) -> None:
    tab.wait_for_selector("body[data-wave=drawn]")
    tab.keyboard.press("Space")
    tab.wait_for_function("() => document.querySelector('#sound').currentTime > 1")
    tab.keyboard.press("Space")
    assert tab.evaluate("document.querySelector('#sound').paused")
    first = held(page).session.phrases[1]
    tab.locator("#talk li").nth(1).click()
    tab.wait_for_selector("#talk li.now .word.now")
    assert first.start - 0.1 <= sound_at(tab) <= first.end
    assert (tab.text_content("#talk li.now") or "").endswith(first.text)
    tab.wait_for_function(
        "start => document.querySelector('#sound').currentTime > start + 1.2", arg=first.start
    )
    now = tab.text_content(".word.now")
    assert now in first.text.split(" ")[1:]
    tab.keyboard.press("Space")
    before = sound_at(tab)
    tab.keyboard.press("b")
    tab.wait_for_function("at => document.querySelector('#sound').currentTime < at - 2", arg=before)
    assert abs(sound_at(tab) - max(0.0, before - 3)) < 0.2


def test_a_click_on_the_timeline_plays_from_there(tab: Tab, page: Page) -> None:
    box = tab.locator("#line").bounding_box()
    assert box is not None
    tab.mouse.click(box["x"] + box["width"] / 2, box["y"] + 45)
    seconds = held(page).session.info.seconds
    tab.wait_for_function("() => document.querySelector('#sound').currentTime > 1")
    assert abs(sound_at(tab) - seconds / 2) < 2
    assert not tab.evaluate("document.querySelector('#sound').paused")


def test_a_clip_stops_where_the_finding_ends(tab: Tab, page: Page) -> None:
    task = work(page).doubts[0]
    assert task.begin is not None and task.end is not None
    tab.select_option("#speed", "2")
    tab.locator(".task.doubt .clip").first.click()
    tab.wait_for_function("() => !document.querySelector('#sound').paused")
    tab.wait_for_function("() => document.querySelector('#sound').paused")
    assert task.end - 0.1 <= sound_at(tab) <= task.end + 0.6


def test_the_worklist_by_keyboard_alone(tab: Tab, page: Page) -> None:
    """Every doubt and one remark dealt with, without a mouse."""
    tab.keyboard.press("n")
    assert focused(tab, "e.matches('.task.doubt.chosen')")
    tab.keyboard.press("1")
    told(tab, "Changed")
    pulse = the(page, "vitals.pulse_rate")
    assert isinstance(pulse.value, Quantity) and pulse.value.number == 50

    assert focused(tab, "e.matches('.task.doubt.chosen')")  # on to the next one by itself
    tab.keyboard.press("e")
    tab.wait_for_selector(".task.chosen .edit input[name=number]")
    assert focused(tab, "e.name") == "number"
    tab.keyboard.press("Control+a")
    tab.keyboard.type("16")
    tab.keyboard.press("Enter")
    tab.wait_for_function("() => document.querySelectorAll('.task.doubt').length === 1")
    breath = the(page, "vitals.respiratory_rate")
    assert isinstance(breath.value, Quantity) and breath.value.number == 16

    tab.keyboard.press("a")
    tab.wait_for_selector("text=Nothing waits to be confirmed")
    assert not the(page, "eyes.direct_response").doubtful

    tab.keyboard.press("f")
    assert focused(tab, "e.matches('.task[data-kind=flag].chosen')")
    flags = len(work(page).flags)
    tab.keyboard.press("a")
    told(tab, "Remark noted as seen")
    assert len(work(page).flags) == flags - 1 and len(work(page).seen) == 1
    assert focused(tab, "e.matches('.task[data-kind=flag].chosen')")
    tab.keyboard.press("u")
    told(tab, "Taken back")
    assert not work(page).seen

    tab.keyboard.press("c")
    tab.keyboard.type("the cuff was over the sleeve")
    tab.keyboard.press("Tab")
    tab.keyboard.press("Tab")
    tab.keyboard.press("Enter")
    told(tab, "Comment")
    assert held(page).comments()[0].text == "the cuff was over the sleeve"
    assert read_journal(page.root / JOURNAL_NAME).intact


def test_rejecting_asks_for_a_reason_first_and_can_be_called_off(tab: Tab, page: Page) -> None:
    lines = len(held(page).entries)
    tab.keyboard.press("n")
    item = held(page).finding(tab.locator(".task.doubt.chosen").get_attribute("data-finding") or "")
    tab.keyboard.press("r")
    field = tab.locator(".task.chosen .edit input[name=reason]")
    field.wait_for()
    tab.locator(".task.chosen .edit [data-cancel]").click()
    assert not field.count() and len(held(page).entries) == lines
    tab.keyboard.press("e")
    tab.wait_for_selector(".task.chosen .edit input[name=number]")
    tab.locator(".task.chosen [data-do=reject]").click()  # takes the place of the other form
    assert tab.locator(".task.chosen .edit form").count() == 1
    assert focused(tab, "e.name") == "reason"
    tab.keyboard.type("that was the partner's own pulse")
    tab.keyboard.press("Enter")
    told(tab, "Rejected")
    entry = held(page).entries[-1]
    assert isinstance(entry, Correction) and entry.before is not None and entry.after is None
    assert (entry.before.id, entry.reason) == (item.id, "that was the partner's own pulse")
    tab.click("#tab-record")
    assert "that was the partner's own pulse" in tab.inner_text("#part-record")


def test_every_control_is_reached_by_the_tab_key_and_shows_that_it_is(tab: Tab) -> None:
    tab.keyboard.press("Tab")
    assert focused(tab, "e.className") == "skip"
    tab.keyboard.press("Enter")
    tab.keyboard.press("Tab")
    assert focused(tab, "Boolean(e.closest('#work'))")
    seen = set()
    for _ in range(80):
        tab.keyboard.press("Tab")
        seen.add(
            focused(tab, "e.id || e.dataset.do || e.dataset.open || e.className.baseVal || ''")
        )
        outline = focused(
            tab, "getComputedStyle(e).outlineStyle + getComputedStyle(e).outlineWidth"
        )
        inside = focused(tab, "e === document.body || e.id === 'seek'")
        assert inside or not outline.startswith("none"), seen
    assert {"accept", "reject"} <= seen
    tab.focus("#tab-work")
    tab.keyboard.press("ArrowRight")
    assert focused(tab, "e.id") == "tab-items" and tab.is_visible("#items")
    tab.keyboard.press("ArrowLeft")
    tab.keyboard.press("ArrowLeft")
    assert focused(tab, "e.id") == "tab-record" and tab.is_visible("#record")
    tab.focus("#part-figure [tabindex='0'] >> nth=0")
    tab.keyboard.press("Enter")
    assert tab.is_visible("#items") and "item" in tab.inner_text("#count")


def test_a_finding_is_added_by_hand_by_keyboard_alone(tab: Tab, page: Page) -> None:
    tab.keyboard.press("h")
    assert focused(tab, "e.id") == "add-item"
    tab.keyboard.type("Height (vitals.height)")
    tab.wait_for_selector("#add-fields input[name=number]")
    tab.keyboard.press("Tab")
    tab.keyboard.type("181")
    tab.keyboard.press("Enter")
    told(tab, "Added")
    assert the(page, "vitals.height").by_hand
    assert not tab.is_visible("#add")
    tab.click("#tab-items")
    row = tab.locator("tr[data-item='vitals.height']")
    assert "181" in row.inner_text() and "by hand" in row.inner_text()


def test_a_wrong_entry_is_told_beside_the_field_and_loses_nothing(tab: Tab, page: Page) -> None:
    tab.locator(".task.doubt [data-edit]").first.click()
    field = tab.locator(".task.doubt .edit input[name=number]")
    field.fill("seventy")
    field.press("Enter")
    fault = tab.locator(".task.doubt .edit .fault")
    fault.wait_for()
    assert "in digits" in fault.inner_text() and field.input_value() == "seventy"


def test_items_are_filtered_and_the_figure_leads_to_its_items(tab: Tab, page: Page) -> None:
    tab.click("#tab-items")
    whole = tab.locator("#items tbody tr:visible").count()
    arranged = arrange(held(page).session, held(page).catalogue)
    assert whole == sum(len(region.items) for region in arranged) > 200
    tab.select_option("[name=level]", "measured")
    measured = tab.locator("#items tbody tr:visible")
    assert 0 < measured.count() < 20
    assert all("measured" in row for row in measured.all_inner_texts())
    tab.select_option("[name=region]", "mouth")
    assert measured.count() == 1 and "Tonsils" in measured.first.inner_text()
    tab.click("#filters [type=reset]")
    tab.select_option("[name=side]", "left")
    texts = tab.locator("#items tbody tr:visible").all_inner_texts()
    assert any("Direct light response" in one for one in texts)
    assert not any("Temperature" in one for one in texts)
    tab.click("#tab-unspoken")
    assert "Height" in tab.inner_text("#unspoken") and "Tonsils" not in tab.inner_text("#unspoken")
    shape = tab.locator("#part-figure [data-items*='mouth.tonsils']").first
    shape.dispatch_event("click")
    assert tab.is_visible("#items")
    shown = tab.locator("#items tbody tr:visible").all_inner_texts()
    assert any("Tonsils" in one for one in shown) and len(shown) < whole


def test_the_figure_and_the_coverage_follow_a_change(tab: Tab) -> None:
    before = tab.inner_html("#part-figure")
    tab.click("#tab-items")
    row = tab.locator("tr[data-item='mouth.tonsils']")
    assert row.get_attribute("data-level") == "measured"
    row.locator("[data-edit]").click()
    row.locator(".edit [name=number]").fill("1")
    row.locator(".edit [type=submit]").click()
    told(tab, "Changed")
    assert re.search(r"both sides 1\b", plain(row.inner_text())) and tab.is_visible("#items")
    tab.click("#tab-unspoken")
    tab.get_by_role("button", name="Add a finding: Uvula").click()
    tab.select_option("#add-fields [name=code]", index=1)
    tab.click("#add-form .main")
    told(tab, "Added")
    assert tab.inner_html("#part-figure") != before
    tab.click("#undo")
    told(tab, "Taken back")
    assert tab.inner_html("#part-figure") == before


def test_signing_closes_the_page_and_amending_opens_it(tab: Tab, page: Page) -> None:
    tab.click("#tab-record")
    tab.fill("#record textarea", "my first whole exam")
    tab.get_by_role("button", name="Sign as ln-04").click()
    told(tab, "Signed")
    assert tab.inner_text("#journal-head") == held(page).head
    assert "my first whole exam" in tab.inner_text("#record")
    tab.click("#tab-work")
    assert "read-only" in tab.inner_text("#work")
    assert not tab.locator("#work [data-do]:enabled").count()
    assert tab.is_disabled("#undo") and tab.is_disabled("#add-one")

    tab.select_option("#who-role", "instructor")
    tab.wait_for_function("() => document.querySelector('#who-role').value === 'instructor'")
    tab.wait_for_selector("body[data-ready=yes]")
    tab.fill("#who-code", "in-1")
    with tab.expect_navigation():
        tab.press("#who-code", "Tab")
    tab.wait_for_selector("body[data-ready=yes]")
    tab.click("#tab-marks")
    mark = tab.get_by_label(re.compile("Points for Eyes and vision: complete"))
    mark.fill("1.5")
    mark.press("Tab")
    told(tab, "Mark noted")
    assert "1.5 of 2 points given" in plain(tab.inner_text("#marks .total"))
    tab.click("#tab-record")
    tab.fill("[data-form=sign] textarea", "good light reflexes")
    tab.get_by_role("button", name="Countersign as in-1").click()
    told(tab, "Signed")
    assert "Countersigned" in tab.inner_text("#record")
    tab.click("#tab-marks")
    assert not tab.locator("#marks input").count()

    tab.click("#tab-record")
    tab.fill("[data-form=amend] textarea", "the pulse was fifty")
    tab.get_by_role("button", name="Open again").click()
    told(tab, "Open again")
    tab.click("#tab-work")
    tab.locator("[data-alternative='0']").click()
    told(tab, "Changed")
    assert "Amended" in tab.inner_text("#part-status")
    assert held(page).session.state == "amended"


def test_it_prints_whole(tab: Tab, page: Page) -> None:
    from pypdf import PdfReader

    done = PdfReader(io.BytesIO(tab.pdf(format="A4")))
    text = plain(" ".join(one.extract_text() for one in done.pages))
    assert 2 < len(done.pages) < 16
    for wanted in ("Preliminary", "Respiratory rate", "160 /min", "Never spoken of", "Height"):
        assert wanted in text, wanted
    assert "Signatures and history" in text and held(page).head[:16] in text.replace(" ", "")
    for screen_only in ("Next doubtful", "Add a finding", "Write outputs", "Accept"):
        assert screen_only not in text, screen_only


OVERLAPS = """
window.frames_drawn = [];
const write = CanvasRenderingContext2D.prototype.fillText;
const clear = CanvasRenderingContext2D.prototype.clearRect;
CanvasRenderingContext2D.prototype.clearRect = function (...given) {
  if (this.canvas.id === "close") window.frames_drawn.push([]);
  return clear.apply(this, given);
};
CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
  window.frames_drawn.at(-1).push([text, x, x + this.measureText(text).width, y]);
  return write.call(this, text, x, y);
};
"""


def test_moving_words_never_cover_each_other(browser: Browser, tmp_path: Path) -> None:
    """Even where the talk is fast and one phrase follows on the other."""
    fast = [Said("auscultation percussion fremitus " * 3 + "done")] * 8
    folder = write_session(tmp_path / "fast", fast)
    with running(folder) as page, opened(browser, page, script=OVERLAPS) as tab:
        for second in range(0, 40, 3):
            tab.evaluate(
                "s => { const k = document.querySelector('#seek'); k.value = s;"
                " k.dispatchEvent(new Event('input')); }",
                second,
            )
        frames = tab.evaluate("window.frames_drawn")
    words = 0
    for frame in frames:
        rows: dict[float, list[tuple[float, float]]] = {}
        for _, left, right, y in frame:
            rows.setdefault(y, []).append((left, right))
        for row in rows.values():
            row.sort()
            words += len(row)
            assert all(a[1] < b[0] for a, b in pairwise(row))
    assert len(frames) > 10 and words > 100


def breaches(tab: Tab) -> list[str]:
    """What axe-core calls serious or critical."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(tab).response["violations"]
    return [
        f"{one['impact']} {one['id']}: {one['nodes'][0]['html'][:160]} {one['nodes'][0].get('failureSummary', '')}"
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [WINDOW, TABLET], ids=["desktop", "tablet"])
def test_axe_finds_nothing_serious(
    browser: Browser, page: Page, scheme: str, size: dict[str, int]
) -> None:
    pytest.importorskip("axe_playwright_python", reason="axe-core is not installed")
    page.do("comment", text="a comment", seconds=3)
    with opened(browser, page, scheme, size) as tab:
        tab.keyboard.press("n")
        tab.keyboard.press("e")
        tab.wait_for_selector(".edit input")
        assert not breaches(tab)
        for name in ("items", "unspoken", "marks", "comments", "record"):
            tab.click(f"#tab-{name}")
            assert not breaches(tab), name
        for name in ("add", "comment", "keys"):
            tab.click(f"[data-open={name}] >> nth=0")
            assert not breaches(tab), name
            tab.keyboard.press("Escape")
        page.be("in-1", "instructor")
        tab.reload()
        tab.click("#tab-marks")
        assert not breaches(tab)
        page.be("ln-04", "learner")
        page.do("sign", text="signed")
        tab.reload()
        assert not breaches(tab)
        tab.click("#tab-record")
        assert not breaches(tab)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_in_the_list(
    browser: Browser, tmp_path: Path, scheme: str
) -> None:
    pytest.importorskip("axe_playwright_python", reason="axe-core is not installed")
    write_session(tmp_path / "monday")
    write_session(tmp_path / "tuesday")
    with running(tmp_path) as page, opened(browser, page, scheme) as tab:
        assert tab.locator("tbody tr").count() == 2
        assert not breaches(tab)
        tab.click("text=monday")
        tab.wait_for_selector("body[data-ready=yes]")
        tab.click("text=All sessions")
        assert tab.locator("tbody tr").count() == 2


@pytest.mark.parametrize("width", [1200, 820, 600, 380])
def test_nothing_sticks_out_sideways(browser: Browser, page: Page, width: int) -> None:
    with opened(browser, page, size={"width": width, "height": 900}) as tab:
        for name in ("work", "items", "unspoken", "marks", "comments", "record"):
            tab.click(f"#tab-{name}")
            over = tab.evaluate(
                "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            )
            assert over <= 0, (name, over)


def test_hostile_words_do_nothing_in_the_browser(browser: Browser, tmp_path: Path) -> None:
    folder = write_session(tmp_path / "hostile", HOSTILE, learner="<i>ln</i>")
    with running(folder) as page, opened(browser, page) as tab:
        assert tab.title().startswith("Review of")
        assert tab.locator("h1").count() == 1 and not tab.locator("img").count()
        assert "<script>" in (tab.text_content("#talk") or "")
        for line in range(tab.locator("#talk li").count()):
            tab.locator("#talk li").nth(line).click()
        tab.keyboard.press("Space")
        assert not tab.locator("#talk img, #talk script").count()
